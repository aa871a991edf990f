package regmap

import (
	"crypto/sha256"
	"strings"

	"plumbline/regmap/doc"
)

// A Section is a block of a map file that a higher floor owns.
type Section = doc.Section[Map]

// Load reads a map file's text. Every fault and warning goes to the report;
// the map is nil when there is any fault. Sections are the blocks that other
// packages own; what they make of them is in Map.Blocks.
func Load(file string, text []byte, rep *doc.Report, sections ...Section) *Map {
	before := rep.Count()
	root := doc.Parse(file, text, rep)
	if !root.Present() {
		return nil
	}
	d := &mapDraft{limits: DefaultLimits}
	d.m.broken = map[string]bool{}
	mapTable(sections).Read(root, d)
	d.m.File, d.m.Source, d.m.Digest = file, text, sha256.Sum256(text)
	d.readPoints(root)
	if rep.Count() > before {
		d.keepSound()
	}
	d.m.finish(d.limits, d.holes)
	d.m.Blocks = make(map[string]any)
	for _, s := range sections {
		if n := root.Get(s.Key); n.Present() {
			d.m.Blocks[s.Key] = s.Read(n, &d.m)
		}
	}
	if rep.Count() > before {
		return nil
	}
	return &d.m
}

// keepSound leaves in a map with faults only the points whose own blocks have
// none, so that the blocks of higher floors are looked through in the same run
// and nothing is said twice. Derived points go too: their inputs may have gone.
func (d *mapDraft) keepSound() {
	d.m.Points = nil
	for _, p := range d.sound {
		if p.Derived() {
			d.m.broken[p.Name] = true
			continue
		}
		d.m.Points = append(d.m.Points, p.Point)
	}
}

// mapDraft is a map while its file is read.
type mapDraft struct {
	m      Map
	order  Order
	limits Limits
	holes  []Span
	points doc.Node
	groups doc.Node
	sound  []*pointDraft // whose own blocks have no fault
}

var agreementTable = doc.NewTable(
	doc.Text("who", "who agreed", func(a *Agreement) *string { return &a.Who }).Must(),
	doc.Text("for", "for which side", func(a *Agreement) *string { return &a.For }),
	doc.Text("date", "when", func(a *Agreement) *string { return &a.Date }),
)

var limitsTable = doc.NewTable(
	doc.Integer("registers", "most registers one read may ask for (V1.1b3, 6.3: 125)", 1, 125, func(l *Limits) *int { return &l.Registers }),
	doc.Integer("coils", "most bits one read may ask for (V1.1b3, 6.1: 2000)", 1, 2000, func(l *Limits) *int { return &l.Coils }),
	doc.Integer("gap", "unmapped addresses in a row that one read may bridge", 0, 2000, func(l *Limits) *int { return &l.Gap }),
	doc.Integer("write-registers", "most registers one write may carry (V1.1b3, 6.12: 123)", 1, 123, func(l *Limits) *int { return &l.WriteRegisters }),
	doc.Integer("write-coils", "most coils one write may carry (V1.1b3, 6.11: 1968)", 1, 1968, func(l *Limits) *int { return &l.WriteCoils }),
)

// mapTable is the keys of a map file, with the sections of higher floors.
func mapTable(sections []Section) *doc.Table[mapDraft] {
	fields := []doc.Field[mapDraft]{
		doc.Text("device", "what the device is", func(d *mapDraft) *string { return &d.m.Device }).Must(),
		doc.Text("about", "what it is for", func(d *mapDraft) *string { return &d.m.About }),
		doc.Text("revision", "revision of this list", func(d *mapDraft) *string { return &d.m.Revision }),
		doc.Text("date", "date of this revision", func(d *mapDraft) *string { return &d.m.Date }),
		doc.Text("author", "who wrote this list", func(d *mapDraft) *string { return &d.m.Author }),
		doc.Custom("agreed", "who agreed to it, for which side, when",
			doc.Shape{Kind: doc.ListOf, Item: ptr(agreementTable.Shape())}, readAgreed),
		doc.Choice("order", "byte order of values wider than one register", orders32, func(d *mapDraft, i int) { d.order = Order(i) }),
		doc.Custom("limits", "how much one request may ask", limitsTable.Shape(), func(d *mapDraft, n doc.Node) { limitsTable.Read(n, &d.limits) }),
		doc.Custom("holes", "addresses that are never read over", holesShape(), readHoles),
		doc.Custom("points", "the points by their names",
			doc.Shape{Kind: doc.KeyBlock, Rest: ptr(pointTable.Shape())}, func(d *mapDraft, n doc.Node) { d.points = n }),
		doc.Custom("groups", "the same points again at a stride",
			doc.Shape{Kind: doc.KeyBlock, Rest: ptr(outerGroups.Shape())}, func(d *mapDraft, n doc.Node) { d.groups = n }),
	}
	for _, s := range sections {
		fields = append(fields, doc.Custom(s.Key, s.About, s.Shape, func(*mapDraft, doc.Node) {}))
	}
	return doc.NewTable(fields...)
}

