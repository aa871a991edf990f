package link

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// The table in which the rule for links without a transaction identifier was
// tried, and worse.

// lateLine is the line of the table in which the rule was tried: limit 200 ms,
// usual answer 60 ms, 5 % late up to most, 3 % lost, answers free to overtake.
func lateLine(seed uint64, most time.Duration) func(h heard) []fault.Delivery {
	dice := rand.New(rand.NewPCG(seed, 0))
	return func(h heard) []fault.Delivery {
		d := fault.Delivery{Delay: 60 * time.Millisecond, Bytes: h.honest(), Overtake: true}
		switch p := dice.Float64(); {
		case p < 0.03:
			return nil
		case p < 0.08:
			d.Delay = timing.Response + time.Duration(dice.Float64()*float64(most-timing.Response))
		}
		return []fault.Delivery{d}
	}
}

const lateExchanges = 20000

// run makes the exchanges of the table and counts.
func (r *rig) run(seed uint64, exchanges int) (good int, wrong []*decode.Exchange) {
	dice := rand.New(rand.NewPCG(seed, 1))
	for range exchanges {
		x, err := r.link.Ask(context.Background(), 17, registers(regmap.Address(dice.IntN(65000))))
		switch {
		case err != nil:
			r.t.Fatal(err)
		case !x.Answered():
		case wrongItems(x) > 0:
			wrong = append(wrong, x)
		default:
			good++
		}
	}
	synctest.Wait()
	return good, wrong
}

func retried(config func() Config, retries int) Config {
	c := config()
	c.Timing = timing
	c.Timing.Retries = retries
	return c
}

// TestC3Table is the promise: within the horizon no wrong value is good, on any
// link without identifiers.
func TestC3Table(t *testing.T) {
	for _, name := range []string{"rtu", "rtu on a network", "ascii"} {
		for _, limits := range []float64{1.5, 2, 3} {
			if name != "rtu" && limits != 3 {
				continue
			}
			t.Run(fmt.Sprint(name, ", late up to ", limits, " limits"), func(t *testing.T) {
				const seed = 1
				t.Logf("seed %d", seed)
				bubble(t, retried(framings[name], 3), func(r *rig) {
					r.answer = lateLine(seed, time.Duration(limits*float64(timing.Response)))
					good, wrong := r.run(seed, lateExchanges)
					if len(wrong) > 0 {
						t.Errorf("%d of %d exchanges wrong and good, the first %s: %+v", len(wrong), lateExchanges, wrong[0].ID, wrong[0])
					}
					if good < lateExchanges*995/1000 {
						t.Errorf("only %d of %d good", good, lateExchanges)
					}
					if s := r.link.Statistics(); s.Unowed != 0 || s.Late == 0 {
						t.Errorf("statistics %+v", s)
					}
				})
			})
		}
	}
}

// Beyond the horizon nothing can be promised (where an answer was lost as well,
// not even the doubt), but it is noticed: the exchanges are put in doubt, the
// horizon grows, and soon nothing is beyond it.
func TestC3BeyondTheHorizon(t *testing.T) {
	const seed, limits = 2, 9
	t.Logf("seed %d", seed)
	bubble(t, retried(rtu, 0), func(r *rig) {
		r.answer = lateLine(seed, limits*timing.Response)
		good, wrong := r.run(seed, lateExchanges)
		s := r.link.Statistics()
		t.Logf("late up to %d limits, horizon 3: %d good, %d wrong, %d doubts", limits, good, len(wrong), len(r.doubts))
		if s.Unowed == 0 || len(r.doubts) == 0 || len(wrong) == 0 || len(wrong) > 50 {
			t.Errorf("%d wrong, %d doubts, %+v", len(wrong), len(r.doubts), s)
		}
		told := 0
		for _, x := range wrong {
			if x.ID.Number > 500 {
				t.Errorf("exchange %s is wrong, long after the horizon could have been learned", x.ID)
			}
			for _, d := range r.doubts {
				if d.First.Number <= x.ID.Number && x.ID.Number <= d.Last.Number {
					told++
				}
			}
		}
		if 2*told < len(wrong) {
			t.Errorf("only %d of %d wrong exchanges were put in doubt", told, len(wrong))
		}
	})
	c := retried(rtu, 0)
	c.Timing.Late = limits*timing.Response + 10*time.Millisecond
	bubble(t, c, func(r *rig) {
		r.answer = lateLine(seed, limits*timing.Response)
		if _, wrong := r.run(seed, lateExchanges); len(wrong) > 0 || r.link.Statistics().Unowed > 0 {
			t.Errorf("with the horizon set right: %d wrong", len(wrong))
		}
	})
}

// Late, lost and doubled answers, noise, cuts and flipped bits together, many
// units and shapes: never wrong and good while answers stay within the horizon.
func TestC3EverythingTogether(t *testing.T) {
	const seed = 3
	t.Logf("seed %d", seed)
	for _, name := range []string{"rtu", "ascii", "rtu on a network"} {
		t.Run(name, func(t *testing.T) {
			bubble(t, retried(framings[name], 2), func(r *rig) {
				dice, asking := rand.New(rand.NewPCG(seed, 0)), rand.New(rand.NewPCG(seed, 1))
				r.answer = func(h heard) []fault.Delivery {
					b := h.honest()
					d := fault.Delivery{Delay: time.Duration(20+dice.IntN(60)) * time.Millisecond, Bytes: b, Overtake: true}
					switch dice.IntN(20) {
					case 0:
						return nil
					case 1:
						d.Delay += time.Duration(dice.IntN(500)) * time.Millisecond
					case 2:
						b[dice.IntN(len(b))] ^= 1 << dice.IntN(8)
					case 3:
						d.Bytes = b[:dice.IntN(len(b))]
					case 4:
						noise := make([]byte, 1+dice.IntN(9))
						for i := range noise {
							noise[i] = byte(dice.Uint32())
						}
						d.Bytes = slicesJoin(noise, b)
					case 5:
						d.Bytes = h.answer(h.adu.Unit+100, honest(h.adu.Unit+100, h.q))
					}
					return []fault.Delivery{d}
				}
				answered := 0
				for range 5000 {
					table := regmap.Tables[asking.IntN(4)]
					x := r.ask(regmap.Unit(1+asking.IntN(5)), frame.Read(table, regmap.Address(asking.IntN(60000)), 1+asking.IntN(20)))
					if x.Answered() {
						answered++
					}
				}
				if answered < 4500 {
					t.Errorf("only %d of 5000 answered", answered)
				}
			})
		})
	}
}
