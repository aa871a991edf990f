// Package misread lists every plausible wrong reading of a point: the same
// registers taken one address beside, in another order, type or scale, each
// with the single change to the map that makes it. The interface sheet, the
// test pattern, the repair of maps and the detail pane all ask here, so that
// one mistake has one name everywhere.
//
// It judges nothing: which reading explains what was seen is for the diagnosis.
// Derived points have no registers and so no misreadings, and a strapping table
// keeps its scale.
package misread

import (
	"fmt"

	"plumbline/regmap"
)

// The changes, by the names that diagnoses and files use.
const (
	AddressOffByOne = "address-off-by-one" // address one lower or higher
	Table           = "table"              // the other register table, or the other bit table
	WordOrder       = "word-order"         // words reversed
	ByteOrder       = "byte-order"         // bytes of each word exchanged
	Signedness      = "signedness"         // signed, unsigned or sign-magnitude of the same width
	ScaleFactor     = "scale-factor"       // the gain by a power of ten
	Span            = "span"               // another raw span for the same values, or the reverse
	IntOrFloat      = "int-or-float"       // integer and float of the same width
	BCD             = "bcd"                // binary and decimal coding of the same width
	HalfOfPair      = "half-of-pair"       // 16 bits where a 32-bit integer is, or the reverse
	BitIndex        = "bit-index"          // another bit of the same register
	LiveZero        = "live-zero"          // a span: the 4 mA of a signal not taken off, or taken off twice
	Root            = "root"               // square root not taken, or taken where there is none
	Units           = "units"              // a number in the units of another system
)

// Changes lists the names of all changes; a point's misreadings come in this
// order.
var Changes = []string{AddressOffByOne, Table, WordOrder, ByteOrder, Signedness, ScaleFactor, LiveZero, Span,
	IntOrFloat, BCD, HalfOfPair, BitIndex, Root, Units}

// A Misreading is one wrong way to read a point.
type Misreading struct {
	Change string       // what differs, one of Changes
	Point  regmap.Point // the point as misread, complete
	Words  string       // the same for people: "words in the order CDAB, not ABCD"
}

// Value is what the misreading shows. The failure limits of a 4-20 mA signal
// are left aside: who misreads the registers misjudges them too, and the number
// is what is wanted here. Contents that are not there give bad, 'never read'.
func (m Misreading) Value(c regmap.Contents) regmap.Value {
	p := m.Point
	p.Signal = false
	return p.Value(c)
}

// Repair is the change's name where the list of changes is closed, as in the
// diagnosis of a map entry: there a live zero is a span. ok is false for a root
// and for units, which no single change of that list describes.
func (m Misreading) Repair() (change string, ok bool) {
	switch m.Change {
	case LiveZero:
		return Span, true
	case Root, Units:
		return "", false
	}
	return m.Change, true
}

// Readings lists the wrong readings of a point, in the order of Changes. No two
// of them read the same registers in the same way, and none is the point's own.
func Readings(p *regmap.Point) []Misreading {
	if p.Derived() {
		return nil
	}
	f := &finder{p: p, seen: map[string]bool{key(p): true}}
	f.address()
	f.table()
	f.order()
	f.signedness()
	f.scaleFactor()
	f.liveZero()
	f.span()
	f.intOrFloat()
	f.bcd()
	f.halfOfPair()
	f.bitIndex()
	f.root()
	f.units()
	return f.out
}

// finder collects the misreadings of one point.
type finder struct {
	p    *regmap.Point
	seen map[string]bool
	out  []Misreading
}

// key tells readings apart: where, which bits, which order, which scale.
func key(p *regmap.Point) string {
	times, plus := p.Scale.TimesPlus()
	order := p.Order
	if p.Count == 1 || p.Type == regmap.TypeString { // words of one register have no order
		order &= regmap.BytesSwapped
	}
	s := fmt.Sprint(p.Table, p.Address, p.Type, uint8(order), p.Part, times, plus, p.Exponent != nil)
	if a, b, c, d, ok := p.Scale.Span(); ok && p.Scale.Curved() {
		s += fmt.Sprint(a, b, c, d)
	}
	return s
}

// add keeps a misreading unless it leaves the table or is known already.
func (f *finder) add(change string, q regmap.Point, words string, args ...any) {
	if k := key(&q); q.Span().End() <= regmap.TableSize && !f.seen[k] {
		f.seen[k] = true
		f.out = append(f.out, Misreading{Change: change, Point: inWord(q), Words: fmt.Sprintf(words, args...)})
	}
}

// inWord gives the named bits of a word its place and order.
func inWord(q regmap.Point) regmap.Point {
	fields := q.Fields
	q.Fields = nil
	for _, field := range fields {
		field.Table, field.Address, field.Order = q.Table, q.Address, q.Order
		q.Fields = append(q.Fields, field)
	}
	return q
}
