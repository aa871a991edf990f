package agree

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/paper"
)

// The picture of a table in points: rows of addresses below each other, both
// numbers of the first at the left, the last digits of the address above.
const (
	rowHead     = 78  // room for the numbers at the left
	cellsWide   = 450 // room for a row of addresses
	rowHigh     = 15
	rowTall     = 7 // of rows that are too narrow for names
	rowSpace    = 4
	topRoom     = 12
	legendRoom  = 22
	tallest     = 330 // of one picture; a longer table is drawn in several
	namedCells  = 20  // most addresses a row in which names are written
	emptyHeight = 10
)

// pictures draw the blocks of a table: nothing where there is none, several
// where one would not fit on a page.
func pictures(t regmap.Table, blocks []block) (out []paper.Picture) {
	if len(blocks) == 0 {
		return nil
	}
	g := newGrid(t, blocks)
	title := fmt.Sprintf("%s, %s; %d addresses a row", heads[t], regmap.Span{Table: t, First: blocks[0].First, Count: blocks[len(blocks)-1].End() - int(blocks[0].First)}, g.wide)
	parts := g.parts()
	for i, rows := range parts {
		p := g.picture(rows)
		p.Title = title
		if len(parts) > 1 {
			p.Title += fmt.Sprintf(" (part %d of %d)", i+1, len(parts))
		}
		if i == 0 {
			p.Facts = countFacts(blocks)
		}
		p.Plain = g.plain(rows, i == len(parts)-1)
		out = append(out, p)
	}
	return out
}

// countFacts say how many addresses are in each use, from the first that is in
// use to the last.
func countFacts(blocks []block) []paper.Fact {
	var n [4]int
	for _, b := range blocks {
		n[b.use] += b.Count
	}
	n[free] = blocks[len(blocks)-1].End() - int(blocks[0].First) - n[used] - n[overlaid] - n[hole]
	facts := []paper.Fact{{Name: "Used", Value: fmt.Sprint(n[used])}, {Name: "Overlaid", Value: fmt.Sprint(n[overlaid])},
		{Name: "Holes", Value: fmt.Sprint(n[hole])}, {Name: "Free between", Value: fmt.Sprint(n[free])}}
	return facts
}

// A grid is a table cut into rows of addresses.
type grid struct {
	table  regmap.Table
	blocks []block
	wide   int // addresses a row
	rows   []gridRow
}

// A gridRow is a row that is drawn, or stands for rows left out, all of one
// use.
type gridRow struct {
	first   int
	leftOut string // what the rows left out are, "" for a row that is drawn
}

// newGrid chooses how many addresses a row has: few, so that names can be
// written, as long as the table stays of a size that a person looks over.
func newGrid(t regmap.Table, blocks []block) *grid {
	g := &grid{table: t, blocks: blocks}
	for _, step := range []struct{ wide, most int }{{10, 20}, {20, 20}, {50, 40}, {100, 1 << 20}} {
		g.wide = step.wide
		g.rows = g.cut()
		if len(g.rows) <= step.most {
			break
		}
	}
	return g
}

// cut lists the rows in which something begins, ends or is used; what lies
// between, free or inside a hole, is left out.
func (g *grid) cut() (rows []gridRow) {
	next := 0 // the row after the last
	add := func(from, to int) {
		from = max(from/g.wide*g.wide, next)
		if len(rows) > 0 && from > next {
			rows = append(rows, g.leftOut(next, from))
		}
		for ; from <= to; from += g.wide {
			rows = append(rows, gridRow{first: from})
			next = from + g.wide
		}
	}
	for _, b := range g.blocks {
		if b.use == hole {
			add(int(b.First), int(b.First))
			add(b.End()-1, b.End()-1)
			continue
		}
		add(int(b.First), b.End()-1)
	}
	return rows
}

// leftOut stands for the rows between two addresses.
func (g *grid) leftOut(from, to int) gridRow {
	u := free
	for _, b := range g.blocks {
		if b.Contains(regmap.Address(from)) {
			u = b.use
		}
	}
	return gridRow{first: from, leftOut: fmt.Sprintf("%d-%d %s", from, to-1, useNames[u])}
}

func (g *grid) high() float64 {
	if g.wide > namedCells {
		return rowTall
	}
	return rowHigh
}

// parts shares the rows among pictures that fit on a page.
func (g *grid) parts() (parts [][]gridRow) {
	most := max(1, int((tallest-topRoom-legendRoom)/(g.high()+rowSpace)))
	rows := g.rows
	most = (len(rows)-1)/((len(rows)-1)/most+1) + 1 // parts of about one size
	return slices.Collect(slices.Chunk(rows, most))
}

// picture draws some of the rows.
func (g *grid) picture(rows []gridRow) paper.Picture {
	p := paper.Picture{Width: rowHead + cellsWide + 1}
	cell := float64(cellsWide) / float64(g.wide)
	for i := 0; i < g.wide; i += max(1, g.wide/10) {
		p.Shapes = append(p.Shapes, paper.Label{X: rowHead + (float64(i)+0.5)*cell, Y: 8, Text: fmt.Sprintf("+%d", i), Size: 6.5, Anchor: paper.AnchorMiddle})
	}
	y := float64(topRoom)
	for _, row := range rows {
		if row.leftOut != "" {
			p.Shapes = append(p.Shapes, paper.Label{X: rowHead, Y: y + 6.5, Text: row.leftOut, Size: 6.5})
			y += emptyHeight + rowSpace
			continue
		}
		p.Shapes = append(p.Shapes, g.rowShapes(row.first, y)...)
		y += g.high() + rowSpace
	}
	p.Shapes = append(p.Shapes, legend(g.blocks, y+4)...)
	p.Height = y + legendRoom
	return p
}

