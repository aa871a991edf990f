package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A mailbox is one end of a datagram way in memory: each Read gives one
// datagram, each Write sends one. What is put into in as an error comes out of
// Read once, as a network tells of a datagram sent before.
type mailbox struct {
	in     chan any // []byte or error
	out    func(b []byte)
	closed chan struct{}
	once   sync.Once
	refuse error // what the next Write answers, once
}

func newMailbox(out func(m *mailbox, b []byte)) *mailbox {
	m := &mailbox{in: make(chan any, 64), closed: make(chan struct{})}
	m.out = func(b []byte) { out(m, b) }
	return m
}

func (m *mailbox) Datagrams() bool { return true }

func (m *mailbox) Read(b []byte) (int, error) {
	select {
	case <-m.closed:
		return 0, net.ErrClosed
	case got := <-m.in:
		if err, ok := got.(error); ok {
			return 0, err
		}
		return copy(b, got.([]byte)), nil
	}
}

func (m *mailbox) Write(b []byte) (int, error) {
	if err := m.refuse; err != nil {
		m.refuse = nil
		return 0, err
	}
	m.out(slices.Clone(b))
	return len(b), nil
}

func (m *mailbox) Close() error                     { m.once.Do(func() { close(m.closed) }); return nil }
func (m *mailbox) SetReadDeadline(time.Time) error  { return nil }
func (m *mailbox) SetWriteDeadline(time.Time) error { return nil }

// overDatagrams runs a test with a link whose station is given each datagram.
func overDatagrams(t *testing.T, retries int, station func(m *mailbox, n int, h heard), body func(r *rig)) {
	t.Helper()
	c := plain()
	c.Timing = timing
	c.Timing.Retries = retries
	n := 0
	c.Dial = func(context.Context) (Stream, error) {
		return newMailbox(func(m *mailbox, b []byte) {
			n++
			adu, err := frame.ParseADU(line.MBAP, b)
			if err != nil {
				t.Errorf("the station was sent %x: %v", b, err)
				return
			}
			q, _ := frame.ParseRequest(adu.PDU)
			station(m, n, heard{n: n, adu: adu, q: q, raw: b})
		}), nil
	}
	bubble(t, c, body)
}

// Each of several requests leaves in a datagram of its own, and their answers
// are told apart by their identifiers in whatever order they come.
// Source: TCP guide V1.0b, 3.1.3; MBAP in UDP is common practice.
func TestDatagramsInAnyOrder(t *testing.T) {
	var held []heard
	overDatagrams(t, 0, func(m *mailbox, n int, h heard) {
		if held = append(held, h); len(held) == 8 {
			for _, h := range slices.Backward(held) {
				m.in <- h.honest()
			}
		}
	}, func(r *rig) {
		for _, x := range r.together(oneUnit(17), looksAt(8)) {
			want(t, x, regmap.NoCause, "")
		}
	})
}

// A datagram that is not exactly one frame is refused whole, and what is behind
// it is no frame's beginning.
func TestDatagramRefusedWhole(t *testing.T) {
	for name, spoil := range map[string]func(b []byte) []byte{
		"half a frame":   func(b []byte) []byte { return b[:len(b)/2] },
		"a header only":  func(b []byte) []byte { return b[:7] },
		"trailing bytes": func(b []byte) []byte { return append(b, 1, 2, 3) },
		"two frames":     func(b []byte) []byte { return append(b, b...) },
		"other protocol": func(b []byte) []byte { b[3] = 1; return b },
	} {
		t.Run(name, func(t *testing.T) {
			overDatagrams(t, 0, func(m *mailbox, n int, h heard) {
				if n == 1 {
					m.in <- spoil(h.honest())
				} else {
					m.in <- h.honest()
				}
			}, func(r *rig) {
				x := r.ask(17, registers(0))
				want(t, x, regmap.Mismatch, "was refused whole")
				if took := x.Done.Sub(x.Left); took != timing.Response {
					t.Errorf("the wait ended after %s; the answer might still have come", took)
				}
				want(t, r.ask(17, registers(4)), regmap.NoCause, "")
				if s := r.link.Statistics(); s.Refused != 1 || s.Losses != 0 {
					t.Errorf("statistics %+v", s)
				}
			})
		})
	}
}

// The right answer behind a spoilt datagram of the same identifier is taken.
func TestDatagramAfterASpoiltOne(t *testing.T) {
	overDatagrams(t, 0, func(m *mailbox, n int, h heard) {
		m.in <- h.honest()[:5]
		m.in <- h.honest()
	}, func(r *rig) {
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
	})
}

