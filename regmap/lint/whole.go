package lint

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
)

// pairs: among values of two registers at even addresses, one at an odd
// address is most often off by one. The even ones must be at least three times
// as many, and two.
func (l *linter) pairs() {
	for _, t := range regmap.Tables {
		var odd []*regmap.Point
		even := 0
		for i := range l.m.Points {
			p := &l.m.Points[i]
			switch {
			case p.Table != t || p.Count != 2 || p.Type == regmap.TypeString:
			case p.Address%2 == 0:
				even++
			default:
				odd = append(odd, p)
			}
		}
		if even < 2 || even < 3*len(odd) {
			continue
		}
		for _, p := range odd {
			l.warn(OddPair, p, []string{t.String(), "reference"}, "", "two registers at the odd address %d, where %d others begin at even ones", p.Address, even)
		}
	}
}

// worth is the longest run of unmapped items that is cheaper to read than to
// leave out: another RTU request costs 8 + 5 characters and two gaps of 3.5,
// as much as 10 registers or 160 bits.
// Source: serial guide V1.02, 2.5.1.1 (gap of 3.5 characters); V1.1b3, 6.1 and
// 6.3 (length of request and answer).
func worth(t regmap.Table) int {
	if t.Bits() {
		return 160
	}
	return 10
}

// holes: runs of unmapped addresses beyond the gap that a read would better
// bridge. A gap of 0 that is written down is the device's and no oversight.
func (l *linter) holes() {
	layout := l.m.Layout()
	gap := layout.Limits().Gap
	if gap == 0 && l.root.Get("limits").Get("gap").Present() {
		return
	}
	count, widest := 0, 0
	var first *regmap.Point
	what := ""
	for _, t := range regmap.Tables {
		mapped := layout.Mapped(t)
		for i := 1; i < len(mapped); i++ {
			end := mapped[i-1].End()
			hole := regmap.Span{Table: t, First: regmap.Address(end), Count: int(mapped[i].First) - end}
			if hole.Count <= gap || hole.Count > worth(t) || layout.InHole(hole) {
				continue
			}
			count, widest = count+1, max(widest, hole.Count)
			if first == nil {
				first, what = l.at(t, mapped[i].First), hole.String()
			}
		}
	}
	if first == nil {
		return
	}
	more := ""
	if count > 1 {
		more = fmt.Sprintf(", and %d more like it", count-1)
	}
	hint := fmt.Sprintf("say limits: {gap: %d} if the device answers there, limits: {gap: 0} or holes if it does not", widest)
	l.warn(Holes, first, nil, hint, "%s before it is unmapped and splits a read%s", what, more)
}

// at is the first point of a table that begins at an address.
func (l *linter) at(t regmap.Table, a regmap.Address) *regmap.Point {
	for i := range l.m.Points {
		if p := &l.m.Points[i]; p.Table == t && p.Address == a && !p.Derived() {
			return p
		}
	}
	return nil
}

// commandWords are words that name a command or a set-point.
var commandWords = []string{"start", "stop", "reset", "enable", "disable", "set", "acknowledge", "open", "close", "command"}

// commands: a map that lets nothing be written and has names of commands in
// tables that can be written has most often lost its write keys.
func (l *linter) commands() {
	var found []*regmap.Point
	var names []string
	for p := range l.m.Readings {
		if p.Writable() {
			return
		}
		if p.Derived() || !p.Table.Writable() {
			continue
		}
		words := strings.FieldsFunc(p.Name, func(r rune) bool { return r == '-' || r == '.' })
		if slices.ContainsFunc(words, func(w string) bool { return slices.Contains(commandWords, w) }) {
			found, names = append(found, p), append(names, p.Name)
		}
	}
	if len(found) == 0 {
		return
	}
	const most = 3
	list := strings.Join(names[:min(len(names), most)], ", ")
	if len(names) > most {
		list += fmt.Sprintf(" and %d more", len(names)-most)
	}
	l.warn(ReadOnly, found[0], nil, "give write to what the panel writes", "the map allows no writing, and has the names of commands: %s", list)
}
