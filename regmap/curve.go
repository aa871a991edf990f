package regmap

import (
	"math"
	"math/big"
)

// apply turns a number into its value on a curve.
func (c *curve) apply(n Value) Value {
	if c.root {
		return c.applyRoot(n)
	}
	r := between(n.exactRat(), c.raw, c.value, c.stretch(c.raw, n.exactRat()))
	f, same := nearest(r)
	v := FloatValue(f)
	if !same && v.kind == Float {
		v.exact = &exactNumber{rat: r}
	}
	return v
}

// stretch is the index of the corner that ends the stretch a number lies on;
// the corners ascend, or descend.
func (c *curve) stretch(corners []*big.Rat, r *big.Rat) int {
	up := corners[len(corners)-1].Cmp(corners[0]) > 0
	for i := 1; i < len(corners)-1; i++ {
		if cmp := r.Cmp(corners[i]); up && cmp <= 0 || !up && cmp >= 0 {
			return i
		}
	}
	return len(corners) - 1
}

// between is the straight line through corner i-1 and corner i.
func between(r *big.Rat, from, to []*big.Rat, i int) *big.Rat {
	share := new(big.Rat).Sub(r, from[i-1])
	share.Quo(share, new(big.Rat).Sub(from[i], from[i-1]))
	share.Mul(share, new(big.Rat).Sub(to[i], to[i-1]))
	return share.Add(share, to[i-1])
}

// applyRoot is value = valueA + (valueB - valueA) x sqrt(share), in float64,
// which is enough for numbers of up to 32 bits to come back from their root.
func (c *curve) applyRoot(n Value) Value {
	share := new(big.Rat).Sub(n.exactRat(), c.raw[0])
	share.Quo(share, new(big.Rat).Sub(c.raw[1], c.raw[0]))
	p, _ := share.Float64()
	root := math.Copysign(math.Sqrt(math.Abs(p)), p)
	if c.cutoff != nil {
		if least, _ := c.cutoff.Float64(); root < least {
			root = 0
		}
	}
	a, _ := c.value[0].Float64()
	b, _ := c.value[1].Float64()
	if root == 1 {
		return FloatValue(b) // the end of the span is in the span, whatever a + (b-a) gives
	}
	return FloatValue(a + (b-a)*root)
}

// undo is the number that a value on the curve stands for.
func (c *curve) undo(v *big.Rat) *big.Rat {
	if !c.root {
		return between(v, c.value, c.raw, c.stretch(c.value, v))
	}
	share := new(big.Rat).Sub(v, c.value[0])
	share.Quo(share, new(big.Rat).Sub(c.value[1], c.value[0]))
	square := new(big.Rat).Mul(share, share)
	if share.Sign() < 0 {
		square.Neg(square)
	}
	r := square.Mul(square, new(big.Rat).Sub(c.raw[1], c.raw[0]))
	return r.Add(r, c.raw[0])
}
