package ucum

import (
	"errors"
	"fmt"
	"math/big"
)

// A Unit is what a code means. It is a value: copy it freely. The zero Unit is
// that of a plain number.
type Unit struct {
	code string
	meaning
}

// String is the code as it was written; "1" for the zero Unit.
func (u Unit) String() string {
	if u.code == "" {
		return "1"
	}
	return u.code
}

// Dimension is the exponents of the base quantities.
func (u Unit) Dimension() Dimension { return u.dimension }

// Quantity is what the unit measures, for people: "pressure", "volume flow";
// where there is no name, the base units, such as "m4.s-1".
func (u Unit) Quantity() string {
	if u.scale != "" {
		return ownScales[u.scale]
	}
	if name := u.dimension.Name(); name != "" {
		return name
	}
	return u.dimension.String()
}

// Exact says whether the unit is an exact multiple of the base units. Only
// units with pi in them (deg, circ) are not; among themselves they convert
// exactly all the same.
func (u Unit) Exact() bool { return u.turns == 0 }

// ErrDimension is wrapped by Convert's errors: the two units do not measure the
// same thing.
var ErrDimension = errors.New("not the same quantity")

// Convert gives a value of one unit in another, exactly. Between units whose
// powers of pi differ (deg and rad) pi is taken with the 64 decimals that UCUM
// gives. value is not nil and is not changed.
//
// Units of different dimensions, and those on a scale of their own (pH, dB)
// with any other, give an error that wraps ErrDimension.
func Convert(value *big.Rat, from, to Unit) (*big.Rat, error) {
	if err := commensurable(from, to); err != nil {
		return nil, err
	}
	x := new(big.Rat).Mul(value, ratio(from, to))
	if from.offset == nil && to.offset == nil {
		return x, nil
	}
	shift := new(big.Rat)
	if from.offset != nil {
		shift.Add(shift, from.offset)
	}
	if to.offset != nil {
		shift.Sub(shift, to.offset)
	}
	return x.Add(x, shift.Quo(shift, to.times())), nil
}

// ConvertDifference is Convert for a difference of two values, such as a
// deadband, a span or a tolerance: the zero of a temperature scale plays no
// part. A difference of 5 Cel is one of 9 [degF].
func ConvertDifference(value *big.Rat, from, to Unit) (*big.Rat, error) {
	if err := commensurable(from, to); err != nil {
		return nil, err
	}
	return new(big.Rat).Mul(value, ratio(from, to)), nil
}

// commensurable says why two units cannot be converted.
func commensurable(from, to Unit) error {
	if from.dimension == to.dimension && from.scale == to.scale {
		return nil
	}
	return fmt.Errorf("%q is %s and %q is %s: %w", from, from.Quantity(), to, to.Quantity(), ErrDimension)
}

// ratio is how many of to make one of from.
func ratio(from, to Unit) *big.Rat {
	r := new(big.Rat).Quo(from.times(), to.times())
	if turns := from.turns - to.turns; turns != 0 {
		r.Mul(r, power(pi(), turns))
	}
	return r
}

// pi is UCUM's number.
func pi() *big.Rat {
	r, _ := new(big.Rat).SetString(piDigits)
	return r
}
