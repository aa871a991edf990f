package misread

import (
	"math/big"

	"plumbline/regmap"
)

// flowUnits are the units of a flow, which alone is measured as the square
// root of a differential pressure.
var flowUnits = map[string]bool{"m3/h": true, "m3/min": true, "m3/s": true, "L/h": true, "L/min": true, "L/s": true, "l/h": true,
	"l/min": true, "l/s": true, "kg/h": true, "kg/s": true, "t/h": true, "[gal_us]/min": true}

// root: the square root of a differential pressure not taken, or of a flow
// taken where the signal is straight already.
// Source: flow % = 100 sqrt(dp % / 100), trade article on square-root scaling.
func (f *finder) root() {
	p := f.p
	a, b, c, d, ok := p.Scale.Span()
	switch {
	case !ok:
	case isRoot(p.Scale):
		f.withSpan(Root, a, b, c, d, "the square root not taken")
	case !p.Scale.Curved() && flowUnits[p.Units]:
		q := *p
		s, _ := regmap.RootScale(a, b, c, d, nil) // the same ends as a span
		q.Scale = clamped(s, p.Scale)
		f.add(Root, q, "a square root taken of a signal that is straight already")
	}
}

// conversion turns a number in one of two units that are mistaken for each
// other into the other: to = from x times + plus.
type conversion struct {
	from, to    string
	times, plus *big.Rat
}

// conversions are units mistaken for each other. Sources: UCUM essence 2.2:
// [psi] is [lbf_av]/[sin_i] with [lbf_av] = 0.45359237 kg x 9.80665 m/s2 and
// [in_i] = 2.54 cm; [gal_us] = 231 cubic inches; [ft_i] = 12 [in_i].
var conversions = []conversion{
	{"Cel", "[degF]", big.NewRat(9, 5), big.NewRat(32, 1)},
	{"bar", "[psi]", big.NewRat(645_160_000_000_000, 44_482_216_152_605), new(big.Rat)},
	{"L/s", "m3/h", big.NewRat(18, 5), new(big.Rat)},
	{"L", "[gal_us]", big.NewRat(1_000_000_000, 3_785_411_784), new(big.Rat)},
	{"m", "[ft_i]", big.NewRat(10_000, 3_048), new(big.Rat)},
}

// units: the number shown is in other units than the map says, or the registers
// hold other units than the map says. The misread point keeps the map's units.
func (f *finder) units() {
	if f.p.Units == "" || !f.p.Type.Number() {
		return
	}
	for _, c := range conversions {
		back := new(big.Rat).Inv(c.times)
		less := new(big.Rat).Mul(new(big.Rat).Neg(c.plus), back)
		switch f.p.Units {
		case c.from:
			f.inUnits(c.times, c.plus, "a number in %s where %s is meant", c.to, c.from)
			f.inUnits(back, less, "registers in %s taken for %s", c.to, c.from)
		case c.to:
			f.inUnits(back, less, "a number in %s where %s is meant", c.from, c.to)
			f.inUnits(c.times, c.plus, "registers in %s taken for %s", c.from, c.to)
		}
	}
}

func (f *finder) inUnits(times, plus *big.Rat, words string, args ...any) {
	q := *f.p
	s, ok := turned(q.Scale, times, plus)
	if !ok {
		return
	}
	q.Scale = s
	f.add(Units, q, words, args...)
}
