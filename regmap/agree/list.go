package agree

import (
	"fmt"
	"math/big"
	"slices"
	"sort"
	"strings"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/paper"
)

// Caution stands on the first page of everything that two sides sign.
const Caution = "This list says what registers mean; it is no proof that a device or a panel follows it. Software can start, stop or move " +
	"machinery: before anyone touches the equipment, isolate, lock, tag and prove it dead as the site's procedure requires. Local " +
	"codes, the maker's manual and the site's rules come first; work on live parts belongs to people licensed for it."

// reads and writes are the function codes of each table (V1.1b3, 6.1 to 6.6,
// 6.11, 6.12).
var (
	reads  = map[regmap.Table]byte{regmap.Coil: 1, regmap.DiscreteInput: 2, regmap.InputRegister: 4, regmap.HoldingRegister: 3}
	writes = map[regmap.Table]string{regmap.Coil: "05 or 0F", regmap.HoldingRegister: "06 or 10"}
	heads  = map[regmap.Table]string{regmap.Coil: "Coils", regmap.DiscreteInput: "Discrete inputs",
		regmap.InputRegister: "Input registers", regmap.HoldingRegister: "Holding registers"}
)

// List is the register list of a map: every point by table and address, with
// both of its numbers, how it is read, what it means and how it is asked for.
func List(m *regmap.Map, date time.Time) paper.Document {
	d := head(m, "Register list", date)
	d.Wide = true
	d.Blocks = append(d.Blocks, facts(m))
	for _, t := range regmap.Tables {
		if points := inTable(m, t); len(points) > 0 {
			d.Blocks = append(d.Blocks, paper.Heading{Level: 1, Text: tableHead(t)}, pointRows(m, t, points))
		}
	}
	d.Blocks = append(d.Blocks, derivedRows(m)...)
	d.Blocks = append(d.Blocks, meanings(m)...)
	d.Blocks = append(d.Blocks, memory(m)...)
	d.Blocks = append(d.Blocks, mapRows(m))
	return sign(d, m)
}

// head begins a document about a map.
func head(m *regmap.Map, what string, date time.Time) paper.Document {
	return paper.Document{Title: what + ": " + m.Device, Subtitle: m.About, Revision: m.Revision, Digest: m.Digest.String(), Date: date, Caution: Caution}
}

// sign adds the lines to sign on: those who agreed, and empty ones up to two.
func sign(d paper.Document, m *regmap.Map) paper.Document {
	var lines []paper.Signature
	for _, a := range m.Agreed {
		lines = append(lines, paper.Signature{Name: a.Who, For: a.For, Date: a.Date})
	}
	for len(lines) < 2 {
		lines = append(lines, paper.Signature{})
	}
	d.Blocks = append(d.Blocks, paper.Heading{Level: 1, Text: "Agreed"}, paper.Signatures{Lines: lines})
	return d
}

func facts(m *regmap.Map) paper.Facts {
	l := m.Layout().Limits()
	items := []paper.Fact{
		{Name: "Map dated", Value: m.Date}, {Name: "Author", Value: m.Author},
		{Name: "Points", Value: fmt.Sprint(len(m.Points))},
		{Name: "One read asks for at most", Value: fmt.Sprintf("%d registers or %d bits", l.Registers, l.Coils)},
		{Name: "A read may bridge", Value: fmt.Sprintf("%d unmapped addresses in a row", l.Gap)},
		{Name: "Numbers", Value: "a reference counts from 1, a protocol address from 0; the address is on the wire"},
		{Name: "Order", Value: "A is the most significant byte; ABCD: high word first, CDAB: low word first"},
	}
	kept := items[:0]
	for _, i := range items {
		if i.Value != "" {
			kept = append(kept, i)
		}
	}
	return paper.Facts{Items: kept}
}

func tableHead(t regmap.Table) string {
	s := fmt.Sprintf("%s, read with function %02X", heads[t], reads[t])
	if w := writes[t]; w != "" {
		s += ", written with " + w
	}
	return s
}