var orders32 = []string{ABCD: "ABCD", CDAB: "CDAB", BADC: "BADC", DCBA: "DCBA"}

func ptr[T any](v T) *T { return &v }

func readAgreed(d *mapDraft, n doc.Node) {
	for _, item := range n.Items() {
		var a Agreement
		agreementTable.Read(item, &a)
		d.m.Agreed = append(d.m.Agreed, a)
	}
}

func holesShape() doc.Shape {
	s := doc.Shape{Kind: doc.KeyBlock}
	for _, t := range Tables {
		s.Keys = append(s.Keys, doc.KeyShape{Key: t.String(), About: "runs of addresses, such as 20 or 20-23",
			Shape: doc.Shape{Kind: doc.ListOf, Item: &doc.Shape{Kind: doc.AnyText}}})
	}
	return s
}

// readHoles reads runs of addresses for each table.
func readHoles(d *mapDraft, n doc.Node) {
	for key, list := range n.Entries() {
		table, ok := ParseTable(key)
		if !ok {
			list.KeyFault("%q is no table", key).Hint = "tables are " + tableList()
			continue
		}
		for _, item := range list.Items() {
			if first, last, ok := run(item, TableSize-1); ok {
				d.holes = append(d.holes, Span{table, Address(first), last - first + 1})
			}
		}
	}
}

func tableList() string { return strings.Join(tableNames[1:], ", ") }

// run reads "20" or "20-23", both ends from 0 to high.
func run(n doc.Node, high int) (first, last int, ok bool) {
	s, ok := n.Text()
	if !ok {
		return 0, 0, false
	}
	a, b, both := strings.Cut(s, "-")
	if !both {
		b = a
	}
	first, okA := plainNumber(a)
	last, okB := plainNumber(b)
	switch {
	case !okA || !okB:
		n.Fault("%q is no number and no run of numbers", s).Hint = "write 20 or 20-23, without leading zeros"
	case last > high:
		n.Fault("%q goes beyond %d", s, high)
	case last < first:
		n.Fault("%q runs backwards", s).Hint = "write the lower number first"
	default:
		return first, last, true
	}
	return 0, 0, false
}

// plainNumber reads up to six decimal digits without a leading zero.
func plainNumber(s string) (int, bool) {
	if s == "" || len(s) > 6 || s[0] == '0' && len(s) > 1 {
		return 0, false
	}
	v := 0
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
		v = v*10 + int(c-'0')
	}
	return v, true
}

// readPoints reads the points and then the groups in the order of the file,
// and checks them against each other.
func (d *mapDraft) readPoints(root doc.Node) {
	var drafts []*pointDraft
	if d.points.Present() {
		d.m.blind = !d.points.IsMapping()
		for _, n := range d.points.Entries() {
			before := n.Report().Count()
			p, ok := d.readPoint(n)
			if ok {
				drafts = append(drafts, p)
			}
			if ok && n.Report().Count() == before {
				d.sound = append(d.sound, p)
			} else {
				d.m.broken[n.Name()] = true
			}
		}
	}
	drafts = append(drafts, d.readGroups()...)
	if root.IsMapping() && d.points.Len()+d.groups.Len() == 0 && !(d.points.Present() && !d.points.IsMapping()) {
		root.Fault("the map has no points").Hint = "give points, by their names"
	}
	checkNames(drafts)
	checkOverlap(drafts)
	checkReferences(drafts)
	d.m.Points = make([]Point, len(drafts))
	for i, p := range drafts {
		d.m.Points[i] = p.Point
	}
	names := &pointNames{set: map[string]bool{}}
	for p := range d.m.Readings {
		names.set[p.Name] = true
	}
	for _, p := range drafts {
		names.checkConditions(p)
	}
	d.checkTogether(drafts)
	checkCircles(drafts)
}
