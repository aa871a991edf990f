package link

import (
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// The tests C3 are the rule for links without a transaction identifier: an
// answer does not say what it answers, so what is owed is counted.

// One late answer, then six good ones: a client that takes what comes next for
// the answer gets the values of 100 to 105 for 101 to 106.
func TestC3OneLateAnswerShiftsNothing(t *testing.T) {
	for _, name := range []string{"rtu", "ascii", "rtu on a network"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, framings[name](), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if h.n == 1 {
						return []fault.Delivery{after(230*time.Millisecond, h.honest())}
					}
					return []fault.Delivery{after(60*time.Millisecond, h.honest())}
				}
				want(t, r.ask(17, registers(100)), regmap.Silent, "no answer")
				for a := regmap.Address(101); a <= 107; a++ {
					want(t, r.ask(17, registers(a)), regmap.NoCause, "") // ask compares the values
				}
				if s := r.link.Statistics(); s.Late != 1 || s.Unowed != 0 {
					t.Errorf("statistics %+v", s)
				}
			})
		})
	}
}

// Rule 1 and 4: another request leaves when the late answer has come, which is
// long before the horizon, and the late answer is not taken.
func TestC3LeavesWhenNothingIsOwed(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n == 1 {
				return []fault.Delivery{after(300*time.Millisecond, h.honest())}
			}
			return []fault.Delivery{after(10*time.Millisecond, h.honest())}
		}
		first := r.ask(17, registers(0))
		want(t, first, regmap.Silent, "no answer")
		second := r.ask(17, registers(50))
		want(t, second, regmap.NoCause, "")
		if got := second.Left.Sub(first.Left); got < 300*time.Millisecond || got > 320*time.Millisecond {
			t.Errorf("the second request left %s after the first", got)
		}
	})
}

// Rule 4: nothing comes, so another request waits for the horizon, three
// limits and the answer's line time from the last bit of the last try.
func TestC3WaitsForTheHorizon(t *testing.T) {
	c := rtu()
	c.Timing = timing
	c.Timing.Retries = 1
	bubble(t, c, func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.q.Address == 0 {
				return nil
			}
			return []fault.Delivery{after(10*time.Millisecond, h.honest())}
		}
		first := r.ask(17, registers(0))
		if want(t, first, regmap.Silent, "no answer"); first.Tries != 2 {
			t.Errorf("%d tries", first.Tries)
		}
		second := r.ask(17, registers(50))
		want(t, second, regmap.NoCause, "")
		sent := r.sent()
		horizon := 3*timing.Response + 9*11*time.Second/19200 // 9 characters of answer
		if got := sent[2].at.Sub(sent[1].at); got < horizon || got > horizon+60*time.Millisecond {
			t.Errorf("the second request left %s after the last try, want %s", got, horizon)
		}
		late := timing
		late.Late = 2 * time.Second
		third := r.ask(17, registers(0), With(late))
		want(t, third, regmap.Silent, "no answer")
		fourth := r.ask(17, registers(50))
		if got := fourth.Left.Sub(third.Left); got < late.Late || got > late.Late+60*time.Millisecond {
			t.Errorf("with late 2 s the next left after %s", got)
		}
	})
}

// Rule 3: the same request is repeated at once, and the late answer to the
// first try is the right answer.
func TestC3TheSameRequestDoesNotWait(t *testing.T) {
	c := rtu()
	c.Timing = timing
	c.Timing.Retries = 2
	bubble(t, c, func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			switch h.n {
			case 1:
				return []fault.Delivery{after(250*time.Millisecond, h.honest())}
			case 2:
				return nil
			}
			return []fault.Delivery{after(10*time.Millisecond, h.honest())}
		}
		x := r.ask(17, registers(0))
		if want(t, x, regmap.NoCause, ""); x.Tries != 2 {
			t.Errorf("%d tries", x.Tries)
		}
		if got := x.Done.Sub(x.Asked); got > 260*time.Millisecond {
			t.Errorf("done after %s", got)
		}
		// One is owed still: the same may be asked again at once, another not.
		same := r.ask(17, registers(0))
		if got := same.Left.Sub(x.Done); got > 10*time.Millisecond {
			t.Errorf("the same request waited %s", got)
		}
		other := r.ask(17, registers(9))
		if got := other.Left.Sub(same.Done); got < 500*time.Millisecond {
			t.Errorf("another request waited only %s", got)
		}
	})
}

