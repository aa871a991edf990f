// Package plan turns a map and a line into the requests that fetch the wanted
// points, spreads them over time, and says what they cost in line time. It is
// pure: no line, no clock.
//
// The cost is the standards' arithmetic (Modbus over Serial Line V1.02, 2.5.1
// and 2.5.2): characters, silences, and the latency and pause that the line
// file assumes. For the points of one period the plan is the cheapest set of
// requests that there is. With several periods it is made from the shortest to
// the longest: a point that lies in a request made more often rides along, and
// the rest of its period gets the cheapest set again. So no register is asked
// for more often than its map says unless its bytes come anyhow, and neither
// the cycle nor the load is ever more than with each period planned apart.
package plan

import (
	"cmp"
	"slices"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A Request is one read of the plan with the items it fetches.
type Request struct {
	Station *line.Station
	Span    regmap.Span
	Items   []Item        // in order of address; some may be wanted less often than Every
	Every   time.Duration // 0: without pause
	Phase   time.Duration // when it is due first, below Every; a multiple of the plan's Tick
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

// Frame is the request as a PDU value.
func (r *Request) Frame() frame.Request { return frame.Read(r.Span.Table, r.Span.First, r.Span.Count) }

// A Plan is the requests of a line in the order of its stations, and within a
// station by table and address.
type Plan struct {
	Requests []Request
	Cycle    time.Duration // the cost of all requests once
	Tick     time.Duration // the shortest period; 0: without pause
	Busiest  time.Duration // the cost of the tick in which most is due, with the phases given
}

// For is the cheapest plan of a whole line that respects limits, gap, holes and
// what was learnt. With nothing learnt it is the optimum of the line's maps.
func For(l *line.Line, learnt *Learnt) Plan {
	var p Plan
	for i := range l.Stations {
		s := &l.Stations[i]
		for t, items := range itemsOf(s, learnt) {
			if len(items) > 0 {
				p.Requests = append(p.Requests, tableRequests(l, s, regmap.Table(t), items, learnt)...)
			}
		}
	}
	for i := range p.Requests {
		p.Cycle += p.Requests[i].Cost
	}
	p.schedule()
	return p
}

// Alone is the request for one point by itself.
func Alone(s *line.Station, p *regmap.Point) *Request {
	return &Request{Station: s, Span: p.Needs(), Items: []Item{{Span: p.Needs(), Points: []*regmap.Point{p}, Alone: p.OnRead, Every: Period(s, p)}}}
}

// tableRequests is the requests for the items of one table, in order of
// address. An item that changes by being read, or that no request may fetch,
// such as one beyond a learnt limit, has a request of its own.
func tableRequests(l *line.Line, s *line.Station, t regmap.Table, items []Item, learnt *Learnt) []Request {
	f := fieldOf(s, t, learnt)
	prices := tariffOf(l, s, t)
	var own []Request
	shared := byPeriod(items, func(i Item) bool {
		if !i.Alone && f.fits(i.Span) {
			return true
		}
		own = append(own, Request{Station: s, Span: i.Span, Items: []Item{i}, Every: i.Every})
		return false
	})
	var out []Request
	for n, group := range shared {
		if n > 0 {
			group = ride(out, group)
		}
		out = append(out, requestsOf(s, group, cheapest(group, &f, prices))...)
	}
	if out = append(out, own...); len(shared) > 1 {
		for i := range out {
			inOrder(out[i].Items)
		}
	}
	slices.SortStableFunc(out, func(a, b Request) int { return cmp.Compare(a.Span.First, b.Span.First) })
	for i := range out {
		out[i].Cost = prices.cost(out[i].Span.Count)
	}
	return out
}

// byPeriod parts the wanted items by their period, the shortest first; without
// pause comes before all.
func byPeriod(items []Item, wanted func(Item) bool) (out [][]Item) {
	at := map[time.Duration]int{}
	for _, item := range items {
		if !wanted(item) {
			continue
		}
		n, known := at[item.Every]
		if !known {
			n = len(out)
			at[item.Every] = n
			out = append(out, nil)
		}
		out[n] = append(out[n], item)
	}
	slices.SortFunc(out, func(a, b []Item) int { return cmp.Compare(a[0].Every, b[0].Every) })
	return out
}

// requestsOf gives the items to the spans: each to the last that starts at or
// before it, which holds it whole (see cheapest).
func requestsOf(s *line.Station, items []Item, spans []regmap.Span) []Request {
	out := make([]Request, len(spans))
	for i, span := range spans {
		n := 0
		for n < len(items) && (i+1 == len(spans) || items[n].Span.First < spans[i+1].First) {
			n++
		}
		out[i] = Request{Station: s, Span: span, Items: items[:n:n], Every: items[0].Every}
		items = items[n:]
	}
	return out
}

// ride gives items to the requests that hold them already, and returns the
// others.
func ride(requests []Request, items []Item) (left []Item) {
	order := make([]int, len(requests))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(requests[a].Span.First, requests[b].Span.First) })
	next, farthest := 0, -1 // of the requests that start at or before the item, the one that ends last
	for _, item := range items {
		for ; next < len(order) && requests[order[next]].Span.First <= item.Span.First; next++ {
			if r := order[next]; farthest < 0 || requests[r].Span.End() > requests[farthest].Span.End() {
				farthest = r
			}
		}
		if farthest >= 0 && requests[farthest].Span.End() >= item.Span.End() {
			requests[farthest].Items = append(requests[farthest].Items, item)
			continue
		}
		left = append(left, item)
	}
	return left
}
