package regmap

import (
	"fmt"
	"math"
	"math/big"
)

// Raw is the point's register contents; ok is false when they are not all there.
func (p *Point) Raw(c Contents) (raw []uint16, ok bool) {
	return c.AppendRaw(make([]uint16, 0, p.Count), p.Span())
}

// Value is what the contents mean, with quality and cause. Contents that are
// not there give bad, 'never read'.
func (p *Point) Value(c Contents) Value {
	if p.Derived() {
		return p.Combine(func(q *Point) Value { return q.Value(c) })
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
	return v
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
	if len(raw) != p.Count {
		return BadValue(Internal)
	}
	if p.Count == 1 {
		if v, ok := p.short(raw[0]); ok {
			return v
		}
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
	number := p.Type.number(p.Order, raw)
	if number.quality == Bad {
		return number
	}
	return p.judge(number)
}

// short is the short way of the most frequent point: a plain 16-bit integer on
// a straight line, without 'no value' words and without a signal. Every step
// stays within fastLimit, so it gives what the long way gives. ok is false for
// a point that has no short way.
func (p *Point) short(raw uint16) (v Value, ok bool) {
	l := p.Scale.line
	if l == nil || !l.short || p.Type != TypeUint16 && p.Type != TypeInt16 || p.Signal || p.Order != ABCD ||
		p.Absent != nil || p.Exponent != nil || p.Scale.clamp {
		return Value{}, false
	}
	n := float64(raw)
	if p.Type == TypeInt16 {
		n = float64(int16(raw))
	}
	v = Value{bits: math.Float64bits((n*l.fp + l.fq) / l.fd), kind: Float, quality: Good, cause: NoCause}
	if s := p.Scale.span; s != nil && (n < s.rawLow || n > s.rawHigh) {
		v.quality, v.cause = Uncertain, OutOfSpan
	}
	return v, true
}

// absent compares contents with the map's 'no value' words.
func (p *Point) absent(n uint64) bool {
	for _, a := range p.Absent {
		if a == n {
			return true
		}
	}
	return false
}

// judge scales a number and sets its quality by signal and span.
func (p *Point) judge(number Value) Value {
	quality, cause := Good, NoCause
	n, _ := number.Float()
	switch {
	case p.Signal:
		quality, cause = p.signal(n)
	case p.Scale.Outside(n):
		quality, cause = Uncertain, OutOfSpan
	}
	if quality == Bad {
		return BadValue(cause)
	}
	if p.Scale.clamp && p.Scale.Outside(n) {
		number = FloatValue(math.Max(p.Scale.span.rawLow, math.Min(n, p.Scale.span.rawHigh)))
	}
	v := p.Scale.apply(number)
	if quality == Uncertain {
		v = v.Doubt(cause)
	}
	return v
}

// The limits of a 4-20 mA signal in mA: measurement between 3.8 and 20.5,
// failure at 3.6 or less and at 21.0 or more.
// Source: NAMUR NE 43 as two trade pages give it; the range between is left
// undecided (common practice).
var signalLimits = [4]*big.Rat{big.NewRat(36, 10), big.NewRat(38, 10), big.NewRat(205, 10), big.NewRat(21, 1)}

// signal judges the number of a 4-20 mA point by its current.
func (p *Point) signal(n float64) (Quality, Cause) {
	var at [4]float64
	for i, mA := range signalLimits {
		at[i] = p.signalRaw(mA)
	}
	if at[0] > at[3] { // a span that falls as the current rises
		n, at = -n, [4]float64{-at[0], -at[1], -at[2], -at[3]}
	}
	switch {
	case n <= at[0] || n >= at[3]:
		return Bad, SignalFailure
	case n < at[1] || n > at[2]:
		return Uncertain, SignalDoubtful
	}
	return Good, NoCause
}

// signalRaw is the number that stands for a current in mA, as the point's type
// would hold it.
func (p *Point) signalRaw(mA *big.Rat) float64 {
	share := new(big.Rat).Sub(mA, big.NewRat(4, 1))
	share.Quo(share, big.NewRat(16, 1))
	r := new(big.Rat).Sub(p.Scale.span.rawB, p.Scale.span.rawA)
	r.Add(p.Scale.span.rawA, r.Mul(r, share))
	if p.Type == TypeFloat32 {
		f, _ := r.Float32()
		return float64(f)
	}
	f, _ := r.Float64()
	return f
}

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
