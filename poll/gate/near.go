package gate

import (
	"math/big"

	"plumbline/regmap"
)

// near says whether another point's reading is a value, to one step of that
// point's registers, or for a float to the decimals that were written.
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
	if p.Type == regmap.TypeFloat32 || p.Type == regmap.TypeFloat64 {
		n, _ := a.FloatPrec()
		return a.FloatString(n) == b.FloatString(n)
	}
	if p.Scale.Curved() {
		return false
	}
	step, _ := p.Scale.TimesPlus()
	difference := new(big.Rat).Sub(a, b)
	return difference.Abs(difference).Cmp(step.Abs(step)) <= 0
}

func bit(on bool) int {
	if on {
		return 1
	}
	return 0
}
