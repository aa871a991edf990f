package simdevice

import (
	"context"
	"io"
	"slices"
	"sync"
	"time"

	"plumbline/simdevice/fault"
)

// lanes are the fault rules of all connections of a station: each has a run of
// its own, so that what is held back of one never reaches another.
type lanes struct {
	script fault.Script
	gone   chan struct{} // closed when others take their place
}

func newLanes(s fault.Script) (*lanes, error) {
	if _, err := s.Start(fault.Framed(0)); err != nil {
		return nil, err
	}
	return &lanes{script: s, gone: make(chan struct{})}, nil
}

// setLanes puts other rules in the place of those that there are; what a stall
// of the old ones holds back is let go.
func (s *Station) setLanes(l *lanes) {
	if old := s.lanes.Swap(l); old != nil {
		close(old.gone)
	}
}

// lane is the rules at work on one connection.
type lane struct {
	of    *lanes
	run   *fault.Run
	ahead chan struct{} // closed when the answer before has left

	mu      sync.Mutex
	cut     bool
	stalled time.Time // nothing leaves before
	forever bool
}

// routed is one answer and what the rules make of it.
type routed struct {
	lane        *lane
	deliveries  []fault.Delivery
	made        time.Time
	ahead, left chan struct{}
	overtakes   bool // waits for nobody, and nobody for it
}

// enter finds the lane of a connection for the rules that hold now; nil where
// there never were any. It says whether the connection is cut, so that nothing
// is heard of what is asked. Only the goroutine that reads calls it.
func (c *conn) enter() (cut bool) {
	now := c.station.lanes.Load()
	if now == nil && c.lane == nil {
		return false
	}
	if c.lane == nil || c.lane.of != now {
		next := &lane{of: now}
		if c.lane != nil {
			next.ahead = c.lane.ahead
		}
		if now != nil {
			next.run, _ = now.script.Start(fault.Framed(c.framing)) // tried when it was given
		}
		c.lane = next
	}
	c.lane.mu.Lock()
	defer c.lane.mu.Unlock()
	return c.lane.cut
}

// route asks the rules what becomes of an answer, in the order of the answers.
func (c *conn) route(r *reply) {
	l := c.lane
	if l == nil || len(r.adu) == 0 {
		return
	}
	o := &routed{lane: l, made: time.Now(), ahead: l.ahead, left: make(chan struct{}), deliveries: []fault.Delivery{{Bytes: slices.Clone(r.adu)}}}
	if l.run != nil {
		o.deliveries = l.run.Answers().Deliveries(r.adu)
	}
	if slices.ContainsFunc(o.deliveries, func(d fault.Delivery) bool { return d.Overtake }) {
		o.ahead, o.overtakes = nil, true
	} else {
		l.ahead = o.left
	}
	r.routed = o
}

// deliverRouted does what the rules said, each at its time and in its order.
func (c *conn) deliverRouted(ctx context.Context, r *reply) error {
	o := r.routed
	r.adu = nil // what is observed is what left
	if !o.overtakes {
		defer close(o.left)
	}
	if o.ahead != nil {
		select {
		case <-o.ahead:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	for _, d := range o.deliveries {
		wait(ctx, time.Until(o.made.Add(d.Delay)))
		if err := c.act(ctx, o.lane, r, d); err != nil {
			return err
		}
	}
	return nil
}

// act does one delivery. On a serial line nobody can be told of an end, so
// closing does nothing there.
func (c *conn) act(ctx context.Context, l *lane, r *reply, d fault.Delivery) error {
	switch d.Act {
	case fault.Pass:
		if l.hold(ctx) {
			return nil
		}
		if r.exchange != nil {
			r.adu = append(r.adu, d.Bytes...)
		}
		return c.sendPiece(ctx, d.Bytes)
	case fault.Fin, fault.Rst:
		if !c.tcp || c.datagrams() {
			return nil
		}
		if d.Act == fault.Rst {
			c.linger()
		}
		return io.EOF
	case fault.HalfOpen:
		l.mu.Lock()
		l.cut = true
		l.mu.Unlock()
	case fault.Stall:
		l.mu.Lock()
		l.forever = l.forever || d.For <= 0
		l.stalled = time.Now().Add(d.For)
		l.mu.Unlock()
	case fault.Flood:
		c.done.Go(func() { c.flood(ctx, l, d) })
	}
	return nil
}

// hold waits while the lane is stalled, and says whether it is cut.
func (l *lane) hold(ctx context.Context) (cut bool) {
	l.mu.Lock()
	until, forever, cut := l.stalled, l.forever, l.cut
	l.mu.Unlock()
	if cut || l.of == nil || !forever && !until.After(time.Now()) {
		return cut
	}
	var over <-chan time.Time
	if !forever {
		t := time.NewTimer(time.Until(until))
		defer t.Stop()
		over = t.C
	}
	select {
	case <-over:
	case <-l.of.gone:
	case <-ctx.Done():
		return true
	}
	return false
}

// flood sends the same again and again.
func (c *conn) flood(ctx context.Context, l *lane, d fault.Delivery) {
	var end <-chan time.Time
	if d.For > 0 {
		t := time.NewTimer(d.For)
		defer t.Stop()
		end = t.C
	}
	tick := time.NewTicker(max(d.Every, fault.MinEvery))
	defer tick.Stop()
	for {
		if c.sendPiece(ctx, d.Bytes) != nil {
			return
		}
		select {
		case <-tick.C:
		case <-end:
			return
		case <-l.of.gone:
			return
		case <-ctx.Done():
			return
		}
	}
}

// sendPiece sends when the line is free.
func (c *conn) sendPiece(ctx context.Context, b []byte) error {
	if len(b) == 0 {
		return nil
	}
	if err := c.takeTurn(ctx); err != nil {
		return err
	}
	defer c.giveTurn()
	return c.send(b)
}

// linger makes the end of a TCP connection a reset.
func (c *conn) linger() {
	if l, ok := c.stream.(interface{ SetLinger(int) error }); ok {
		_ = l.SetLinger(0)
	}
}
