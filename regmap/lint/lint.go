// Package lint looks for what is doubtful in a map that has no faults: what can
// be meant and seldom is. Each warning has its rule, its place and one line of
// reason; none of them stops a map from being used.
//
// A warning is worth more than silence only while lists of warnings are read,
// so a rule that would speak of ordinary maps is left out or speaks once a map.
package lint

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// The rules, by their names.
const (
	UnitsMissing  = "units-missing"  // an analogue number without units
	UnitsCode     = "units-code"     // units that are no UCUM code, or one that often stands for another
	LimitsMissing = "limits-missing" // a set-point without min or max
	RangeMissing  = "range-missing"  // a number in units, of which nothing says what it can be
	AlarmOutside  = "alarm-outside"  // an alarm limit outside the range, or that the scale's span never reaches
	WriteOutside  = "write-outside"  // a set-point that may be written beyond its range
	Unscaled      = "unscaled"       // a 16-bit number in units that are seldom whole, with no scale and no decimals
	SignalClipped = "signal-clipped" // a current loop whose failure the register cannot show
	TagUnits      = "tag-units"      // tag letters of one quantity, units of another
	TagType       = "tag-type"       // a switch or alarm that is no bit, a transmitter that is one
	OddPair       = "odd-pair"       // a two-register value at an odd address among even ones
	Holes         = "holes"          // unmapped addresses that one read could bridge and may not
	ReadOnly      = "read-only"      // commands in the names of a map that allows no writing
)

// A Warning is one doubt about a map.
type Warning struct {
	Rule string
	doc.Fault
}

// Map lists what is doubtful in a map, in the order of its file. The points of
// a group are copies of one block: a doubt about it is told once, for the first.
func Map(m *regmap.Map) []Warning {
	l := &linter{m: m, root: doc.Parse(m.File, m.Source, new(doc.Report)), told: map[told]bool{}}
	for i := range m.Points {
		p := &m.Points[i]
		l.units(p)
		l.ranges(p)
		l.limits(p)
		l.alarms(p)
		l.written(p)
		l.unscaled(p)
		l.signal(p)
		l.tag(p)
	}
	l.pairs()
	l.holes()
	l.commands()
	slices.SortStableFunc(l.out, func(a, b Warning) int {
		return cmp.Or(cmp.Compare(a.Pos.Line, b.Pos.Line), cmp.Compare(a.Pos.Column, b.Pos.Column))
	})
	return l.out
}

// linter collects the warnings about one map.
type linter struct {
	m    *regmap.Map
	root doc.Node
	told map[told]bool
	out  []Warning
}

// told is a doubt about one block of the file.
type told struct {
	rule string
	pos  doc.Pos
}

// warn keeps a doubt about a point, at the first of the keys that the point
// has, or at the point. The points of groups have no path; their name begins
// the message.
func (l *linter) warn(rule string, p *regmap.Point, keys []string, hint, format string, args ...any) {
	for i, a := range args {
		if s, ok := a.(string); ok {
			args[i] = clip(s)
		}
	}
	w := Warning{Rule: rule, Fault: doc.Fault{Pos: p.Pos, Message: fmt.Sprintf(format, args...), Hint: hint}}
	word, _, _ := strings.Cut(p.Name, ".") // a named bit stands in its word's block
	n := l.root.Get("points").Get(word)
	if n.Present() {
		w.Path = n.Path()
	} else {
		w.Message = clip(p.Name) + ": " + w.Message
	}
	for _, key := range keys {
		if v := n.Get(key); v.Present() {
			w.Pos, w.Path = v.Pos(), v.Path()
			break
		}
	}
	if t := (told{rule, p.Pos}); !l.told[t] {
		l.told[t] = true
		l.out = append(l.out, w)
	}
}

// longest is the most of a file's text that one message repeats, in bytes.
const longest = 200

// clip cuts a text to a readable length.
func clip(s string) string {
	if len(s) <= longest {
		return s
	}
	return strings.ToValidUTF8(s[:longest], "") + "..."
}
