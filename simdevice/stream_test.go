package simdevice

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// client is the other end of a served stream, in memory. What the station
// sends is taken at once, unless the client is deaf.
type client struct {
	t    *testing.T
	conn net.Conn
	mu   sync.Mutex
	got  bytes.Buffer
	end  error         // how reading ended
	over chan struct{} // closed then
	done chan error    // what serving gave
}

// newClient listens on its end of a link.
func newClient(t *testing.T, conn net.Conn, deaf bool) *client {
	c := &client{t: t, conn: conn, over: make(chan struct{}), done: make(chan error, 1)}
	if deaf {
		return c
	}
	go func() {
		defer close(c.over)
		buf := make([]byte, 512)
		for {
			n, err := conn.Read(buf)
			c.mu.Lock()
			c.got.Write(buf[:n])
			c.mu.Unlock()
			if err != nil {
				c.end = err
				return
			}
		}
	}()
	return c
}

// served is a client of a station that serves a stream. Everything ends with
// the test.
func served(t *testing.T, s *Station, f line.Framing) *client {
	ours, theirs := net.Pipe()
	c := newClient(t, ours, false)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { c.done <- s.ServeStream(ctx, theirs, f) }()
	synctest.Wait()
	t.Cleanup(func() {
		cancel()
		<-c.over
		ours.Close()
	})
	return c
}

// send writes and lets the station do all that it can do at once.
func (c *client) send(b ...byte) {
	c.t.Helper()
	if _, err := c.conn.Write(b); err != nil {
		c.t.Errorf("the station took no more: %v", err)
	}
	synctest.Wait()
}

func (c *client) hex(s string) { c.t.Helper(); c.send(unhex(c.t, s)...) }

// heard is what the station has sent since the last call.
func (c *client) heard() []byte {
	synctest.Wait()
	c.mu.Lock()
	defer c.mu.Unlock()
	b := bytes.Clone(c.got.Bytes())
	c.got.Reset()
	return b
}

func (c *client) wants(want string) {
	c.t.Helper()
	if got := c.heard(); spaced(got) != want {
		c.t.Errorf("heard %q, want %q", spaced(got), want)
	}
}

// ended says whether the station has closed the stream.
func (c *client) ended() bool {
	synctest.Wait()
	select {
	case <-c.over:
		return true
	default:
		return false
	}
}

// wantsEnd is the error that serving must give, now.
func (c *client) wantsEnd(want error) {
	c.t.Helper()
	synctest.Wait()
	select {
	case err := <-c.done:
		if !errors.Is(err, want) {
			c.t.Errorf("serving ended with %v, want %v", err, want)
		}
	default:
		c.t.Errorf("still served, want the end with %v", want)
	}
}

// mbap is a frame around a PDU for the test unit.
func mbap(transaction uint16, pdu ...byte) []byte {
	b, err := frame.AppendADU(nil, frame.ADU{Framing: line.MBAP, Transaction: transaction, Unit: testUnit, PDU: pdu})
	if err != nil {
		panic(err)
	}
	return b
}

func rtu(u regmap.Unit, pdu ...byte) []byte {
	b, err := frame.AppendADU(nil, frame.ADU{Framing: line.RTU, Unit: u, PDU: pdu})
	if err != nil {
		panic(err)
	}
	return b
}

// Every answered vector in its three framings, byte by byte. Source: the
// vectors' own clauses; V1.1b3 6.1 to 6.17.
func TestVectorsOnStreams(t *testing.T) {
	f := vectors(t)
	for _, id := range answered {
		v := f.find(t, id)
		for framing, row := range map[line.Framing][2]string{
			line.RTU: {v.Request.RTU, v.Response.RTU}, line.MBAP: {v.Request.TCP, v.Response.TCP}, line.ASCII: {v.Request.ASCII, v.Response.ASCII},
		} {
			send, want := []byte(row[0]), []byte(row[1])
			if framing != line.ASCII {
				send, want = unhex(t, row[0]), unhex(t, row[1])
			}
			if framing == line.MBAP && id == "fc08-00-return-query-data" {
				want = mbap(1, 0x88, 1) // a function of the serial line
			}
			synctest.Test(t, func(t *testing.T) {
				c := served(t, stationOf(t, publishedMap(t, []vector{v}), Options{}), framing)
				for _, b := range send {
					c.send(b)
				}
				if got := c.heard(); !bytes.Equal(got, want) {
					t.Errorf("%s, %v: heard % X, want % X", id, framing, got, want)
				}
			})
		}
	}
}

// A stream ends well when the other side or the context ends it, and with its
// own error when it breaks. Nothing goes on behind it.
func TestStreamEnds(t *testing.T) {
	for _, f := range []line.Framing{line.MBAP, line.RTU, line.ASCII} {
		synctest.Test(t, func(t *testing.T) {
			s := stationOf(t, hundred(""), Options{})
			c := served(t, s, f)
			c.conn.Close()
			c.wantsEnd(nil)

			ours, theirs := net.Pipe()
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- s.ServeStream(ctx, theirs, f) }()
			synctest.Wait()
			cancel()
			if err := <-done; err != nil {
				t.Errorf("%v: the end of the context gave %v", f, err)
			}
			if _, err := ours.Read(make([]byte, 1)); err != io.EOF {
				t.Errorf("%v: the stream is not closed: %v", f, err)
			}
			for _, at := range []string{"read", "read deadline", "write", "write deadline"} {
				b := &brokenStream{at: at, in: request(f)}
				if err := s.ServeStream(t.Context(), b, f); !errors.Is(err, errBroken) {
					t.Errorf("%v: a stream whose %s fails gave %v", f, at, err)
				}
				if !b.closed {
					t.Errorf("%v: a stream whose %s fails is not closed", f, at)
				}
			}
		})
	}
	s := stationOf(t, hundred(""), Options{})
	if err := s.ServeStream(t.Context(), &brokenStream{}, 0); !errors.Is(err, frame.ErrFraming) {
		t.Errorf("a framing that there is not gave %v", err)
	}
}

func request(f line.Framing) []byte {
	b, err := frame.AppendADU(nil, frame.ADU{Framing: f, Unit: testUnit, PDU: pdu(3, 0, 1)})
	if err != nil {
		panic(err)
	}
	return b
}

// brokenStream is a stream that fails at one of its methods, after one request.
type brokenStream struct {
	at     string
	in     []byte
	closed bool
}

var errBroken = errors.New("broken")

func (b *brokenStream) fail(at string) error {
	if b.at == at {
		return errBroken
	}
	return nil
}

func (b *brokenStream) Read(p []byte) (int, error) {
	if len(b.in) == 0 {
		return 0, errBroken
	}
	n := copy(p, b.in)
	b.in = b.in[n:]
	return n, b.fail("read")
}
func (b *brokenStream) Write(p []byte) (int, error)      { return len(p), b.fail("write") }
func (b *brokenStream) SetReadDeadline(time.Time) error  { return b.fail("read deadline") }
func (b *brokenStream) SetWriteDeadline(time.Time) error { return b.fail("write deadline") }
func (b *brokenStream) Close() error                     { b.closed = true; return nil }