// Rule 3: after a write that was not confirmed nothing is repeated, and the
// read-back waits until no answer to the write can come any more.
func TestC3ReadBackAfterAnUnconfirmedWrite(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.ask(17, registers(0))
		r.answer = func(h heard) []fault.Delivery {
			if h.q.Changes() {
				return nil
			}
			return []fault.Delivery{after(10*time.Millisecond, h.honest())}
		}
		w := r.change(17, frame.WriteRegister(5, 1))
		want(t, w, regmap.Silent, "no answer")
		back := r.ask(17, registers(5))
		want(t, back, regmap.NoCause, "")
		if got := back.Left.Sub(w.Left); got < 600*time.Millisecond {
			t.Errorf("the read-back left %s after the write", got)
		}
	})
}

// Rule 2: only unit, function, length and, for a write, the echo that the
// request must have.
func TestC3OnlyTheShapeAskedForIsAccepted(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		for name, other := range map[string]frame.Request{
			"another length":   frame.Read(regmap.HoldingRegister, 0, 3),
			"another function": frame.Read(regmap.InputRegister, 0, 2),
			"bits":             frame.Read(regmap.Coil, 0, 32),
		} {
			r.answer = func(h heard) []fault.Delivery {
				return []fault.Delivery{after(10*time.Millisecond, h.answer(17, honest(17, other))), after(80*time.Millisecond, h.honest())}
			}
			if x := r.ask(17, registers(0)); !x.Answered() || x.First.Sub(x.Left) < 70*time.Millisecond {
				t.Errorf("%s: %q, %s", name, x.Cause, x.Detail)
			}
		}
	})
}

// Rule 5: an answer beyond the horizon is taken for the next one's, which no
// client can see; but then that one's own answer is one too many. The exchanges
// since the last doubtful moment are named, the horizon doubles, a finding
// gives the lateness.
func TestC3DoubtWhenAnAnswerIsOwedToNobody(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			switch h.n {
			case 2: // beyond the horizon of 605 ms, and the moment of listening after it
				return []fault.Delivery{{Delay: 700 * time.Millisecond, Bytes: h.honest(), Overtake: true}}
			case 3:
				return []fault.Delivery{{Delay: 120 * time.Millisecond, Bytes: h.honest(), Overtake: true}}
			}
			return []fault.Delivery{after(10*time.Millisecond, h.honest())}
		}
		before := r.ask(17, registers(0))
		want(t, r.ask(17, registers(4)), regmap.Silent, "no answer")
		shifted, err := r.link.Ask(context.Background(), 17, registers(8))
		if err != nil || !shifted.Answered() || wrongItems(shifted) == 0 {
			t.Fatalf("the scene is not set: %+v, %v", shifted, err)
		}
		time.Sleep(200 * time.Millisecond)
		synctest.Wait()
		after := r.ask(17, registers(12))
		if len(r.doubts) != 1 {
			t.Fatalf("%d doubts", len(r.doubts))
		}
		d := r.doubts[0]
		if d.First != shifted.ID || d.Last != shifted.ID || d.First.Number <= before.ID.Number {
			t.Errorf("doubt from %s to %s, want exactly %s", d.First, d.Last, shifted.ID)
		}
		if d.Lateness < 700*time.Millisecond || d.Horizon < 1200*time.Millisecond {
			t.Errorf("lateness %s, horizon %s", d.Lateness, d.Horizon)
		}
		if got := after.Left.Steady - d.At.Steady; got < d.Horizon {
			t.Errorf("the next request left %s after the proof, want the new horizon %s", got, d.Horizon)
		}
		found := r.findings("late-answer")
		if len(found) != 1 || found[0].Evidence[0] != shifted.ID || !contains(found[0].Do, "time limit") || !contains(found[0].Words, decode.Seconds(d.Lateness)) {
			t.Errorf("findings %+v", found)
		}
		if s := r.link.Statistics(); s.Unowed != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Rule 5, seen while another answer is awaited: that exchange ends in doubt.
func TestC3DoubtWhileWaiting(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n == 1 {
				return []fault.Delivery{{Delay: 700 * time.Millisecond, Bytes: h.honest(), Overtake: true}}
			}
			return []fault.Delivery{{Delay: 100 * time.Millisecond, Bytes: h.honest(), Overtake: true}}
		}
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer")
		x := r.ask(17, frame.Read(regmap.HoldingRegister, 8, 5)) // another length: the late answer cannot pass
		want(t, x, regmap.LateDoubt, "an answer of unit 17 came that was owed no more")
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		if len(r.doubts) != 1 || r.doubts[0].Last != x.ID {
			t.Errorf("doubts %+v", r.doubts)
		}
	})
}

