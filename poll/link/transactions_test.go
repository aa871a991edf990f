package link

import (
	"bytes"
	"context"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// The tests B1 to B4, B12, B16 and B17 are the abuse table's transactions. Each
// asserts what becomes of the exchange and why.

// as is a frame whose transaction identifier is moved.
func as(b []byte, by int) []byte {
	b = bytes.Clone(b)
	id := int(b[0])<<8 | int(b[1])
	id += by
	b[0], b[1] = byte(id>>8), byte(id)
	return b
}

func TestB1UnknownTransactionIsDiscardedAndTheWaitGoesOn(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(10*time.Millisecond, as(h.honest(), 7)), after(150*time.Millisecond, h.honest())}
		}
		x := r.ask(17, registers(0))
		want(t, x, regmap.NoCause, "")
		if got := x.Done.Sub(x.Left); got != 150*time.Millisecond {
			t.Errorf("done after %s", got)
		}
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, as(h.honest(), -1000))} }
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer within 0.2 s")
		if s := r.link.Statistics(); s.Foreign != 2 || s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

func TestB2LateAnswerHarmsNothing(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			d := after(10*time.Millisecond, h.honest())
			if h.n == 1 {
				d.Delay, d.Overtake = 230*time.Millisecond, true
			}
			return []fault.Delivery{d}
		}
		want(t, r.ask(17, registers(9)), regmap.Silent, "no answer")
		for i := range 1000 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
		}
		if s := r.link.Statistics(); s.Late != 1 || s.Dials != 1 || s.Answered != 1000 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// A late answer to the first try is still the right answer while the second
// waits; the answer to the second is then one too many.
func TestB2LateAnswerToAnEarlierTry(t *testing.T) {
	c := plain()
	c.Timing = timing
	c.Timing.Retries = 1
	bubble(t, c, func(r *rig) {
		r.delay = 230 * time.Millisecond
		x := r.ask(17, registers(0))
		if want(t, x, regmap.NoCause, ""); x.Tries != 2 {
			t.Errorf("%d tries", x.Tries)
		}
		if got := x.First.Sub(x.Left); got != 230*time.Millisecond {
			t.Errorf("answered %s after its own request", got)
		}
		if x.Sent[1] != x.Received[1] {
			t.Errorf("sent %x and received %x are of two transactions", x.Sent, x.Received)
		}
		time.Sleep(time.Second)
		if s := r.link.Statistics(); s.Late != 1 || s.Duplicates != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

func TestB3SameAnswerTwice(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(5*time.Millisecond, h.honest()), after(6*time.Millisecond, h.honest())}
		}
		for i := range 200 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
		}
		time.Sleep(time.Second)
		if s := r.link.Statistics(); s.Duplicates != 200 || s.Losses != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

func TestB3AnswersOutOfOrder(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { // the last asked is answered first
			return []fault.Delivery{{Delay: time.Duration(100-5*h.n) * time.Millisecond, Bytes: h.honest(), Overtake: true}}
		}
		done := make(chan *decode.Exchange, 16)
		for i := range 16 {
			go func() {
				x, _ := r.link.Ask(context.Background(), 17, registers(regmap.Address(10*i)))
				done <- x
			}()
		}
		for range 16 {
			x := <-done
			r.check(x)
			want(t, x, regmap.NoCause, "")
		}
	})
}

func TestB4AnotherUnitOnADirectConnection(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(0, h.answer(1, honest(h.adu.Unit, h.q)))}
		}
		for range 3 {
			want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		}
		want(t, r.change(17, frame.WriteRegister(1, 3)), regmap.NoCause, "")
		found := r.findings("other-unit")
		if len(found) != 1 || found[0].Subject != "unit 17" || len(found[0].Evidence) != 1 {
			t.Errorf("findings %+v, want one", found)
		}
	})
}

