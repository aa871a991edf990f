package regmap

import (
	"fmt"
	"math"
	"math/big"
)

// A stretch is the numbers from one to another, both included.
type stretch struct{ low, high float64 }

var everywhere = stretch{math.Inf(-1), math.Inf(1)}

func (s stretch) holds(n float64) bool { return n >= s.low && n <= s.high }

// meet is the numbers that lie in both.
func (s stretch) meet(o stretch) stretch { return stretch{max(s.low, o.low), min(s.high, o.high)} }

// bounds are the numbers by which a point's values are judged, before any
// scale. What is not limited is everywhere.
type bounds struct {
	alive  stretch // beyond it the current loop has failed
	sure   stretch // beyond it the current lies between measurement and failure
	span   stretch // beyond it the number has left the span of its scale
	within stretch // beyond it the quantity cannot be; everywhere where values says so
	values stretch // the same of the values on a curve, which has no one number for a value
}

// bounds works the bounds out of the point's keys.
func (p *Point) bounds() bounds {
	b := bounds{everywhere, everywhere, everywhere, everywhere, everywhere}
	switch s := p.Scale.span; {
	case p.Signal:
		b.alive, b.sure = p.signal()
	case s != nil:
		b.span = stretch{s.rawLow, s.rawHigh}
	}
	switch {
	case p.Range == nil:
	case p.Scale.Curved():
		b.values = p.Range.stretch()
	default:
		b.within = p.numbers(p.Range)
	}
	return b
}

// judged is the bounds of one Point, worked out when the map was loaded. They
// hold for that Point only: a copy may have been given other keys.
type judged struct {
	of *Point
	bounds
}

// known is the point's bounds, worked out now where that was not done yet.
func (p *Point) known() *bounds {
	if j := p.judged; j != nil && j.of == p {
		return &j.bounds
	}
	b := p.bounds()
	return &b
}

// judge scales a number and sets its quality by signal, span and range.
func (p *Point) judge(number Value) Value {
	b := p.known()
	n, _ := number.Float()
	cause := NoCause
	switch {
	case !b.alive.holds(n):
		return BadValue(SignalFailure)
	case !b.sure.holds(n):
		cause = SignalDoubtful
	case !b.span.holds(n) || !b.within.holds(n):
		cause = OutOfSpan
	}
	if s := p.Scale.span; p.Scale.clamp && (n < s.rawLow || n > s.rawHigh) {
		number = FloatValue(max(s.rawLow, min(n, s.rawHigh)))
	}
	v := p.Scale.apply(number)
	if f, ok := v.Float(); ok && cause == NoCause && !b.values.holds(f) {
		cause = OutOfSpan
	}
	if cause != NoCause {
		v = v.Doubt(cause)
	}
	return v
}

// The limits of a 4-20 mA signal in mA: measurement between 3.8 and 20.5,
// failure at 3.6 or less and at 21.0 or more.
// Source: NAMUR NE 43 as two trade pages give it; the range between is left
// undecided (common practice).
var signalLimits = [4]*big.Rat{big.NewRat(36, 10), big.NewRat(38, 10), big.NewRat(205, 10), big.NewRat(21, 1)}

// signal is the numbers of a 4-20 mA point whose loop has not failed, and those
// that are a measurement.
func (p *Point) signal() (alive, sure stretch) {
	var at [4]float64
	for i, mA := range signalLimits {
		at[i] = p.signalRaw(mA)
	}
	if at[0] > at[3] { // a span that falls as the current rises
		at = [4]float64{at[3], at[2], at[1], at[0]}
	}
	alive = stretch{math.Nextafter(at[0], math.Inf(1)), math.Nextafter(at[3], math.Inf(-1))} // the limits themselves are failure
	return alive, stretch{at[1], at[2]}
}

// signalRaw is the number that stands for a current in mA, as the point's type
// would hold it.
func (p *Point) signalRaw(mA *big.Rat) float64 {
	share := new(big.Rat).Sub(mA, big.NewRat(4, 1))
	share.Quo(share, big.NewRat(16, 1))
	r := new(big.Rat).Sub(p.Scale.span.rawB, p.Scale.span.rawA)
	r.Add(p.Scale.span.rawA, r.Mul(r, share))
	return p.asHeld(r)
}

// asHeld is the nearest number that a float of the point's width holds: 0.1
// that went through a float32 is still the limit 0.1.
func (p *Point) asHeld(r *big.Rat) float64 {
	if p.Type == TypeFloat32 {
		f, _ := r.Float32()
		return float64(f)
	}
	f, _ := r.Float64()
	return f
}

// numbers is the numbers whose values on a straight line lie in a range.
func (p *Point) numbers(r *Range) stretch {
	low, _ := p.Scale.undo(ExactValue(r.Low))
	high, _ := p.Scale.undo(ExactValue(r.High))
	if low.Cmp(high) > 0 {
		low, high = high, low
	}
	if p.Type == TypeFloat32 || p.Type == TypeFloat64 {
		return stretch{p.asHeld(low), p.asHeld(high)}
	}
	return stretch{p.asHeld(ceiling(low)), p.asHeld(floor(high))}
}

// floor is the greatest whole number that is not above r.
func floor(r *big.Rat) *big.Rat {
	return new(big.Rat).SetInt(new(big.Int).Div(r.Num(), r.Denom())) // Euclidean: towards -inf for a denominator above zero
}

// ceiling is the least whole number that is not below r.
func ceiling(r *big.Rat) *big.Rat {
	n := floor(new(big.Rat).Neg(r))
	return n.Neg(n)
}

// stretch is the range in float64.
func (r *Range) stretch() stretch {
	low, _ := r.Low.Float64()
	high, _ := r.High.Float64()
	return stretch{low, high}
}

// doubt is a value that no register holds by itself, uncertain where it lies
// beyond the range; nil is no range.
func (r *Range) doubt(v Value) Value {
	if f, ok := v.Float(); r != nil && ok && !r.stretch().holds(f) {
		return v.Doubt(OutOfSpan)
	}
	return v
}

// Beyond says which limit contents have passed whose value is out of span: the
// span of the scale, in raw numbers, or the range, in units; "" for neither. raw
// is nil for a derived point.
func (p *Point) Beyond(raw []uint16) string {
	if len(raw) == p.Count && p.Count > 0 && p.Type.Number() {
		n, ok := p.Type.number(p.Order.join(raw)).Float()
		b := p.known()
		if ok && !b.span.holds(n) {
			return fmt.Sprintf("outside the raw span %s to %s", ratText(p.Scale.span.rawA), ratText(p.Scale.span.rawB))
		}
		if v := p.ValueOf(raw); v.cause != OutOfSpan {
			return ""
		}
	}
	if p.Range == nil {
		return ""
	}
	return fmt.Sprintf("outside the range %s to %s", ratText(p.Range.Low), ratText(p.Range.High))
}
