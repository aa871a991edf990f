package link

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// The tests C1 to C12 are the abuse table's serial lines; C3, C5 and C9 have files
// of their own.

// clean asks until nothing is owed any more and the answer must be good.
func (r *rig) clean(what string) {
	r.t.Helper()
	r.answer = nil
	if x := r.ask(17, registers(40)); x.Cause != regmap.NoCause {
		r.t.Fatalf("%s: the next exchange is %q, %s", what, x.Cause, x.Detail)
	}
}

// Every single bit of the answer wrong: never a wrong value, always a reason.
func TestC1EveryBitFlipped(t *testing.T) {
	for _, name := range []string{"rtu", "ascii"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				bits := 8
				for i := 0; i < bits; i++ {
					r.answer = func(h heard) []fault.Delivery {
						b := h.honest()
						bits = 8 * len(b)
						b[i/8] ^= 1 << (i % 8)
						return []fault.Delivery{after(0, b)}
					}
					x := r.ask(17, registers(0))
					switch x.Cause {
					case regmap.Checksum, regmap.CutOff, regmap.Mismatch, regmap.Silent:
					default:
						t.Fatalf("bit %d: %q, %s", i, x.Cause, x.Detail)
					}
					r.clean(fmt.Sprint("bit ", i))
				}
			})
		})
	}
}

// Noise before, after and inside the answer, at every place.
func TestC1NoiseAtEveryPlace(t *testing.T) {
	noises := [][]byte{{0x00}, {0xFF}, {17}, {17, 3}, {17, 3, 4}, {17, 3, 250}, {17, 0x83}, {0x55, 0xAA, 0x01, 0x03, 0x20}, {':'}, {'\r', '\n'}}
	for _, name := range []string{"rtu", "ascii"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				size := 9
				for at := 0; at <= size; at++ {
					for _, noise := range noises {
						r.answer = func(h heard) []fault.Delivery {
							b := h.honest()
							size = len(b)
							return []fault.Delivery{after(0, slicesJoin(b[:at], noise, b[at:]))}
						}
						x := r.ask(17, registers(0))
						outside := at == 0 || at == size
						if outside && name == "rtu" && !x.Answered() {
							t.Errorf("%x at %d: %q, %s", noise, at, x.Cause, x.Detail)
						}
						if !x.Answered() && x.Cause != regmap.Checksum && x.Cause != regmap.CutOff {
							t.Errorf("%x at %d: %q, %s", noise, at, x.Cause, x.Detail)
						}
						r.clean(fmt.Sprintf("%x at %d", noise, at))
					}
				}
			})
		})
	}
}

func slicesJoin(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// Noise between exchanges holds the next one up until the line is silent, and
// does no harm.
func TestC1NoiseBetweenExchanges(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(0, h.honest()), after(5*time.Millisecond, []byte{17, 3, 0x55}), after(7*time.Millisecond, []byte{0xAA})}
		}
		for i := range 50 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
			time.Sleep(6 * time.Millisecond)
		}
		if s := r.link.Statistics(); s.Noise == 0 || s.Unowed != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// A line that is never silent: the reason is given, the caller does not spin,
// and the line serves again when it is quiet. Ten virtual minutes.
func TestC2LineNeverSilent(t *testing.T) {
	for _, c := range []struct {
		framing string
		stuck   byte
		lasts   time.Duration
	}{{"rtu", 0x00, 10 * time.Minute}, {"rtu", 0xFF, time.Minute}, {"ascii", 0x00, time.Minute}, {"ascii", 0xFF, time.Minute}} {
		t.Run(fmt.Sprintf("%s %02x", c.framing, c.stuck), func(t *testing.T) {
			bubble(t, framings[c.framing](), func(r *rig) {
				r.ask(17, registers(0))
				end := time.Now().Add(c.lasts)
				three := bytes.Repeat([]byte{c.stuck}, 3) // 1.7 ms on the line; silence is 2 ms
				r.answer = func(h heard) []fault.Delivery {
					if h.n > 2 && c.framing == "rtu" {
						t.Errorf("request %d left into the noise", h.n)
					}
					return []fault.Delivery{{Act: fault.Flood, Bytes: three, Every: 1719 * time.Microsecond, For: time.Until(end)}}
				}
				asked := 0
				for time.Until(end) > 500*time.Millisecond {
					want(t, r.ask(17, registers(0)), regmap.NeverQuiet, "")
					asked++
				}
				if asked > int(c.lasts/timing.Response)+1 {
					t.Errorf("%d exchanges in %s of noise: the caller spins", asked, c.lasts)
				}
				r.answer = nil
				time.Sleep(5 * time.Second)
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
			})
		})
	}
}

