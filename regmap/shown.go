package regmap

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// maxShown bounds the decimals that a scale's resolution asks for.
const maxShown = 6

// Shown is the value as people read it, without units: decimals as the map
// says, the name of a named value, on or off, text as it came. A value that
// holds nothing is "-". Text is not made safe here; printers do that.
func (p *Point) Shown(v Value) string {
	switch v.kind {
	case None:
		return "-"
	case Text:
		return strings.TrimRight(v.exact.text, " ")
	case Bool:
		if name, ok := p.named(IntValue(int64(v.bits))); ok {
			return name
		}
		return onOff(v.bits == 1)
	}
	if name, ok := p.named(v); ok {
		return name
	}
	if p.Type == TypeBits && p.Part.Width == 0 {
		return fmt.Sprintf("0x%0*X", 4*p.Count, v.bits)
	}
	return p.digits(v)
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// named is the map's name for a value.
func (p *Point) named(v Value) (string, bool) {
	if len(p.Values) == 0 {
		return "", false
	}
	r := v.Rat()
	for _, n := range p.Values {
		if n.Value.Cmp(r) == 0 {
			return n.Name, true
		}
	}
	return "", false
}

// digits writes a number with the decimals of the point. A number that would
// need more than 15 digits before the point is written with an exponent.
func (p *Point) digits(v Value) string {
	n := p.Decimals
	if n < 0 {
		n = p.resolution()
	}
	if v.kind == Float {
		f := math.Float64frombits(v.bits)
		if n < 0 {
			return strconv.FormatFloat(f, 'g', 7, 64)
		}
		if a := math.Abs(f); a >= 1e15 || a != 0 && a < 0.5*math.Pow10(-n) {
			return strconv.FormatFloat(f, 'e', 2, 64)
		}
	}
	return v.Rat().FloatString(max(n, 0))
}

// resolution is the decimals that make one step of the registers visible; -1
// for floats, which have no step of their own.
func (p *Point) resolution() int {
	if p.Type == TypeFloat32 || p.Type == TypeFloat64 {
		return -1
	}
	if p.Exponent != nil || p.Scale.Curved() {
		return -1
	}
	times, plus := p.Scale.TimesPlus()
	if n, ends := times.FloatPrec(); ends && n <= maxShown {
		if m, ends := plus.FloatPrec(); ends {
			return max(n, min(m, maxShown))
		}
	}
	step, _ := times.Float64()
	return min(max(int(math.Ceil(-math.Log10(math.Abs(step)))), 0), maxShown)
}

// Steps are the words of the way from a point's registers to its value.
type Steps struct {
	Number string // "float32 CDAB  12.4"
	Scale  string // "4000..20000 -> 0..3.00   (13707 - 4000) x 3.00 / 16000 = 1.8201"; "" for none
}

// Steps explains how the registers became v.
func (p *Point) Steps(raw []uint16, v Value) Steps {
	name := p.Type.String()
	if letters := p.Order.Letters(p.Count); p.Count > 1 && letters != "" || p.Order != ABCD && letters != "" {
		name += " " + letters
	}
	n := p.Order.join(raw)
	switch {
	case p.Type == TypeString:
		return Steps{Number: fmt.Sprintf("%s of %d characters", p.Type, p.Length)}
	case p.Part.Width == 1 || p.Type == TypeBool && !p.Table.Bits():
		s := fmt.Sprintf("bit %d is %d", p.Part.Low, n>>p.Part.Low&1)
		if p.Inverse {
			s += ", active when 0"
		}
		return Steps{Number: s}
	case p.Type == TypeBool:
		s := fmt.Sprintf("bit is %d", n&1)
		if p.Inverse {
			s += ", active when 0"
		}
		return Steps{Number: s}
	case p.Part.Width > 1:
		return Steps{Number: fmt.Sprintf("bits %d-%d are %d", p.Part.Low, p.Part.Low+p.Part.Width-1, n>>p.Part.Low&(1<<p.Part.Width-1))}
	case p.Type == TypeBits:
		return Steps{Number: fmt.Sprintf("%s  %0*b", name, 16*p.Count, n)}
	case p.absent(n):
		return Steps{Number: fmt.Sprintf("%s  %0*X means 'no value'", name, 4*p.Count, n)}
	}
	number := p.Type.number(n)
	if number.quality == Bad {
		return Steps{Number: name + "  " + number.cause.Words()}
	}
	return Steps{Number: name + "  " + number.Decimal(), Scale: p.scaleWords(number, v)}
}

// scaleWords writes the scale and its sum for one number.
func (p *Point) scaleWords(number, v Value) string {
	s := p.Scale
	if s.Identity() {
		return ""
	}
	result := v.Decimal()
	if f, ok := v.Float(); ok {
		result = strconv.FormatFloat(f, 'g', 5, 64)
	}
	if result == "" {
		result = v.cause.Words()
	}
	if s.Curved() {
		kind := "table"
		if s.curve.root {
			kind = "square root"
		}
		return kind + "   = " + result
	}
	if a, b, c, d, ok := s.Span(); ok {
		difference := func(x, y *big.Rat) string { return ratText(new(big.Rat).Sub(x, y)) }
		from := fmt.Sprintf("%s..%s -> %s..%s", ratText(a), ratText(b), ratText(c), ratText(d))
		sum := fmt.Sprintf("(%s - %s) x %s / %s", number.Decimal(), ratText(a), difference(d, c), difference(b, a))
		if c.Sign() != 0 {
			sum += " + " + ratText(c)
		}
		return from + "   " + sum + " = " + result
	}
	times, plus := s.TimesPlus()
	sum := fmt.Sprintf("%s x %s", number.Decimal(), ratText(times))
	if plus.Sign() != 0 {
		sum += " + " + ratText(plus)
	}
	return sum + " = " + result
}

// ratText writes a rational as decimal digits where it ends, else as a
// fraction.
func ratText(r *big.Rat) string {
	if n, ends := r.FloatPrec(); ends {
		return r.FloatString(n)
	}
	return r.RatString()
}

// Words is the scale as a map file would say it; "" for one that changes
// nothing. e is the exponent register that goes with it, or nil.
func (s Scale) Words(e *Exponent) string {
	var out string
	switch {
	case s.curve != nil && !s.curve.root:
		var rows []string
		for i := range s.curve.raw {
			rows = append(rows, fmt.Sprintf("[%s, %s]", ratText(s.curve.raw[i]), ratText(s.curve.value[i])))
		}
		out = "table " + strings.Join(rows, " ")
	case s.span != nil:
		out = fmt.Sprintf("raw %s..%s to %s..%s", ratText(s.span.rawA), ratText(s.span.rawB), ratText(s.span.valueA), ratText(s.span.valueB))
		if s.curve != nil {
			out = "square root, " + out
			if c := s.curve.cutoff; c != nil {
				out += ", cut-off " + ratText(new(big.Rat).Mul(c, big.NewRat(100, 1))) + " %"
			}
		}
	case s.line != nil:
		out = "times " + ratText(s.line.times)
		if s.line.plus.Sign() != 0 {
			out += " plus " + ratText(s.line.plus)
		}
	}
	if s.clamp {
		out += ", clamped"
	}
	if e != nil {
		out = strings.TrimPrefix(out+", power of ten in "+e.Span.String(), ", ")
	}
	return out
}

// Digits writes a rational as decimal digits where it ends, else as a
// fraction.
func Digits(r *big.Rat) string { return ratText(r) }
