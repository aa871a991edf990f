package agree

import (
	"fmt"
	"math/big"
	"slices"
	"sort"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// Weight says what a difference does to someone who has the older list. The
// zero Weight is not valid.
type Weight uint8

// The weights, heaviest first.
const (
	Breaks  Weight = iota + 1 // reads or writes go wrong: another place, type, order, scale, meaning
	Touches                   // limits, alarms, periods, what may be written
	Words                     // names and texts; nothing on the wire
)

// String is "breaks", "touches" or "words".
func (w Weight) String() string {
	switch w {
	case Breaks:
		return "breaks"
	case Touches:
		return "touches"
	case Words:
		return "words"
	}
	return fmt.Sprintf("weight(%d)", uint8(w))
}

// A Difference is one thing in which two maps differ.
type Difference struct {
	Weight Weight
	Point  string // its name in the newer map, else in the older; "" for the map itself
	What   string // the key, or "added", "removed", "renamed"
	Old    string // as written or worked out; "" where there is none
	New    string
	OldPos doc.Pos
	NewPos doc.Pos
}

// String is the difference in words.
func (d Difference) String() string {
	subject := d.Point
	if subject == "" {
		subject = "the map"
	}
	switch {
	case d.What == "added":
		return fmt.Sprintf("%s is new: %s", subject, d.New)
	case d.What == "removed":
		return fmt.Sprintf("%s is gone; it was %s", subject, d.Old)
	case d.What == "renamed":
		return fmt.Sprintf("%s was called %s", d.New, d.Old)
	case d.Old == "":
		return fmt.Sprintf("%s: %s is now %s", subject, d.What, d.New)
	case d.New == "":
		return fmt.Sprintf("%s: %s is gone; it was %s", subject, d.What, d.Old)
	}
	return fmt.Sprintf("%s: %s was %s and is now %s", subject, d.What, d.Old, d.New)
}

// Compare lists every difference between an older and a newer map, the
// breaking ones first, each group in the order of the newer map. A point that
// kept place, type and order and changed its name only is renamed.
func Compare(older, newer *regmap.Map) []Difference {
	var out []Difference
	add := func(d Difference) { out = append(out, d) }
	compareHeads(older, newer, add)
	renamed := renames(older, newer)
	for p := range newer.Readings {
		o := older.Point(p.Name)
		if was, ok := renamed[p.Name]; ok {
			o = older.Point(was)
			add(Difference{Weight: Words, Point: p.Name, What: "renamed", Old: was, New: p.Name, OldPos: o.Pos, NewPos: p.Pos})
		}
		if o == nil {
			add(Difference{Weight: Touches, Point: p.Name, What: "added", New: place(p), NewPos: p.Pos})
			continue
		}
		comparePoints(o, p, add)
	}
	for o := range older.Readings {
		if newer.Point(o.Name) == nil && !isRenamed(renamed, o.Name) {
			add(Difference{Weight: Breaks, Point: o.Name, What: "removed", Old: place(o), OldPos: o.Pos})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Weight < out[j].Weight })
	return out
}

func isRenamed(renamed map[string]string, was string) bool {
	for _, w := range renamed {
		if w == was {
			return true
		}
	}
	return false
}

// renames finds points that are the same in everything but their name, by the
// newer name. Only a place that one point has on both sides counts.
func renames(older, newer *regmap.Map) map[string]string {
	at := map[string][]string{}
	for o := range older.Readings {
		if newer.Point(o.Name) == nil {
			at[place(o)] = append(at[place(o)], o.Name)
		}
	}
	taken := map[string]int{}
	for p := range newer.Readings {
		if older.Point(p.Name) == nil {
			taken[place(p)]++
		}
	}
	out := map[string]string{}
	for p := range newer.Readings {
		if was := at[place(p)]; older.Point(p.Name) == nil && len(was) == 1 && taken[place(p)] == 1 {
			out[p.Name] = was[0]
		}
	}
	return out
}

// place is where a point lies and how it is read.
func place(p *regmap.Point) string {
	if p.Derived() {
		return "worked out of " + p.Formula.String()
	}
	s := fmt.Sprintf("%s %s", p.Table, p.Span())
	if part := p.Part; part.Width == 1 {
		s += fmt.Sprintf(" bit %d", part.Low)
	} else if part.Width > 1 {
		s += fmt.Sprintf(" bits %d-%d", part.Low, part.Low+part.Width-1)
	}
	return s + " " + typeWords(p)
}

func typeWords(p *regmap.Point) string {
	if p.Type == regmap.TypeString { // its bytes are swapped or not; no words
		return strings.TrimSuffix(p.Type.String()+" "+(p.Order&regmap.BytesSwapped).Letters(1), " AB")
	}
	if letters := p.Order.Letters(p.Count); p.Count > 1 && letters != "" {
		return p.Type.String() + " " + letters
	}
	if p.Order != regmap.ABCD && !p.Table.Bits() {
		return p.Type.String() + " BA"
	}
	return p.Type.String()
}

func compareHeads(older, newer *regmap.Map, add func(Difference)) {
	for _, row := range []struct {
		weight        Weight
		what, old, of string
	}{
		{Words, "device", older.Device, newer.Device}, {Words, "about", older.About, newer.About},
		{Words, "revision", older.Revision, newer.Revision}, {Words, "date", older.Date, newer.Date}, {Words, "author", older.Author, newer.Author},
		{Touches, "limits", limitWords(older), limitWords(newer)},
	} {
		if row.old != row.of {
			add(Difference{Weight: row.weight, What: row.what, Old: row.old, New: row.of})
		}
	}
}

func limitWords(m *regmap.Map) string {
	l := m.Layout().Limits()
	return fmt.Sprintf("%d registers, %d bits, gap %d", l.Registers, l.Coils, l.Gap)
}

// comparePoints compares the same point of both maps.
func comparePoints(o, p *regmap.Point, add func(Difference)) {
	row := func(w Weight, what, old, of string) {
		if old != of {
			add(Difference{Weight: w, Point: p.Name, What: what, Old: old, New: of, OldPos: o.Pos, NewPos: p.Pos})
		}
	}
	row(Breaks, "place", place(o), place(p))
	row(Breaks, "polarity", polarity(o), polarity(p))
	row(Breaks, "scale", scaleWords(o), scaleWords(p))
	row(Breaks, "signal", signalWords(o), signalWords(p))
	row(Breaks, "units", o.Units, p.Units)
	row(Breaks, "absent", hexWords(o.Absent), hexWords(p.Absent))
	row(Breaks, "values", valueWords(o), valueWords(p))
	row(Breaks, "changes-on-read", yes(o.OnRead), yes(p.OnRead))
	if o.Writable() && !p.Writable() {
		row(Breaks, "write", "allowed", "not allowed")
	} else {
		row(Touches, "write", writeWords(o.Write), writeWords(p.Write))
	}
	row(Touches, "range", rangeWords(o.Range), rangeWords(p.Range))
	row(Touches, "alarm", alarmWords(o), alarmWords(p))
	row(Touches, "counter", yes(o.Counter), yes(p.Counter))
	row(Touches, "every", o.Every.String(), p.Every.String())
	row(Touches, "together", o.Together, p.Together)
	row(Touches, "heartbeat", o.Heartbeat.String(), p.Heartbeat.String())
	row(Touches, "changes-within", o.Within.String(), p.Within.String())
	row(Touches, "overlay", yes(o.Overlay), yes(p.Overlay))
	row(Words, "decimals", fmt.Sprint(o.Decimals), fmt.Sprint(p.Decimals))
	row(Words, "tag", o.Tag, p.Tag)
	row(Words, "about", o.About, p.About)
	row(Words, "terminal", o.Terminal, p.Terminal)
	row(Words, "owner", o.Owner, p.Owner)
}

func yes(on bool) string {
	if on {
		return "true"
	}
	return ""
}

func polarity(p *regmap.Point) string {
	if p.Inverse {
		return "active when 0"
	}
	return "active when 1"
}

func signalWords(p *regmap.Point) string {
	if p.Signal {
		return "4-20mA"
	}
	return ""
}

// scaleWords is a scale in the words of a map file; "" for none.
func scaleWords(p *regmap.Point) string {
	if !p.Type.Number() || p.Derived() {
		return ""
	}
	return p.Scale.Words(p.Exponent)
}

func hexWords(values []uint64) string {
	var out []string
	for _, v := range values {
		out = append(out, fmt.Sprintf("0x%X", v))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func valueWords(p *regmap.Point) string {
	var out []string
	for _, v := range p.Values {
		out = append(out, v.Value.RatString()+" "+v.Name)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

func number(name string, r *big.Rat) string {
	if r == nil {
		return ""
	}
	return ", " + name + " " + regmap.Digits(r)
}

func writeWords(w *regmap.Write) string {
	if w == nil {
		return ""
	}
	s := "allowed" + number("min", w.Min) + number("max", w.Max) + number("step", w.Step)
	if w.Hold > 0 {
		s += ", held " + w.Hold.String()
	}
	if w.Function > 0 {
		s += fmt.Sprintf(", function %d", w.Function)
	}
	if w.By != "" {
		s += ", by " + w.By
	}
	for _, c := range w.OnlyWhen {
		s += fmt.Sprintf(", only when %s is %s", c.Point, c.Value)
	}
	if w.ReadBack != "" {
		s += ", read back from " + w.ReadBack
	}
	return s + ", beyond limits: " + regmap.OutsideNames[w.Outside]
}

func alarmWords(p *regmap.Point) string {
	a := p.Alarm
	if a == nil {
		return yes(p.AlarmBit)
	}
	s := number("high-high", a.HighHigh) + number("high", a.High) + number("low", a.Low) + number("low-low", a.LowLow) + number("deadband", a.Deadband)
	if a.Delay > 0 {
		s += ", delay " + a.Delay.String()
	}
	if a.OffDelay > 0 {
		s += ", off-delay " + a.OffDelay.String()
	}
	if a.Latch {
		s += ", latch"
	}
	return strings.TrimPrefix(s, ", ")
}