// Bytes without end and without pause: reading rests, so the work is bounded
// whatever the speed.
func TestC2NoiseAtAnySpeedCostsLittle(t *testing.T) {
	c := rtu()
	flood := &endless{closed: make(chan struct{})}
	c.Dial = func(context.Context) (Stream, error) { return flood, nil }
	bubble(t, c, func(r *rig) {
		end := time.Now().Add(time.Minute)
		for time.Now().Before(end) {
			want(t, r.ask(17, registers(0)), regmap.NeverQuiet, "not silent for")
		}
		// A rest of 50 ms after 4 KiB: 20 times 8 reads a second.
		if n := flood.reads.Load(); n > 60*170 {
			t.Errorf("%d reads in a minute", n)
		}
	})
}

// On a network line such a stream is closed with the reason.
func TestC2FloodOnANetwork(t *testing.T) {
	bubble(t, lan(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n > 1 {
				return []fault.Delivery{after(0, h.honest())}
			}
			return []fault.Delivery{{Act: fault.Flood, Bytes: bytes.Repeat([]byte{0xFF}, 100), Every: 100 * time.Microsecond}}
		}
		want(t, r.ask(17, registers(0)), regmap.NeverQuiet, "other bytes came that answer nothing asked")
		time.Sleep(2 * time.Second)
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		if s := r.link.Statistics(); s.Losses != 1 || s.Flooded != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// An answer of another unit does not stop the wait; it is noted.
// Source: serial guide V1.02, 2.4.1.
func TestC4AnswerOfAnotherUnit(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(10*time.Millisecond, h.answer(18, honest(18, h.q))), after(100*time.Millisecond, h.honest())}
		}
		x := r.ask(17, registers(0))
		want(t, x, regmap.NoCause, "")
		if got := x.First.Sub(x.Left); got < 90*time.Millisecond {
			t.Errorf("answered after %s", got)
		}
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(18, honest(18, h.q)))} }
		x = r.ask(17, registers(2))
		want(t, x, regmap.Silent, "1 frames of other units came, the last of unit 18")
		if x.Received == nil {
			t.Error("what came instead is not kept")
		}
		if found := r.findings("stray-answer"); len(found) != 1 || found[0].Subject != "unit 18" {
			t.Errorf("findings %+v", found)
		}
		if s := r.link.Statistics(); s.Foreign != 2 || s.Unowed != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Gaps inside a frame from the adapter's latency: complete by length and check.
func TestC6GapsInsideAFrame(t *testing.T) {
	for _, name := range []string{"rtu", "ascii", "rtu on a network"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				for cut := 1; cut < 9; cut++ {
					r.answer = func(h heard) []fault.Delivery {
						b := h.honest()
						return []fault.Delivery{after(10*time.Millisecond, b[:cut]), after(30*time.Millisecond, b[cut:])}
					}
					x := r.ask(17, registers(regmap.Address(cut)))
					want(t, x, regmap.NoCause, "")
					if first, done := x.First.Sub(x.Left), x.Done.Sub(x.First); first < 0 || done != 20*time.Millisecond {
						t.Errorf("cut at %d: first byte after %s, last %s later", cut, first, done)
					}
				}
			})
		})
	}
}

