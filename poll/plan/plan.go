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

// A Request is one read of the plan with the points it fetches.
type Request struct {
	Station *line.Station
	Span    regmap.Span
	Points  []*regmap.Point // whole words in order of address; their named bits come along
	Every   time.Duration   // 0: without pause
	Cost    time.Duration   // line time
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
// points in order of address, each request grown as far as limits, gap, holes
// and what was learnt allow. every is the period of points and stations that
// name none.
func For(l *line.Line, learnt *Learnt) Plan {
	var p Plan
	for i := range l.Stations {
		s := &l.Stations[i]
		for _, group := range groups(s) {
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

// group is the points of one table that are read with one period.
type group struct {
	table  regmap.Table
	every  time.Duration
	points []*regmap.Point
}

// groups sorts a station's points by table, period and address.
func groups(s *line.Station) []group {
	var out []group
	at := map[[2]int64]int{}
	for i := range s.Map.Points {
		p := &s.Map.Points[i]
		every := Period(s, p)
		key := [2]int64{int64(p.Table), int64(every)}
		n, ok := at[key]
		if !ok {
			n = len(out)
			at[key] = n
			out = append(out, group{table: p.Table, every: every})
		}
		out[n].points = append(out[n].points, p)
	}
	for _, g := range out {
		sort.SliceStable(g.points, func(i, j int) bool { return g.points[i].Address < g.points[j].Address })
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i], out[j]
		return a.table < b.table || a.table == b.table && a.points[0].Address < b.points[0].Address
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
	return &Request{Station: s, Span: p.Span(), Points: []*regmap.Point{p}}
}

// grow appends the requests of one group.
func grow(out []Request, s *line.Station, g group, learnt *Learnt) []Request {
	layout, most := s.Map.Layout(), s.Map.Layout().MostRead(g.table)
	fresh := true
	for _, p := range g.points {
		if learnt.refused[refusal{s.Unit, p}] {
			fresh = true // the next point begins a request of its own
			continue
		}
		if !fresh {
			r := &out[len(out)-1]
			end := max(r.Span.End(), p.Span().End())
			if end-int(r.Span.First) <= most && layout.Bridges(g.table, r.Span.End(), int(p.Address)) &&
				!learnt.across(s.Unit, r.Span, p.Address) {
				r.Span.Count = end - int(r.Span.First)
				r.Points = append(r.Points, p)
				continue
			}
		}
		out = append(out, Request{Station: s, Span: p.Span(), Points: []*regmap.Point{p}, Every: g.every})
		fresh = false
	}
	return out
}
