package link

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// The tests B13 to B15 and C9 are the abuse table's streams: slow, cut off, silent
// and gone. Each asserts what becomes of the exchange and why.

// drip sends a frame one byte at a time.
func drip(b []byte, every time.Duration) (d []fault.Delivery) {
	for i := range b {
		d = append(d, after(time.Duration(i+1)*every, b[i:i+1]))
	}
	return d
}

// One byte just before each read deadline: the exchange has one deadline.
func TestB13OneDeadlineForTheExchange(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery { return drip(h.honest(), 150*time.Millisecond) }
				x := r.ask(17, registers(0))
				want(t, x, regmap.CutOff, "answer cut off after 1")
				if took := x.Done.Sub(x.Left); took > 220*time.Millisecond {
					t.Errorf("the exchange took %s; its limit is 200 ms and the answer's line time", took)
				}
			})
		})
	}
}

// Half a frame, then silence, or the end of the connection: cut off after so
// many bytes, and a new connection serves the next request.
func TestB14CutAtEveryByte(t *testing.T) {
	ends := map[string][]fault.Delivery{"silence": nil, "fin": {{Act: fault.Fin}}, "reset": {{Act: fault.Rst, Delay: time.Millisecond}}}
	for name, end := range ends {
		for _, framing := range []string{"mbap", "rtu on a network"} {
			t.Run(name+" "+framing, func(t *testing.T) {
				bubble(t, framings[framing](), func(r *rig) {
					size := 0
					for n := 1; size == 0 || n < size; n++ {
						r.answer = func(h heard) []fault.Delivery {
							b := h.honest()
							size = len(b)
							return append([]fault.Delivery{after(0, b[:n])}, end...)
						}
						x := r.ask(17, registers(0))
						if want(t, x, regmap.CutOff, fmt.Sprintf("answer cut off after %d ", n)); len(x.Received) != n {
							t.Errorf("received %x", x.Received)
						}
						r.answer = nil
						want(t, r.ask(17, registers(4)), regmap.NoCause, "")
					}
					if s := r.link.Statistics(); name != "silence" && s.Reconnects != uint64(size-1) {
						t.Errorf("statistics %+v", s)
					}
				})
			})
		}
	}
}

func TestB15SilentPeer(t *testing.T) {
	c := plain()
	c.Timing = timing
	c.Timing.Retries = 2
	bubble(t, c, func(r *rig) {
		r.answer = func(heard) []fault.Delivery { return nil }
		x := r.ask(17, registers(0))
		if want(t, x, regmap.Silent, "no answer within 0.2 s"); x.Tries != 3 {
			t.Errorf("%d tries", x.Tries)
		}
	})
}

func TestB15Refused(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.refuse = fmt.Errorf("connection refused")
		x := r.ask(17, registers(0))
		if want(t, x, regmap.NoLine, "connection refused"); x.Sent != nil || x.Tries != 0 {
			t.Errorf("sent %x", x.Sent)
		}
		if err := r.link.Open(context.Background()); err == nil || !contains(err.Error(), "connection refused") {
			t.Errorf("open: %v", err)
		}
		if states := r.lineStates(); len(states) != 1 || states[0].Up || states[0].Why != "connection refused" || states[0].Line != "Pump house" {
			t.Errorf("line states %+v", states)
		}
		r.refuse = nil
		time.Sleep(time.Second)
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
	})
}

// A dial that never ends is given up, also by a dialer that does not look at
// its context; what it opens later is closed.
func TestB15DialSwallowed(t *testing.T) {
	for _, heedful := range []bool{true, false} {
		t.Run(fmt.Sprint(heedful), func(t *testing.T) {
			c := plain()
			var late *fault.End
			c.Dial = func(ctx context.Context) (Stream, error) {
				if heedful {
					<-ctx.Done()
					return nil, ctx.Err()
				}
				time.Sleep(time.Minute)
				ours, theirs := fault.Pipe()
				late = theirs
				return ours, nil
			}
			bubble(t, c, func(r *rig) {
				began := time.Now()
				want(t, r.ask(17, registers(0)), regmap.NoLine, "not open within 5 s")
				if took := time.Since(began); took != 5*time.Second {
					t.Errorf("took %s", took)
				}
				r.link.Close()
				time.Sleep(2 * time.Minute)
				synctest.Wait()
				if !heedful {
					if _, err := late.Read(make([]byte, 1)); err == nil {
						t.Error("the stream that came too late was not closed")
					}
				}
			})
		})
	}
}

// A half-open connection, after a power cut at the other end: silence first,
// then a new connection is tried and serves.
func TestB15HalfOpen(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		r.ends[0].HalfOpen()
		silent := 0
		for r.ask(17, registers(0)).Cause == regmap.Silent {
			silent++
			if silent > 20 {
				t.Fatal("the dead connection is kept")
			}
		}
		if silent != maxSilences {
			t.Errorf("%d silent exchanges before the connection was given up", silent)
		}
		if states := r.lineStates(); len(states) != 3 || !contains(states[1].Why, "nothing was heard") {
			t.Errorf("line states %+v", states)
		}
	})
}

// One dead unit behind a gateway is no reason to leave the connection.
func TestB15SilenceOfOneUnitKeepsTheConnection(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.adu.Unit == 5 {
				return nil
			}
			return []fault.Delivery{after(0, h.honest())}
		}
		for range 30 {
			want(t, r.ask(5, registers(0)), regmap.Silent, "no answer")
			want(t, r.ask(6, registers(0)), regmap.NoCause, "")
		}
		if s := r.link.Statistics(); s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// The peer takes nothing any more: the write has a limit too.
