package link

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// questions are n questions to a unit.
func questions(u regmap.Unit, n int) (q []Question) {
	for _, r := range looksAt(n) {
		q = append(q, Question{u, r})
	}
	return q
}

// askAll asks and fails the test on an error.
func (r *rig) askAll(q []Question, opts ...Option) []*decode.Exchange {
	r.t.Helper()
	got, err := r.link.AskAll(context.Background(), q, opts...)
	if err != nil || len(got) != len(q) {
		r.t.Fatalf("%d exchanges for %d questions, %v", len(got), len(q), err)
	}
	synctest.Wait()
	for i, x := range got {
		if r.check(x); x.Unit != q[i].Unit || x.Request.Address != q[i].Request.Address {
			r.t.Errorf("exchange %d is of unit %d, %v", i, x.Unit, x.Request)
		}
	}
	return got
}

func TestAskAllInEveryFraming(t *testing.T) {
	for name, config := range framings {
		t.Run(name, func(t *testing.T) {
			bubble(t, config(), func(r *rig) {
				r.delay = time.Millisecond
				for _, n := range []int{0, 1, 3, 16, 40} {
					for _, x := range r.askAll(questions(17, n)) {
						want(t, x, regmap.NoCause, "")
					}
				}
			})
		})
	}
}

// What comes instead of each answer is judged as if it had been asked alone,
// repeats included.
func TestAskAllJudgesEach(t *testing.T) {
	bubble(t, retried(plain, 2), func(r *rig) {
		asked := map[regmap.Address]int{}
		r.answer = func(h heard) []fault.Delivery {
			asked[h.q.Address]++
			again := asked[h.q.Address] > 1
			good := fault.Delivery{Delay: time.Millisecond, Bytes: h.honest(), Overtake: true}
			switch a := h.q.Address; {
			case a == 0, a == 10 && !again: // silent for ever, silent once
				return nil
			case a == 20:
				good.Bytes = h.answer(17, []byte{0x83, byte(frame.IllegalDataAddress)})
			case a == 30 && !again:
				good.Bytes = h.answer(17, []byte{0x83, byte(frame.ServerDeviceBusy)})
			case a == 40:
				good.Bytes = h.answer(17, []byte{4, 4, 0, 0, 0, 0})
			case a == 50: // late, after the others
				good.Delay = 150 * time.Millisecond
			}
			return []fault.Delivery{good}
		}
		r.link.wire.(*transactions).apart = true
		got := r.askAll(questions(17, 8))
		causes := []regmap.Cause{regmap.Silent, regmap.NoCause, regmap.Excepted, regmap.NoCause, regmap.Mismatch, regmap.NoCause, regmap.NoCause, regmap.NoCause}
		tries := []int{0, 2, 1, 2, 3, 1, 1, 1}
		for i, x := range got {
			if x.Cause != causes[i] || tries[i] > 0 && x.Tries != tries[i] {
				t.Errorf("question %d: %q in %d tries, want %q in %d: %s", i, x.Cause, x.Tries, causes[i], tries[i], x.Detail)
			}
		}
		if got[0].Tries < 3 {
			t.Errorf("the silent one was asked %d times", got[0].Tries)
		}
	})
}

// A station that takes only so many at once loses none of the questions.
func TestAskAllOfAStationWithFewSlots(t *testing.T) {
	for _, kind := range []string{"refuses", "drops", "closes", "first of a segment"} {
		t.Run(kind, func(t *testing.T) {
			bubble(t, plain(), func(r *rig) {
				station := &slotted{slots: 2, kind: kind}
				r.answer = station.answer
				for range 10 {
					for _, x := range r.askAll(questions(17, 24)) {
						want(t, x, regmap.NoCause, "")
					}
				}
				if s := r.link.Statistics(); s.Slots > 2 || s.Failed != 0 {
					t.Errorf("statistics %+v", s)
				}
			})
		})
	}
}

// Sixteen questions leave in one write; nothing leaves when one is refused.
func TestAskAllLeavesTogether(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.askAll(questions(17, MaxSlots))
		for i, h := range r.sent() {
			if h.behind != (i > 0) {
				t.Errorf("request %d left in a write of its own", i)
			}
		}
		sent := len(r.sent())
		_, err := r.link.AskAll(context.Background(), append(questions(17, 3), Question{17, frame.WriteRegister(1, 1)}))
		if !errors.Is(err, ErrChanges) || !contains(err.Error(), "question 4") || len(r.sent()) != sent {
			t.Errorf("%v, %d requests left", err, len(r.sent())-sent)
		}
	})
}

// Interrupted, cut off and closed: each question has an outcome, and no slot is
// lost.
func TestAskAllThatIsStopped(t *testing.T) {
	bubble(t, plain(), func(r *rig) {
		r.answer = func(h heard) []fault.Delivery {
			if h.q.Address >= 40 {
				return nil
			}
			return []fault.Delivery{after(time.Millisecond, h.honest())}
		}
		ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
		defer cancel()
		got, err := r.link.AskAll(ctx, questions(17, 8))
		if err != nil {
			t.Fatal(err)
		}
		for i, x := range got {
			if r.check(x); i < 4 {
				want(t, x, regmap.NoCause, "")
			} else {
				want(t, x, regmap.Interrupted, "stopped while waiting")
			}
		}
		r.answer = func(h heard) []fault.Delivery {
			if h.q.Address == 40 {
				return []fault.Delivery{{Act: fault.Fin, Delay: 10 * time.Millisecond}}
			}
			return []fault.Delivery{after(time.Millisecond, h.honest())}
		}
		got = r.askAll(questions(17, 5))
		for _, x := range got[:4] {
			want(t, x, regmap.NoCause, "")
		}
		want(t, got[4], regmap.PortGone, "closed by the other end")
		r.refuse = errNoSuchPort
		r.link.conn.shut()
		for _, x := range r.askAll(questions(17, 3)) {
			want(t, x, regmap.NoLine, "there is no such port")
		}
		if r.link.queue.taken != 0 {
			t.Errorf("%d slots are still taken", r.link.queue.taken)
		}
		r.link.Close()
		if _, err := r.link.AskAll(context.Background(), questions(17, 3)); !errors.Is(err, ErrClosed) {
			t.Errorf("a closed link answers %v", err)
		}
	})
}
