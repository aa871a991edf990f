package poll_test

import (
	"context"
	"math/rand/v2"
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

// The rig must find what it looks for: of a client whose doubts nobody hears,
// it must say that wrong values were never doubted.
func TestTheRigMissesDoubts(t *testing.T) {
	m := mix{name: "deaf", looks: alike, exchanges: 2000, wire: "answers: delay 20ms..60ms overtake\nanswers: delay 140ms..2500ms with 5% overtake"}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := newRun(t, m, networkRTU, seed)
	sum := r.askLink(func(c *link.Config) { c.Doubt = nil })
	if sum.classes[beyond] == 0 || sum.undoubted != sum.classes[beyond] || len(sum.faults) == 0 {
		t.Errorf("without doubts the rig found %s", sum)
	}
}
