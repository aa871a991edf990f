package regmap

import (
	"fmt"
	"math/big"
	"strings"

	"plumbline/regmap/doc"
)

// groupDraft is a groups entry while it is read: the same points again at a
// stride.
type groupDraft struct {
	name        string
	count, from int
	stride      doc.Node
	points      doc.Node
	groups      doc.Node
}

// mostPoints bounds what a few lines can make of a group; four tables of 65536
// addresses hold no more.
const mostPoints = 4 * TableSize

// groupTable is built by a function, because a group may hold groups once.
func groupTable(nested bool) *doc.Table[groupDraft] {
	points := doc.Shape{Kind: doc.KeyBlock, Rest: ptr(pointTable.Shape())}
	fields := []doc.Field[groupDraft]{
		doc.Text("name", "the name of each, with {n} for its number: pump-{n}", func(g *groupDraft) *string { return &g.name }).Must(),
		doc.Integer("count", "how many there are", 1, 1000, func(g *groupDraft) *int { return &g.count }).Must(),
		doc.Integer("from", "the number of the first; 1 when left out", 0, 1_000_000, func(g *groupDraft) *int { return &g.from }),
		doc.Custom("stride", "addresses from one to the next: one number, or one for each table",
			doc.Shape{Kind: doc.Either, Forms: []doc.Shape{{Kind: doc.WholeNumber}, strideShape()}}, func(g *groupDraft, n doc.Node) { g.stride = n }).Must(),
		doc.Custom("points", "the points of the first, by names that follow the group's", points, func(g *groupDraft, n doc.Node) { g.points = n }),
	}
	if !nested {
		inner := groupTable(true).Shape()
		fields = append(fields, doc.Custom("groups", "groups inside this one", doc.Shape{Kind: doc.KeyBlock, Rest: &inner}, func(g *groupDraft, n doc.Node) { g.groups = n }))
	}
	return doc.NewTable(fields...)
}

var outerGroups, innerGroups = groupTable(false), groupTable(true)

// readGroups reads groups and appends their points, instance by instance.
func (d *mapDraft) readGroups() (out []*pointDraft) {
	if !d.groups.Present() {
		return nil
	}
	d.m.blind = d.m.blind || !d.groups.IsMapping()
	for _, n := range d.groups.Entries() {
		before := n.Report().Count()
		points := d.readGroup(n, outerGroups)
		out = append(out, points...)
		if n.Report().Count() == before {
			d.sound = append(d.sound, points...)
		} else {
			d.m.blind = true // what it would have named, nobody can know
		}
	}
	return out
}

// readGroup reads one group: its points once, then copies of them at each
// stride.
func (d *mapDraft) readGroup(n doc.Node, table *doc.Table[groupDraft]) (out []*pointDraft) {
	g := groupDraft{from: 1}
	before := n.Report().Count()
	table.Read(n, &g)
	strides := g.readStride(n)
	if g.name != "" && g.count > 1 && !strings.Contains(g.name, "{n}") {
		n.Get("name").Fault("%q gives all %d the same name", g.name, g.count).Hint = "put {n} where the number goes"
	}
	if probe := strings.ReplaceAll(g.name, "{n}", "1"); g.name != "" && !doc.IsName(probe) {
		n.Get("name").Fault("%q is no name", g.name).Hint = "lower-case letters, digits and hyphens, a letter first, and {n}"
	}
	var first []*pointDraft
	if g.points.Present() {
		for _, p := range g.points.Entries() {
			if p, ok := d.readPoint(p); ok {
				first = append(first, p)
			}
		}
	}
	if g.groups.Present() {
		for _, inner := range g.groups.Entries() {
			first = append(first, d.readGroup(inner, innerGroups)...)
		}
	}
	if len(first) == 0 && n.Report().Count() == before {
		n.Fault("the group has no points")
	}
	if made := g.count * len(first); made > mostPoints {
		n.Fault("the group makes %d points, at most %d are read", made, mostPoints)
	}
	if n.Report().Count() > before {
		return nil // copies would repeat the faults
	}
	for i := range g.count {
		for _, p := range first {
			out = append(out, p.copyAt(g, i, strides))
		}
	}
	return out
}

// readStride reads how far apart the copies lie, by table.
func (g *groupDraft) readStride(n doc.Node) map[Table]int {
	strides := map[Table]int{}
	switch {
	case !g.stride.Present():
	case g.stride.IsMapping():
		for key, v := range g.stride.Entries() {
			t, ok := ParseTable(key)
			if !ok {
				v.KeyFault("%q is no table", key).Hint = "tables are " + tableList()
				continue
			}
			if s, ok := v.Integer(0, TableSize-1); ok {
				strides[t] = int(s)
			}
		}
	default:
		if s, ok := g.stride.Integer(1, TableSize-1); ok {
			for _, t := range Tables {
				strides[t] = int(s)
			}
		}
	}
	return strides
}

// copyAt is the i-th copy of a group's point. {n} in its texts becomes the
// copy's number; inside a group of a group, {outer} is the outer number.
func (p *pointDraft) copyAt(g groupDraft, i int, strides map[Table]int) *pointDraft {
	c := *p
	number := fmt.Sprint(g.from + i)
	fill := func(s string) string {
		return strings.ReplaceAll(strings.ReplaceAll(s, "{n}", number), "{outer}", "{n}")
	}
	prefix := strings.ReplaceAll(g.name, "{n}", number) + "-"
	shift := func(a Address, t Table) Address { // beyond the table is reported below
		return Address(int(a) + i*strides[t])
	}
	if end := int(p.Needs().Last()) + i*strides[p.Table]; end >= TableSize {
		p.places[0].Fault("number %s of the group goes beyond address 65535", number)
	}
	c.Name, c.Tag, c.About, c.Terminal = prefix+p.Name, fill(p.Tag), fill(p.About), fill(p.Terminal)
	c.Address = shift(p.Address, p.Table)
	if p.Reference.Number > 0 {
		c.Reference.Number += i * strides[p.Table]
	}
	if p.Exponent != nil {
		e := *p.Exponent
		e.Span.First = shift(e.Span.First, p.Table)
		c.Exponent = &e
	}
	if p.Together != "" {
		c.Together = prefix + p.Together
	}
	c.Fields = make([]Point, len(p.Fields))
	for j, f := range p.Fields {
		f.Name, f.About, f.Address = prefix+f.Name, fill(f.About), shift(f.Address, f.Table)
		c.Fields[j] = f
	}
	return &c
}

// strideShape is a stride for each table.
func strideShape() doc.Shape {
	s := doc.Shape{Kind: doc.KeyBlock}
	for _, t := range Tables {
		s.Keys = append(s.Keys, doc.KeyShape{Key: t.String(), About: "addresses from one to the next in this table",
			Shape: doc.Shape{Kind: doc.WholeNumber, Low: big.NewInt(0), High: big.NewInt(TableSize - 1)}})
	}
	return s
}
