package agree

import (
	"fmt"
	"math/big"
	"slices"
	"sort"
	"strings"
	"time"

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
	Was    string // its name in the older map; "" for one that is new
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
			add(Difference{Weight: Words, Point: p.Name, Was: was, What: "renamed", Old: was, New: p.Name, OldPos: o.Pos, NewPos: p.Pos})
		}
		if o == nil {
			add(Difference{Weight: Touches, Point: p.Name, What: "added", New: place(p), NewPos: p.Pos})
			continue
		}
		comparePoints(o, p, add)
	}
	for o := range older.Readings {
		if newer.Point(o.Name) == nil && !isRenamed(renamed, o.Name) {
			add(Difference{Weight: Breaks, Point: o.Name, Was: o.Name, What: "removed", Old: place(o), OldPos: o.Pos})
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

// renames finds points that lie at the same place under another name, by the
// newer name: first those that are read the same way too, then those of one
// address and bit. Only a place that one point has on both sides counts.
func renames(older, newer *regmap.Map) map[string]string {
	out := map[string]string{}
	for _, where := range []func(*regmap.Point) string{place, spot} {
		at, taken := map[string][]string{}, map[string]int{}
		for o := range older.Readings {
			if newer.Point(o.Name) == nil && !isRenamed(out, o.Name) {
				at[where(o)] = append(at[where(o)], o.Name)
			}
		}
		for p := range newer.Readings {
			if older.Point(p.Name) == nil && out[p.Name] == "" {
				taken[where(p)]++
			}
		}
		for p := range newer.Readings {
			if was := at[where(p)]; older.Point(p.Name) == nil && out[p.Name] == "" && len(was) == 1 && taken[where(p)] == 1 {
				out[p.Name] = was[0]
			}
		}
	}
	return out
}

// spot is the table, address and bit that a point begins at.
func spot(p *regmap.Point) string {
	if p.Derived() {
		return place(p)
	}
	return fmt.Sprint(p.Table, " ", p.Address, " ", p.Part.Low, p.Part.Width)
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

// pointKeys are what two points are compared by; "" where a point says nothing.
var pointKeys = []struct {
	weight Weight
	what   string
	words  func(*regmap.Point) string
}{
	{Breaks, "place", place},
	{Breaks, "polarity", polarity},
	{Breaks, "scale", scaleWords},
	{Breaks, "signal", signalWords},
	{Breaks, "units", func(p *regmap.Point) string { return p.Units }},
	{Breaks, "absent", func(p *regmap.Point) string { return hexWords(p.Absent) }},
	{Breaks, "values", valueWords},
	{Breaks, "changes-on-read", func(p *regmap.Point) string { return yes(p.OnRead) }},
	{Touches, "write", func(p *regmap.Point) string { return writeWords(p.Write) }},
	{Touches, "range", func(p *regmap.Point) string { return rangeWords(p.Range) }},
	{Touches, "alarm", alarmWords},
	{Touches, "counter", func(p *regmap.Point) string { return yes(p.Counter) }},
	{Touches, "every", func(p *regmap.Point) string { return lasting(p.Every) }},
	{Touches, "together", func(p *regmap.Point) string { return p.Together }},
	{Touches, "heartbeat", func(p *regmap.Point) string { return lasting(p.Heartbeat) }},
	{Touches, "changes-within", func(p *regmap.Point) string { return lasting(p.Within) }},
	{Touches, "overlay", func(p *regmap.Point) string { return yes(p.Overlay) }},
	{Words, "decimals", decimalWords},
	{Words, "tag", func(p *regmap.Point) string { return p.Tag }},
	{Words, "about", func(p *regmap.Point) string { return p.About }},
	{Words, "terminal", func(p *regmap.Point) string { return p.Terminal }},
	{Words, "owner", func(p *regmap.Point) string { return p.Owner }},
}

// comparePoints compares the same point of both maps.
func comparePoints(o, p *regmap.Point, add func(Difference)) {
	for _, k := range pointKeys {
		d := Difference{Weight: k.weight, Point: p.Name, Was: o.Name, What: k.what, Old: k.words(o), New: k.words(p), OldPos: o.Pos, NewPos: p.Pos}
		if k.what == "write" && o.Writable() && !p.Writable() {
			d.Weight, d.Old, d.New = Breaks, "allowed", "not allowed"
		}
		if d.Old != d.New {
			add(d)
		}
	}
}

// Unsaid are the keys of points of which a map says nothing at all: a list
// without a column for alarms does not take alarms away. "bits" stands for
// named bits, "derive" for points worked out of others.
func Unsaid(m *regmap.Map) (keys []string) {
	said := map[string]bool{}
	for p := range m.Readings {
		for _, k := range pointKeys {
			said[k.what] = said[k.what] || k.words(p) != "" && (k.what != "polarity" || p.Inverse)
		}
		said["bits"] = said["bits"] || len(p.Fields) > 0
		said["derive"] = said["derive"] || p.Derived()
	}
	for _, k := range pointKeys {
		if !said[k.what] {
			keys = append(keys, k.what)
		}
	}
	for _, what := range []string{"bits", "derive"} {
		if !said[what] {
			keys = append(keys, what)
		}
	}
	return keys
}

// Without leaves out the differences that rest on keys which one side, the
// newer or the older, does not say. dropped are those of the keys of which the
// other side says something.
func Without(differences []Difference, unsaid []string, newer bool) (kept []Difference, dropped []string) {
	for _, d := range differences {
		what, has := d.What, d.Old
		if !newer {
			has = d.New
		}
		lone := d.What == "removed" && newer || d.What == "added" && !newer
		switch {
		case lone && strings.Contains(d.Point, "."):
			what = "bits"
		case lone && strings.HasPrefix(has, "worked out of"):
			what = "derive"
		case lone || d.Point == "":
			what = ""
		}
		if !slices.Contains(unsaid, what) {
			kept = append(kept, d)
			continue
		}
		if !slices.Contains(dropped, what) {
			dropped = append(dropped, what)
		}
	}
	slices.Sort(dropped)
	return kept, dropped
}

func lasting(d time.Duration) string {
	if d == 0 {
		return ""
	}
	return d.String()
}

func decimalWords(p *regmap.Point) string {
	if p.Decimals < 0 {
		return ""
	}
	return fmt.Sprint(p.Decimals)
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
