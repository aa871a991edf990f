package plan

import (
	"time"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A tariff is what requests of one table cost by the number of their items: a
// fixed part and the answer's bytes, so many steps of items as were begun.
type tariff struct {
	of    func(count int) time.Duration
	step  int           // items of one step: 1 register, or the 8 bits of a byte
	price time.Duration // of one step
	known []time.Duration
}

func tariffOf(l *line.Line, s *line.Station, t regmap.Table) *tariff {
	out := &tariff{step: 1, of: func(count int) time.Duration { return Cost(l, s, regmap.Span{Table: t, Count: count}) }}
	if t.Bits() {
		out.step = 8
	}
	out.price = out.of(1+out.step) - out.of(1)
	return out
}

func (t *tariff) cost(count int) time.Duration {
	if count >= len(t.known) {
		t.known = append(t.known, make([]time.Duration, count+1-len(t.known))...)
	}
	if t.known[count] == 0 {
		t.known[count] = t.of(count)
	}
	return t.known[count]
}

// cheapest is the set of spans of least cost in which every item lies whole in
// at least one, ascending. The items are in order (see inOrder), and each fits
// the field on its own.
//
// The search is exact. A span may be cut down to the items that it alone
// serves, which costs no more, and what is part of a possible span is possible.
// So there is a cheapest set in which no span lies in another; in order of
// start it is in order of end, and an item in any span also lies in the last one
// that starts at or before the item: that starts later than the others that
// hold it and ends later. Hence each span serves a run of items in order of
// start. An item within another is served with it, and without such items the
// ends rise with the starts: a run's span goes from its first item's start to
// its last one's end. The best split into runs is found from the last item to
// the first. Of sets that cost the same the one with the fewest spans is taken,
// then the one whose first spans are longest. The time grows with the items
// alone, not with how many a span may hold.
func cheapest(items []Item, f *field, t *tariff) []regmap.Span {
	items = outermost(items)
	best := make([]suffix, len(items)+1)
	w := window{tariff: t, items: items, best: best}
	last := len(items) - 1 // of the items that one span may fetch with items[i]
	for i := len(items) - 1; i >= 0; i-- {
		w.enter(i)
		reach := f.reach(int(items[i].Span.First))
		for last > i && items[last].Span.End() > reach {
			w.leave(last)
			last--
		}
		best[i] = w.least(i)
	}
	var out []regmap.Span
	for i := 0; i < len(items); i = best[i].next {
		s := items[i].Span
		s.Count = items[best[i].next-1].Span.End() - int(s.First)
		out = append(out, s)
	}
	return out
}

// A suffix is the best way to fetch an item and all after it.
type suffix struct {
	cost  time.Duration
	spans int
	next  int // the first item of the second span
}

// better orders by cost, then by number of spans, then by the first one's length.
func (s suffix) better(o suffix) bool {
	switch {
	case s.cost != o.cost:
		return s.cost < o.cost
	case s.spans != o.spans:
		return s.spans < o.spans
	}
	return s.next > o.next
}

// A window is the items at which a span may end, while its start goes down, as
// a queue for each remainder of their ends by the step: of two ends with the
// same remainder the difference in cost does not depend on the start. A queue
// holds what may yet be the best, the best in front.
type window struct {
	*tariff
	items []Item
	best  []suffix
	ends  [8][]int
}

func (w *window) queue(j int) *[]int { return &w.ends[w.items[j].Span.End()%w.step] }

// relative is the cost of a span that ends with items[j] and of all after it,
// less what depends on the start.
func (w *window) relative(j int) suffix {
	rest := w.best[j+1]
	return suffix{rest.cost + time.Duration(w.items[j].Span.End()/w.step)*w.price, rest.spans + 1, j + 1}
}

// enter adds an end below all others. What is worse than it never counts again,
// since it leaves sooner.
func (w *window) enter(j int) {
	q, now := w.queue(j), w.relative(j)
	for len(*q) > 0 && now.better(w.relative((*q)[len(*q)-1])) {
		*q = (*q)[:len(*q)-1]
	}
	*q = append(*q, j)
}

// leave takes the highest end away.
func (w *window) leave(j int) {
	if q := w.queue(j); len(*q) > 0 && (*q)[0] == j {
		*q = (*q)[1:]
	}
}

// least is the best of the spans that start with items[i].
func (w *window) least(i int) (out suffix) {
	first := int(w.items[i].Span.First)
	for _, q := range w.ends[:w.step] {
		if len(q) == 0 {
			continue
		}
		rest := w.best[q[0]+1]
		now := suffix{w.cost(w.items[q[0]].Span.End()-first) + rest.cost, rest.spans + 1, q[0] + 1}
		if out.next == 0 || now.better(out) {
			out = now
		}
	}
	return out
}

// outermost leaves out the items that lie within another.
func outermost(items []Item) []Item {
	out, end := make([]Item, 0, len(items)), 0
	for _, item := range items {
		if item.Span.End() > end {
			out, end = append(out, item), item.Span.End()
		}
	}
	return out
}
