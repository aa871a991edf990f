package traffic

import (
	"fmt"

	"plumbline/decode"
	"plumbline/regmap"
)

// A shift is one way in which a whole pattern of requests may be displaced.
type shift struct {
	code  string
	by    int // added to each address asked, to get what was meant
	table map[regmap.Table]regmap.Table
	words string
	do    string
}

// shifts are tried in this order. Sources: trade.md 2.1.
var shifts = []shift{
	{code: "off-by-one", by: 1, words: "all requests begin one address too low", do: "the list counts from 0 and was taken to count from 1, or the reverse: add 1 to every address, and check one known constant"},
	{code: "off-by-one", by: -1, words: "all requests begin one address too high", do: "reference numbers count from 1, addresses from 0: take 1 off every address, and check one known constant"},
	{code: "wrong-table", table: map[regmap.Table]regmap.Table{
		regmap.InputRegister: regmap.HoldingRegister, regmap.HoldingRegister: regmap.InputRegister,
		regmap.Coil: regmap.DiscreteInput, regmap.DiscreteInput: regmap.Coil,
	}, words: "the addresses are right and the table is the other one", do: "use the other function: 03 reads holding registers, 04 input registers, 01 coils, 02 discrete inputs"},
	{code: "reference-as-address", by: -40001, words: "reference numbers were sent as addresses", do: "take the leading table digit and 1 off: 40001 is address 0"},
	{code: "reference-as-address", by: -30001, words: "reference numbers were sent as addresses", do: "take the leading table digit and 1 off: 30001 is address 0"},
	{code: "reference-as-address", by: -40000, words: "the table's leading digit was sent with the address", do: "take the leading table digit off"},
}

// shiftedRanges: a whole pattern of requests that fits the map only when it is
// moved. A request fits where it begins with a point and ends with one.
func shiftedRanges(s *State) (out []Finding) {
	for u := range s.each {
		m := s.config.deviceMap(u.number)
		if m == nil {
			continue
		}
		rows := s.reads(u)
		plain, points := fits(m, rows, shift{})
		for _, sh := range shifts {
			n, moved := fits(m, rows, sh)
			// One request proves nothing unless it covers several points.
			if n <= plain || n*4 < len(rows)*3 || n < 2 && moved < 3 || moved <= points {
				continue
			}
			f := Finding{Rank: Wrong, weight: float64(n), Finding: decode.Finding{
				Code: sh.code, Subject: subjectOf(u.number), Claim: decode.Likely,
				Words: fmt.Sprintf("%s: %s; moved so, %d of %d ranges begin and end with points of the map, as they are %d",
					s.config.name(u.number), sh.words, n, len(rows), plain),
				Do: sh.do,
			}}
			for _, r := range rows {
				f.rows = append(f.rows, r.key)
				f.Exchanges = append(f.Exchanges, r.kept.exchanges()...)
			}
			f.Exchanges = firstFew(f.Exchanges)
			out = append(out, f)
			break
		}
	}
	return out
}

// fits counts the ranges that begin and end with points of the map when they
// are moved, and the points in them.
func fits(m *regmap.Map, rows []*row, sh shift) (n, points int) {
	starts, ends := map[regmap.Span]bool{}, map[regmap.Span]bool{}
	for i := range m.Points {
		if p := &m.Points[i]; !p.Derived() {
			starts[regmap.Span{Table: p.Table, First: p.Address}] = true
			ends[regmap.Span{Table: p.Table, First: p.Span().Last()}] = true
		}
	}
	for _, r := range rows {
		span := r.span
		if to, ok := sh.table[span.Table]; ok {
			span.Table = to
		}
		first := int(span.First) + sh.by
		if first < 0 || first+span.Count > regmap.TableSize || span.Count == 0 {
			continue
		}
		span.First = regmap.Address(first)
		if !starts[regmap.Span{Table: span.Table, First: span.First}] || !ends[regmap.Span{Table: span.Table, First: span.Last()}] || !m.Layout().Answers(span) {
			continue
		}
		n++
		for i := range m.Points {
			if p := &m.Points[i]; !p.Derived() && p.Span().Overlaps(span) {
				points++
			}
		}
	}
	return n, points
}
