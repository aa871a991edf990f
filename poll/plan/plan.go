// Package plan turns a map and a line into the requests that fetch the wanted
// points, and says what they cost in line time. It is pure: no line, no clock.
//
// The cost is the standards' arithmetic (Modbus over Serial Line V1.02, 2.5.1
// and 2.5.2): characters, silences, and the latency and pause that the line
// file assumes.
package plan

import (
	"sort"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// An Item is what one request must fetch as a whole: a point with its exponent
// register, or the points of one 'together'.
type Item struct {
	Span   regmap.Span
	Points []*regmap.Point // whole words in order of address; their named bits come along
	Alone  bool            // changes by being read: no other item in its request, never repeated
}

// A Request is one read of the plan with the items it fetches.
type Request struct {
	Station *line.Station
	Span    regmap.Span
	Items   []Item        // in order of address
	Every   time.Duration // 0: without pause
	Cost    time.Duration // line time
}

// Points lists the points of all items.
func (r *Request) Points() (out []*regmap.Point) {
	for _, item := range r.Items {
		out = append(out, item.Points...)
	}
	return out
}

// Once says whether the request must not be repeated.
func (r *Request) Once() bool { return r.Items[0].Alone }

// With is the same request for some of its items only.
func (r Request) With(items []Item) Request {
	r.Items, r.Span = items, cover(items)
	return r
}

// cover is the span from the first item to the farthest end.
func cover(items []Item) regmap.Span {
	s := items[0].Span
	for _, i := range items {
		s.Count = max(s.End(), i.Span.End()) - int(s.First)
	}
	return s
}

// Frame is the request as a PDU value.
func (r *Request) Frame() frame.Request { return frame.Read(r.Span.Table, r.Span.First, r.Span.Count) }

// A Plan is the requests of a line in the order of its stations, and within a
// station by table and address.
type Plan struct {
	Requests []Request
	Cycle    time.Duration // the cost of all requests once
}

// A Learnt is what a line taught about its stations: points that they refuse
// and places that must not be read across. The zero Learnt knows nothing.
type Learnt struct {
	cuts    map[cut]bool
	refused map[refusal]bool
}

// refusal is a point that a unit does not have.
type refusal struct {
	unit  regmap.Unit
	point *regmap.Point
}

// Refuse remembers that the unit refuses a point on its own: it is left out of
// the plan, and no request is read over it.
func (l *Learnt) Refuse(u regmap.Unit, p *regmap.Point) {
	if l.refused == nil {
		l.refused = map[refusal]bool{}
	}
	l.refused[refusal{u, p}] = true
}

// Allow takes a refusal back.
func (l *Learnt) Allow(u regmap.Unit, p *regmap.Point) { delete(l.refused, refusal{u, p}) }

// cut is a border that no request may cross, in front of an address.
type cut struct {
	unit  regmap.Unit
	table regmap.Table
	at    regmap.Address
}

// Cut remembers that a read of the unit's table may not run from below address
// at to at or beyond.
func (l *Learnt) Cut(u regmap.Unit, t regmap.Table, at regmap.Address) {
	if l.cuts == nil {
		l.cuts = map[cut]bool{}
	}
	l.cuts[cut{u, t, at}] = true
}

// across says whether a known border lies after the span's first address and
// not beyond at.
func (l *Learnt) across(u regmap.Unit, s regmap.Span, at regmap.Address) bool {
	if len(l.cuts) == 0 {
		return false
	}
	for a := int(s.First) + 1; a <= int(at); a++ {
		if l.cuts[cut{u, s.Table, regmap.Address(a)}] {
			return true
		}
	}
	return false
}

// For is the plan of a whole line: for each station, table and period the
// items in order of address, each request grown as far as limits, gap, holes
// and what was learnt allow.
func For(l *line.Line, learnt *Learnt) Plan {
	var p Plan
	for i := range l.Stations {
		s := &l.Stations[i]
		for _, group := range groups(s, learnt) {
			p.Requests = grow(p.Requests, s, group, learnt)
		}
	}
	for i := range p.Requests {
		r := &p.Requests[i]
		r.Cost = Cost(l, r.Station, r.Span)
		p.Cycle += r.Cost
	}
	return p
}

// group is the items of one table that are read with one period.
type group struct {
	table regmap.Table
	every time.Duration
	items []Item
}

// groups sorts a station's points by table, period and address into items. A
// refused point is left out, and with it an item ends.
func groups(s *line.Station, learnt *Learnt) []group {
	type key struct {
		table regmap.Table
		every time.Duration
	}
	var out []group
	at := map[key]int{}
	together := map[string]*Item{}
	for i := range s.Map.Points {
		p := &s.Map.Points[i]
		if p.Table == 0 || learnt.refused[refusal{s.Unit, p}] {
			continue // worked out of others, or not there
		}
		if item := together[p.Together]; p.Together != "" && item != nil {
			item.join(p)
			continue
		}
		k := key{p.Table, Period(s, p)}
		n, ok := at[k]
		if !ok {
			n = len(out)
			at[k] = n
			out = append(out, group{table: p.Table, every: k.every})
		}
		item := Item{Span: p.Needs(), Points: []*regmap.Point{p}, Alone: p.OnRead}
		out[n].items = append(out[n].items, item)
		if p.Together != "" {
			together[p.Together] = &item
		}
	}
	return settle(out, together)
}

// join takes one more point into an item.
func (i *Item) join(p *regmap.Point) {
	s := p.Needs()
	first, end := min(i.Span.First, s.First), max(i.Span.End(), s.End())
	i.Span.First, i.Span.Count = first, end-int(first)
	i.Points = append(i.Points, p)
}

// settle puts the joined items in place and everything in order of address.
func settle(out []group, together map[string]*Item) []group {
	for n := range out {
		for i, item := range out[n].items {
			if whole := together[item.Points[0].Together]; whole != nil {
				out[n].items[i] = *whole
			}
		}
		items := out[n].items
		for _, item := range items {
			sort.SliceStable(item.Points, func(i, j int) bool { return item.Points[i].Address < item.Points[j].Address })
		}
		sort.SliceStable(items, func(i, j int) bool { return items[i].Span.First < items[j].Span.First })
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i], out[j]
		return a.table < b.table || a.table == b.table && a.items[0].Span.First < b.items[0].Span.First
	})
	return out
}

