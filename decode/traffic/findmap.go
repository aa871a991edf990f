package traffic

import (
	"fmt"
	"strings"

	"plumbline/decode"
	"plumbline/regmap"
)

// outsideMap: requests for what the map does not have.
func outsideMap(s *State) (out []Finding) {
	for _, r := range s.order {
		m := s.config.deviceMap(r.unit)
		if m == nil || r.span.Count == 0 {
			continue
		}
		layout := m.Layout()
		f := Finding{Rank: Wrong, weight: float64(r.exchanges), Exchanges: r.kept.exchanges(), rows: []key{r.key}, Finding: decode.Finding{
			Code: "outside-map", Subject: subjectOf(r.unit), Claim: decode.Settled,
		}}
		switch {
		case r.reads && layout.Answers(r.span):
			continue
		case r.reads:
			f.Words = fmt.Sprintf("%s is asked to %s, %s; the map has not all of it: %s", s.config.name(r.unit), r.words(), count(r.exchanges, "time"), missing(layout, r.span))
			f.Do = "correct the request or the map; a station answers such a request with exception 02, or with a number that nobody vouches for"
		case s.writable(r):
			continue
		default:
			f.Words = fmt.Sprintf("%s is told to %s, %s; the map does not let that be written", s.config.name(r.unit), r.words(), count(r.exchanges, "time"))
			f.Do = "correct the request, or let the map say write where the device takes it"
		}
		out = append(out, f)
	}
	return out
}

// writable says whether every address of a written range belongs to a point
// that the map lets be written.
func (s *State) writable(r *row) bool {
	covered := 0
	for _, p := range s.pointsIn(r.unit, r.span) {
		if !p.Writable() {
			return false
		}
		covered += min(p.Span().End(), r.span.End()) - max(int(p.Address), int(r.span.First))
	}
	return covered >= r.span.Count
}

// missing names the addresses of a span that the map does not have, the first
// run of them.
func missing(l *regmap.Layout, s regmap.Span) string {
	for a := int(s.First); a < s.End(); a++ {
		one := regmap.Span{Table: s.Table, First: regmap.Address(a), Count: 1}
		if l.Has(one) {
			continue
		}
		for one.End() < s.End() && !l.Has(regmap.Span{Table: s.Table, First: regmap.Address(one.End()), Count: 1}) {
			one.Count++
		}
		return one.String() + " is in no point"
	}
	return "it is in a hole of the device"
}

// neverAsked: points of the map that nobody reads.
func neverAsked(s *State) (out []Finding) {
	if s.config.Seen == Client {
		return nil // what this program asks was chosen
	}
	const enough = 20 // exchanges
	for u := range s.each {
		m := s.config.deviceMap(u.number)
		if m == nil || u.exchanges < enough {
			continue
		}
		rows := s.reads(u)
		var names []string
		n := 0
		for i := range m.Points {
			p := &m.Points[i]
			if p.Derived() || overlapped(rows, p.Span()) {
				continue
			}
			if n++; len(names) < mostNames {
				names = append(names, p.Name)
			}
		}
		if n == 0 {
			continue
		}
		more := ""
		if n > len(names) {
			more = fmt.Sprintf(" and %d more", n-len(names))
		}
		out = append(out, Finding{Rank: Remark, weight: float64(n), Finding: decode.Finding{
			Code: "never-asked", Subject: subjectOf(u.number), Claim: decode.Settled,
			Words: fmt.Sprintf("%s of the map of %s were never read: %s%s", count(uint64(n), "point"), s.config.name(u.number), strings.Join(names, ", "), more),
			Do:    "nothing, if the panel does not need them; else they are missing in its list",
		}})
	}
	return out
}

// mostNames is how many points a finding names.
const mostNames = 8

func overlapped(rows []*row, span regmap.Span) bool {
	for _, r := range rows {
		if r.span.Overlaps(span) {
			return true
		}
	}
	return false
}
