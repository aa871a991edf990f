package traffic

import (
	"fmt"

	"plumbline/decode"
)

// writesSeen: what was changed, by whom as far as the line tells.
func writesSeen(s *State) (out []Finding) {
	if s.writes.count == 0 {
		return nil
	}
	type about struct {
		n, refused uint64
		last       Write
		kept       []*decode.Exchange
	}
	units := map[int]*about{}
	for _, w := range s.writes.list() {
		a := units[int(w.Unit)]
		if a == nil {
			a = &about{}
			units[int(w.Unit)] = a
		}
		a.n++
		if !w.Taken {
			a.refused++
		}
		a.last = w
		a.kept = append(a.kept, w.From0)
	}
	for n := range 256 {
		a := units[n]
		if a == nil {
			continue
		}
		words := fmt.Sprintf("%s of %s, the last at %s: %s", count(a.n, "write"), s.config.name(a.last.Unit), moment(a.last.At), a.last.words())
		if a.refused > 0 {
			words += fmt.Sprintf("; %d of them were not confirmed", a.refused)
		}
		if s.writes.count > firstWrites+latestWrites {
			words += fmt.Sprintf(" (of %d writes on the line the first %d and the last %d are kept)", s.writes.count, firstWrites, latestWrites)
		}
		out = append(out, Finding{Rank: Remark, weight: float64(a.n), Exchanges: lastFew(a.kept), Finding: decode.Finding{
			Code: "writes", Subject: subjectOf(a.last.Unit), Claim: decode.Settled, Words: words,
			Do: "see that each was meant: software can start machinery",
		}})
	}
	return out
}

// lastFew bounds evidence to the latest.
func lastFew(x []*decode.Exchange) []*decode.Exchange { return x[max(0, len(x)-mostEvidence):] }

// words is a write for people: "lead-start 1.600 m -> 1.800 m".
func (w Write) words() string {
	s := w.What
	switch {
	case w.From != "" && w.To != "":
		s += " " + w.From + " -> " + w.To
	case w.To != "":
		s += " -> " + w.To
	}
	return s
}
