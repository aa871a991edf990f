package regmap

import (
	"errors"
	"math"
	"math/big"
)

// A Scale turns the number in the registers into engineering units and back:
// value = number x times + plus, in exact rationals. The zero Scale changes
// nothing. It is immutable.
type Scale struct {
	line  *line  // nil: identity
	span  *span  // nil: times and plus, no limits
	curve *curve // instead of line: a strapping table or a square root
	clamp bool
}

// line is value = (n x p + q) / d. Where every step fits 53 bits it is one
// correctly rounded float64 division.
type line struct {
	p, q, d     *big.Int
	fp, fq, fd  float64 // the same, where all three are within 53 bits
	fits        bool
	times, plus *big.Rat
}

// span is the two ends between which a linear scale is declared.
type span struct {
	rawLow, rawHigh float64 // ordered, of the number in the registers
	rawA, rawB      *big.Rat
	valueA, valueB  *big.Rat
}

// ErrScale is wrapped by the errors of the scale constructors.
var ErrScale = errors.New("scale")

// TimesPlus is the scale value = number x times + plus. times must not be 0.
func TimesPlus(times, plus *big.Rat) (Scale, error) {
	if times.Sign() == 0 {
		return Scale{}, errors.Join(ErrScale, errors.New("times 0 makes every value the same"))
	}
	return Scale{line: newLine(times, plus)}, nil
}

// SpanScale is the line through (rawA, valueA) and (rawB, valueB); numbers
// outside are out of span. Both ends of each pair must differ.
func SpanScale(rawA, rawB, valueA, valueB *big.Rat) (Scale, error) {
	if rawA.Cmp(rawB) == 0 {
		return Scale{}, errors.Join(ErrScale, errors.New("both raw ends are equal"))
	}
	if valueA.Cmp(valueB) == 0 {
		return Scale{}, errors.Join(ErrScale, errors.New("both value ends are equal"))
	}
	times := new(big.Rat).Sub(valueB, valueA)
	times.Quo(times, new(big.Rat).Sub(rawB, rawA))
	plus := new(big.Rat).Sub(valueA, new(big.Rat).Mul(rawA, times))
	a, _ := rawA.Float64()
	b, _ := rawB.Float64()
	return Scale{line: newLine(times, plus), span: &span{
		rawLow: min(a, b), rawHigh: max(a, b), rawA: rawA, rawB: rawB, valueA: valueA, valueB: valueB,
	}}, nil
}

// curve is a scale that is no straight line.
type curve struct {
	raw, value []*big.Rat // the corners, raw ascending: a table, or both ends of a root
	root       bool
	cutoff     *big.Rat // of a root: share of the flow below which it is 0; nil: none
}

// TableScale is straight between the given corners (a strapping table); raw
// must ascend. Beyond the ends the last stretch goes on.
func TableScale(raw, value []*big.Rat) (Scale, error) {
	if len(raw) < 2 || len(raw) != len(value) {
		return Scale{}, errors.Join(ErrScale, errors.New("a table needs at least two rows"))
	}
	for i := 1; i < len(raw); i++ {
		if raw[i].Cmp(raw[i-1]) <= 0 {
			return Scale{}, errors.Join(ErrScale, errors.New("the raw numbers of a table must ascend"))
		}
	}
	return Scale{curve: &curve{raw: raw, value: value}, span: ends(raw, value)}, nil
}

// RootScale takes the square root of a differential pressure: a number p of
// the way from rawA to rawB is the square root of p of the way from valueA to
// valueB. Below the cut-off, a share of the flow from 0 to 1 or nil, the value
// is valueA. A number below rawA has the root of its size, downwards.
// Source: flow % = 100 sqrt(dp % / 100), trade article on square-root scaling.
func RootScale(rawA, rawB, valueA, valueB, cutoff *big.Rat) (Scale, error) {
	s, err := SpanScale(rawA, rawB, valueA, valueB)
	if err != nil {
		return Scale{}, err
	}
	s.line = nil
	s.curve = &curve{raw: []*big.Rat{rawA, rawB}, value: []*big.Rat{valueA, valueB}, root: true, cutoff: cutoff}
	return s, nil
}

func ends(raw, value []*big.Rat) *span {
	last := len(raw) - 1
	low, _ := raw[0].Float64()
	high, _ := raw[last].Float64()
	return &span{rawLow: low, rawHigh: high, rawA: raw[0], rawB: raw[last], valueA: value[0], valueB: value[last]}
}

// OneToOne says whether every value has one number and the other way round;
// only then may a point be written. why says what is in the way.
func (s Scale) OneToOne() (ok bool, why string) {
	switch {
	case s.clamp:
		return false, "a clamped scale"
	case s.curve == nil:
		return true, ""
	case s.curve.root && s.curve.cutoff != nil:
		return false, "a square root with a cut-off"
	case s.curve.root:
		return true, ""
	}
	rise := s.curve.value[1].Cmp(s.curve.value[0])
	for i := 1; i < len(s.curve.value); i++ {
		if c := s.curve.value[i].Cmp(s.curve.value[i-1]); c == 0 || c != rise {
			return false, "a table whose values do not rise or fall all along"
		}
	}
	return true, ""
}

// Clamped is the same scale with numbers limited to its span.
func (s Scale) Clamped() Scale { s.clamp = true; return s }

