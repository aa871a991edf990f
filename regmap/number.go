package regmap

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"strings"
	"unicode/utf8"
)

// Errors of the way from a value to registers; each is wrapped with what was
// given and what is allowed.
var (
	ErrKind  = errors.New("another kind of value is wanted")
	ErrRange = errors.New("beyond what the type can hold")
)

// number reads registers, put together to one number, as the type says, before
// any scale. A coding that the registers do not follow is bad, never a number.
func (t Type) number(n uint64) Value {
	switch t {
	case TypeInt16:
		return IntValue(int64(int16(n)))
	case TypeInt32:
		return IntValue(int64(int32(n)))
	case TypeInt64:
		return IntValue(int64(n))
	case TypeUint16, TypeUint32, TypeUint64, TypeBits, TypeBool:
		return UintValue(n)
	case TypeFloat32:
		return FloatValue(float64(math.Float32frombits(uint32(n))))
	case TypeFloat64:
		return FloatValue(math.Float64frombits(n))
	case TypeSignMag16:
		if n&0x8000 != 0 {
			return IntValue(-int64(n & 0x7FFF))
		}
		return IntValue(int64(n))
	case TypeBCD16, TypeBCD32:
		return fromBCD(n, types[t].registers*4)
	case TypeDecimalPair:
		high, low := n>>16, n&0xFFFF
		if high > 9999 || low > 9999 {
			return BadValue(NotDecimal)
		}
		return UintValue(high*10000 + low)
	}
	return BadValue(Internal)
}

// fromBCD reads decimal digits, one a nibble, most significant first.
func fromBCD(n uint64, digits int) Value {
	var v uint64
	for i := digits - 1; i >= 0; i-- {
		d := n >> (4 * i) & 0xF
		if d > 9 {
			return BadValue(NotDecimal)
		}
		v = v*10 + d
	}
	return UintValue(v)
}

// limits are the smallest and largest whole number of an integer type.
func (t Type) limits() (low, high *big.Int) {
	i := big.NewInt
	switch t {
	case TypeInt16:
		return i(math.MinInt16), i(math.MaxInt16)
	case TypeUint16:
		return i(0), i(math.MaxUint16)
	case TypeInt32:
		return i(math.MinInt32), i(math.MaxInt32)
	case TypeUint32:
		return i(0), i(math.MaxUint32)
	case TypeInt64:
		return i(math.MinInt64), i(math.MaxInt64)
	case TypeUint64:
		return i(0), new(big.Int).SetUint64(math.MaxUint64)
	case TypeSignMag16:
		return i(-0x7FFF), i(0x7FFF)
	case TypeBCD16:
		return i(0), i(9999)
	case TypeBCD32, TypeDecimalPair:
		return i(0), i(99999999)
	}
	return nil, nil
}

// code is the inverse of number: the register contents, before ordering, that
// hold the number r, rounded half away from zero where the type is whole.
func (t Type) code(r *big.Rat, negativeZero bool) (uint64, error) {
	switch t {
	case TypeFloat32:
		f, _ := r.Float32()
		if math.IsInf(float64(f), 0) {
			return 0, fmt.Errorf("%s: %w float32", r.FloatString(0), ErrRange)
		}
		if negativeZero {
			f = float32(math.Copysign(0, -1))
		}
		return uint64(math.Float32bits(f)), nil
	case TypeFloat64:
		f, _ := r.Float64()
		if math.IsInf(f, 0) {
			return 0, fmt.Errorf("%s: %w float64", r.FloatString(0), ErrRange)
		}
		if negativeZero {
			f = math.Copysign(0, -1)
		}
		return math.Float64bits(f), nil
	}
	low, high := t.limits()
	n := roundRat(r)
	if low == nil || n.Cmp(low) < 0 || n.Cmp(high) > 0 {
		return 0, fmt.Errorf("raw %s: %w %s (%v to %v)", n, ErrRange, t, low, high)
	}
	return t.codeWhole(n), nil
}

// codeWhole codes a whole number that is within the type's limits.
func (t Type) codeWhole(n *big.Int) uint64 {
	switch t {
	case TypeUint64:
		return n.Uint64()
	case TypeSignMag16:
		if n.Sign() < 0 {
			return 0x8000 | uint64(-n.Int64())
		}
	case TypeBCD16, TypeBCD32:
		var code uint64
		for i, v := 0, n.Int64(); v > 0; i, v = i+4, v/10 {
			code |= uint64(v%10) << i
		}
		return code
	case TypeDecimalPair:
		return uint64(n.Int64()/10000)<<16 | uint64(n.Int64()%10000)
	}
	return uint64(n.Int64())
}

// roundRat is the nearest whole number, halves away from zero.
func roundRat(r *big.Rat) *big.Int {
	twice := new(big.Int).Lsh(r.Num(), 1)
	if r.Sign() < 0 {
		twice.Sub(twice, r.Denom())
	} else {
		twice.Add(twice, r.Denom())
	}
	return twice.Quo(twice, new(big.Int).Lsh(r.Denom(), 1))
}

// characters reads a string of the given length, two characters a register,
// high byte first unless the order swaps them. NULs at the end are padding.
// Bytes that are no UTF-8 are bad.
func characters(o Order, raw []uint16, length int) Value {
	b := make([]byte, 0, 2*len(raw))
	for _, w := range raw {
		if o&BytesSwapped != 0 {
			w = w<<8 | w>>8
		}
		b = append(b, byte(w>>8), byte(w))
	}
	s := strings.TrimRight(string(b[:length]), "\x00")
	if !utf8.ValidString(s) {
		return BadValue(NotText)
	}
	return TextValue(s)
}

// codeCharacters is the inverse of characters, padded with NULs.
func codeCharacters(dst []uint16, o Order, s string, length int) ([]uint16, error) {
	if len(s) > length {
		return nil, fmt.Errorf("%q: %w a string of %d characters", s, ErrRange, length)
	}
	b := make([]byte, (length+1)/2*2)
	copy(b, s)
	for i := 0; i < len(b); i += 2 {
		w := uint16(b[i])<<8 | uint16(b[i+1])
		if o&BytesSwapped != 0 {
			w = w<<8 | w>>8
		}
		dst = append(dst, w)
	}
	return dst, nil
}
