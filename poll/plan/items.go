package plan

import (
	"cmp"
	"slices"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// An Item is what one request must fetch as a whole: a point with its exponent
// register, or the points of one 'together'.
type Item struct {
	Span   regmap.Span
	Points []*regmap.Point // whole words in order of address; their named bits come along
	Alone  bool            // changes by being read: no other item in its request, never repeated
	Every  time.Duration   // how often its points are wanted; 0: without pause
}

// itemsOf sorts a station's points into the items of each table, in order of
// address. Refused points are left out.
func itemsOf(s *line.Station, learnt *Learnt) [len(regmap.Tables) + 1][]Item {
	var out [len(regmap.Tables) + 1][]Item
	type place struct {
		table regmap.Table
		index int
	}
	together := map[string]place{}
	for i := range s.Map.Points {
		p := &s.Map.Points[i]
		if p.Table == 0 || learnt.refuses(s.Unit, p) {
			continue // worked out of others, or not there
		}
		if p.Together != "" {
			if at, known := together[p.Together]; known {
				out[at.table][at.index].join(p)
				continue
			}
			together[p.Together] = place{p.Table, len(out[p.Table])}
		}
		out[p.Table] = append(out[p.Table], Item{Span: p.Needs(), Points: []*regmap.Point{p}, Alone: p.OnRead, Every: Period(s, p)})
	}
	for _, items := range out {
		for _, item := range items {
			slices.SortStableFunc(item.Points, func(a, b *regmap.Point) int { return cmp.Compare(a.Address, b.Address) })
		}
		inOrder(items)
	}
	return out
}

// inOrder sorts items by their start, of those that start together the longest
// first.
func inOrder(items []Item) {
	slices.SortStableFunc(items, func(a, b Item) int {
		return cmp.Or(cmp.Compare(a.Span.First, b.Span.First), cmp.Compare(b.Span.Count, a.Span.Count))
	})
}

// join takes one more point into an item.
func (i *Item) join(p *regmap.Point) {
	s := p.Needs()
	first, end := min(i.Span.First, s.First), max(i.Span.End(), s.End())
	i.Span.First, i.Span.Count = first, end-int(first)
	i.Points = append(i.Points, p)
}

// cover is the span from the first item to the farthest end.
func cover(items []Item) regmap.Span {
	s := items[0].Span
	for _, i := range items {
		s.Count = max(s.End(), i.Span.End()) - int(s.First)
	}
	return s
}

// Period is how often a point is read: its own 'every', else its station's; 0
// is without pause.
func Period(s *line.Station, p *regmap.Point) time.Duration {
	if p.Every > 0 {
		return p.Every
	}
	return s.Every
}