// A lost datagram is silence, and is asked again; one that comes late, or twice,
// is known by its identifier.
func TestDatagramsLostLateAndTwice(t *testing.T) {
	overDatagrams(t, 1, func(m *mailbox, n int, h heard) {
		switch {
		case h.q.Address == 0 && n == 1: // lost
		case h.q.Address == 8:
			time.AfterFunc(900*time.Millisecond, func() { m.in <- h.honest() })
		default:
			m.in <- h.honest()
			m.in <- h.honest()
		}
	}, func(r *rig) {
		if x := r.ask(17, registers(0)); x.Tries != 2 || x.Cause != regmap.NoCause {
			t.Errorf("%q in %d tries", x.Cause, x.Tries)
		}
		want(t, r.ask(17, registers(8)), regmap.Silent, "no answer within 0.2 s")
		time.Sleep(time.Second)
		synctest.Wait()
		for range 10 {
			want(t, r.ask(17, registers(4)), regmap.NoCause, "")
		}
		if s := r.link.Statistics(); s.Late != 2 || s.Duplicates < 10 || s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// A machine that refuses (nobody listens at the port) is silent for a reason:
// the limit is waited out, nothing is opened again and again.
func TestDatagramsRefused(t *testing.T) {
	refusal := &net.OpError{Op: "read", Net: "udp", Err: os.NewSyscallError("read", syscall.ECONNREFUSED)}
	for _, at := range []string{"read", "write"} {
		t.Run(at, func(t *testing.T) {
			refusing := true
			overDatagrams(t, 0, func(m *mailbox, n int, h heard) {
				switch {
				case !refusing:
					m.in <- h.honest()
				case at == "read":
					m.in <- error(refusal)
				default:
					m.refuse = refusal
				}
			}, func(r *rig) {
				for i := range 30 {
					began := time.Now()
					x := r.ask(17, registers(0))
					reason := "connection refused"
					if at == "write" && i%maxSilences == 0 {
						reason = "no answer" // told to the next write only
					}
					want(t, x, regmap.Silent, reason)
					if took := time.Since(began); took != timing.Response {
						t.Errorf("took %s", took)
					}
				}
				if s := r.link.Statistics(); s.Dials > 1+30/maxSilences {
					t.Errorf("%d attempts to open for 30 refusals", s.Dials)
				}
				refusing = false
				want(t, r.ask(17, registers(4)), regmap.NoCause, "")
			})
		})
	}
}

// A socket that tells nothing but errors is given up, with pauses that grow.
func TestDatagramSocketThatIsBroken(t *testing.T) {
	c := plain()
	c.Timing = timing
	c.Dial = func(context.Context) (Stream, error) {
		m := newMailbox(func(*mailbox, []byte) {})
		go func() {
			for {
				select {
				case m.in <- errors.New("network is unreachable"):
				case <-m.closed:
					return
				}
			}
		}()
		return m, nil
	}
	bubble(t, c, func(r *rig) {
		want(t, r.ask(17, registers(0)), regmap.Silent, "network is unreachable")
		time.Sleep(time.Minute)
		if s := r.link.Statistics(); s.Dials != 1 || s.Losses != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// A flood of datagrams that answer nothing ends the stream (B12).
func TestB12FloodOfDatagrams(t *testing.T) {
	overDatagrams(t, 0, func(m *mailbox, n int, h heard) {
		go func() {
			for range 3 * maxUnasked {
				select {
				case m.in <- as(h.honest(), 77):
				case <-m.closed:
					return
				}
			}
		}()
	}, func(r *rig) {
		want(t, r.ask(17, registers(0)), regmap.Mismatch, fmt.Sprintf("%d frames", maxUnasked+1))
	})
}

// One exchange over the machine's own network, and one that nobody answers.
func TestDatagramsOverLoopback(t *testing.T) {
	station, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 600)
		for {
			n, from, err := station.ReadFrom(buf)
			if err != nil {
				return
			}
			adu, _ := frame.ParseADU(line.MBAP, buf[:n])
			q, _ := frame.ParseRequest(adu.PDU)
			_, _ = station.WriteTo(heard{adu: adu, q: q}.honest(), from)
		}
	}()
	l, err := New(Config{Framing: line.MBAP, Timing: line.Timing{Response: 5 * time.Second}, Dial: func(ctx context.Context) (Stream, error) {
		var d net.Dialer
		c, err := d.DialContext(ctx, "udp", station.LocalAddr().String())
		return udp{c}, err
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	x, err := l.Ask(context.Background(), 17, registers(0))
	if err != nil || !x.Answered() || wrongItems(x) != 0 {
		t.Fatalf("%+v, %v", x, err)
	}
	station.Close()
	<-done
	x, err = l.Ask(context.Background(), 17, registers(0), With(line.Timing{Response: 50 * time.Millisecond}))
	if err != nil || x.Cause != regmap.Silent {
		t.Fatalf("%+v, %v", x, err)
	}
}

type udp struct{ net.Conn }

func (udp) Datagrams() bool { return true }

// RTU and ASCII over a stream of datagrams do not exist here: a frame's border
// would have to be found in them.
func TestDatagramsCarryMBAPOnly(t *testing.T) {
	for _, f := range []line.Framing{line.RTU, line.ASCII} {
		c := Config{Framing: f, Timing: timing, Dial: func(context.Context) (Stream, error) {
			return newMailbox(func(*mailbox, []byte) {}), nil
		}}
		bubble(t, c, func(r *rig) {
			want(t, r.ask(17, registers(0)), regmap.NoLine, "datagrams carry mbap only")
		})
	}
}

var _ io.ReadWriteCloser = (*mailbox)(nil)
