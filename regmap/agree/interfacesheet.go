package agree

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/misread"
	"plumbline/regmap/paper"
)

// Interface is the interface sheet of a map: for every type and order that it
// uses, one worked example with a value that is not plain, its registers, its
// bytes on the wire, and what each wrong reading would show. Two sides can
// settle word order, signs and scales with it before anything is wired.
func Interface(m *regmap.Map, date time.Time) paper.Document {
	d := head(m, "Interface sheet", date)
	d.Blocks = append(d.Blocks, paper.Paragraph{Text: "One example for every way in which this list stores a value. Put the registers into the station, read them with the panel, " +
		"and compare: what the panel shows names the fault. A reading that shows the same here cannot be told apart by this example."})
	seen := map[string]bool{}
	for i := range m.Points {
		p := &m.Points[i]
		if p.Derived() || p.Type == regmap.TypeBool && p.Table.Bits() {
			continue
		}
		if kind := exampleKind(p); !seen[kind] {
			seen[kind] = true
			d.Blocks = append(d.Blocks, example(p)...)
		}
	}
	return sign(d, m)
}

// exampleKind is what makes two points need two examples.
func exampleKind(p *regmap.Point) string {
	return typeWords(p) + " " + p.Scale.Words(p.Exponent)
}

// example works one point through.
func example(p *regmap.Point) []paper.Piece {
	registers := newRegisters(p)
	raw, _ := p.Raw(registers)
	v := p.Value(registers)
	out := []paper.Piece{
		paper.Heading{Level: 1, Text: fmt.Sprintf("%s, at %s", typeOf(p), p.Name)},
		paper.Facts{Items: []paper.Fact{
			{Name: "Registers", Value: fmt.Sprintf("%s hold %s", p.Span(), hexOf(raw)), Mono: true},
			{Name: "Bytes", Value: bytesOf(raw), Mono: true},
			{Name: "How", Value: howOf(p, raw, v, registers)},
			{Name: "Shown", Value: strings.TrimSpace(p.Shown(v) + " " + p.Units)},
		}},
	}
	if p.Exponent != nil {
		e, _ := registers.AppendRaw(nil, p.Exponent.Span)
		facts := out[1].(paper.Facts)
		facts.Items = append(facts.Items, paper.Fact{Name: "Exponent", Value: fmt.Sprintf("%s holds %d", p.Exponent.Span, int16(e[0]))})
		out[1] = facts
	}
	t := paper.Table{Columns: []paper.Column{{Head: "Change"}, {Head: "Read as", Weight: 2}, {Head: "Shows", Align: paper.AlignPoint}}}
	same := 0
	var ends []misread.Misreading
	for _, r := range misread.Readings(p) {
		shown := r.Point.Shown(r.Value(registers))
		if shown == p.Shown(v) {
			same++
			continue
		}
		if otherValues(p, r) {
			ends = append(ends, r)
			continue
		}
		t.Rows = append(t.Rows, []paper.Entry{{Text: r.Change}, {Text: r.Words}, {Text: shown}})
	}
	if len(t.Rows) > 0 {
		out = append(out, t)
	}
	if len(ends) > 0 {
		out = append(out, paper.Paragraph{Text: endsWords(p, ends, registers)})
	}
	if same > 0 {
		out = append(out, paper.Paragraph{Text: fmt.Sprintf("%d wrong readings show the same here.", same)})
	}
	return out
}

// otherValues says whether a misreading differs in the ends of the values
// alone; there are so many that one sentence stands for them.
func otherValues(p *regmap.Point, r misread.Misreading) bool {
	a, b, _, _, ok := p.Scale.Span()
	x, y, _, _, too := r.Point.Scale.Span()
	return r.Change == misread.Span && ok && too && a.Cmp(x) == 0 && b.Cmp(y) == 0
}

// endsWords is what wrong ends of the values show, with one of them, beyond
// the right one where there is one, as the example.
func endsWords(p *regmap.Point, ends []misread.Misreading, c regmap.Contents) string {
	_, _, _, right, _ := p.Scale.Span()
	example := ends[len(ends)-1]
	for _, r := range ends {
		if _, _, _, high, _ := r.Point.Scale.Span(); high.Cmp(right) > 0 {
			example = r
			break
		}
	}
	return fmt.Sprintf("%s: %d wrong ends of the values show the same share of another span; with %s it shows %s.",
		misread.Span, len(ends), example.Words, strings.TrimSpace(example.Point.Shown(example.Value(c))+" "+p.Units))
}