// inTable lists the points of a table in order of address.
func inTable(m *regmap.Map, t regmap.Table) (out []*regmap.Point) {
	for i := range m.Points {
		if p := &m.Points[i]; p.Table == t {
			out = append(out, p)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Address < out[j].Address })
	return out
}

// pointColumns are the columns of the list with what stands in them; those
// that no point of a map has are left out of all its tables.
var pointColumns = []struct {
	paper.Column
	always bool
	entry  func(*regmap.Point) paper.Entry
}{
	{paper.Column{Head: "Reference"}, true, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: numbersOf(p.Span()), Mono: true} }},
	{paper.Column{Head: "Address", Align: paper.AlignRight}, true, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: fmt.Sprint(p.Address), Number: true} }},
	{paper.Column{Head: "Name"}, true, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: p.Name} }},
	{paper.Column{Head: "Tag"}, false, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: p.Tag} }},
	{paper.Column{Head: "Type"}, true, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: typeOf(p)} }},
	{paper.Column{Head: "Scale", Weight: 2}, false, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: p.Scale.Words(p.Exponent)} }},
	{paper.Column{Head: "Units"}, false, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: p.Units} }},
	{paper.Column{Head: "Limits", Weight: 3.5}, false, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: limitsOf(p)} }},
	{paper.Column{Head: "Access"}, true, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: accessOf(p)} }},
	{paper.Column{Head: "Asked for with"}, true, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: request(p), Mono: true} }},
	{paper.Column{Head: "About", Weight: 3}, false, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: p.About} }},
	{paper.Column{Head: "Also", Weight: 1.5}, false, func(p *regmap.Point) paper.Entry { return paper.Entry{Text: alsoOf(p)} }},
}

