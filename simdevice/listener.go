package simdevice

import (
	"container/list"
	"context"
	"errors"
	"net"
	"sync"
	"time"

	"plumbline/regmap/line"
)

// Pauses after an Accept that failed, as when descriptors run out. Ours.
const (
	firstPause = 5 * time.Millisecond
	lastPause  = time.Second
)

// ServeListener serves every connection of a listener until ctx ends, which
// gives nil, or the listener is closed by another, which gives net.ErrClosed.
// Then the listener and all its connections are closed, and nothing of them
// runs any more. Any other fault of Accept is waited out.
//
// The framing is MBAP, or RTU or ASCII as some gateways carry them inside TCP.
// In each of them the rules of TCP hold for unit numbers: there is no
// broadcast, and a station of one unit answers units 0 and 255 too.
//
// Beyond Options.Clients the connection that was unused for longest is closed
// for the new one. Source: TCP guide V1.0b, 4.2.1.1.
func (s *Station) ServeListener(ctx context.Context, l net.Listener, f line.Framing) error {
	ctx, cancel := context.WithCancel(ctx)
	stop := context.AfterFunc(ctx, func() { l.Close() })
	r := &room{most: s.options.Clients}
	err := s.accept(ctx, l, func(n net.Conn) {
		c := newConn(s, n, f, true)
		if !r.enter(c, &s.counts) {
			n.Close()
			return
		}
		r.inside.Go(func() {
			defer r.leave(c)
			_ = s.serve(ctx, c) // counted there; a listener outlives its connections
		})
	})
	cancel()
	stop()
	l.Close()
	r.inside.Wait()
	return err
}

// accept takes connections until ctx ends or the listener is closed.
func (s *Station) accept(ctx context.Context, l net.Listener, take func(net.Conn)) error {
	pause := firstPause
	for {
		n, err := l.Accept()
		switch {
		case ctx.Err() != nil:
			if n != nil {
				n.Close()
			}
			return nil
		case errors.Is(err, net.ErrClosed):
			return err
		case err != nil:
			wait(ctx, pause)
			pause = min(2*pause, lastPause)
		default:
			pause = firstPause
			take(n)
		}
	}
}

// room is the connections of a listener, the longest unused one first.
type room struct {
	most   int
	inside sync.WaitGroup

	mu    sync.Mutex
	order list.List // of *conn
}

// enter lets a connection in, closing the longest unused one for it where the
// room is full. It is false when all of them have a request open.
func (r *room) enter(c *conn, counts *counters) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if most := c.station.refuse.Load(); most > 0 && int64(r.order.Len()) >= most {
		return false
	}
	if r.order.Len() >= r.most {
		counts.displaced.Add(1)
		if !r.displace() {
			return false
		}
	}
	c.place = r.order.PushBack(c)
	c.used = func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.order.MoveToBack(c.place) // of no effect once displaced
	}
	return true
}

// displace closes the longest unused connection. It counts as gone at once.
func (r *room) displace() bool {
	for e := r.order.Front(); e != nil; e = e.Next() {
		if c := e.Value.(*conn); c.open.Load() == 0 {
			r.order.Remove(e)
			c.stream.Close()
			return true
		}
	}
	return false
}

// leave forgets a connection that has ended.
func (r *room) leave(c *conn) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.order.Remove(c.place) // of no effect once displaced
}