// Another client on the line: its requests are noted, its answers are never
// taken for ours.
func TestC7SecondClient(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		theirs := registers(500)
		request := heard{adu: frame.ADU{Framing: line.RTU}}.answer(17, func() []byte { b, _ := theirs.Append(nil); return b }())
		r.answer = func(h heard) []fault.Delivery {
			other := heard{adu: frame.ADU{Framing: line.RTU}}
			return []fault.Delivery{after(5*time.Millisecond, request), after(20*time.Millisecond, other.answer(17, honest(17, theirs)))}
		}
		for range 4 {
			want(t, r.ask(17, registers(0)), regmap.Mismatch, "another client asked the same of this unit")
		}
		if found := r.findings("second-client"); len(found) != 1 || !contains(found[0].Words, "Read Holding Registers to unit 17") {
			t.Errorf("findings %+v", found)
		}
		// Between our exchanges its traffic does no harm.
		r.answer = func(h heard) []fault.Delivery {
			other := heard{adu: frame.ADU{Framing: line.RTU}}
			return []fault.Delivery{after(0, h.honest()), after(50*time.Millisecond, request), after(60*time.Millisecond, other.answer(17, honest(17, theirs)))}
		}
		for i := range 10 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
			time.Sleep(time.Second)
		}
		if s := r.link.Statistics(); s.Unowed != 0 || s.Foreign != 14 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Characters with parity or framing errors make the frame refused, though its
// check fits. Source: serial guide V1.02, 2.4.1 (a frame with an error is
// ignored).
func TestC11DamagedCharacters(t *testing.T) {
	c := rtu()
	var r *rig
	var port *damaging
	c.Dial = func(ctx context.Context) (Stream, error) {
		s, err := r.dial(ctx)
		port = &damaging{Stream: s}
		return port, err
	}
	bubble(t, c, func(x *rig) {
		r = x
		r.config.Dial = nil
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		r.answer = func(h heard) []fault.Delivery {
			port.damaged.Add(1)
			return []fault.Delivery{after(0, h.honest())}
		}
		want(t, r.ask(17, registers(2)), regmap.Checksum, "1 characters of it came with a parity or framing error")
		r.clean("damaged characters")
	})
}

// ASCII framing: a colon inside begins anew, gaps of a second are allowed, the
// buffer stays small. Source: serial guide V1.02, 2.5.2.1.
func TestC12ASCII(t *testing.T) {
	c := ascii()
	c.Timing = timing
	c.Timing.Response = 5 * time.Second
	bubble(t, c, func(r *rig) {
		for name, d := range map[string]func(b []byte) []fault.Delivery{
			"colon inside": func(b []byte) []fault.Delivery {
				return []fault.Delivery{after(0, slicesJoin(b[:7], b))}
			},
			"gap of a second": func(b []byte) []fault.Delivery {
				return []fault.Delivery{after(0, b[:5]), after(time.Second, b[5:])}
			},
			"noise in front": func(b []byte) []fault.Delivery { return []fault.Delivery{after(0, slicesJoin([]byte("03\r\nxyz"), b))} },
			"an endless frame in front": func(b []byte) []fault.Delivery {
				return []fault.Delivery{after(0, slicesJoin([]byte{':'}, bytes.Repeat([]byte("0"), 5000), b))}
			},
		} {
			r.answer = func(h heard) []fault.Delivery { return d(h.honest()) }
			if x := r.ask(17, registers(0)); x.Cause != regmap.NoCause {
				t.Errorf("%s: %q, %s", name, x.Cause, x.Detail)
			}
		}
		for name, edit := range map[string]func(b []byte) []byte{
			"LF missing": func(b []byte) []byte { return b[:len(b)-1] },
			"odd digits": func(b []byte) []byte { return slicesJoin(b[:5], b[6:]) },
			"lower case": bytes.ToLower,
			"wrong LRC":  func(b []byte) []byte { b[len(b)-3] ^= 1; return b },
		} {
			r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, edit(h.honest()))} }
			q := frame.Read(regmap.HoldingRegister, 0xABC, 20)
			if x := r.ask(17, q); x.Cause != regmap.Checksum && x.Cause != regmap.CutOff {
				t.Errorf("%s: %q, %s", name, x.Cause, x.Detail)
			}
		}
		w := r.link.wire.(*turns)
		if n := cap(w.in.bytes); n > 16<<10 {
			t.Errorf("the buffer grew to %d bytes", n)
		}
	})
}

