package simdevice

import (
	"context"
	"errors"
	"io"
	"net"
	"runtime"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// hall is a listener in memory.
type hall struct {
	t      *testing.T
	come   chan net.Conn
	fail   chan error
	closed chan struct{}
	once   sync.Once
}

func newHall(t *testing.T) *hall {
	return &hall{t: t, come: make(chan net.Conn), fail: make(chan error), closed: make(chan struct{})}
}

func (h *hall) Accept() (net.Conn, error) {
	select {
	case c := <-h.come:
		return c, nil
	case err := <-h.fail:
		return nil, err
	case <-h.closed:
		return nil, net.ErrClosed
	}
}

func (h *hall) Close() error   { h.once.Do(func() { close(h.closed) }); return nil }
func (h *hall) Addr() net.Addr { return &net.TCPAddr{} }

// dial is a new client of the listener.
func (h *hall) dial() *client {
	h.t.Helper()
	ours, theirs := net.Pipe()
	select {
	case h.come <- theirs:
	case <-h.closed:
		h.t.Error("nobody listens")
	}
	c := newClient(h.t, ours, false)
	synctest.Wait()
	return c
}

// listen serves a hall until stop; stop gives what serving gave.
func listen(t *testing.T, s *Station, f line.Framing) (h *hall, stop func() error) {
	h = newHall(t)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.ServeListener(ctx, h, f) }()
	return h, func() error {
		cancel()
		return <-done
	}
}

func (c *client) answers() bool {
	c.t.Helper()
	c.heard()
	if _, err := c.conn.Write(mbap(1, pdu(3, 0, 1)...)); err != nil {
		return false
	}
	return len(c.heard()) > 0
}

// Stopping closes the listener and every connection at once, and leaves no
// goroutine behind: the bubble of the test would not end with one (D6).
func TestD6Stop(t *testing.T) {
	const clients = 1000
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), Options{})
		h, stop := listen(t, s, line.MBAP)
		var all []*client
		for i := range clients {
			c := h.dial()
			if i%100 == 0 && !c.answers() {
				t.Errorf("client %d gets no answer", i)
			}
			if i%3 == 0 {
				c.send(0, 1, 0) // half a frame is open
			}
			all = append(all, c)
		}
		began := time.Now()
		if err := stop(); err != nil {
			t.Errorf("stopping gave %v", err)
		}
		if took := time.Since(began); took != 0 {
			t.Errorf("stopping took %v", took)
		}
		for i, c := range all {
			if !c.ended() || c.end != io.EOF {
				t.Fatalf("client %d is still connected: %v", i, c.end)
			}
		}
		select {
		case <-h.closed:
		default:
			t.Error("the listener is open")
		}
		if got := s.Counts(); got.Broken != 0 {
			t.Errorf("%+v", got)
		}
	})
}

// D1: an idle connection costs less than 16 kB, the client's end and the link
// in memory included.
func TestD1MemoryOfAConnection(t *testing.T) {
	const clients = 2000
	synctest.Test(t, func(t *testing.T) {
		h, stop := listen(t, stationOf(t, hundred(""), Options{}), line.MBAP)
		used := func() uint64 {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			return m.HeapAlloc + m.StackInuse
		}
		before := used()
		ends := make([]net.Conn, clients)
		for i := range ends {
			ours, theirs := net.Pipe()
			h.come <- theirs
			ends[i] = ours
		}
		synctest.Wait()
		if each := int64(used()-before) / clients; each <= 0 || each > 16<<10 {
			t.Errorf("%d bytes a connection", each)
		}
		runtime.KeepAlive(ends)
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// Stopping ends deliveries, and is over only when they are.
func TestStopDuringDelivery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var entered, finished atomic.Int32
		s := stationOf(t, hundred(""), Options{Hooks: Hooks{
			Deliver: func(ctx context.Context, _ regmap.Unit, adu []byte, send func([]byte) error) error {
				entered.Add(1)
				if err := send(adu[:3]); err != nil {
					return err
				}
				<-ctx.Done()            // the line is held: the next answer waits for its turn
				time.Sleep(time.Second) // a hook that is slow to notice
				finished.Add(1)
				return ctx.Err()
			},
		}})
		h, stop := listen(t, s, line.MBAP)
		c := h.dial()
		c.send(append(mbap(1, pdu(3, 0, 1)...), mbap(2, pdu(3, 0, 1)...)...)...)
		if got := len(c.heard()); got != 3 || entered.Load() != 2 {
			t.Errorf("%d bytes, %d deliveries", got, entered.Load())
		}
		if err := stop(); err != nil || !c.ended() || finished.Load() != 1 {
			t.Errorf("stopping gave %v, ended %v, %d deliveries finished", err, c.ended(), finished.Load())
		}
	})
}

