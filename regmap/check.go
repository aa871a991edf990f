package regmap

import (
	"maps"
	"slices"
	"sort"
	"strings"

	"plumbline/regmap/doc"
)

// checkOverlap reports points that share an address without saying so. Bools
// of one register may share it as long as their bits differ.
func checkOverlap(points []*pointDraft) {
	for _, t := range Tables {
		var of []*pointDraft
		for _, p := range points {
			if p.Table == t && !p.Overlay {
				of = append(of, p)
			}
		}
		sort.SliceStable(of, func(i, j int) bool { return of[i].Address < of[j].Address })
		var open []*pointDraft // those that still reach the next address
		for _, p := range of {
			kept := open[:0]
			for _, o := range open {
				if o.Span().End() > int(p.Address) {
					kept = append(kept, o)
				}
			}
			open = admit(kept, p)
		}
	}
}

// admit adds a point to those that reach its address, or reports that it
// clashes with one of them. Of two that clash only the one is kept that clashes
// with all that the other would: a file may have 100,000 points at one address.
func admit(open []*pointDraft, p *pointDraft) []*pointDraft {
	for i, o := range open {
		if !clash(o, p) {
			continue
		}
		reportOverlap(o, p)
		if p.Type != TypeBool && (o.Type == TypeBool || p.Span().End() > o.Span().End()) {
			open[i] = p
		}
		return open
	}
	return append(open, p)
}

func clash(a, b *pointDraft) bool {
	if !a.Span().Overlaps(b.Span()) {
		return false
	}
	bits := a.Type == TypeBool && b.Type == TypeBool && !a.Table.Bits()
	return !bits || a.Part == b.Part && a.Part.Width > 0
}

// reportOverlap names the later of the two in the file.
func reportOverlap(a, b *pointDraft) {
	if b.Pos.Line < a.Pos.Line || b.Pos.Line == a.Pos.Line && b.Pos.Column < a.Pos.Column {
		a, b = b, a
	}
	if a.Type == TypeBool && b.Type == TypeBool && !a.Table.Bits() {
		b.places[0].Fault("bit %d of address %d is already %s (line %d)", b.Part.Low, b.Address, a.Name, a.Pos.Line).Hint = "give it another bit, or say overlay: true"
		return
	}
	shared := max(a.Address, b.Address)
	b.places[0].Fault("address %d is already part of %s (line %d)", shared, a.Name, a.Pos.Line).Hint = "move one of them, or say overlay: true"
}

// checkNames reports names that a group gives a second time; keys given twice
// are the reader's to find.
func checkNames(points []*pointDraft) {
	seen := make(map[string]*pointDraft, len(points))
	for _, p := range points {
		if o := seen[p.Name]; o != nil && o.Pos != p.Pos {
			p.node.KeyFault("%q is the name of another point too (line %d)", p.Name, o.Pos.Line)
		}
		seen[p.Name] = p
	}
}

// checkTogether reports points that are to be read in one request and cannot
// be: those of one 'together', and a point with its exponent.
func (d *mapDraft) checkTogether(points []*pointDraft) {
	spans := make([]Span, 0, len(points))
	sets := map[string][]*pointDraft{}
	var order []string
	for _, p := range points {
		if p.Derived() {
			continue
		}
		spans = append(spans, p.Span())
		if p.Exponent != nil {
			spans = append(spans, p.Exponent.Span)
		}
		switch name := p.Together; {
		case name != "":
			if sets[name] == nil {
				order = append(order, name)
			}
			sets[name] = append(sets[name], p)
		case p.Exponent != nil:
			order = append(order, "\x00"+p.Name)
			sets["\x00"+p.Name] = []*pointDraft{p}
		}
	}
	if len(order) == 0 {
		return
	}
	layout := NewLayout(spans, d.holes, d.limits)
	for _, name := range order {
		checkSet(layout, sets[name])
	}
}

// checkSet looks whether one request can read a set of points.
func checkSet(layout *Layout, set []*pointDraft) {
	whole := set[0].Needs()
	for _, p := range set {
		at := p.node.Get("together")
		if !at.Present() {
			at = p.scale.Get("exponent")
		}
		s := p.Needs()
		switch {
		case s.Table != whole.Table:
			at.Fault("%s lies in another table than %s, so one request cannot read both", p.Name, set[0].Name)
			return
		case p.Every != set[0].Every:
			at.Fault("%s is read at another period than %s, so not together", p.Name, set[0].Name)
			return
		case p.OnRead:
			at.Fault("%s changes by being read, so it is read alone", p.Name)
			return
		}
		first, end := min(whole.First, s.First), max(whole.End(), s.End())
		whole.First, whole.Count = first, end-int(first)
		if most := layout.MostRead(whole.Table); whole.Count > most {
			at.Fault("%s would take %d addresses in one request, the device allows %d", p.Name, whole.Count, most)
			return
		}
	}
	if !layout.Answers(whole) {
		p := set[len(set)-1]
		p.node.KeyFault("one request for %s would read over addresses that are not mapped", whole).Hint = "raise limits.gap if the device answers them, or map them"
	}
}

// checkReferences warns where five and six digits are mixed in one list: a
// list that grew past 9999 is easily misread.
func checkReferences(points []*pointDraft) {
	var five *pointDraft
	for _, p := range points {
		if p.Reference.Digits == 5 {
			five = p
		}
	}
	for _, p := range points {
		if five != nil && p.Reference.Digits == 6 {
			p.places[0].Warn("six digits here, five at %s (line %d): one list should use one form", five.Name, five.Pos.Line)
			return
		}
	}
}

// pointNames are the names of a map's points, to look up what points name.
type pointNames struct {
	set    map[string]bool
	sorted []string // made for the first hint
	hints  int      // given so far
}

// mostHints is how many unknown names of one file are compared with all known
// ones: beyond it nobody reads, and each costs as much as there are names.
const mostHints = 100

// checkConditions looks up the points that a point's writing names.
func (names *pointNames) checkConditions(p *pointDraft) {
	if p.Derived() {
		for _, input := range p.Formula.Inputs() {
			if !names.set[input] {
				names.unknown(p.derive, input)
			}
		}
	}
	if p.Write == nil {
		return
	}
	if w := p.Write; w.ReadBack != "" && !names.set[w.ReadBack] {
		names.unknown(p.write.Get("read-back"), w.ReadBack)
	}
	for _, c := range p.Write.OnlyWhen {
		if !names.set[c.Point] {
			names.unknown(p.write.Get("only-when").Get(c.Point), c.Point)
		}
	}
}

// unknown reports a name that no point of the map has.
func (names *pointNames) unknown(n doc.Node, name string) {
	f := n.Fault("there is no point %q", name)
	if names.hints++; names.hints > mostHints {
		return
	}
	if names.sorted == nil {
		names.sorted = slices.Sorted(maps.Keys(names.set))
	}
	if near := doc.Near(name, names.sorted); near != "" {
		f.Hint = "did you mean " + near + "?"
	} else if len(names.sorted) <= 12 {
		f.Hint = "points: " + strings.Join(names.sorted, ", ")
	}
}