// The least silence of 3.5 characters between frames, 1.75 ms above 19200
// bit/s, also after noise and after a broadcast. Source: serial guide V1.02,
// 2.5.1.1.
func TestSilenceBetweenFrames(t *testing.T) {
	for baud, gap := range map[int]time.Duration{
		1200: 32083 * time.Microsecond, 9600: 4010 * time.Microsecond, 19200: 2005 * time.Microsecond, // 3.5 x 11 bits
		38400: 1750 * time.Microsecond, 115200: 1750 * time.Microsecond,
	} {
		c := rtu()
		c.Serial.Baud = baud
		bubble(t, c, func(r *rig) {
			r.delay = 100 * time.Millisecond // the request is on the line that long at 1200 bit/s
			first := r.ask(17, registers(0))
			if got := first.Left.Sub(first.Asked); got < gap {
				t.Errorf("%d bit/s: the first request left %s after opening, want %s of silence", baud, got, gap)
			}
			last := first
			for range 5 {
				x := r.ask(17, registers(0))
				character := time.Duration(float64(11) / float64(baud) * 1e9)
				ended := max(last.Left.Steady, last.Done.Steady)
				began := x.Left.Steady - ended - 8*character // the request has 8 characters
				if began < gap-10*time.Microsecond || began > gap+time.Millisecond {
					t.Errorf("%d bit/s: %s of silence, want %s", baud, began, gap)
				}
				last = x
			}
		})
	}
}

// The answer's own line time is added to the limit: 125 registers at 1200
// bit/s take 2.3 s on the line.
func TestLimitIncludesTheAnswersLineTime(t *testing.T) {
	c := rtu()
	c.Serial.Baud = 1200
	bubble(t, c, func(r *rig) {
		character := 11 * time.Second / 1200
		r.answer = func(h heard) []fault.Delivery {
			d := drip(h.honest(), character)
			for i := range d {
				d[i].Delay += 8*character + 150*time.Millisecond
			}
			return d
		}
		want(t, r.ask(17, frame.Read(regmap.HoldingRegister, 0, 125)), regmap.NoCause, "")
	})
}

// Noise that looks like the beginning of a long answer does not hide the
// exception behind it; what was heard long before the request hides nothing.
func TestC1BeginningOfALongAnswer(t *testing.T) {
	long := frame.Read(regmap.HoldingRegister, 0, 125)
	head := []byte{17, 3, 250}
	bubble(t, rtu(), func(r *rig) {
		refusal := func(h heard) []byte { return h.answer(17, []byte{0x83, 2}) }
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, slicesJoin(head, refusal(h)))} }
		want(t, r.ask(17, long), regmap.Excepted, "illegal data address")
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(0, refusal(h)), after(20*time.Millisecond, head)}
		}
		want(t, r.ask(17, long), regmap.Excepted, "illegal data address")
		time.Sleep(time.Second)
		synctest.Wait()
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, refusal(h))} }
		x := r.ask(17, long)
		want(t, x, regmap.Excepted, "illegal data address")
		if got := x.Done.Sub(x.Asked); got > 50*time.Millisecond {
			t.Errorf("it took %s", got)
		}
	})
}

// Much noise that ended is a damaged answer, not a line that is never silent.
func TestC2NoiseThatEnds(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, bytes.Repeat([]byte{0xEE}, 400))} }
		x := r.ask(17, registers(0))
		if want(t, x, regmap.Checksum, "checksum wrong"); len(x.Received) != 400 {
			t.Errorf("%d bytes kept", len(x.Received))
		}
	})
}

// One request of another client may be chance.
func TestC7OneForeignRequestIsNoFinding(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		request := heard{adu: frame.ADU{Framing: line.RTU}}.answer(18, []byte{3, 0, 1, 0, 2})
		r.answer = func(h heard) []fault.Delivery {
			if h.n > 2 {
				return []fault.Delivery{after(0, h.honest())}
			}
			return []fault.Delivery{after(0, request), after(20*time.Millisecond, h.honest())}
		}
		for range 5 {
			want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		}
		if found := r.findings("second-client"); len(found) != 0 {
			t.Errorf("findings %+v", found)
		}
	})
}

// Requests of another client in ASCII.
func TestC7SecondClientInASCII(t *testing.T) {
	bubble(t, ascii(), func(r *rig) {
		theirs := registers(500)
		pdu, _ := theirs.Append(nil)
		other := heard{adu: frame.ADU{Framing: line.ASCII}}
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(0, other.answer(17, pdu)), after(20*time.Millisecond, other.answer(17, honest(17, theirs)))}
		}
		for range 4 {
			want(t, r.ask(17, registers(0)), regmap.Mismatch, "another client asked the same of this unit")
		}
		if found := r.findings("second-client"); len(found) != 1 {
			t.Errorf("findings %+v", found)
		}
	})
}