// rowShapes draws one row of addresses with what lies in it.
func (g *grid) rowShapes(first int, y float64) []paper.Shape {
	high, cell := g.high(), float64(cellsWide)/float64(g.wide)
	base := y + high/2 + 2.5
	reference := regmap.ReferenceOf(g.table, regmap.Address(first)).String()
	out := []paper.Shape{
		paper.Label{X: 34, Y: base, Text: reference, Size: 6.5, Anchor: paper.AnchorEnd, Mono: true},
		paper.Label{X: rowHead - 8, Y: base, Text: fmt.Sprint(first), Size: 6.5, Anchor: paper.AnchorEnd, Mono: true},
	}
	end := min(first+g.wide, regmap.TableSize)
	out = append(out, paper.Rect{X: rowHead, Y: y, Width: cell * float64(end-first), Height: high, Pen: paper.Pen{Width: 0.4, Shade: 0.6}})
	for i := first + 1; i < end && g.wide <= namedCells; i++ {
		x := rowHead + cell*float64(i-first)
		out = append(out, paper.Line{X1: x, Y1: y, X2: x, Y2: y + high, Pen: paper.Pen{Width: 0.25, Shade: 0.75}})
	}
	for _, b := range g.blocks {
		from, to := max(int(b.First), first), min(b.End(), end)
		if from < to {
			words := ""
			if g.wide <= namedCells {
				words = b.words()
			}
			x := rowHead + cell*float64(from-first)
			out = append(out, swatch(x, y, cell*float64(to-from), high, b.use, words)...)
		}
	}
	return out
}

// swatch draws a block: what is used light grey, overlaid dark grey with a bar
// at its foot, a hole crossed out.
func swatch(x, y, wide, high float64, u use, words string) (out []paper.Shape) {
	line := paper.Pen{Width: 0.5}
	area := func(shade float64) {
		out = append(out, paper.Rect{X: x, Y: y, Width: wide, Height: high, Filled: true, Pen: paper.Pen{Shade: shade}})
	}
	switch u {
	case used:
		area(0.86)
	case overlaid:
		area(0.62)
		out = append(out, paper.Rect{X: x, Y: y + high - 2, Width: wide, Height: 2, Filled: true})
	case hole:
		area(1)
		for at := 0.0; at < wide; at += high {
			to := min(at+high, wide)
			out = append(out, paper.Line{X1: x + at, Y1: y + high, X2: x + to, Y2: y + high - (to - at), Pen: line})
		}
	}
	out = append(out, paper.Rect{X: x, Y: y, Width: wide, Height: high, Pen: line})
	if words != "" && u != hole {
		out = append(out, paper.Label{X: x + wide/2, Y: y + high/2 + 2, Text: words, Size: 6, Anchor: paper.AnchorMiddle, Room: wide - 2})
	}
	return out
}

// legend says what the greys mean that the table has.
func legend(blocks []block, y float64) (out []paper.Shape) {
	x := float64(rowHead)
	for u, words := range []string{"free", "used by one point, or by bits of one register", "overlaid", "hole, never read over"} {
		if use(u) != free && !slices.ContainsFunc(blocks, func(b block) bool { return b.use == use(u) }) {
			continue
		}
		box := swatch(x, y, 18, 9, use(u), "")
		if use(u) == free {
			box = []paper.Shape{paper.Rect{X: x, Y: y, Width: 18, Height: 9, Pen: paper.Pen{Width: 0.4, Shade: 0.6}}}
		}
		out = append(append(out, box...), paper.Label{X: x + 22, Y: y + 7, Text: words, Size: 6.5})
		x += 22 + 3.1*float64(len(words)) + 14
	}
	return out
}

// plain is the same rows in characters, one an address.
func (g *grid) plain(rows []gridRow, last bool) string {
	var b strings.Builder
	for _, r := range rows {
		first := r.first
		if r.leftOut != "" {
			fmt.Fprintf(&b, "%14s%s\n", "", r.leftOut)
			continue
		}
		row := make([]byte, min(g.wide, regmap.TableSize-first))
		for i := range row {
			row[i] = useMarks[free]
		}
		for _, k := range g.blocks {
			for a := max(int(k.First), first); a < min(k.End(), first+len(row)); a++ {
				row[a-first] = useMarks[k.use]
			}
		}
		fmt.Fprintf(&b, "%5s  %5d  ", regmap.ReferenceOf(g.table, regmap.Address(first)), first)
		for i := 0; i < len(row); i += 10 {
			fmt.Fprintf(&b, "%s ", row[i:min(i+10, len(row))])
		}
		b.WriteByte('\n')
	}
	if last {
		b.WriteString("\n# used   % overlaid   x hole, never read over   . free\n")
	}
	return b.String()
}
