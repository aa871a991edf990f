package regmap

import "math"

// quick is the short way of the most frequent point: a 16-bit integer on a
// straight line. Whatever lies between two numbers is good, and every step stays
// within fastLimit, so that it is what the long way gives. Everything else, and
// a copy of the point, which may have been given other keys, goes the long way.
//
// The contents are taken as a number u that rises with the one they stand for:
// themselves, with the sign bit of a signed type flipped.
type quick struct {
	of              *Point  // the point that it was made of; nil: no short way
	times, plus, by float64 // value = (number x times + plus) / by
	first, span     uint32  // good is u from first, span numbers on
	flip            uint32  // 0x8000 for a signed type
	absent          uint32  // u of the 'no value' word; 1 << 16 where there is none
}

// prepare works out what is wanted of each point at every reading.
func (m *Map) prepare() {
	all := make([]judged, 0, len(m.Points))
	for i := range m.Points {
		if p := &m.Points[i]; p.Type.Number() && !p.Derived() && p.Exponent == nil {
			all = append(all, judged{p, p.bounds()})
			p.judged = &all[len(all)-1]
			p.shorten()
		}
	}
}

// shorten gives the point its short way, if it has one.
func (p *Point) shorten() {
	l := p.Scale.line
	if p.Type != TypeUint16 && p.Type != TypeInt16 || p.Order&BytesSwapped != 0 || !l.short() || p.Scale.clamp || len(p.Absent) > 1 {
		return
	}
	q := quick{of: p, times: l.fp, plus: l.fq, by: l.fd, absent: 1 << 16}
	if p.Type == TypeInt16 {
		q.flip = 1 << 15
	}
	if len(p.Absent) == 1 {
		q.absent = uint32(p.Absent[0]) ^ q.flip
	}
	b := p.judged
	good := b.alive.meet(b.sure).meet(b.span).meet(b.within).meet(stretch{-float64(q.flip), math.MaxUint16 - float64(q.flip)})
	low, high := math.Ceil(good.low), math.Floor(good.high)
	if low > high {
		return // no contents are good
	}
	q.first, q.span = uint32(low+float64(q.flip)), uint32(high-low)
	p.quick = q
}
