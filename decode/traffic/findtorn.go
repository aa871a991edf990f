package traffic

import (
	"fmt"

	"plumbline/decode"
	"plumbline/regmap"
)

// tornValues: a value of several registers of which no request reads the
// whole, but several read a part. Between the two it may change (trade.md 2.2).
func tornValues(s *State) (out []Finding) {
	for u := range s.each {
		m := s.config.deviceMap(u.number)
		if m == nil {
			continue
		}
		rows := s.reads(u)
		for i := range m.Points {
			p := &m.Points[i]
			if p.Derived() || p.Count < 2 {
				continue
			}
			parts := partsOf(rows, p.Span())
			if len(parts) < 2 {
				continue
			}
			f := Finding{Rank: Wrong, weight: float64(p.Count), Finding: decode.Finding{
				Code: "torn-value", Subject: p.Name, Claim: decode.Settled,
				Words: fmt.Sprintf("%s of %s takes %s and is read in two requests, %s and %s; when it changes between them its halves do not belong together",
					p.Name, s.config.name(u.number), p.Span(), parts[0].span, parts[1].span),
				Do: "read all its registers in one request",
			}}
			for _, r := range parts[:2] {
				f.rows = append(f.rows, r.key)
				f.Exchanges = append(f.Exchanges, r.kept.first, r.kept.last[1])
			}
			out = append(out, f)
		}
	}
	return out
}

// partsOf are the ranges that read a part of a span; nothing when one reads
// all of it or some register is read by none.
func partsOf(rows []*row, span regmap.Span) (parts []*row) {
	have := make([]bool, span.Count)
	for _, r := range rows {
		if !r.span.Overlaps(span) {
			continue
		}
		if r.span.First <= span.First && r.span.End() >= span.End() {
			return nil
		}
		parts = append(parts, r)
		for a := max(int(span.First), int(r.span.First)); a < min(span.End(), r.span.End()); a++ {
			have[a-int(span.First)] = true
		}
	}
	for _, h := range have {
		if !h {
			return nil
		}
	}
	return parts
}

// adjacentReads: neighbouring registers read one by one where no map says what
// they are: they may be halves of one value.
func adjacentReads(s *State) (out []Finding) {
	const enough = 3 // readings of each
	for u := range s.each {
		if s.config.deviceMap(u.number) != nil {
			continue
		}
		rows := s.reads(u)
		for i := 1; i < len(rows); i++ {
			a, b := rows[i-1], rows[i]
			if a.span.Table != b.span.Table || a.span.Table.Bits() || a.span.Count != 1 || b.span.Count != 1 || a.span.End() != int(b.span.First) ||
				min(a.answered, b.answered) < enough || max(a.answered, b.answered) > min(a.answered, b.answered)*11/10+1 {
				continue
			}
			out = append(out, Finding{Rank: Cost, weight: float64(a.exchanges), rows: []key{a.key, b.key},
				Exchanges: []*decode.Exchange{a.kept.last[1], b.kept.last[1]}, Finding: decode.Finding{
					Code: "adjacent-reads", Subject: subjectOf(u.number), Claim: decode.Hint,
					Words: fmt.Sprintf("%s is asked for %s and %s one by one; if they are halves of one value, it is read torn", s.config.name(u.number), a.span, b.span),
					Do:    "read neighbours in one request: it is safer for wide values, and costs the line less",
				}})
			i++
		}
	}
	return out
}