func TestB4AnotherUnitBehindAGateway(t *testing.T) {
	c := plain()
	c.Gateway = true
	bubble(t, c, func(r *rig) {
		r.answer = func(h heard) []fault.Delivery { return []fault.Delivery{after(0, h.answer(18, honest(17, h.q)))} }
		want(t, r.ask(17, registers(0)), regmap.Mismatch, "unit 18 answered, unit 17 was asked")
		r.answer = nil
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		if s := r.link.Statistics(); s.Refused != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Valid frames that nobody asked for, without end: after 64 of them, or 16 kB,
// the stream is closed with that reason, and opened again.
func TestB12FloodOfUnaskedFrames(t *testing.T) {
	for name, size := range map[string]uint16{"by number": 1, "by bytes": 125} {
		t.Run(name, func(t *testing.T) {
			bubble(t, plain(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if h.n > 1 {
						return []fault.Delivery{after(0, h.honest())}
					}
					q := frame.Read(regmap.HoldingRegister, 0, int(size))
					frameOf := as(h.answer(17, honest(17, q)), 999)
					return []fault.Delivery{{Act: fault.Flood, Bytes: frameOf, Every: 100 * time.Microsecond}}
				}
				x := r.ask(17, registers(0))
				want(t, x, regmap.Mismatch, "came that answer no open request")
				if took := x.Done.Sub(x.Left); took > 10*time.Millisecond {
					t.Errorf("closed after %s", took)
				}
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
				s := r.link.Statistics()
				if s.Flooded != 1 || s.Losses != 1 || s.Foreign > maxUnasked+1 {
					t.Errorf("statistics %+v", s)
				}
				states := r.lineStates()
				if len(states) != 3 || states[1].Up || !contains(states[1].Why, "answer no open request") {
					t.Errorf("line states %+v", states)
				}
			})
		})
	}
}

func TestB16TransactionIdentifiersWrap(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.link.wire.(*transactions).next = 65530
		for i := range 20 {
			want(t, r.ask(17, registers(regmap.Address(i))), regmap.NoCause, "")
		}
		ids := map[uint16]bool{}
		for _, h := range r.sent() {
			ids[h.adu.Transaction] = true
		}
		if len(ids) != 20 || !ids[65535] || !ids[0] || !ids[1] {
			t.Errorf("identifiers %v", ids)
		}
	})
}

// Identifiers of requests that are still open are passed over when the count
// comes round.
func TestB16AnOpenIdentifierIsNotUsedAgain(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.adu.Unit == 9 {
				return []fault.Delivery{{Delay: 150 * time.Millisecond, Bytes: h.honest(), Overtake: true}}
			}
			return []fault.Delivery{after(time.Millisecond, h.honest())}
		}
		slow := make(chan *decode.Exchange)
		go func() {
			x, _ := r.link.Ask(context.Background(), 9, registers(0))
			slow <- x
		}()
		time.Sleep(10 * time.Millisecond)
		w := r.link.wire.(*transactions)
		w.mu.Lock()
		w.next = r.sent()[0].adu.Transaction - 1
		w.mu.Unlock()
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		x := <-slow
		r.check(x)
		want(t, x, regmap.NoCause, "")
	})
}

// One dead unit among many: the others keep their period within 5 %.
func TestB17OneDeadUnitAmongMany(t *testing.T) {
	const units, cycles, period = 200, 60, time.Second
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.adu.Unit == 77 {
				return nil
			}
			return []fault.Delivery{{Delay: time.Millisecond, Bytes: h.honest(), Overtake: true}}
		}
		type seen struct {
			unit regmap.Unit
			at   time.Time
			good bool
		}
		results := make(chan seen, units*cycles)
		for u := range units {
			go func() {
				next := time.Now().Add(time.Duration(u) * period / units)
				for range cycles {
					time.Sleep(time.Until(next))
					next = next.Add(period)
					x, _ := r.link.Ask(context.Background(), regmap.Unit(u), registers(0))
					results <- seen{regmap.Unit(u), time.Now(), x.Answered()}
				}
			}()
		}
		at := map[regmap.Unit][]time.Time{}
		for range units * cycles {
			s := <-results
			if s.good != (s.unit != 77) {
				t.Fatalf("unit %d answered: %v", s.unit, s.good)
			}
			at[s.unit] = append(at[s.unit], s.at)
		}
		for u, times := range at {
			for i := 1; i < len(times) && u != 77; i++ {
				if d := times[i].Sub(times[i-1]) - period; d > period/20 || d < -period/20 {
					t.Errorf("unit %d: period %s", u, times[i].Sub(times[i-1]))
				}
			}
		}
	})
}

