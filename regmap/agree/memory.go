package agree

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/paper"
)

// use is what an address of a table is good for.
type use uint8

// The uses. A free address belongs to no point, a hole is declared as one that
// is never read over.
const (
	free use = iota
	used
	overlaid
	hole
)

// useNames and useMarks are how uses are called and marked in plain text.
var (
	useNames = [...]string{"free", "used", "overlaid", "hole"}
	useMarks = [...]byte{'.', '#', '%', 'x'}
)

// A block is a run of addresses that the same points take, or none.
type block struct {
	regmap.Span
	use    use
	points []*regmap.Point
	power  bool // holds the power of ten of another point
}

// words name what lies in a block.
func (b block) words() string {
	var names []string
	for _, p := range b.points {
		names = append(names, p.Name)
	}
	switch {
	case len(names) == 0 && b.power:
		return "exponent"
	case b.use == hole:
		return "hole"
	case len(names) > 1 && b.use != overlaid:
		return fmt.Sprintf("%d bits", len(names))
	}
	return strings.Join(names, " / ")
}

// blocksOf are the blocks of a table in order: what points take and declared
// holes; what lies between is free.
func blocksOf(m *regmap.Map, t regmap.Table) []block {
	cuts := cutsOf(m, t)
	points := inTable(m, t)
	var out []block
	at := 0
	for i := range cuts[:max(len(cuts)-1, 0)] {
		b := block{Span: regmap.Span{Table: t, First: regmap.Address(cuts[i]), Count: cuts[i+1] - cuts[i]}}
		for at < len(points) && points[at].Span().End() <= cuts[i] {
			at++
		}
		for _, p := range points[at:] {
			if int(p.Address) >= b.End() {
				break
			}
			if p.Span().Overlaps(b.Span) {
				b.points = append(b.points, p)
			}
		}
		if b.use, b.power = useOf(m, b); b.use != free {
			out = append(out, b)
		}
	}
	return out
}

func useOf(m *regmap.Map, b block) (u use, power bool) {
	over := slices.ContainsFunc(b.points, func(p *regmap.Point) bool { return p.Overlay })
	switch {
	case len(b.points) > 1 && over:
		return overlaid, false
	case len(b.points) > 0:
		return used, false
	case m.Layout().InHole(b.Span):
		return hole, false
	case m.Layout().Has(b.Span):
		return used, true
	}
	return free, false
}

// cutsOf are the addresses where the use of a table changes, in order.
func cutsOf(m *regmap.Map, t regmap.Table) []int {
	var cuts []int
	add := func(s regmap.Span) {
		if s.Table == t && s.Count > 0 {
			cuts = append(cuts, int(s.First), s.End())
		}
	}
	for i := range m.Points {
		if p := &m.Points[i]; !p.Derived() {
			add(p.Span())
			if p.Exponent != nil {
				add(p.Exponent.Span)
			}
		}
	}
	was := false
	for a := range regmap.TableSize {
		in := m.Layout().InHole(regmap.Span{Table: t, First: regmap.Address(a), Count: 1})
		if in != was {
			cuts = append(cuts, a)
		}
		was = in
	}
	if was {
		cuts = append(cuts, regmap.TableSize)
	}
	slices.Sort(cuts)
	return slices.Compact(cuts)
}

// memory is the addresses in use of each table: its picture, its numbers, and
// then all runs in one table.
func memory(m *regmap.Map) []paper.Piece {
	out := []paper.Piece{paper.Heading{Level: 1, Text: "Addresses in use"}}
	for _, t := range regmap.Tables {
		for _, p := range pictures(t, blocksOf(m, t)) {
			out = append(out, p)
		}
	}
	return append(out, runs(m))
}

// runs is one row a run of addresses of one use.
func runs(m *regmap.Map) paper.Table {
	t := paper.Table{Sheet: "Addresses in use", Columns: []paper.Column{{Head: "Table"}, {Head: "From"}, {Head: "To"}, {Head: "Addresses", Align: paper.AlignRight}, {Head: "Count", Align: paper.AlignRight}, {Head: "Use", Weight: 1}}}
	row := func(s regmap.Span, words string) {
		addresses := fmt.Sprint(s.First)
		if s.Count > 1 {
			addresses = fmt.Sprintf("%d-%d", s.First, s.Last())
		}
		t.Rows = append(t.Rows, []paper.Entry{{Text: s.Table.String()}, {Text: regmap.ReferenceOf(s.Table, s.First).String(), Mono: true},
			{Text: regmap.ReferenceOf(s.Table, s.Last()).String(), Mono: true}, {Text: addresses}, {Text: fmt.Sprint(s.Count), Number: true}, {Text: words}})
	}
	for _, table := range regmap.Tables {
		end, point := -1, false
		blocks := blocksOf(m, table)
		for i := 0; i < len(blocks); {
			run := blocks[i]
			if gap := (regmap.Span{Table: table, First: regmap.Address(max(end, 0)), Count: int(run.First) - end}); end >= 0 && gap.Count > 0 {
				words := "free"
				if point && run.use != hole && m.Layout().Bridges(table, end, int(run.First)) {
					words = "free, a read may bridge it"
				}
				row(gap, words)
			}
			for i++; i < len(blocks) && run.End() == int(blocks[i].First) && alike(run, blocks[i]); i++ {
				run.Count += blocks[i].Count
			}
			row(run.Span, runWords(run))
			end, point = run.End(), run.use != hole
		}
	}
	return t
}

// alike says whether two blocks beside each other are one run.
func alike(a, b block) bool {
	return a.use == b.use && (a.use != overlaid || slices.Equal(a.points, b.points))
}

func runWords(b block) string {
	switch b.use {
	case overlaid:
		return "overlaid: " + b.words()
	case hole:
		return "hole, never read over"
	}
	return useNames[b.use]
}