// pointRows is one table of the list.
func pointRows(m *regmap.Map, table regmap.Table, points []*regmap.Point) paper.Table {
	t := paper.Table{Sheet: heads[table]}
	var entries []func(*regmap.Point) paper.Entry
	for _, c := range pointColumns {
		if c.always || slices.ContainsFunc(m.Points, func(p regmap.Point) bool { return !p.Derived() && c.entry(&p).Text != "" }) {
			t.Columns, entries = append(t.Columns, c.Column), append(entries, c.entry)
		}
	}
	for _, p := range points {
		var row []paper.Entry
		for _, entry := range entries {
			row = append(row, entry(p))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// numbersOf are the traditional references of a span.
func numbersOf(s regmap.Span) string {
	first := regmap.ReferenceOf(s.Table, s.First)
	if s.Count <= 1 {
		return first.String()
	}
	last := regmap.ReferenceOf(s.Table, s.Last())
	first.Digits = last.Digits // 409999-410000, not 49999-410000
	return first.String() + "-" + last.String()
}

// typeOf is type and order, with the bit of a bool and the length of a string.
func typeOf(p *regmap.Point) string {
	s := typeWords(p)
	switch {
	case p.Type == regmap.TypeString:
		s += fmt.Sprintf(" of %d", p.Length)
	case p.Part.Width == 1:
		s += fmt.Sprintf(", bit %d", p.Part.Low)
	}
	if p.Inverse {
		s += ", active when 0"
	}
	if p.Signal {
		s += ", 4-20 mA"
	}
	if p.Counter {
		s += ", counter"
	}
	return s
}

// limitsOf is alarm limits, 'no value' words, what the quantity can be and the
// limits of writing.
func limitsOf(p *regmap.Point) string {
	var out []string
	switch {
	case p.Alarm != nil:
		out = append(out, "alarm: "+alarmWords(p))
	case p.AlarmBit:
		out = append(out, "alarm when active")
	}
	if len(p.Absent) > 0 {
		out = append(out, "no value: "+hexWords(p.Absent))
	}
	if r := rangeWords(p.Range); r != "" {
		out = append(out, "range "+r)
	}
	if w := p.Write; w != nil && (w.Min != nil || w.Max != nil) {
		out = append(out, "set-point"+bound(" from ", w.Min)+bound(" to ", w.Max))
	}
	return strings.Join(out, "; ")
}

// rangeWords is what a quantity can be.
func rangeWords(r *regmap.Range) string {
	if r == nil {
		return ""
	}
	return "from " + regmap.Digits(r.Low) + " to " + regmap.Digits(r.High)
}

func bound(word string, r *big.Rat) string {
	if r == nil {
		return ""
	}
	return word + regmap.Digits(r)
}

func accessOf(p *regmap.Point) string {
	switch {
	case p.OnRead:
		return "read, changes by it"
	case p.Write == nil:
		return "read"
	case p.Write.Hold > 0:
		return "read, pulse of " + p.Write.Hold.String()
	}
	return "read, write"
}

// request is the bytes that ask for the point alone, from the function code
// on, without unit and checksum.
func request(p *regmap.Point) string {
	s := p.Span()
	return fmt.Sprintf("%02X %02X %02X %02X %02X", reads[p.Table], byte(s.First>>8), byte(s.First), byte(s.Count>>8), byte(s.Count))
}

// derivedRows is the points that are worked out of others.
func derivedRows(m *regmap.Map) []paper.Piece {
	t := paper.Table{Sheet: "Worked out", Columns: []paper.Column{{Head: "Name"}, {Head: "Tag"}, {Head: "Worked out of", Weight: 2}, {Head: "Units"}, {Head: "Limits", Weight: 1}, {Head: "About", Weight: 2}}}
	for i := range m.Points {
		if p := &m.Points[i]; p.Derived() {
			t.Rows = append(t.Rows, []paper.Entry{{Text: p.Name}, {Text: p.Tag}, {Text: p.Formula.String(), Mono: true}, {Text: p.Units}, {Text: limitsOf(p)}, {Text: p.About}})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return []paper.Piece{paper.Heading{Level: 1, Text: "Worked out of other points"}, t}
}

// meanings is the named bits of words and the names of numbers.
func meanings(m *regmap.Map) (out []paper.Piece) {
	bits := paper.Table{Sheet: "Bits", Columns: []paper.Column{{Head: "Reference"}, {Head: "Bits", Align: paper.AlignRight}, {Head: "Name"}, {Head: "Means"}, {Head: "About", Weight: 1}}}
	values := paper.Table{Sheet: "Names of numbers", Columns: []paper.Column{{Head: "Name"}, {Head: "Number", Align: paper.AlignRight}, {Head: "Means", Weight: 1}}}
	for p := range m.Readings {
		if p.Part.Width > 0 && strings.Contains(p.Name, ".") {
			bits.Rows = append(bits.Rows, []paper.Entry{{Text: regmap.ReferenceOf(p.Table, p.Address).String(), Mono: true}, {Text: bitsOf(p)}, {Text: p.Name}, {Text: bitMeans(p)}, {Text: p.About}})
		}
		for _, v := range p.Values {
			values.Rows = append(values.Rows, []paper.Entry{{Text: p.Name}, {Text: regmap.Digits(v.Value), Number: true}, {Text: v.Name}})
		}
	}
	if len(bits.Rows) > 0 {
		out = append(out, paper.Heading{Level: 1, Text: "Bits, 0 the least significant"}, bits)
	}
	if len(values.Rows) > 0 {
		out = append(out, paper.Heading{Level: 1, Text: "Names of numbers"}, values)
	}
	return out
}

func bitsOf(p *regmap.Point) string {
	if p.Part.Width == 1 {
		return fmt.Sprint(p.Part.Low)
	}
	return fmt.Sprintf("%d-%d", p.Part.Low, p.Part.Low+p.Part.Width-1)
}

func bitMeans(p *regmap.Point) string {
	if p.Type == regmap.TypeBits {
		return fmt.Sprintf("a number of %d bits", p.Part.Width)
	}
	s := polarity(p)
	if p.AlarmBit {
		s += ", an alarm"
	}
	return s
}