// Clamps says whether numbers are limited to the span.
func (s Scale) Clamps() bool { return s.clamp }

// Identity says whether the scale changes nothing.
func (s Scale) Identity() bool { return s.line == nil && s.curve == nil }

// Curved says whether the scale is no straight line; then TimesPlus means
// nothing.
func (s Scale) Curved() bool { return s.curve != nil }

// Span is the declared ends, to be read only; ok is false for a scale without
// them.
func (s Scale) Span() (rawA, rawB, valueA, valueB *big.Rat, ok bool) {
	if s.span == nil {
		return nil, nil, nil, nil, false
	}
	return s.span.rawA, s.span.rawB, s.span.valueA, s.span.valueB, true
}

// TimesPlus is the scale as value = number x times + plus; the caller may
// change what it gets.
func (s Scale) TimesPlus() (times, plus *big.Rat) {
	if s.line == nil {
		return big.NewRat(1, 1), new(big.Rat)
	}
	return new(big.Rat).Set(s.line.times), new(big.Rat).Set(s.line.plus)
}

// shifted is the scale with its numbers multiplied by a power of ten first.
func (s Scale) shifted(exponent int) Scale {
	times, plus := s.TimesPlus()
	power := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(abs(int64(exponent))), nil))
	if exponent < 0 {
		power.Inv(power)
	}
	s.line = newLine(power.Mul(power, times), plus)
	return s
}

func newLine(times, plus *big.Rat) *line {
	d := new(big.Int).Mul(times.Denom(), plus.Denom())
	g := new(big.Int).GCD(nil, nil, times.Denom(), plus.Denom())
	d.Quo(d, g) // least common denominator
	l := &line{times: times, plus: plus, d: d,
		p: new(big.Int).Mul(times.Num(), new(big.Int).Quo(d, times.Denom())),
		q: new(big.Int).Mul(plus.Num(), new(big.Int).Quo(d, plus.Denom())),
	}
	if l.p.IsInt64() && l.q.IsInt64() && l.d.IsInt64() {
		l.fp, l.fq, l.fd = float64(l.p.Int64()), float64(l.q.Int64()), float64(l.d.Int64())
		l.fits = abs(l.p.Int64()) < fastLimit && abs(l.q.Int64()) < fastLimit && l.d.Int64() < fastLimit
	}
	return l
}

// fastLimit keeps whole numbers inside float64's 53 bits with two bits to
// spare, so that one rounding on the way up cannot move the way back.
const fastLimit = 1 << 51

// short says whether every 16-bit number stays within fastLimit on its way, so
// that one correctly rounded division gives the value.
func (l *line) short() bool {
	return l != nil && l.fits && math.Abs(l.fp)*65536+math.Abs(l.fq) < fastLimit
}

func abs(n int64) int64 {
	if n < 0 {
		return -n
	}
	return n
}

// apply turns the number n (Int, Uint or Float) into its engineering value.
func (s Scale) apply(n Value) Value {
	switch {
	case s.curve != nil:
		return s.curve.apply(n)
	case s.line == nil:
		return n
	}
	l := s.line
	if f, ok := n.Float(); ok && l.fits && n.kind != Float && math.Abs(f) < fastLimit {
		if top := f*l.fp + l.fq; math.Abs(f*l.fp) < fastLimit && math.Abs(top) < fastLimit {
			return FloatValue(top / l.fd)
		}
	}
	return l.slow(n)
}

// slow is apply in rationals.
func (l *line) slow(n Value) Value {
	if f := math.Float64frombits(n.bits); n.kind == Float && f == 0 && math.Signbit(f) {
		return l.negativeZero()
	}
	r := n.exactRat()
	r.Mul(r, l.times)
	r.Add(r, l.plus)
	f, same := nearest(r)
	v := FloatValue(f)
	if !same && v.kind == Float {
		v.exact = &exactNumber{rat: r}
	}
	return v
}

// negativeZero is apply for -0, whose sign no rational can hold.
func (l *line) negativeZero() Value {
	f, _ := l.plus.Float64()
	if f == 0 && l.times.Sign() > 0 {
		f = math.Copysign(0, -1)
	}
	v := FloatValue(f)
	v.exact = &exactNumber{rat: new(big.Rat).Set(l.plus), negativeZero: true}
	return v
}

// exactRat is the number exactly as stored: a float's binary value, not its
// shortest decimal.
func (v Value) exactRat() *big.Rat {
	if v.kind == Float && v.exact == nil {
		return new(big.Rat).SetFloat64(math.Float64frombits(v.bits))
	}
	return v.Rat()
}

// undo turns an engineering value into the number in the registers, exactly;
// negativeZero tells a -0 that came from one. v must be a number.
func (s Scale) undo(v Value) (r *big.Rat, negativeZero bool) {
	if v.exact != nil && v.exact.negativeZero {
		return new(big.Rat), true
	}
	if s.curve != nil {
		return s.curve.undo(v.exactRat()), false
	}
	if f, _ := v.Float(); s.line == nil || f == 0 && v.exact == nil && s.line.plus.Sign() == 0 {
		return v.exactRat(), v.kind == Float && math.Signbit(f) && f == 0
	}
	r = v.exactRat()
	r.Sub(r, s.line.plus)
	return r.Quo(r, s.line.times), false
}
