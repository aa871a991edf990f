package regmap

import (
	"math"
	"math/big"
	"strconv"
)

// Kind is which of its forms a Value has. The zero Kind is None.
type Kind uint8

// The closed sum of value forms.
const (
	None Kind = iota
	Bool
	Int   // int64
	Uint  // uint64
	Float // float64, or an exact number beyond 53 bits
	Text
)

// A Value is what a point's registers mean: one of bool, int64, uint64,
// float64, text or nothing, with its quality and cause. It is immutable. The
// zero Value is nothing, bad, 'never read'.
//
// A number that float64 cannot hold without losing digits keeps its exact form
// beside the nearest float64, so that value to raw is the inverse of raw to
// value.
type Value struct {
	bits  uint64
	exact *exactNumber // only where float64 is not enough
	standing
}

// standing is the small part of a Value. It is a struct of its own because the
// compiler keeps structs of at most four fields in processor registers; one of
// five costs several times the conversion itself.
type standing struct {
	kind    Kind
	quality Quality
	cause   Cause
}

// good is the standing of a good value of one kind.
func good(k Kind) standing { return standing{k, Good, NoCause} }

// exactNumber is what 64 bits do not hold: a rational number with the sign of
// zero that rationals lack, or text.
type exactNumber struct {
	rat          *big.Rat
	negativeZero bool
	text         string
}

// BoolValue, IntValue, UintValue, FloatValue and TextValue are good values. A
// FloatValue of NaN or infinity is bad with NotANumber and holds nothing.
func BoolValue(b bool) Value {
	v := Value{standing: good(Bool)}
	if b {
		v.bits = 1
	}
	return v
}

// IntValue is a good signed whole number.
func IntValue(n int64) Value {
	return Value{bits: uint64(n), standing: good(Int)}
}

// UintValue is a good unsigned whole number.
func UintValue(n uint64) Value {
	return Value{bits: n, standing: good(Uint)}
}

// FloatValue is a good number; NaN and infinity are bad with NotANumber.
func FloatValue(f float64) Value {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return BadValue(NotANumber)
	}
	return Value{bits: math.Float64bits(f), standing: good(Float)}
}

// TextValue is good text.
func TextValue(s string) Value {
	return Value{exact: &exactNumber{text: s}, standing: good(Text)}
}

// ExactValue is a good number given exactly. Whole numbers of up to 64 bits
// become Int or Uint; the rest become Float, with the exact form kept where
// the nearest float64 would lose digits. Beyond float64's range it is bad.
func ExactValue(r *big.Rat) Value {
	if r.IsInt() {
		if n := r.Num(); n.IsInt64() {
			return IntValue(n.Int64())
		} else if n.IsUint64() {
			return UintValue(n.Uint64())
		}
	}
	f, same := nearest(r)
	v := FloatValue(f)
	if !same && v.kind == Float {
		v.exact = &exactNumber{rat: new(big.Rat).Set(r)}
	}
	return v
}

// leastNormal is the least float64 that has all its 53 bits.
// Source: IEEE 754-2008, 3.4 (binary64, emin -1022).
const leastNormal = 0x1p-1022

// nearest is the float64 nearest to r, and whether it is r. Below leastNormal
// the library's own word for that is not taken: go1.26 calls 125/1000 of the
// least float64 exactly 0.
func nearest(r *big.Rat) (f float64, same bool) {
	f, same = r.Float64()
	if same && math.Abs(f) < leastNormal {
		same = new(big.Rat).SetFloat64(f).Cmp(r) == 0
	}
	return f, same
}

// BadValue is nothing, with its cause.
func BadValue(c Cause) Value { return Value{standing: standing{quality: Bad, cause: c}} }

// Doubt is the same value, uncertain for a cause. A bad value stays as it is.
func (v Value) Doubt(c Cause) Value {
	if v.quality == Good {
		v.quality, v.cause = Uncertain, c
	}
	return v
}

// Kind is which form the value has.
func (v Value) Kind() Kind { return v.kind }

// Quality says how far the value may be trusted.
func (v Value) Quality() Quality { return v.quality }

// Cause says why it is not good; NoCause when it is.
func (v Value) Cause() Cause { return v.cause }

// Bool is the state of a Bool value; ok is false for any other kind.
func (v Value) Bool() (b, ok bool) { return v.bits == 1 && v.kind == Bool, v.kind == Bool }

// Text is the text of a Text value; ok is false for any other kind.
func (v Value) Text() (s string, ok bool) {
	if v.kind != Text {
		return "", false
	}
	return v.exact.text, true
}

// Float is the number as the nearest float64; ok is false for bool, text and
// nothing.
func (v Value) Float() (f float64, ok bool) {
	if v.kind == Float { // the most frequent first
		return math.Float64frombits(v.bits), true
	}
	switch v.kind {
	case Int:
		return float64(int64(v.bits)), true
	case Uint:
		return float64(v.bits), true
	}
	return 0, false
}

// Uint is an unsigned whole number; ok is false for any other value.
func (v Value) Uint() (n uint64, ok bool) {
	switch {
	case v.kind == Uint:
		return v.bits, true
	case v.kind == Int && int64(v.bits) >= 0:
		return v.bits, true
	}
	return 0, false
}

// Rat is the number exactly; nil for bool, text and nothing. A float without
// an exact form is taken at its shortest decimal, which is what was written.
func (v Value) Rat() *big.Rat {
	switch v.kind {
	case Int:
		return new(big.Rat).SetInt64(int64(v.bits))
	case Uint:
		return new(big.Rat).SetUint64(v.bits)
	case Float:
		if v.exact != nil {
			return new(big.Rat).Set(v.exact.rat)
		}
		r, _ := new(big.Rat).SetString(strconv.FormatFloat(math.Float64frombits(v.bits), 'g', -1, 64))
		return r
	}
	return nil
}

// maxDecimals bounds the digits printed of an exact number that does not end.
const maxDecimals = 17

// Decimal is the number in decimal digits for files: exact where the decimal
// ends within 17 significant digits after the point, else the nearest float64
// at its shortest. It is empty for bool, text and nothing.
func (v Value) Decimal() string {
	switch v.kind {
	case Int:
		return strconv.FormatInt(int64(v.bits), 10)
	case Uint:
		return strconv.FormatUint(v.bits, 10)
	case Float:
		if v.exact != nil {
			if n, ends := v.exact.rat.FloatPrec(); ends && n <= maxDecimals {
				return v.exact.rat.FloatString(n)
			}
		}
		return formatFloat(math.Float64frombits(v.bits))
	}
	return ""
}

// formatFloat writes a float64 at its shortest, without exponent where that
// stays readable; the text is also a JSON number.
func formatFloat(f float64) string {
	if a := math.Abs(f); a != 0 && (a < 1e-6 || a >= 1e15) {
		return strconv.FormatFloat(f, 'e', -1, 64)
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// Same says whether two values are equal in kind, content, quality and cause.
// Numbers are compared as numbers, whatever form they have.
func (v Value) Same(o Value) bool {
	if v.quality != o.quality || v.cause != o.cause {
		return false
	}
	a, b := v.Rat(), o.Rat()
	if a != nil && b != nil {
		return a.Cmp(b) == 0
	}
	text, _ := v.Text()
	other, _ := o.Text()
	return a == nil && b == nil && v.kind == o.kind && v.bits == o.bits && text == other
}
