package lint

import (
	"errors"
	"fmt"
	"math/big"

	"plumbline/regmap"
	"plumbline/regmap/ucum"
)

// units looks at the units of a number: left out of one that measures
// something, or no code of the standard.
func (l *linter) units(p *regmap.Point) {
	if p.Units == "" {
		if analogue(p) {
			l.warn(UnitsMissing, p, nil, `give units; a plain number has "1"`, "an analogue number without units")
		}
		return
	}
	u, err := ucum.Parse(p.Units)
	if err == nil {
		if doubt := u.Doubt(); doubt != "" {
			l.warn(UnitsCode, p, []string{"units"}, "", "%s", doubt)
		}
		return
	}
	hint := ""
	if at := (*ucum.Error)(nil); errors.As(err, &at) {
		hint = at.Hint
	}
	l.warn(UnitsCode, p, []string{"units"}, hint, "units %q are no UCUM code", p.Units)
}

// analogue says whether a point measures something: a fraction, a scaled
// number, one with a signal, alarm limits or the tag of an instrument. A
// counter, a number with names and a bare whole number are none.
func analogue(p *regmap.Point) bool {
	if !p.Type.Number() || p.Counter || len(p.Values) > 0 {
		return false
	}
	float := p.Type == regmap.TypeFloat32 || p.Type == regmap.TypeFloat64
	t, tagged := readTag(p.Tag)
	return float || p.Signal || !p.Scale.Identity() || p.Exponent != nil || p.Alarm != nil || tagged && t.measures() && !t.total
}

// limits: a number that is written needs both limits, or the panel lets through
// whatever the register holds.
func (l *linter) limits(p *regmap.Point) {
	if p.Write == nil || !p.Type.Number() || len(p.Values) > 0 {
		return
	}
	missing := ""
	switch {
	case p.Write.Min == nil && p.Write.Max == nil:
		missing = "min and max"
	case p.Write.Min == nil:
		missing = "min"
	case p.Write.Max == nil:
		missing = "max"
	default:
		return
	}
	l.warn(LimitsMissing, p, []string{"write"}, "such as write: {min: 0.50, max: 2.50}", "a set-point without %s", missing)
}

// ranges: a number in units that no span, range or write limit bounds passes for
// good whatever the registers hold. A counter takes all that its type can hold.
func (l *linter) ranges(p *regmap.Point) {
	limited := p.Write != nil && (p.Write.Min != nil || p.Write.Max != nil)
	if !p.Type.Number() || p.Units == "" || p.Counter || limited {
		return
	}
	if _, _, _, ok := bounds(p); !ok {
		l.warn(RangeMissing, p, nil, "give range: [lowest, highest] in "+clip(p.Units), "nothing says what it can be, so a wrong number looks like any other")
	}
}

// bounds are the ends between which a point's values are good, and what sets
// them: its range, or the span of its scale.
func bounds(p *regmap.Point) (low, high *big.Rat, what string, ok bool) {
	if p.Range != nil {
		return p.Range.Low, p.Range.High, "range", true
	}
	_, _, low, high, ok = p.Scale.Span()
	if ok && low.Cmp(high) > 0 {
		low, high = high, low
	}
	return low, high, "span", ok
}

// alarms: a limit beyond the range or the span is reached by doubtful values
// only.
func (l *linter) alarms(p *regmap.Point) {
	low, high, what, ok := bounds(p)
	if p.Alarm == nil || !ok {
		return
	}
	for _, row := range []struct {
		name  string
		limit *big.Rat
	}{{"high-high", p.Alarm.HighHigh}, {"high", p.Alarm.High}, {"low", p.Alarm.Low}, {"low-low", p.Alarm.LowLow}} {
		if row.limit != nil && (row.limit.Cmp(low) < 0 || row.limit.Cmp(high) > 0) {
			l.warn(AlarmOutside, p, []string{"alarm"}, "", "the %s limit %s lies outside the %s, %s to %s", row.name, text(row.limit), what, text(low), text(high))
			return
		}
	}
}

// written: a value that the map lets be written and then calls doubtful.
func (l *linter) written(p *regmap.Point) {
	if p.Write == nil || p.Range == nil {
		return
	}
	for _, row := range []struct {
		name  string
		limit *big.Rat
	}{{"min", p.Write.Min}, {"max", p.Write.Max}} {
		if row.limit != nil && (row.limit.Cmp(p.Range.Low) < 0 || row.limit.Cmp(p.Range.High) > 0) {
			l.warn(WriteOutside, p, []string{"write"}, "", "%s %s lies outside the range, %s to %s", row.name, text(row.limit), text(p.Range.Low), text(p.Range.High))
			return
		}
	}
}

// text writes a number as people do.
func text(r *big.Rat) string {
	if n, ends := r.FloatPrec(); ends {
		return r.FloatString(n)
	}
	return r.FloatString(3)
}

// fractional are units in which a value is seldom a whole number; common
// practice.
var fractional = map[string]bool{"m": true, "bar": true, "MPa": true, "Cel": true, "%": true, "m3/h": true, "m3/s": true, "L/s": true,
	"A": true, "mA": true, "Hz": true, "m/s": true, "[pH]": true, "mS/cm": true}

// unscaled: 16 bits in metres that say nothing of decimals are most often
// centimetres or millimetres.
func (l *linter) unscaled(p *regmap.Point) {
	narrow := p.Type == regmap.TypeInt16 || p.Type == regmap.TypeUint16
	if narrow && fractional[p.Units] && p.Scale.Identity() && p.Exponent == nil && p.Decimals < 0 && len(p.Values) == 0 {
		l.warn(Unscaled, p, []string{"units"}, "give a scale, or decimals: 0 if it is so", "%s in whole %s: a scale seems to be missing", p.Type, p.Units)
	}
}

// The currents that a failed loop shows, in mA.
// Source: NAMUR NE 43 as two trade pages give it: at most 3.6, at least 21.
var failedLow, failedHigh = big.NewRat(36, 10), big.NewRat(21, 1)

// endCounts are the last counts of converters, where they stop; common
// practice.
var endCounts = map[string]string{"4095": "12", "16383": "14", "32767": "15", "65535": "16"}

// signal: a span that begins or ends where the register or the converter does
// cannot show that the loop has failed.
func (l *linter) signal(p *regmap.Point) {
	a, b, _, _, ok := p.Scale.Span()
	if !p.Signal || !ok {
		return
	}
	bare := regmap.Point{Type: p.Type, Count: p.Count}
	beyond := func(mA *big.Rat) string {
		share := new(big.Rat).Sub(mA, big.NewRat(4, 1))
		share.Quo(share, big.NewRat(16, 1))
		r := new(big.Rat).Sub(b, a)
		r.Add(a, r.Mul(r, share))
		if _, err := bare.AppendRaw(nil, regmap.ExactValue(r), nil); err != nil {
			return fmt.Sprintf("%s mA would be %s, which %s cannot hold", text(mA), r.FloatString(0), p.Type)
		}
		return ""
	}
	why := beyond(failedLow)
	if why == "" {
		why = beyond(failedHigh)
	}
	if bits, known := endCounts[b.RatString()]; why == "" && known {
		why = fmt.Sprintf("a converter of %s bits stops at %s, so 21 mA looks like 20 mA", bits, b.RatString())
	}
	if why != "" {
		l.warn(SignalClipped, p, []string{"signal"}, "leave signal out, or let the device report the failure otherwise", "a failed loop cannot be seen: %s", why)
	}
}