func hexOf(raw []uint16) string {
	var out []string
	for _, w := range raw {
		out = append(out, fmt.Sprintf("%04X", w))
	}
	return strings.Join(out, " ")
}

// bytesOf is registers as sent: high byte first (V1.1b3, 4.2).
func bytesOf(raw []uint16) string {
	var out []string
	for _, w := range raw {
		out = append(out, fmt.Sprintf("%02X %02X", w>>8, w&0xFF))
	}
	return strings.Join(out, " ")
}

func howOf(p *regmap.Point, raw []uint16, v regmap.Value, c regmap.Contents) string {
	if fixed, cause := p.Fixed(c); cause == regmap.NoCause {
		p = fixed
	}
	s := p.Steps(raw, v)
	return strings.TrimSpace(s.Number + "   " + s.Scale)
}

// registers is contents for an example: the point's own, and around it numbers
// that cannot be taken for it.
type registers struct {
	point *regmap.Point
	own   []uint16
}

// AppendRaw gives the point's registers where they lie; any other address holds
// a number of its own.
func (r *registers) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	for a := int(s.First); a < s.End(); a++ {
		at := a - int(r.point.Address)
		e := r.point.Exponent
		switch {
		case s.Table == r.point.Table && at >= 0 && at < len(r.own):
			dst = append(dst, r.own[at])
		case e != nil && s.Table == e.Span.Table && a == int(e.Span.First):
			dst = append(dst, 0xFFFF) // power -1
		case s.Table.Bits():
			dst = append(dst, uint16(a&1))
		default:
			dst = append(dst, uint16(a)*0x0B3D+0x2719+uint16(s.Table)*0x1005)
		}
	}
	return dst, true
}

// exampleBytes have four or eight bytes that differ, so that every order shows
// another number; 123.456 is 42 F6 E9 79 (IEEE 754-2008, 3.4).
var exampleBytes = map[regmap.Type]string{
	regmap.TypeInt16: "-1234", regmap.TypeUint16: "4660", regmap.TypeInt32: "-123456", regmap.TypeUint32: "16909060",
	regmap.TypeInt64: "-1311768467463790320", regmap.TypeUint64: "72623859790382856", regmap.TypeFloat32: "123.456", regmap.TypeFloat64: "123.456",
	regmap.TypeSignMag16: "-1234", regmap.TypeBCD16: "1234", regmap.TypeBCD32: "12345678", regmap.TypeDecimalPair: "123456",
}

// newRegisters chooses the example's contents: the type's own example number,
// or where there is a span, a number about two thirds up the span.
func newRegisters(p *regmap.Point) *registers {
	r := &registers{point: p}
	switch {
	case p.Type == regmap.TypeString:
		text := (strings.Repeat("PUMP01ABCDEF", 1+p.Length/12))[:p.Length]
		r.own, _ = p.AppendRaw(nil, regmap.TextValue(text), nil) // it fits its length
	case p.Type == regmap.TypeBits || p.Type == regmap.TypeBool:
		for i := range p.Count {
			r.own = append(r.own, 0x1A35+uint16(i)*0x2111)
		}
	default:
		r.own = numberRegisters(p)
	}
	return r
}

func numberRegisters(p *regmap.Point) []uint16 {
	plain := *p
	plain.Scale, plain.Exponent, plain.Signal, plain.Absent = regmap.Scale{}, nil, false, nil
	want, _ := new(big.Rat).SetString(exampleBytes[p.Type])
	if a, b, _, _, ok := p.Scale.Span(); ok {
		want = new(big.Rat).Sub(b, a)
		want.Mul(want, big.NewRat(647, 1000))
		want.Add(want, a)
	}
	own, err := plain.AppendRaw(nil, regmap.ExactValue(want), nil)
	if err != nil { // cannot be: every example fits its type, and spans are checked
		return make([]uint16, p.Count)
	}
	return own
}
