package misread

import (
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"plumbline/regmap"
)

// most is the largest power of ten that a scale is taken to be wrong by.
const most = 3

// scaleFactor is the gain by a power of ten: decimal places not applied, or
// applied twice. Of a span both values change, of times and plus only times.
func (f *finder) scaleFactor() {
	p := f.p
	if !p.Type.Number() {
		return
	}
	if p.Exponent != nil {
		q := *p
		q.Exponent = nil
		f.add(ScaleFactor, q, "without its exponent register")
	}
	for k := -most; k <= most; k++ {
		if k == 0 {
			continue
		}
		power := tenTo(k)
		q := *p
		if _, _, _, _, spanned := p.Scale.Span(); spanned {
			var ok bool
			if q.Scale, ok = turned(p.Scale, power, new(big.Rat)); !ok {
				return
			}
		} else {
			times, plus := p.Scale.TimesPlus()
			q.Scale, _ = regmap.TimesPlus(new(big.Rat).Mul(times, power), plus) // times is never 0
		}
		f.add(ScaleFactor, q, "%s times the value", digits(power))
	}
}

// tenTo is a power of ten.
func tenTo(k int) *big.Rat {
	power := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(k, -k))), nil))
	if k < 0 {
		power.Inv(power)
	}
	return power
}

// decadeOf is the power of ten of a number's first digit, exactly (a logarithm
// of 1000 comes out below 3); ok is false for what no float64 holds.
func decadeOf(r *big.Rat) (decade int, ok bool) {
	f, _ := r.Float64()
	if f == 0 || math.IsInf(f, 0) {
		return 0, false
	}
	_, exponent, _ := strings.Cut(strconv.FormatFloat(f, 'e', -1, 64), "e")
	decade, err := strconv.Atoi(exponent)
	return decade, err == nil
}

// digits writes a number as people do.
func digits(r *big.Rat) string {
	if n, ends := r.FloatPrec(); ends {
		return r.FloatString(n)
	}
	return r.FloatString(4)
}

// turned is the scale whose values are those of s, times and plus something;
// ok is false for a strapping table, whose rows only itself knows.
func turned(s regmap.Scale, times, plus *big.Rat) (regmap.Scale, bool) {
	turn := func(r *big.Rat) *big.Rat {
		r = new(big.Rat).Mul(r, times)
		return r.Add(r, plus)
	}
	a, b, c, d, spanned := s.Span()
	switch {
	case spanned && s.Curved():
		if !isRoot(s) {
			return regmap.Scale{}, false
		}
		// A cut-off is left out: it changes only what is almost no flow.
		out, _ := regmap.RootScale(a, b, turn(c), turn(d), nil)
		return clamped(out, s), true
	case spanned:
		out, _ := regmap.SpanScale(a, b, turn(c), turn(d)) // its ends still differ
		return clamped(out, s), true
	}
	was, more := s.TimesPlus()
	out, _ := regmap.TimesPlus(new(big.Rat).Mul(was, times), turn(more))
	return out, true
}

// clamped gives a scale the clamp of another.
func clamped(s, like regmap.Scale) regmap.Scale {
	if like.Clamps() {
		return s.Clamped()
	}
	return s
}

// isRoot tells a square root from a strapping table by two of its values: a
// quarter and nine sixteenths of the way must give a half and three quarters.
func isRoot(s regmap.Scale) bool {
	a, b, c, d, ok := s.Span()
	if !ok || !s.Curved() {
		return false
	}
	along := func(from, to *big.Rat, share float64) float64 {
		x, _ := from.Float64()
		y, _ := to.Float64()
		return x + (y-x)*share
	}
	probe := regmap.Point{Table: regmap.HoldingRegister, Type: regmap.TypeFloat64, Count: 4, Scale: s}
	for _, share := range []float64{0.5, 0.75} {
		bits := math.Float64bits(along(a, b, share*share))
		v := probe.ValueOf([]uint16{uint16(bits >> 48), uint16(bits >> 32), uint16(bits >> 16), uint16(bits)})
		got, ok := v.Float()
		if want := along(c, d, share); !ok || math.Abs(got-want) > 1e-9*math.Abs(along(c, d, 1)-along(c, d, 0)) {
			return false
		}
	}
	return true
}

// straight gives the ends of a scale that is a straight line with a span.
func (f *finder) straight() (a, b, c, d *big.Rat, ok bool) {
	if f.p.Scale.Curved() {
		return nil, nil, nil, nil, false
	}
	return f.p.Scale.Span()
}

// withSpan adds a misreading with another straight span.
func (f *finder) withSpan(change string, a, b, c, d *big.Rat, words string, args ...any) {
	s, err := regmap.SpanScale(a, b, c, d)
	if err != nil {
		return // both ends equal: no span at all
	}
	q := *f.p
	q.Scale = clamped(s, f.p.Scale)
	f.add(change, q, words, args...)
}