// The horizon grows with the lateness seen and does not shrink.
func TestC3HorizonGrowsAndStays(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		delay := 590 * time.Millisecond
		r.answer = func(h heard) []fault.Delivery {
			if h.q.Address == 0 {
				return []fault.Delivery{{Delay: delay, Bytes: h.honest(), Overtake: true}}
			}
			if h.q.Address == 4 {
				return nil
			}
			return []fault.Delivery{after(0, h.honest())}
		}
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer") // comes after 590 ms
		want(t, r.ask(17, registers(8)), regmap.NoCause, "")
		for range 3 {
			x := r.ask(17, registers(4))
			want(t, x, regmap.Silent, "no answer")
			next := r.ask(17, registers(8))
			if got := next.Left.Sub(x.Left); got < 850*time.Millisecond {
				t.Errorf("the horizon is %s after a lateness of 590 ms", got)
			}
		}
	})
}

// A station that answers twice: the second answer is owed to nobody each time.
func TestC3StationThatAnswersTwice(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(5*time.Millisecond, h.honest()), after(50*time.Millisecond, h.honest())}
		}
		for i := range 5 {
			x, err := r.link.Ask(context.Background(), 17, registers(regmap.Address(i)))
			if err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Second)
			synctest.Wait()
			covered := false
			for _, d := range r.doubts {
				covered = covered || d.First.Number <= x.ID.Number && x.ID.Number <= d.Last.Number
			}
			if !covered {
				t.Errorf("exchange %s is in no doubt", x.ID)
			}
			if n := len(r.doubts); n > 1 && r.doubts[n-1].First.Number <= r.doubts[n-2].Last.Number {
				t.Errorf("doubts %+v name an exchange twice", r.doubts[n-2:])
			}
			if d := r.doubts[len(r.doubts)-1]; d.Horizon > 620*time.Millisecond {
				t.Errorf("the horizon grew to %s, and nothing was late", d.Horizon)
			}
		}
		if twice, late := r.findings("answered-twice"), r.findings("late-answer"); len(twice) != 5 || len(late) != 0 {
			t.Errorf("findings %+v %+v", twice, late)
		}
	})
}

// The horizon stops growing at a minute, so that a mad line is not asked never.
func TestC3HorizonIsBounded(t *testing.T) {
	l := ledger{horizon: time.Second, gaveUp: true}
	for range 40 {
		l.breach(0, posted{})
	}
	if l.believed() != maxHorizon {
		t.Errorf("horizon %s", l.believed())
	}
}

// A program that was stopped, or a machine that slept, wakes with the horizon
// passed and the late answer not read yet: it is not taken for the next one's.
// Stopped again while it listens, it listens once more. (I2)
func TestI2StoppedWhileAnAnswerWasOwed(t *testing.T) {
	for name, c := range map[string]struct{ comes, stopped time.Duration }{ // from when the request left
		"while the answer is owed": {230 * time.Millisecond, 205 * time.Millisecond},
		"while it listens":         {690 * time.Millisecond, 620 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			config := rtu()
			var slept atomic.Int64
			var steady decode.Clock
			config.Clock = func() decode.Stamp {
				if steady == nil {
					steady = decode.NewClock()
				}
				s, d := steady(), time.Duration(slept.Load())
				return decode.Stamp{Wall: s.Wall.Add(d), Steady: s.Steady + d}
			}
			bubble(t, config, func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if h.n == 1 {
						time.AfterFunc(c.stopped, func() { slept.Store(int64(30 * time.Second)) })
						return []fault.Delivery{after(c.comes, h.honest())}
					}
					return []fault.Delivery{{Delay: 60 * time.Millisecond, Bytes: h.honest(), Overtake: true}}
				}
				want(t, r.ask(17, registers(0)), regmap.Silent, "no answer")
				want(t, r.ask(17, registers(8)), regmap.NoCause, "")
				if s := r.link.Statistics(); s.Late != 1 || s.Unowed != 0 {
					t.Errorf("statistics %+v", s)
				}
			})
		})
	}
}

