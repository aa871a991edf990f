package plan

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"plumbline/regmap"
)

func once(time.Duration) float64       { return 1 }
func rate(every time.Duration) float64 { return 1 / every.Seconds() }

// same allows for the character time's rounding to a nanosecond: 2 in a million
// at 115200; one character more or less is a hundred times that.
func same(got, want float64) bool { return math.Abs(got-want) <= 2e-5*want }

// check holds a plan against its task: each point in exactly one request that
// may be made, whole, and no less often than wanted.
func (k *task) check(t *testing.T, p Plan) {
	t.Helper()
	at := map[string]*Request{}
	sum := 0.0
	for i := range p.Requests {
		r := &p.Requests[i]
		sum += k.seconds(r.Span.Count)
		if len(r.Items) == 0 || len(r.Items) > 1 && !k.possible(int(r.Span.First), r.Span.End()) {
			t.Fatalf("seed %d: %v must not be asked\n%s", k.seed, r.Span, k.text)
		}
		for _, point := range r.Points() {
			if at[point.Name] != nil {
				t.Fatalf("seed %d: %s is read twice\n%s", k.seed, point.Name, k.text)
			}
			at[point.Name] = r
		}
	}
	if !same(p.Cycle.Seconds(), sum) {
		t.Fatalf("seed %d: cycle %v, requests %v s", k.seed, p.Cycle, sum)
	}
	for _, w := range k.wants {
		r := at[w.points[0]]
		for _, name := range w.points {
			if r == nil || at[name] != r || w.first < int(r.Span.First) || w.end > r.Span.End() || r.Every > w.every || w.alone && len(r.Points()) > 1 {
				t.Fatalf("seed %d: %s is not read as it should be\n%s", k.seed, name, k.text)
			}
		}
	}
}

// each draws tasks until n of them load.
func each(t *testing.T, first uint64, n, least, most int, periods []time.Duration, do func(*task, Plan, *Learnt)) {
	t.Helper()
	t.Logf("seeds from %d", first)
	for seed := first; n > 0; seed++ {
		k := draw(seed, least, most, periods)
		l := k.load(t)
		if l == nil {
			continue // such as a 'together' wider than the limit
		}
		n--
		learnt := k.learn(l.Stations[0].Map)
		p := For(l, learnt)
		k.check(t, p)
		do(k, p, learnt)
	}
}

// learn teaches a third of the tasks a border and a limit.
func (k *task) learn(m *regmap.Map) *Learnt {
	learnt, r := new(Learnt), rand.New(rand.NewPCG(k.seed, 2))
	if r.IntN(3) > 0 {
		return learnt
	}
	table := m.Points[0].Table
	at := k.wants[r.IntN(len(k.wants))].first + r.IntN(2)
	k.cuts[at] = true
	learnt.Cut(17, table, regmap.Address(at))
	k.limit = 1 + r.IntN(k.limit)
	learnt.Limit(17, table, k.limit)
	return learnt
}

// TestOptimum: on random maps of up to 12 points no set of requests is cheaper.
func TestOptimum(t *testing.T) {
	requests, shared, worst := 0, 0, 0.0
	each(t, 1, 1000, 1, 12, nil, func(k *task, p Plan, _ *Learnt) {
		want := k.exhaustive(k.wants, once)
		if !same(p.Cycle.Seconds(), want) {
			t.Fatalf("seed %d: the plan costs %v, the cheapest set %v s\n%s", k.seed, p.Cycle, want, k.text)
		}
		worst = max(worst, p.Cycle.Seconds()/want)
		requests += len(p.Requests)
		for _, r := range p.Requests {
			shared += len(r.Items)
		}
	})
	t.Logf("1000 maps, %d items in %d requests; plan cost to exhaustive search, worst %.3f", shared, requests, worst)
}