// D3: an error of Accept is not the end. It is waited out, longer each time up
// to a second, and what is connected is served meanwhile.
func TestD3AcceptErrors(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, stop := listen(t, stationOf(t, hundred(""), Options{}), line.MBAP)
		old := h.dial()
		began := time.Now()
		var pauses []time.Duration
		for range 10 {
			at := time.Now()
			h.fail <- syscall.EMFILE
			synctest.Wait()
			if !old.answers() {
				t.Fatal("the connected client is not served during the pause")
			}
			h.fail <- syscall.EMFILE // taken only after the pause
			pauses = append(pauses, time.Since(at))
			c := h.dial()
			if !c.answers() {
				t.Fatal("no service after the errors")
			}
		}
		if pauses[0] != 5*time.Millisecond || time.Since(began) > time.Second {
			t.Errorf("pauses %v in %v", pauses, time.Since(began))
		}
		for range 12 {
			h.fail <- syscall.EMFILE
		}
		at := time.Now()
		h.fail <- syscall.EMFILE
		if got := time.Since(at); got != time.Second {
			t.Errorf("the longest pause is %v, want 1s", got)
		}
		at = time.Now()
		if err := stop(); err != nil || time.Since(at) != 0 {
			t.Errorf("stopping in a pause gave %v after %v", err, time.Since(at))
		}
	})
}

// A listener that another closes ends the service with net.ErrClosed.
func TestListenerClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHall(t)
		done := make(chan error, 1)
		go func() { done <- stationOf(t, hundred(""), Options{}).ServeListener(t.Context(), h, line.MBAP) }()
		c := h.dial()
		h.Close()
		if err := <-done; !errors.Is(err, net.ErrClosed) || !c.ended() {
			t.Errorf("%v, ended %v", err, c.ended())
		}
	})
}

// A connection that comes while the service stops is not left open.
func TestConnectionDuringStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		ours, theirs := net.Pipe()
		late := &lateListener{conn: theirs, before: cancel}
		if err := stationOf(t, hundred(""), Options{}).ServeListener(ctx, late, line.MBAP); err != nil {
			t.Error(err)
		}
		if _, err := ours.Read(make([]byte, 1)); err != io.EOF {
			t.Errorf("the connection is open: %v", err)
		}
	})
}

type lateListener struct {
	hall
	conn   net.Conn
	before func()
}

func (l *lateListener) Accept() (net.Conn, error) { l.before(); return l.conn, nil }
func (l *lateListener) Close() error              { return nil }

// D4: for one client too many the longest unused is closed; one with an open
// request is not, and when all have one the new client is not taken.
// Source: TCP guide V1.0b, 4.2.1.1.
func TestD4TooManyClients(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), Options{Clients: 3})
		h, stop := listen(t, s, line.MBAP)
		a, b, c := h.dial(), h.dial(), h.dial()
		if !a.answers() || !b.answers() || !c.answers() || !a.answers() {
			t.Error("a client gets no answer")
		}
		d := h.dial() // b is the one unused for longest
		if !b.ended() || a.ended() || c.ended() || !d.answers() {
			t.Errorf("ended: a %v, b %v, c %v", a.ended(), b.ended(), c.ended())
		}
		a.conn.Close() // a place is free
		synctest.Wait()
		e := h.dial()
		if c.ended() || d.ended() || !e.answers() {
			t.Error("a client was closed though there was room")
		}
		if got := s.Counts().Displaced; got != 1 {
			t.Errorf("%d displaced, want 1", got)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

func TestD4OpenRequestsStay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), Options{Clients: 2, Hooks: Hooks{
			Deliver: func(ctx context.Context, _ regmap.Unit, adu []byte, send func([]byte) error) error {
				wait(ctx, time.Second)
				return send(adu)
			},
		}})
		h, stop := listen(t, s, line.MBAP)
		a, b := h.dial(), h.dial()
		a.send(mbap(1, pdu(3, 0, 1)...)...)
		c := h.dial() // b is younger, but a waits for an answer
		if a.ended() || !b.ended() || c.ended() {
			t.Errorf("ended: a %v, b %v, c %v", a.ended(), b.ended(), c.ended())
		}
		c.send(mbap(1, pdu(3, 0, 1)...)...)
		d := h.dial()
		if a.ended() || c.ended() || !d.ended() {
			t.Errorf("ended: a %v, c %v, d %v", a.ended(), c.ended(), d.ended())
		}
		time.Sleep(time.Second)
		if len(a.heard()) == 0 || len(c.heard()) == 0 {
			t.Error("an open request was not answered")
		}
		if got := s.Counts().Displaced; got != 2 {
			t.Errorf("%d displaced, want 2", got)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// RTU inside TCP keeps the unit rules of TCP and needs no silence of a line.
func TestRTUInsideTCP(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, stop := listen(t, stationOf(t, hundred(""), Options{}), line.RTU)
		c := h.dial()
		c.send(rtu(0, pdu(6, 1, 7)...)...) // no broadcast here
		c.wants(spaced(rtu(0, pdu(6, 1, 7)...)))
		c.send(rtu(255, pdu(3, 1, 1)...)...)
		c.wants(spaced(rtu(255, 3, 2, 0, 7)))
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// The same over loopback, once, with real sockets.
func TestLoopback(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	s := stationOf(t, hundred(""), Options{})
	go func() { done <- s.ServeListener(ctx, l, line.MBAP) }()
	conn, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Write(append(mbap(1, pdu(3, 0, 1)...), mbap(2, pdu(6, 0, 5)...)...)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 11+12)
	if _, err := io.ReadFull(conn, buf); err != nil {
		t.Fatal(err)
	}
	if adu, err := frame.ParseADU(line.MBAP, buf[:11]); err != nil || adu.Transaction != 1 {
		t.Errorf("%+v, %v", adu, err)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if _, err := conn.Read(buf); err == nil {
		t.Error("the connection is open after the stop")
	}
}
