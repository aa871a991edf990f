package regmap

import (
	"fmt"
	"math"
	"slices"
)

// Raw is the point's register contents; ok is false when they are not all there.
func (p *Point) Raw(c Contents) (raw []uint16, ok bool) {
	return c.AppendRaw(make([]uint16, 0, p.Count), p.Span())
}

// Value is what the contents mean, with quality and cause. Contents that are
// not there give bad, 'never read'.
func (p *Point) Value(c Contents) Value {
	if p.Derived() {
		return p.derived(c, make(map[*Point]Value))
	}
	var buf [4]uint16
	raw, ok := c.AppendRaw(buf[:0], p.Span())
	if !ok {
		return BadValue(NeverRead)
	}
	if p.Exponent == nil {
		return p.ValueOf(raw)
	}
	fixed, cause := p.Fixed(c)
	if cause != NoCause {
		return BadValue(cause)
	}
	return fixed.ValueOf(raw)
}

// derived works a derived point out of contents, each point below it once: known
// is those worked out so far. Without it a ladder of points, each the sum of the
// two before, would cost twice as much with every rung.
func (p *Point) derived(c Contents, known map[*Point]Value) Value {
	return p.Combine(func(q *Point) Value {
		v, done := known[q]
		switch {
		case done:
			return v
		case q.Derived():
			v = q.derived(c, known)
		default:
			v = q.Value(c)
		}
		known[q] = v
		return v
	})
}

// Combine works a derived point out of the values of its inputs. Its quality is
// the worst of theirs; a division by zero is bad.
func (p *Point) Combine(value func(*Point) Value) Value {
	numbers := make(map[string]float64, len(p.inputs))
	quality, cause := Good, NoCause
	for _, q := range p.inputs {
		v := value(q)
		if v.Quality() < quality {
			quality, cause = v.Quality(), v.Cause()
		}
		f, ok := v.Float()
		if on, isBool := v.Bool(); isBool && on {
			f, ok = 1, true
		} else if isBool {
			f, ok = 0, true
		}
		if !ok && quality != Bad {
			quality, cause = Bad, NotANumber
		}
		numbers[q.Name] = f
	}
	if quality == Bad {
		return BadValue(cause)
	}
	f, err := p.Formula.Value(func(name string) float64 { return numbers[name] })
	if err != nil {
		return BadValue(Internal)
	}
	v := FloatValue(f)
	if quality == Uncertain {
		v = v.Doubt(cause)
	}
	return p.Range.doubt(v)
}

// Exponents of a scale. Source: SunSpec model schema, sunssf (-10 to 10; 8000
// is 'not implemented').
const (
	mostExponent   = 10
	absentExponent = 0x8000
)

// Fixed is the point with the power of ten that its exponent register holds
// now in its scale; the point itself where it has none. The cause is NoCause,
// or why there is no exponent.
func (p *Point) Fixed(c Contents) (*Point, Cause) {
	if p.Exponent == nil {
		return p, NoCause
	}
	var buf [1]uint16
	raw, ok := c.AppendRaw(buf[:0], p.Exponent.Span)
	if !ok {
		return nil, NeverRead
	}
	e := int(int16(raw[0]))
	switch {
	case raw[0] == absentExponent:
		return nil, Absent
	case e < -mostExponent || e > mostExponent:
		return nil, NoExponent
	}
	fixed := *p
	fixed.Exponent = nil
	fixed.Scale = p.Scale.shifted(e)
	return &fixed, NoCause
}

// ValueOf is what the point's own registers mean; raw must be p.Count long.
func (p *Point) ValueOf(raw []uint16) Value {
	if q := &p.quick; q.of == p && len(raw) == 1 {
		if u := uint32(raw[0]) ^ q.flip; u-q.first <= q.span && u != q.absent {
			n := float64(int32(u - q.flip))
			return Value{bits: math.Float64bits((n*q.times + q.plus) / q.by), standing: good(Float)}
		}
	}
	return p.long(raw)
}

// long is ValueOf for every point and every register.
func (p *Point) long(raw []uint16) Value {
	if len(raw) != p.Count {
		return BadValue(Internal)
	}
	if p.Type == TypeString {
		return characters(p.Order, raw, p.Length)
	}
	n := p.Order.join(raw)
	if p.absent(n) {
		return BadValue(Absent)
	}
	switch p.Type {
	case TypeBool:
		return BoolValue((n>>p.Part.Low&1 == 1) != p.Inverse)
	case TypeBits:
		if p.Part.Width > 0 {
			n = n >> p.Part.Low & (1<<p.Part.Width - 1)
		}
		return UintValue(n)
	}
	number := p.Type.number(n)
	if number.quality == Bad {
		return number
	}
	return p.judge(number)
}

// absent compares contents with the map's 'no value' words.
func (p *Point) absent(n uint64) bool { return slices.Contains(p.Absent, n) }

// AppendRaw appends the register contents that mean v, rounded to the nearest
// the type can hold. before is what the registers hold now; it is needed for a
// part of a word and may be nil otherwise. The errors wrap ErrKind (a number
// for a text, say) or ErrRange.
func (p *Point) AppendRaw(dst []uint16, v Value, before []uint16) ([]uint16, error) {
	switch p.Type {
	case TypeString:
		s, ok := v.Text()
		if !ok {
			return nil, fmt.Errorf("%s: %w: text", p.Name, ErrKind)
		}
		return codeCharacters(dst, p.Order, s, p.Length)
	case TypeBool, TypeBits:
		n, err := p.codeBits(v)
		if err != nil {
			return nil, err
		}
		return p.Order.split(dst, p.merge(n, before), p.Count), nil
	}
	if v.kind == None || v.kind == Bool || v.kind == Text {
		return nil, fmt.Errorf("%s: %w: a number", p.Name, ErrKind)
	}
	r, negativeZero := p.Scale.undo(v)
	n, err := p.Type.code(r, negativeZero)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.Name, err)
	}
	return p.Order.split(dst, n, p.Count), nil
}

// codeBits is the contents of a bool or a bit field, at its place 0.
func (p *Point) codeBits(v Value) (uint64, error) {
	if p.Type == TypeBool {
		b, ok := v.Bool()
		if n, isNumber := v.Uint(); !ok && isNumber && n <= 1 {
			b, ok = n == 1, true
		}
		if !ok {
			return 0, fmt.Errorf("%s: %w: on or off", p.Name, ErrKind)
		}
		if b != p.Inverse {
			return 1, nil
		}
		return 0, nil
	}
	n, ok := v.Uint()
	if !ok {
		return 0, fmt.Errorf("%s: %w: a whole number from 0", p.Name, ErrKind)
	}
	width := int(p.Part.Width)
	if width == 0 {
		width = 16 * p.Count
	}
	if n>>width != 0 {
		return 0, fmt.Errorf("%s: %d: %w %d bits", p.Name, n, ErrRange, width)
	}
	return n, nil
}

// merge puts a part's bits into what the word holds now.
func (p *Point) merge(n uint64, before []uint16) uint64 {
	if p.Table.Bits() || p.Type == TypeBits && p.Part.Width == 0 {
		return n
	}
	width := max(p.Part.Width, 1)
	mask := uint64(1<<width-1) << p.Part.Low
	var now uint64
	if len(before) == p.Count {
		now = p.Order.join(before)
	}
	return now&^mask | n<<p.Part.Low&mask
}
