package regmap

import "sort"

// Limits are how much one request may ask of a device.
type Limits struct {
	Registers, Coils           int // most registers, most bits a read may ask for
	WriteRegisters, WriteCoils int
	Gap                        int // unmapped addresses in a row that a read may bridge
}

// DefaultLimits are the protocol's own, and no gap.
// Source: V1.1b3, 6.1 to 6.4 (2000 bits, 125 registers), 6.11 and 6.12 (1968
// coils, 123 registers).
var DefaultLimits = Limits{Registers: 125, Coils: 2000, WriteRegisters: 123, WriteCoils: 1968}

// A Layout is which addresses of a device answer. The plan, the station and
// the messages 'not in the map' all ask it. It is immutable.
type Layout struct {
	limits Limits
	mapped [len(Tables) + 1][]Span // merged, ascending
	holes  [len(Tables) + 1][]Span // ascending, as declared
}

// NewLayout lays out the spans of points and the declared holes.
func NewLayout(points []Span, holes []Span, limits Limits) *Layout {
	l := &Layout{limits: limits}
	for _, s := range points {
		l.mapped[s.Table] = append(l.mapped[s.Table], s)
	}
	for _, s := range holes {
		l.holes[s.Table] = append(l.holes[s.Table], s)
	}
	for _, t := range Tables {
		l.mapped[t] = merge(l.mapped[t])
		l.holes[t] = merge(l.holes[t])
	}
	return l
}

// merge sorts spans and joins those that touch or overlap.
func merge(spans []Span) []Span {
	sort.Slice(spans, func(i, j int) bool { return spans[i].First < spans[j].First })
	out := spans[:0]
	for _, s := range spans {
		if n := len(out); n > 0 && int(s.First) <= out[n-1].End() {
			out[n-1].Count = max(out[n-1].End(), s.End()) - int(out[n-1].First)
			continue
		}
		out = append(out, s)
	}
	return out
}

// Limits are the device's limits of one request.
func (l *Layout) Limits() Limits { return l.limits }

// MostRead is the most items of a table one read may ask for.
func (l *Layout) MostRead(t Table) int {
	if t.Bits() {
		return l.limits.Coils
	}
	return l.limits.Registers
}

// Mapped lists the runs of mapped addresses of a table, ascending and apart.
func (l *Layout) Mapped(t Table) []Span { return l.mapped[t] }

// from is the index of the first span that ends beyond address a.
func from(spans []Span, a int) int {
	return sort.Search(len(spans), func(i int) bool { return spans[i].End() > a })
}

// Has says whether every address of the span belongs to a point.
func (l *Layout) Has(s Span) bool {
	mapped := l.mapped[s.Table]
	i := from(mapped, int(s.First))
	return i < len(mapped) && int(mapped[i].First) <= int(s.First) && mapped[i].End() >= s.End()
}

// Answers says whether a station answers a read of the span: it begins and
// ends anywhere in or between points of the table, every run of unmapped
// addresses lies between two points and is at most the gap long, and no
// declared hole is touched. What it holds there is zero.
func (l *Layout) Answers(s Span) bool {
	if s.Count <= 0 || s.End() > TableSize || l.InHole(s) {
		return false
	}
	mapped := l.mapped[s.Table]
	for a := int(s.First); a < s.End(); {
		i := from(mapped, a)
		if i == len(mapped) {
			return false
		}
		if first := int(mapped[i].First); first > a && (i == 0 || first-mapped[i-1].End() > l.limits.Gap) {
			return false
		}
		a = mapped[i].End()
	}
	return true
}

// InHole says whether the span touches a declared hole.
func (l *Layout) InHole(s Span) bool {
	holes := l.holes[s.Table]
	i := from(holes, int(s.First))
	return i < len(holes) && int(holes[i].First) < s.End()
}

// Bridges says whether one read may run from the end of one point over
// unmapped addresses to the first of another.
func (l *Layout) Bridges(t Table, end, next int) bool {
	if next <= end {
		return true
	}
	gap := Span{Table: t, First: Address(end), Count: next - end}
	return gap.Count <= l.limits.Gap && !l.InHole(gap)
}