// After a frame that has no borders nothing of the stream is used any more.
func TestB7StreamWithoutBordersIsClosed(t *testing.T) {
	for name, head := range map[string][]byte{
		"length 0": {0, 1, 0, 0, 0, 0, 17}, "length 1": {0, 1, 0, 0, 0, 1, 17}, "length 255": {0, 1, 0, 0, 0, 255, 17},
		"length 65535": {0, 1, 0, 0, 255, 255, 17}, "protocol 1": {0, 1, 0, 1, 0, 3, 17, 0x83, 2},
		"protocol 256, not whole": {0, 1, 1, 0, 0, 100},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, plain(), func(r *rig) {
				r.answer = func(h heard) []fault.Delivery {
					if h.n > 1 {
						return []fault.Delivery{after(0, h.honest())}
					}
					return []fault.Delivery{after(0, head), after(time.Millisecond, h.honest())}
				}
				want(t, r.ask(17, registers(0)), regmap.Mismatch, "the stream lost its borders")
				want(t, r.ask(17, registers(0)), regmap.NoCause, "")
				if s := r.link.Statistics(); s.Losses != 1 || s.Reconnects != 1 {
					t.Errorf("statistics %+v", s)
				}
			})
		})
	}
}

// A refused answer ends its try; the next one has a transaction of its own.
func TestB5RepeatedAfterARefusedAnswer(t *testing.T) {
	bubble(t, retried(plain, 1), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n == 1 {
				return []fault.Delivery{after(0, h.answer(17, []byte{4, 2, 1, 2}))}
			}
			return []fault.Delivery{after(0, h.honest())}
		}
		x := r.ask(17, registers(0))
		if want(t, x, regmap.NoCause, ""); x.Tries != 2 {
			t.Errorf("%d tries", x.Tries)
		}
	})
}

// A late answer that comes twice is late once and a duplicate once.
func TestB3LateAnswerTwice(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			return []fault.Delivery{after(250*time.Millisecond, h.honest()), after(260*time.Millisecond, h.honest())}
		}
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer")
		time.Sleep(time.Second)
		if s := r.link.Statistics(); s.Late != 1 || s.Duplicates != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Identifiers of the stream before mean nothing on the new one.
func TestB16IdentifiersBelongToTheirStream(t *testing.T) {
	bubble(t, retried(plain, 1), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n == 1 {
				return []fault.Delivery{{Act: fault.Rst}}
			}
			return []fault.Delivery{after(0, as(h.honest(), -1))}
		}
		want(t, r.ask(17, registers(0)), regmap.Silent, "no answer")
		if s := r.link.Statistics(); s.Foreign != 1 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// What is remembered of ended transactions is bounded.
func TestB16MemoryOfTransactionsIsBounded(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		for i := range 3 * rememberedIDs {
			r.ask(17, registers(regmap.Address(i)))
		}
		w := r.link.wire.(*transactions)
		w.mu.Lock()
		defer w.mu.Unlock()
		if len(w.open) != 0 || w.calls != 0 || w.fateOf(w.next-rememberedIDs) != 0 || w.fateOf(w.next) != wasAnswered {
			t.Errorf("%d open, %d waited for, given up %v", len(w.open), w.calls, w.givenUp)
		}
	})
}

// The wire's identifier is ours, the evidence shows what was on the wire, and
// the library, whose own identifier was another, takes the answer: which request
// it belongs to was judged before.
func TestTransactionIdentifierIsOurs(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.link.wire.(*transactions).next = 500
		for _, id := range []int{501, 502} {
			x := r.ask(17, registers(0))
			want(t, x, regmap.NoCause, "")
			sent := r.sent()
			if got := sent[len(sent)-1].adu.Transaction; int(got) != id || x.Received[0] != 1 || int(x.Received[1]) != id&0xFF || int(x.Sent[1]) != id&0xFF {
				t.Errorf("on the wire %d, sent %x, received %x", got, x.Sent, x.Received)
			}
		}
	})
}

// A part of a frame that belongs to no open request and never ends: the stream
// is given up, lest all that follows be taken for its rest.
func TestB14PartOfAnotherFrame(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n == 1 {
				return []fault.Delivery{after(0, h.honest()), after(time.Millisecond, []byte{0x77, 0x77, 0, 0, 0, 200, 17})}
			}
			return []fault.Delivery{after(0, h.honest())}
		}
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
		time.Sleep(time.Second)
		synctest.Wait()
		want(t, r.ask(17, registers(4)), regmap.Silent, "no answer")
		want(t, r.ask(17, registers(4)), regmap.NoCause, "")
		if states := r.lineStates(); len(states) != 3 || !contains(states[1].Why, "bytes of a frame came, and for 0.2 s no more") {
			t.Errorf("line states %+v", states)
		}
	})
}
