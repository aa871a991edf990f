package gate

import (
	"math/big"

	"plumbline/regmap"
)

// floatShare is how far a float may be off, as a share of the value: a binary32
// keeps 24 bits, 6e-8 (IEEE 754), and a device may have scaled it once or twice.
// Ours.
var floatShare = big.NewRat(1, 1_000_000)

// near says whether another point's reading is a value, to one step of that
// point's registers, or for a float to what rounding explains.
func near(p *regmap.Point, want, read regmap.Value) bool {
	if same(want, read) || holds(p, want, read) {
		return true
	}
	a, b := want.Rat(), read.Rat()
	if on, ok := want.Bool(); ok && b != nil { // a contact that another device counts as 0 and 1
		return b.Cmp(big.NewRat(int64(bit(on)), 1)) == 0
	}
	if a == nil || b == nil {
		return false
	}
	difference := new(big.Rat).Sub(a, b)
	difference.Abs(difference)
	switch {
	case p.Type == regmap.TypeFloat32, p.Type == regmap.TypeFloat64:
		most := new(big.Rat).Mul(a, floatShare)
		return difference.Cmp(most.Abs(most)) <= 0
	case p.Scale.Curved():
		return false
	}
	step, _ := p.Scale.TimesPlus()
	return difference.Cmp(step.Abs(step)) <= 0
}

func bit(on bool) int {
	if on {
		return 1
	}
	return 0
}
