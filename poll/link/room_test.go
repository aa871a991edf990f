package link

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// A slotted station works on so many requests at once and does with the rest
// what its kind does. Source: TCP guide V1.0b, 4.4.2.1 (exception 06); dropping
// and closing are common practice.
type slotted struct {
	slots int
	kind  string // refuses, drops, closes, queues, first of a segment

	mu     sync.Mutex
	busy   []time.Time // until when
	closed int         // streams up to this one
}

const slotWork = 20 * time.Millisecond

func (s *slotted) answer(h heard) []fault.Delivery {
	s.mu.Lock()
	defer s.mu.Unlock()
	if h.stream <= s.closed {
		return nil
	}
	s.busy = slices.DeleteFunc(s.busy, func(until time.Time) bool { return !until.After(h.at) })
	if s.kind == "first of a segment" && h.behind {
		return nil
	}
	if len(s.busy) < s.slots {
		s.busy = append(s.busy, h.at.Add(slotWork))
		return []fault.Delivery{{Delay: slotWork, Bytes: h.honest(), Overtake: true}}
	}
	switch s.kind {
	case "refuses":
		return []fault.Delivery{{Bytes: h.answer(h.adu.Unit, []byte{byte(h.q.Function) | 0x80, byte(frame.ServerDeviceBusy)}), Overtake: true}}
	case "closes":
		s.busy, s.closed = nil, h.stream
		return []fault.Delivery{{Act: fault.Rst, Overtake: true}}
	case "queues":
		free := s.busy[len(s.busy)-1].Add(slotWork)
		s.busy = append(s.busy, free)
		return []fault.Delivery{{Delay: free.Sub(h.at), Bytes: h.honest(), Overtake: true}}
	}
	return nil
}

// A station that takes only so many at once is polled without a wrong or a
// lost read, whatever it does with the rest, and the number is found.
func TestSlotsAreFound(t *testing.T) {
	for _, kind := range []string{"refuses", "drops", "closes"} {
		for _, slots := range []int{1, 2, 5, 16} {
			t.Run(fmt.Sprint(kind, slots), func(t *testing.T) {
				bubble(t, plain(), func(r *rig) {
					station := &slotted{slots: slots, kind: kind}
					r.answer = station.answer
					for range 20 {
						for _, x := range r.together(oneUnit(17), looksAt(MaxSlots)) {
							want(t, x, regmap.NoCause, "")
						}
					}
					s := r.link.Statistics()
					found := s.Slots == slots || kind != "refuses" && s.Slots <= slots && 2*s.Slots >= slots
					if !found || (slots < MaxSlots) != (s.Lowered > 0) || (slots < MaxSlots) != (s.Crowded > 0) {
						t.Errorf("%d slots found, lowered %d times, %d reads crowded out", s.Slots, s.Lowered, s.Crowded)
					}
					if s.Failed != 0 || s.Refused != 0 {
						t.Errorf("statistics %+v", s)
					}
				})
			})
		}
	}
}

// A station that works off a queue too slowly for as many is asked fewer at
// once, and what was late is known by its identifier.
func TestSlotsOfAStationWithAQueue(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		station := &slotted{slots: 1, kind: "queues"} // 16 take 320 ms; the limit is 200 ms
		r.answer = station.answer
		for range 20 {
			for _, x := range r.together(oneUnit(17), looksAt(MaxSlots)) {
				want(t, x, regmap.NoCause, "")
			}
		}
		if s := r.link.Statistics(); s.Slots > 10 || s.Slots < 2 || s.Failed != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// A station that looks at the first request of a segment only is sent one in
// each, and keeps its slots.
func TestSlotsOfAStationThatReadsOneRequestASegment(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		station := &slotted{slots: MaxSlots, kind: "first of a segment"}
		r.answer = station.answer
		for !r.link.wire.(*transactions).apart && !t.Failed() {
			var all sync.WaitGroup
			for range 8 {
				all.Go(func() {
					for _, q := range looksAt(5) {
						x, err := r.link.Ask(context.Background(), 17, q)
						if err != nil || !x.Answered() {
							t.Error(x, err)
							return
						}
					}
				})
			}
			all.Wait()
		}
		if s := r.link.Statistics(); s.Slots != MaxSlots || s.Failed != 0 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// What was lowered is raised again, one at a time, each after ten seconds
// without a sign, and more rarely after a step that failed.
func TestSlotsAreRaisedSlowly(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		station := &slotted{slots: 2, kind: "refuses"}
		r.answer = station.answer
		poll := func(d time.Duration) {
			for began := time.Now(); time.Since(began) < d; time.Sleep(time.Second) {
				for _, x := range r.together(oneUnit(17), looksAt(MaxSlots)) {
					want(t, x, regmap.NoCause, "")
				}
			}
		}
		poll(5 * time.Minute)
		refused := r.link.Statistics()
		if refused.Slots > 3 || refused.Lowered > 8 {
			t.Errorf("%d slots, lowered %d times in 5 minutes", refused.Slots, refused.Lowered)
		}
		station.mu.Lock()
		station.slots = MaxSlots
		station.mu.Unlock()
		poll(3 * time.Hour)
		if s := r.link.Statistics(); s.Slots != MaxSlots || s.Lowered > refused.Lowered+1 {
			t.Errorf("%d slots after three hours, lowered %d times", s.Slots, s.Lowered-refused.Lowered)
		}
	})
}