// A debt outlives the connection, because a gateway may keep it, and ends with
// it only where it was said that the station itself is connected. (C15)
func TestC15DebtAndTheConnection(t *testing.T) {
	for _, framing := range []line.Framing{line.RTU, line.ASCII} {
		for _, direct := range []bool{true, false} {
			t.Run(fmt.Sprint(framing, direct), func(t *testing.T) {
				bubble(t, Config{Framing: framing, Direct: direct}, func(r *rig) {
					r.answer = func(h heard) []fault.Delivery {
						if h.n == 1 {
							return []fault.Delivery{{Act: fault.Fin, Delay: 100 * time.Millisecond}}
						}
						return []fault.Delivery{after(0, h.honest())}
					}
					first := r.ask(17, registers(0))
					want(t, first, regmap.PortGone, "closed by the other end")
					second := r.ask(17, registers(8))
					want(t, second, regmap.NoCause, "")
					switch got := second.Left.Sub(first.Left); {
					case !direct && got < 3*timing.Response:
						t.Errorf("another request left %s after one whose answer a gateway may still hold", got)
					case direct && got > 2*timing.Response:
						t.Errorf("another request left %s after one whose connection is closed", got)
					}
				})
			})
		}
	}
}

// A frame that began before its request left cannot be its answer, though it
// ended after. The debt was given up, so it puts the exchange in doubt.
func TestC3AnswerThatBeganBeforeItsRequest(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			b := h.honest()
			if h.n == 1 {
				return []fault.Delivery{after(645*time.Millisecond, b[:5]), {Delay: 690 * time.Millisecond, Bytes: b[5:], Overtake: true}}
			}
			return []fault.Delivery{{Delay: 100 * time.Millisecond, Bytes: b, Overtake: true}}
		}
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer")
		x := r.ask(17, registers(8))
		want(t, x, regmap.LateDoubt, "owed no more")
		if left := r.sent()[1].at.Sub(r.sent()[0].at); left < 645*time.Millisecond || left > 690*time.Millisecond {
			t.Errorf("the scene is not set: the second request left after %s", left)
		}
	})
}

// An answer across the repeat of its own request is its answer, and belongs to
// the first try.
func TestC3AnswerAcrossTheRepeat(t *testing.T) {
	bubble(t, retried(rtu, 1), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n > 1 {
				return nil
			}
			b := h.honest()
			return []fault.Delivery{after(200*time.Millisecond, b[:5]), after(230*time.Millisecond, b[5:])}
		}
		x := r.ask(17, registers(0))
		if want(t, x, regmap.NoCause, ""); x.Tries != 2 {
			t.Errorf("%d tries", x.Tries)
		}
		if got := x.First.Sub(x.Left); got < 190*time.Millisecond {
			t.Errorf("first byte %s after the request", got)
		}
	})
}

// An answer that began in time and ends late is still heard as a whole, so the
// next request need not wait for the horizon.
func TestC3AnswerThatEndsLate(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			b := h.honest()
			if h.n > 1 {
				return []fault.Delivery{after(0, b)}
			}
			return []fault.Delivery{after(190*time.Millisecond, b[:5]), after(230*time.Millisecond, b[5:])}
		}
		want(t, r.ask(17, registers(0)), regmap.CutOff, "answer cut off after 5 of 9 bytes")
		want(t, r.ask(17, registers(8)), regmap.NoCause, "")
		if got := r.sent()[1].at.Sub(r.sent()[0].at); got > 240*time.Millisecond {
			t.Errorf("the next request left after %s", got)
		}
	})
}

// Only an answer of the right shape pays what is owed.
func TestC3OnlyAnAnswerPays(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n > 1 {
				return []fault.Delivery{after(0, h.honest())}
			}
			return []fault.Delivery{after(250*time.Millisecond, h.answer(18, honest(18, h.q))),
				after(270*time.Millisecond, h.answer(17, honest(17, frame.Read(regmap.HoldingRegister, 0, 3))))}
		}
		first := r.ask(17, registers(0))
		want(t, first, regmap.Silent, "no answer")
		second := r.ask(17, registers(8))
		if got := second.Left.Sub(first.Left); got < 600*time.Millisecond {
			t.Errorf("another request left after %s, though nothing was answered", got)
		}
	})
}

// A frame that answers a request of long ago is nobody's late answer.
func TestC3NothingIsLateForEver(t *testing.T) {
	bubble(t, rtu(), func(r *rig) {
		r.ask(17, registers(0))
		time.Sleep(2 * time.Minute)
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(10*time.Millisecond, h.answer(17, honest(17, registers(0)))), after(50*time.Millisecond, h.honest())}
		}
		want(t, r.ask(17, frame.Read(regmap.HoldingRegister, 8, 5)), regmap.NoCause, "")
		if s := r.link.Statistics(); s.Unowed != 0 || s.Foreign != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}
