package poll_test

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
)

// asked asks for two registers at each address in turn, waiting the given time
// before each, and gives the exchanges with what the rig found them to be.
func (r *run) asked(l *link.Link, waits ...time.Duration) (all []*decode.Exchange, found []class) {
	for i, wait := range waits {
		time.Sleep(wait) // virtual
		x, err := l.Ask(context.Background(), 17, frame.Read(regmap.HoldingRegister, regmap.Address(100*i), 2))
		if err != nil {
			r.t.Fatal(err)
		}
		synctest.Wait()
		all, found = append(all, x), append(found, r.take(x))
	}
	return all, found
}

// Two answers come beyond the horizon of 600 ms, and between them a third is
// lost, so that its debt is given up as well. The first late answer passes for
// the one to the second question; when that question's own answer comes at
// last, the doubt must reach back to it, and not only to the newest debt.
func TestADoubtReachesBackToTheOldestDebt(t *testing.T) {
	m := mix{name: "two debts", wire: "answers: delay 700ms from 1 to 1 overtake\nanswers: delay 1500ms from 2 to 2 overtake\nanswers: drop from 4 to 4"}
	r := newRun(t, m, networkRTU, 1)
	synctest.Test(t, func(t *testing.T) {
		l, err := link.New(r.config())
		if err != nil {
			t.Fatal(err)
		}
		defer r.end(l)
		all, found := r.asked(l, 0, 0, 0, 0, 0)
		if !slices.Equal(found, []class{unused, beyond, right, unused, right}) {
			t.Fatalf("the scene is not set: %v", found)
		}
		time.Sleep(longest)
		synctest.Wait()
		r.settle(l.Statistics())
		for _, f := range r.tally.faults {
			t.Error(f)
		}
		if len(r.book.doubts) != 1 || r.book.doubts[0].First != all[1].ID {
			t.Errorf("doubts %+v; want one from %s on", r.book.doubts, all[1].ID)
		}
	})
}

// One answer too many must not shift all that follow. The first comes beyond
// the horizon, or the third comes twice; after that all is well, and questions
// of one look follow each other without a pause for two minutes, so that each
// answer could pass for ever for the one to the next question.
func TestAShiftDoesNotLast(t *testing.T) {
	for _, c := range []struct {
		name, wire string
		most       time.Duration // how long it may last
	}{
		{"late", "answers: delay 680ms from 1 to 1 overtake\nanswers: delay 40ms from 2 overtake", 3 * time.Second},
		{"twice", "answers: delay 40ms overtake\nanswers: duplicate after 20ms from 3 to 3 overtake", 31 * time.Second},
	} {
		for _, where := range []medium{serialRTU, networkRTU} {
			t.Run(c.name+", "+where.name, func(t *testing.T) {
				m := mix{name: c.name, looks: alike, busy: true, twice: c.name == "twice", exchanges: 3000, wire: c.wire}
				sum := newRun(t, m, where, 1).askLink(func(*link.Config) {})
				for _, f := range sum.faults {
					t.Error(f)
				}
				most := int(c.most / (20 * time.Millisecond)) // an answer that is waiting already comes sooner than after 40 ms
				if n := sum.classes[beyond]; n == 0 || n > most || sum.doubts != 1 {
					t.Errorf("%d wrong values, want 1 to %d and one doubt: %s", n, most, sum)
				}
				if sum.good < 2900 {
					t.Errorf("only %d of %d good", sum.good, sum.exchanges)
				}
			})
		}
	}
}

// The rig must find what it looks for: of a client whose doubts nobody hears,
// it must say that wrong values were never doubted.
func TestTheRigMissesDoubts(t *testing.T) {
	m := mix{name: "deaf", looks: alike, busy: true, exchanges: 500, wire: "answers: delay 680ms from 1 to 1 overtake\nanswers: delay 40ms from 2 overtake"}
	sum := newRun(t, m, networkRTU, 1).askLink(func(c *link.Config) { c.Doubt = nil })
	if sum.classes[beyond] == 0 || sum.undoubted != sum.classes[beyond] || len(sum.faults) == 0 {
		t.Errorf("without doubts the rig found %s", sum)
	}
}

// Damage that the check lets through is nobody's fault: four bits in the places
// of the generator's own four terms, x^16+x^15+x^2+1, leave the remainder as it
// is (serial guide V1.02, 6.2.2). Each such answer passes the client and must be
// found by the rig, counted as chance, and be far more than the rig expects.
func TestTheRigSeesWhatTheCheckDoesNot(t *testing.T) {
	m := mix{name: "generator", looks: alike, busy: true, exchanges: 1000,
		wire: "answers: delay 5ms\nanswers: flip at 30 every 10\nanswers: flip at 31 every 10\nanswers: flip at 44 every 10\nanswers: flip at 46 every 10"}
	sum := newRun(t, m, networkRTU, 1).askLink(func(*link.Config) {})
	for _, f := range sum.faults {
		t.Error(f)
	}
	if n := sum.classes[chance]; n < 90 || n > 100 || sum.damaged < n {
		t.Errorf("%d damaged answers passed, want those of 100 that are no exceptions: %s", n, sum)
	}
	if p := atLeast(sum.classes[chance], sum.expected); p > 1e-9 {
		t.Errorf("%d where %.3g are expected seems likely to the rig: %g", sum.classes[chance], sum.expected, p)
	}
}