// Period is how often a point is read: its own 'every', else its station's; 0
// is without pause.
func Period(s *line.Station, p *regmap.Point) time.Duration {
	if p.Every > 0 {
		return p.Every
	}
	return s.Every
}

// Alone is the request for one point by itself.
func Alone(s *line.Station, p *regmap.Point) *Request {
	return &Request{Station: s, Span: p.Needs(), Items: []Item{{Span: p.Needs(), Points: []*regmap.Point{p}, Alone: p.OnRead}}}
}

// grow appends the requests of one group. No request reads over a refused
// point or over one that changes by being read.
func grow(out []Request, s *line.Station, g group, learnt *Learnt) []Request {
	layout := s.Map.Layout()
	avoid := avoided(s, g.table, learnt)
	for i, item := range g.items {
		if i > 0 && !item.Alone {
			r := &out[len(out)-1]
			whole := cover([]Item{{Span: r.Span}, item})
			fits := whole.Count <= layout.MostRead(g.table) && !r.Once() &&
				layout.Bridges(g.table, r.Span.End(), int(item.Span.First)) && !learnt.across(s.Unit, r.Span, item.Span.First)
			if fits && !touches(avoid, whole) {
				r.Span = whole
				r.Items = append(r.Items, item)
				continue
			}
		}
		out = append(out, Request{Station: s, Span: item.Span, Items: []Item{item}, Every: g.every})
	}
	return out
}

// avoided lists the points of a table that no other's request may touch.
func avoided(s *line.Station, t regmap.Table, learnt *Learnt) (out []regmap.Span) {
	for i := range s.Map.Points {
		p := &s.Map.Points[i]
		if p.Table == t && (p.OnRead || learnt.refused[refusal{s.Unit, p}]) {
			out = append(out, p.Span())
		}
	}
	return out
}

func touches(spans []regmap.Span, s regmap.Span) bool {
	for _, o := range spans {
		if o.Overlaps(s) {
			return true
		}
	}
	return false
}
