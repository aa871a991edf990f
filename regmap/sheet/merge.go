package sheet

import (
	"fmt"
	"sort"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// A Change is one thing in which a reissued list differs from the map.
type Change struct {
	Kind  string // "added", "moved", "retyped", "removed", "renamed", "differs" or "by hand"
	Point string // its name in the map
	Words string
}

// merging is a reissued list on its way into a map.
type merging struct {
	file     string
	text     []byte
	sections []regmap.Section
	old      *regmap.Map
	points   doc.Node
	pairs    map[string]*item // the map's point -> the list's row
	added    []*item
	edits    []splice
	changes  []Change
}

// splice is one change of the text, for one point.
type splice struct {
	point      string
	line, from int // line from 1, byte in it
	was, is    string
}

// Into merges the list into a map's text. Places, types and orders that
// changed are spliced in where they stand, new points come behind the others;
// everything else of the text stays as it is: comments, alarms, other blocks.
// Points that the list no longer has stay too, and are named. What cannot be
// spliced is named as 'by hand'. The result was read back without a fault;
// sections are the blocks that higher floors own. A map with faults is
// returned as a doc.Faults.
func (r *Result) Into(file string, text []byte, sections ...regmap.Section) ([]byte, []Change, error) {
	rep := new(doc.Report)
	m := regmap.Load(file, text, rep, sections...)
	if m == nil {
		return nil, nil, rep.Err()
	}
	g := &merging{file: file, text: text, sections: sections, old: m, pairs: map[string]*item{}}
	g.points = doc.Parse(file, text, new(doc.Report)).Get("points")
	g.match(r.items)
	for i := range m.Points {
		p := &m.Points[i]
		it := g.pairs[p.Name]
		switch {
		case it != nil:
			g.compare(p, it)
		case !p.Derived():
			g.change("removed", p.Name, "%s is not in the list any more; it stays in the map (line %d)", p.Span(), p.Pos.Line)
		}
	}
	out, err := g.apply()
	if err != nil {
		return nil, nil, err
	}
	if err := g.differences(out, r.head); err != nil {
		return nil, nil, err
	}
	return out, g.changes, nil
}

func (g *merging) change(kind, point, format string, args ...any) {
	g.changes = append(g.changes, Change{kind, point, fmt.Sprintf(format, args...)})
}

// match finds the map's point of each row: by name, by tag, by place. A tag or
// a place that two have finds none.
func (g *merging) match(items []*item) {
	left := append([]*item(nil), items...)
	taken := names{}
	for p := range g.old.Readings {
		taken[p.Name] = true
	}
	by := func(how string, key func(*regmap.Point) string, of func(*item) string) {
		at := map[string]*regmap.Point{}
		twice := map[string]int{}
		for i := range g.old.Points {
			if p := &g.old.Points[i]; g.pairs[p.Name] == nil && !p.Derived() {
				at[key(p)] = p
				twice[key(p)]++
			}
		}
		rows := map[string]int{}
		for _, it := range left {
			rows[of(it)]++
		}
		rest := left[:0:0]
		for _, it := range left {
			k := of(it)
			p := at[k]
			if k == "" || p == nil || twice[k] != 1 || rows[k] != 1 {
				rest = append(rest, it)
				continue
			}
			if it.name != p.Name {
				g.change("renamed", p.Name, "%s of the list is %q, found by its %s; the map keeps its name", it.place, it.name, how)
			}
			it.name = p.Name
			g.pairs[p.Name] = it
		}
		left = rest
	}
	by("name", func(p *regmap.Point) string { return p.Name }, func(it *item) string { return it.name })
	by("tag", func(p *regmap.Point) string { return p.Tag }, func(it *item) string { return it.tag })
	by("place", func(p *regmap.Point) string { return fmt.Sprint(p.Table, p.Address, p.Part) },
		func(it *item) string {
			part := regmap.Part{}
			if it.bit >= 0 {
				part = regmap.Part{Low: uint8(it.bit), Width: 1}
			}
			return fmt.Sprint(it.table, it.address, part)
		})
	for _, it := range left {
		it.name = taken.free(it.name)
		g.added = append(g.added, it)
	}
}

// compare splices in what the row has otherwise: place, type and order.
func (g *merging) compare(p *regmap.Point, it *item) {
	n := g.points.Get(p.Name)
	if p.Table != it.table || int(p.Address) != it.address {
		now := regmap.Span{Table: it.table, First: regmap.Address(it.address), Count: 1}
		was := regmap.Span{Table: p.Table, First: p.Address, Count: 1}
		if g.movePlace(n, p, it) {
			g.change("moved", p.Name, "from %s to %s (%s)", was, now, it.place)
		} else {
			g.byHand(p, it, fmt.Sprintf("moved from %s to %s", was, now))
		}
	}
	if t := p.Type.String(); it.typ != "" && t != it.typ && !sameType(p, it) {
		if g.replace(p.Name, n.Get("type"), it.typ) {
			g.change("retyped", p.Name, "from %s to %s (%s)", t, it.typ, it.place)
		} else {
			g.byHand(p, it, fmt.Sprintf("retyped from %s to %s", t, it.typ))
		}
	} else if it.typ == "string" && p.Length != it.length {
		if g.replace(p.Name, n.Get("length"), fmt.Sprint(it.length)) {
			g.change("retyped", p.Name, "from a string of %d to one of %d characters (%s)", p.Length, it.length, it.place)
		} else {
			g.byHand(p, it, fmt.Sprintf("retyped from a string of %d to one of %d characters", p.Length, it.length))
		}
	}
	g.compareOrder(n, p, it)
}

// sameType says whether a list's plain number is a word whose bits the map
// names.
func sameType(p *regmap.Point, it *item) bool {
	return p.Type == regmap.TypeBits && len(it.bits) == 0 && strings.HasPrefix(it.typ, "uint") && it.registers() == p.Count
}

func (g *merging) compareOrder(n doc.Node, p *regmap.Point, it *item) {
	if it.order == "" || it.registers() != p.Count || it.order == p.Order.Letters(p.Count) {
		return
	}
	was, words := p.Order.Letters(p.Count), fmt.Sprintf("from order %s to %s", p.Order.Letters(p.Count), it.order)
	at := n.Get("type")
	switch {
	case n.Get("order").Present() && g.replace(p.Name, n.Get("order"), it.order):
	case !n.Get("order").Present() && g.insert(p.Name, at, "order: "+it.order):
	default:
		g.byHand(p, it, "order changed from "+was+" to "+it.order)
		return
	}
	g.change("retyped", p.Name, "%s (%s)", words, it.place)
}

func (g *merging) byHand(p *regmap.Point, it *item, what string) {
	g.change("by hand", p.Name, "%s (%s); change line %d of the map", what, it.place, p.Pos.Line)
}

// movePlace splices in where the point lies now, in the form that the map uses.
func (g *merging) movePlace(n doc.Node, p *regmap.Point, it *item) bool {
	if ref := n.Get("reference"); ref.Present() {
		r := regmap.ReferenceOf(it.table, regmap.Address(it.address))
		r.Digits = max(r.Digits, p.Reference.Digits)
		return g.replace(p.Name, ref, r.String())
	}
	at := n.Get(p.Table.String())
	if !at.Present() || !g.replace(p.Name, at, fmt.Sprint(it.address)) {
		return false
	}
	return p.Table == it.table || g.replace(p.Name, at.KeyNode(), it.table.String())
}

// lineText is a line of the map, counted from 1.
func (g *merging) lineText(n int) string {
	lines := strings.Split(string(g.text), "\n")
	if n < 1 || n > len(lines) {
		return ""
	}
	return strings.TrimPrefix(lines[n-1], "\uFEFF")
}

// byteAt is the byte of a line where a column in characters begins.
func byteAt(line string, column int) int {
	for i := range line {
		if column--; column == 0 {
			return i
		}
	}
	return len(line)
}

// replace changes one value of the text where it stands.
func (g *merging) replace(point string, n doc.Node, is string) bool {
	if !n.Present() || !n.IsScalar() {
		return false
	}
	was, pos := "", n.Pos()
	line := g.lineText(pos.Line)
	from := byteAt(line, pos.Column)
	value, _ := n.Text()
	for _, form := range []string{value, `"` + value + `"`, "'" + value + "'"} {
		if value != "" && strings.HasPrefix(line[from:], form) {
			was = form
		}
	}
	if was == "" {
		return false
	}
	g.edits = append(g.edits, splice{point, pos.Line, from, was, is})
	return true
}

// insert puts a key beside another one: on a line of its own before it, or
// behind its value within braces.
func (g *merging) insert(point string, beside doc.Node, key string) bool {
	if !beside.Present() {
		return false
	}
	pos := beside.KeyPos()
	line := g.lineText(pos.Line)
	from := byteAt(line, pos.Column)
	if indent := line[:from]; strings.TrimSpace(indent) == "" {
		g.edits = append(g.edits, splice{point, pos.Line, from, "", key + "\n" + indent})
		return true
	}
	g.edits = append(g.edits, splice{point, pos.Line, from, "", key + ", "})
	return true
}

// apply makes the new text and reads it back. Where a point with its changes
// is refused, they are taken back and left to a person.
func (g *merging) apply() ([]byte, error) {
	for {
		out := g.spliced()
		rep := new(doc.Report)
		if regmap.Load(g.file, out, rep, g.sections...) != nil {
			g.tellAdded()
			return out, nil
		}
		if !g.takeBack(rep.Faults()) {
			return nil, fmt.Errorf("the merged map has faults, nothing is changed: %w", rep.Err())
		}
	}
}

func (g *merging) tellAdded() {
	for _, it := range g.added {
		s := regmap.Span{Table: it.table, First: regmap.Address(it.address), Count: max(it.registers(), 1)}
		g.change("added", it.name, "%s, %s (%s)", s, it.typ, it.place)
	}
}

// takeBack drops the changes of the points that were refused.
func (g *merging) takeBack(faults []*doc.Fault) bool {
	why := map[string]string{}
	for _, f := range faults {
		if name, ok := strings.CutPrefix(f.Path, "points."); ok {
			name, _, _ = strings.Cut(name, ".")
			why[name] = refusal(f)
		}
	}
	g.blame(why)
	back := false
	edits := g.edits[:0:0]
	for _, e := range g.edits {
		if why[e.point] != "" {
			back = true
			continue
		}
		edits = append(edits, e)
	}
	g.edits = edits
	for i, c := range g.changes {
		if w := why[c.Point]; w != "" && (c.Kind == "moved" || c.Kind == "retyped") {
			g.changes[i] = Change{"by hand", c.Point, fmt.Sprintf("%s %s; not changed, because %s", c.Kind, c.Words, w)}
		}
	}
	added := g.added[:0:0]
	for _, it := range g.added {
		if w := why[it.name]; w != "" {
			g.change("by hand", it.name, "new in the list (%s: %s); not added, because %s", it.place, it.source, w)
			back = true
			continue
		}
		added = append(added, it)
	}
	g.added = added
	return back
}

// blame finds, for each point that was refused and not changed, those whose
// new place lies over it.
func (g *merging) blame(why map[string]string) {
	edited := map[string]bool{}
	for _, e := range g.edits {
		edited[e.point] = true
	}
	span := func(it *item) regmap.Span {
		return regmap.Span{Table: it.table, First: regmap.Address(it.address), Count: max(it.registers(), 1)}
	}
	for name, words := range why {
		p := g.old.Point(name)
		if p == nil || edited[name] {
			continue
		}
		for point := range edited {
			if s := span(g.pairs[point]); s.Overlaps(p.Span()) && why[point] == "" {
				why[point] = words + " (" + name + ")"
			}
		}
		for _, it := range g.added {
			if s := span(it); s.Overlaps(p.Span()) && why[it.name] == "" {
				why[it.name] = words + " (" + name + ")"
			}
		}
	}
}

// spliced is the text with the changes in it, the last first.
func (g *merging) spliced() []byte {
	lines := strings.Split(string(g.text), "\n")
	edits := append([]splice(nil), g.edits...)
	sort.SliceStable(edits, func(i, j int) bool {
		return edits[i].line > edits[j].line || edits[i].line == edits[j].line && edits[i].from > edits[j].from
	})
	for _, e := range edits {
		mark := ""
		if strings.HasPrefix(lines[e.line-1], "\uFEFF") {
			mark = "\uFEFF"
		}
		l := strings.TrimPrefix(lines[e.line-1], "\uFEFF")
		lines[e.line-1] = mark + l[:e.from] + e.is + l[e.from+len(e.was):]
	}
	if len(g.added) == 0 {
		return []byte(strings.Join(lines, "\n"))
	}
	at, indent := g.behindPoints(len(lines))
	var b strings.Builder
	for _, it := range g.added {
		it.text(&b, indent)
	}
	head, tail := strings.Join(lines[:at], "\n"), strings.Join(lines[at:], "\n")
	if head != "" && !strings.HasSuffix(head, "\n") {
		head += "\n"
	}
	return []byte(head + b.String() + tail)
}

// behindPoints is the number of lines up to the last point, and the indent of
// the points.
func (g *merging) behindPoints(lines int) (int, string) {
	indent, last, next := "  ", 0, lines+1
	for _, n := range g.points.Entries() {
		indent = strings.Repeat(" ", max(n.KeyPos().Column-1, 1))
		last = max(last, n.KeyPos().Line)
	}
	for _, n := range doc.Parse(g.file, g.text, new(doc.Report)).Entries() {
		if l := n.KeyPos().Line; l > last && l < next {
			next = l
		}
	}
	for at := next - 1; at > last; at-- { // comments before the next key belong to it
		if l := g.lineText(at); strings.TrimSpace(l) != "" && (l[0] == ' ' || l[0] == '\t') {
			return at, indent
		}
	}
	return last, indent
}

// differences names what else the list says otherwise; the map keeps its own.
func (g *merging) differences(out []byte, h header) error {
	var items []*item
	for _, it := range g.pairs {
		items = append(items, it)
	}
	if len(items) == 0 {
		return nil
	}
	sort.Slice(items, func(i, j int) bool { return items[i].name < items[j].name })
	merged := regmap.Load(g.file, out, new(doc.Report), g.sections...)
	list := regmap.Load(g.file, writeMap(header{device: "list", gap: max(h.gap, 125)}, items), new(doc.Report))
	if list == nil {
		return nil // its own report said why
	}
	for i := range list.Points {
		l := &list.Points[i]
		p := merged.Point(l.Name)
		for _, d := range [][3]string{
			{"scale", p.Scale.Words(p.Exponent), l.Scale.Words(l.Exponent)},
			{"units", p.Units, l.Units},
			{"values", namedWords(p.Values), namedWords(l.Values)},
			{"write", bounds(p.Write), bounds(l.Write)},
		} {
			if d[2] != "" && d[1] != d[2] {
				g.change("differs", l.Name, "%s: the list has %s, the map keeps %s", d[0], d[2], orNothing(d[1]))
			}
		}
	}
	return nil
}

// namedWords are names for numbers on one line.
func namedWords(values []regmap.Named) string {
	parts := make([]string, len(values))
	for i, v := range values {
		parts[i] = text(v.Value) + ": " + v.Name
	}
	return strings.Join(parts, ", ")
}

// bounds are the limits of writing on one line; "" for read only and for
// no limits.
func bounds(w *regmap.Write) string {
	if w == nil {
		return ""
	}
	var parts []string
	if w.Min != nil {
		parts = append(parts, "min "+text(w.Min))
	}
	if w.Max != nil {
		parts = append(parts, "max "+text(w.Max))
	}
	return strings.Join(parts, ", ")
}

func orNothing(s string) string {
	if s == "" {
		return "none"
	}
	return s
}