// A unit that is busy or dead behind a gateway does not take the slots from the
// others (B9, B17).
func TestB9OneBusyUnitKeepsTheSlots(t *testing.T) {
	for _, dead := range []bool{true, false} {
		bubble(t, plain(), func(r *rig) {
			r.answer = func(h heard) []fault.Delivery {
				switch {
				case h.adu.Unit != 5:
					return []fault.Delivery{{Delay: slotWork, Bytes: h.honest(), Overtake: true}}
				case dead:
					return nil
				}
				return []fault.Delivery{{Bytes: h.answer(5, []byte{0x83, byte(frame.ServerDeviceBusy)}), Overtake: true}}
			}
			for range 50 {
				for i, x := range r.together(func(i int) regmap.Unit { return regmap.Unit(i + 1) }, looksAt(MaxSlots)) {
					switch {
					case i != 4:
						want(t, x, regmap.NoCause, "")
					case dead:
						want(t, x, regmap.Silent, "no answer")
					default:
						want(t, x, regmap.Excepted, frame.ServerDeviceBusy.Name())
					}
				}
			}
			if s := r.link.Statistics(); s.Slots != MaxSlots || s.Lowered != 0 {
				t.Errorf("dead %v: statistics %+v", dead, s)
			}
		})
	}
}

// A single silence may be chance: it lowers nothing.
func TestSlotsSurviveALostAnswer(t *testing.T) {
	bubble(t, retried(plain, 1), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.n%100 == 50 {
				return nil
			}
			return []fault.Delivery{{Delay: slotWork, Bytes: h.honest(), Overtake: true}}
		}
		r.link.wire.(*transactions).apart = true
		for range 100 {
			for _, x := range r.together(oneUnit(17), looksAt(8)) {
				want(t, x, regmap.NoCause, "")
			}
			time.Sleep(signWindow / 5)
		}
		if s := r.link.Statistics(); s.Lowered != 0 || s.Repeated != 8 {
			t.Errorf("statistics %+v", s)
		}
	})
}

// Urgent calls go before those that wait, in every framing, and nothing
// starves for them.
func TestUrgentGoesFirst(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			c := config()
			c.Slots = 1
			bubble(t, c, func(r *rig) {
				r.delay = 10 * time.Millisecond
				var all sync.WaitGroup
				ask := func(a regmap.Address, opts ...Option) {
					all.Go(func() {
						if x, err := r.link.Ask(context.Background(), 17, registers(a), opts...); err != nil || !x.Answered() {
							t.Error(x, err)
						}
					})
					time.Sleep(time.Microsecond) // in this order
				}
				for i := range 4 {
					ask(regmap.Address(i))
				}
				for i := range 10 {
					ask(regmap.Address(100+i), Urgent())
				}
				all.Wait()
				var order []regmap.Address
				for _, h := range r.sent() {
					order = append(order, h.q.Address)
				}
				want := []regmap.Address{0, 100, 101, 102, 103, 1, 104, 105, 106, 107, 2, 108, 109, 3}
				if !slices.Equal(order, want) {
					t.Errorf("order %v, want %v", order, want)
				}
			})
		})
	}
}

// A call that gives up waiting leaves the queue, and its place is not lost.
func TestWaitingIsGivenUp(t *testing.T) {
	c := plain()
	c.Slots = 1
	bubble(t, c, func(r *rig) {
		r.delay = 100 * time.Millisecond
		var all sync.WaitGroup
		for i := range 6 {
			all.Go(func() {
				ctx, cancel := context.WithTimeout(context.Background(), time.Duration(150+1000*(i%2))*time.Millisecond)
				defer cancel()
				if x, err := r.link.Ask(ctx, 17, registers(0)); err != nil || x.Cause != regmap.NoCause && !(i%2 == 0 && x.Cause == regmap.Interrupted) {
					t.Errorf("caller %d: %+v, %v", i, x, err)
				}
			})
		}
		all.Wait()
		if taken := r.link.queue.taken; taken != 0 {
			t.Errorf("%d slots are still taken", taken)
		}
		want(t, r.ask(17, registers(0)), regmap.NoCause, "")
	})
}

// From the moment the line is back to the first good value: no more than a
// time limit, a period and one step of the pauses between attempts.
func TestFirstGoodValueAfterTheLineIsBack(t *testing.T) {
	const period = time.Second
	for name, config := range framings {
		for _, away := range []time.Duration{300 * time.Millisecond, 3 * time.Second, 40 * time.Second, 10 * time.Minute} {
			t.Run(fmt.Sprint(name, away), func(t *testing.T) {
				bubble(t, config(), func(r *rig) {
					want(t, r.ask(17, registers(0)), regmap.NoCause, "")
					r.refuse = errNoSuchPort
					r.ends[len(r.ends)-1].Close()
					gone := time.Now()
					back := gone.Add(away)
					for next := gone; ; next = next.Add(period) {
						time.Sleep(time.Until(next))
						if r.refuse != nil && !time.Now().Before(back) {
							r.refuse = nil
						}
						if r.ask(17, registers(0)).Answered() {
							break
						}
					}
					most := r.config.Redial
					if most.Most == 0 {
						most.Most = defaultMost
					}
					if took := time.Since(back); took > timing.Response+period+most.Most {
						t.Errorf("the first good value came %s after the line was back", took)
					}
				})
			})
		}
	}
}
