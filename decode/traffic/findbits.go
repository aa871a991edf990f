package traffic

import (
	"fmt"
	"math/bits"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
)

// Steady bits; ours.
const (
	movesKnown   = 64  // changes of a register whose map says that it is a number
	movesUnknown = 256 // ... and where nothing is said
	bitsUnknown  = 8   // bits that must have changed there
)

// steadyBits: a number that moves, some bits of which never do.
func steadyBits(s *State) (out []Finding) {
	for u := range s.each {
		m := s.config.deviceMap(u.number)
		if m == nil {
			out = append(out, s.steadyRegisters(u)...)
			continue
		}
		for i := range m.Points {
			p := &m.Points[i]
			if p.Derived() || !p.Type.Number() || p.Count != 1 || p.Table.Bits() || len(p.Values) > 0 || p.Counter {
				continue // the high digits of a counter take years
			}
			for _, r := range s.reads(u) {
				changed, moves, ok := r.memory.register(p.Table, p.Address)
				if !ok || moves < movesKnown {
					continue
				}
				if f, is := s.steady(u, r, p.Name, changed, moves); is {
					out = append(out, f)
					break
				}
			}
		}
	}
	return out
}

// steadyRegisters judges registers that no map names.
func (s *State) steadyRegisters(u *unit) (out []Finding) {
	const most = 4 // of one unit
	for _, r := range s.reads(u) {
		for i := range r.memory.moves {
			a := r.span.First + regmap.Address(i)
			changed, moves, _ := r.memory.register(r.span.Table, a)
			if moves < movesUnknown || bits.OnesCount16(changed) < bitsUnknown {
				continue
			}
			if f, is := s.steady(u, r, regmap.Span{Table: r.span.Table, First: a, Count: 1}.String(), changed, moves); is && len(out) < most {
				out = append(out, f)
			}
		}
	}
	return out
}

// steady judges the bits of one register that moved: those below the highest
// that changed should change too.
func (s *State) steady(u *unit, r *row, name string, changed uint16, moves uint32) (Finding, bool) {
	top := bits.Len16(changed)
	still := ^changed & (1<<top - 1)
	if still == 0 || top < 5 {
		return Finding{}, false
	}
	f := Finding{Rank: Remark, weight: float64(moves), rows: []key{r.key}, Exchanges: []*decode.Exchange{r.kept.last[1]}, Finding: decode.Finding{
		Code: "steady-bits", Subject: name, Claim: decode.Hint,
	}}
	low := bits.TrailingZeros16(changed)
	if still == 1<<low-1 {
		f.Words = fmt.Sprintf("%s of %s changed %d times, and its lowest %d bits never: it moves in steps of %d", name, s.config.name(u.number), moves, low, 1<<low)
		f.Do = "nothing, if the device measures no finer; else look whether the value is shifted or its bytes are swapped"
	} else {
		f.Rank = Cost
		f.Words = fmt.Sprintf("%s of %s changed %d times, and bits %016b of it never, with others above and below that did", name, s.config.name(u.number), moves, still)
		f.Do = "several quantities may share the register, or a bit of the converter is stuck: compare with the maker's list"
	}
	return f, true
}

// Frozen values; ours. A measured current flickers in its last digit.
const (
	frozenReads = 100
	frozenFor   = 10 * time.Minute
)

// frozenValues: a measured signal that never moved.
func frozenValues(s *State) (out []Finding) {
	for u := range s.each {
		m := s.config.deviceMap(u.number)
		if m == nil {
			continue
		}
		for i := range m.Points {
			p := &m.Points[i]
			if !p.Signal || p.Derived() {
				continue
			}
			for _, r := range s.reads(u) {
				_, moves, ok := r.memory.register(p.Table, p.Address)
				held := r.memory.at - r.memory.since
				if !ok || moves > 0 || r.memory.reads < frozenReads || held < frozenFor {
					continue
				}
				raw, _ := r.memory.AppendRaw(nil, p.Span())
				out = append(out, Finding{Rank: Cost, weight: held.Seconds(), rows: []key{r.key}, Exchanges: []*decode.Exchange{r.kept.first, r.kept.last[1]}, Finding: decode.Finding{
					Code: "frozen-value", Subject: p.Name, Claim: decode.Hint,
					Words: fmt.Sprintf("%s of %s did not change by a single count in %s and %d readings (%s)", p.Name, s.config.name(u.number), span(held), r.memory.reads, decode.Hex16(raw)),
					Do:    "a live measurement flickers in its last digit: look whether the device is in hand, simulates, or reads the wrong table",
				}})
				break
			}
		}
	}
	return out
}