// liveZero: a span whose 0 % is 4 mA taken as if its 0 % were 0 mA (it then
// shows 20 % at 0 %), and one with the 4 mA taken off a second time (it then
// shows -25 % at 0 %). Ends are rounded where registers hold whole numbers.
func (f *finder) liveZero() {
	a, b, c, d, ok := f.straight()
	if !ok {
		return
	}
	end := func(share *big.Rat) *big.Rat {
		r := new(big.Rat).Sub(b, a)
		r.Add(a, r.Mul(r, share))
		if f.p.Type != regmap.TypeFloat32 && f.p.Type != regmap.TypeFloat64 {
			r, _ = new(big.Rat).SetString(r.FloatString(0))
		}
		return r
	}
	f.withSpan(LiveZero, end(big.NewRat(-1, 4)), b, c, d, "the 4 mA of the live zero not taken off: 20 %% shown at 0 %%")
	f.withSpan(LiveZero, end(big.NewRat(1, 5)), b, c, d, "the 4 mA of the live zero taken off twice: -25 %% shown at 0 %%")
}

// rawSpans are the spans met on analogue inputs, common practice: plain, with a
// live zero, rare, and on both sides of zero.
var rawSpans = [][2]int64{
	{0, 1000}, {0, 4000}, {0, 4095}, {0, 10000}, {0, 16383}, {0, 20000}, {0, 27648}, {0, 30000}, {0, 32000}, {0, 32767}, {0, 65535},
	{4000, 20000}, {2000, 10000}, {800, 4000}, {400, 2000}, {819, 4095}, {5530, 27648}, {6553, 32767}, {6400, 32000},
	{0, 1023}, {0, 2000}, {0, 8191}, {0, 16000}, {3277, 16383}, {-2000, 2000}, {-10000, 10000}, {-27648, 27648}, {-32768, 32767},
}

// milliamperes are the spans of a float that carries a current.
var milliamperes = [][2]int64{{4, 20}, {0, 20}}

// powers of two that are taken one too high or too low: slopes of 1.00024,
// 1.00006 and 1.00003.
var powersOfTwo = map[int64]int64{4095: 4096, 4096: 4095, 16383: 16384, 16384: 16383, 32767: 32768, 32768: 32767}

// holds are the numbers that the narrow types can hold; the others hold every
// raw span.
var holds = map[regmap.Type][2]int64{
	regmap.TypeInt16: {-32768, 32767}, regmap.TypeUint16: {0, 65535}, regmap.TypeSignMag16: {-32767, 32767}, regmap.TypeBCD16: {0, 9999},
	regmap.TypeUint32: {0, math.MaxInt64}, regmap.TypeUint64: {0, math.MaxInt64}, regmap.TypeBCD32: {0, math.MaxInt64},
	regmap.TypeDecimalPair: {0, math.MaxInt64},
}

// span is every other usual raw span for the same values, and other round ends
// of the values for the same raw span.
func (f *finder) span() {
	a, b, c, d, ok := f.straight()
	if !ok {
		return
	}
	if b.IsInt() && b.Num().IsInt64() {
		if other, ok := powersOfTwo[b.Num().Int64()]; ok {
			f.withSpan(Span, a, big.NewRat(other, 1), c, d, "raw span to %d, not %s", other, digits(b))
		}
	}
	spans := rawSpans
	if f.p.Type == regmap.TypeFloat32 || f.p.Type == regmap.TypeFloat64 {
		spans = slices.Concat(rawSpans, milliamperes)
	}
	limits, narrow := holds[f.p.Type]
	for _, s := range spans {
		if narrow && (s[0] < limits[0] || s[1] > limits[1]) {
			continue
		}
		low, high := big.NewRat(s[0], 1), big.NewRat(s[1], 1)
		if a.Cmp(b) > 0 {
			low, high = high, low
		}
		f.withSpan(Span, low, high, c, d, "raw span %s to %s, not %s to %s", digits(low), digits(high), digits(a), digits(b))
	}
	f.valueSpan(a, b, c, d)
}

// roundEnds are the first digits of values at which ranges end; common
// practice.
var roundEnds = []int64{10, 12, 15, 16, 18, 20, 25, 30, 35, 40, 45, 50, 60, 70, 75, 80, 90}

// valueSpan puts other round numbers in the place of the value's far end,
// within a decade of it either way.
func (f *finder) valueSpan(a, b, c, d *big.Rat) {
	ends := [2]*big.Rat{c, d}
	far := 1
	if new(big.Rat).Abs(c).Cmp(new(big.Rat).Abs(d)) > 0 {
		far = 0
	}
	decade, ok := decadeOf(ends[far])
	if !ok {
		return
	}
	rising := ends[far].Cmp(ends[1-far]) > 0
	for k := decade - 2; k <= decade; k++ { // a first digit of two figures
		power := tenTo(k)
		for _, digit := range roundEnds {
			end := new(big.Rat).Mul(big.NewRat(digit, 1), power)
			if ends[far].Sign() < 0 {
				end.Neg(end)
			}
			if (end.Cmp(ends[1-far]) > 0) != rising {
				continue
			}
			now := ends
			now[far] = end
			f.withSpan(Span, a, b, now[0], now[1], "values %s to %s, not %s to %s", digits(now[0]), digits(now[1]), digits(c), digits(d))
		}
	}
}