// TestOptimumOfPeriods: with several periods each one's requests are the
// cheapest for what no faster request holds, and neither cycle nor load is more
// than with the periods planned apart.
func TestOptimumOfPeriods(t *testing.T) {
	periods := []time.Duration{time.Second, 2 * time.Second, 10 * time.Second}
	n, ratio, worst, apart := 0.0, 0.0, 0.0, 0.0
	each(t, 100_000, 300, 1, 9, periods, func(k *task, p Plan, _ *Learnt) {
		cycle, load := 0.0, 0.0
		for _, every := range periods {
			got := 0.0
			for _, r := range p.Requests {
				if r.Every == every {
					got += k.seconds(r.Span.Count)
				}
			}
			if want := k.exhaustive(k.left(p, every), once); !same(got, want) {
				t.Fatalf("seed %d: the requests every %v cost %v, the cheapest %v s\n%s", k.seed, every, got, want, k.text)
			}
			alone := k.exhaustive(slices.DeleteFunc(slices.Clone(k.wants), func(w want) bool { return w.every != every }), once)
			cycle, load = cycle+alone, load+alone/every.Seconds()
		}
		got, _ := p.Load()
		if got > load*(1+2e-5) || p.Cycle.Seconds() > cycle*(1+2e-5) {
			t.Fatalf("seed %d: load %v, cycle %v; planned apart %v, %v\n%s", k.seed, got, p.Cycle, load, cycle, k.text)
		}
		best := got / k.exhaustive(k.wants, rate)
		n, ratio, worst, apart = n+1, ratio+best, max(worst, best), apart+load/got
	})
	t.Logf("load against the least load of any requests, even such as read slow points at a faster period: mean %.3f, worst %.3f; periods planned apart: mean %.3f of ours", ratio/n, worst, apart/n)
}

// left is the wants of a period that lie in no request made more often, those
// aside that are read by themselves.
func (k *task) left(p Plan, every time.Duration) (out []want) {
	for _, w := range k.wants {
		held := false
		for _, r := range p.Requests {
			by := k.possible(int(r.Span.First), r.Span.End()) && r.Every < every
			held = held || by && int(r.Span.First) <= w.first && w.end <= r.Span.End()
		}
		if w.every == every && (!held || w.alone || !k.possible(w.first, w.end)) {
			out = append(out, w)
		}
	}
	return out
}

// TestAgainstGreedy: on maps of 300 points the plan is never dearer than
// requests grown as far as they go, and never cheaper than a bound.
func TestAgainstGreedy(t *testing.T) {
	n, greedy, bound := 0.0, 0.0, 0.0
	each(t, 200_000, 200, 300, 300, nil, func(k *task, p Plan, _ *Learnt) {
		ours, peer, least := p.Cycle.Seconds(), k.greedy(), k.bound()
		if ours > peer*(1+2e-5) || ours < least*(1-2e-5) {
			t.Fatalf("seed %d: plan %v s, greedy %v s, bound %v s", k.seed, ours, peer, least)
		}
		n, greedy, bound = n+1, greedy+peer/ours, bound+ours/least
	})
	t.Logf("200 maps of 300 points: the greedy plan costs %.3f of ours, ours %.3f of the lower bound, in the mean", greedy/n, bound/n)
}

// shared is the wants that may share requests, in order of start, and the cost
// of the others.
func (k *task) shared() (out []want, others float64) {
	for _, w := range k.wants {
		if w.alone || !k.possible(w.first, w.end) {
			others += k.seconds(w.end - w.first)
			continue
		}
		out = append(out, w)
	}
	slices.SortStableFunc(out, func(a, b want) int { return a.first - b.first })
	return out, others
}

// greedy is the cost of requests that each grow by the next want while they may.
func (k *task) greedy() float64 {
	wants, sum := k.shared()
	for i := 0; i < len(wants); {
		first, end := wants[i].first, wants[i].end
		for i++; i < len(wants) && k.possible(first, max(end, wants[i].end)); i++ {
			end = max(end, wants[i].end)
		}
		sum += k.seconds(end - first)
	}
	return sum
}

// bound is less than any plan can cost: of requests as few as can be, which
// running each as far as it may finds, and every wanted address once.
func (k *task) bound() float64 {
	wants, sum := k.shared()
	served, requests := 0, 0
	addresses := map[int]bool{}
	for _, w := range wants {
		for a := w.first; a < w.end; a++ {
			addresses[a] = true
		}
		if w.end <= served {
			continue
		}
		requests++
		served = k.farthest(w.first)
	}
	if k.bits {
		return sum + float64(requests)*k.seconds(0) + float64(len(addresses))/8*(k.seconds(8)-k.seconds(0))
	}
	return sum + float64(requests)*k.seconds(0) + float64(len(addresses))*(k.seconds(1)-k.seconds(0))
}