func TestB15PeerThatTakesNothing(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		c := plain()
		c.Timing = timing
		c.Dial = func(context.Context) (Stream, error) { return &stuck{closed: make(chan struct{})}, nil }
		l, err := New(c)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		x, err := l.Ask(context.Background(), 17, registers(0))
		if err != nil {
			t.Fatal(err)
		}
		want(t, x, regmap.PortGone, "the request could not be sent within 0.2 s")
		if x.Sent != nil {
			t.Errorf("sent %x, and nothing was taken", x.Sent)
		}
	})
}

// The port goes while an answer is awaited: at once, with the reason, without
// spinning; and it is opened again when it is back.
func TestC9PortGone(t *testing.T) {
	for _, name := range []string{"rtu", "ascii"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					return []fault.Delivery{{Act: fault.Fin, Delay: 50 * time.Millisecond}}
				}
				began := time.Now()
				x := r.ask(17, registers(0))
				want(t, x, regmap.PortGone, "closed by the other end")
				if took := time.Since(began); took > 60*time.Millisecond {
					t.Errorf("took %s", took)
				}
				r.refuse = errNoSuchPort
				asked, began := 0, time.Now()
				for time.Since(began) < time.Minute {
					x := r.ask(17, registers(0))
					want(t, x, regmap.NoLine, "there is no such port")
					asked++
				}
				s := r.link.Statistics()
				if asked > 600 || s.Dials > 20 {
					t.Errorf("%d exchanges and %d attempts to open in a minute", asked, s.Dials)
				}
				if states := r.lineStates(); len(states) != 3 {
					t.Errorf("line states %+v", states)
				}
				r.refuse, r.answer = nil, nil
				time.Sleep(11 * time.Second)
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
			})
		})
	}
}

// A read is repeated on the port opened again; a change is not.
func TestC9ReadGoesOnAfterReconnect(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			c := config()
			c.Timing = timing
			c.Timing.Retries = 2
			bubble(t, c, func(r *rig) {
				r.ask(17, registers(0))
				r.answer = func(h heard) []fault.Delivery {
					if h.n == 2 || h.q.Changes() {
						return []fault.Delivery{{Act: fault.Rst, Delay: 10 * time.Millisecond}}
					}
					return []fault.Delivery{after(0, h.honest())}
				}
				x := r.ask(17, registers(4))
				if want(t, x, regmap.NoCause, ""); x.Tries != 2 {
					t.Errorf("%d tries", x.Tries)
				}
				x = r.change(17, frame.WriteRegister(1, 3))
				if want(t, x, regmap.PortGone, "reset"); x.Sent == nil || x.Tries != 1 {
					t.Errorf("sent %x in %d tries", x.Sent, x.Tries)
				}
			})
		})
	}
}

// A stream that served is opened again at once; one that ends before it served
// after growing pauses.
func TestB14PausesBeforeOpeningAgain(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		for range 3 {
			x := r.ask(17, registers(0))
			if got := x.Done.Sub(x.Asked); got != 0 {
				t.Errorf("opened again after %s", got)
			}
			r.ends[len(r.ends)-1].Close()
			synctest.Wait()
		}
		r.answer = func(heard) []fault.Delivery { return []fault.Delivery{{Act: fault.Fin}} }
		var at []time.Time
		for len(at) < 6 {
			if x := r.ask(17, registers(0)); x.Cause == regmap.PortGone {
				at = append(at, time.Now())
			} else if got := x.Done.Sub(x.Asked); x.Cause != regmap.NoLine || got > 100*time.Millisecond {
				t.Errorf("%q after %s: %s", x.Cause, got, x.Detail)
			}
		}
		for i, pause := 1, 100*time.Millisecond; i < len(at); i, pause = i+1, 2*pause {
			if got := at[i].Sub(at[i-1]); got < pause || got > pause+100*time.Millisecond {
				t.Errorf("pause %d was %s, want %s", i, got, pause)
			}
		}
	})
}

func TestPausesGrowAndAreShortenedAtRandom(t *testing.T) {
	for random, want := range map[float64][]time.Duration{
		0:   {0, 100, 200, 400, 800, 1600, 3200, 6400, 10000, 10000},
		0.5: {0, 75, 150, 300, 600, 1200, 2400, 4800, 7500, 7500},
	} {
		r := Redial{First: 100 * time.Millisecond, Most: 10 * time.Second, Random: func() float64 { return random }}
		for failures, ms := range want {
			if got := r.pause(failures); got != ms*time.Millisecond {
				t.Errorf("random %v, %d failures: %s, want %d ms", random, failures, got, ms)
			}
		}
	}
}

// A peer that accepts and stays silent from the start is silent, not absent.
func TestB15SilentFromTheStart(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(heard) []fault.Delivery { return nil }
		for range 4 * maxSilences {
			want(t, r.ask(17, registers(0)), regmap.Silent, "no answer")
		}
	})
}

// The outcome is that of the last try that left, though the stream could not
// be opened for another.
func TestC9OutcomeOfTheTryThatLeft(t *testing.T) {
	bubble(t, retried(rtu, 2), func(r *rig) {
		r.ask(17, registers(0))
		r.answer = func(heard) []fault.Delivery {
			r.refuse = errNoSuchPort
			return []fault.Delivery{{Act: fault.Fin}}
		}
		x := r.ask(17, registers(4))
		if want(t, x, regmap.PortGone, "closed by the other end"); x.Sent == nil || x.Tries != 1 {
			t.Errorf("sent %x in %d tries", x.Sent, x.Tries)
		}
	})
}
