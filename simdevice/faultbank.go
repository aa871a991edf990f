package simdevice

import (
	"fmt"
	"math/big"
	"slices"

	"plumbline/regmap"
)

// bankHook lets the faults of points change what a request reads. Several
// faults of one point work one after another.
func bankHook(all []*trouble, first func(regmap.Unit, regmap.Span, []uint16, regmap.Contents)) func(regmap.Unit, regmap.Span, []uint16, regmap.Contents) {
	return func(u regmap.Unit, s regmap.Span, raw []uint16, now regmap.Contents) {
		if first != nil {
			first(u, s, raw, now)
		}
		for i, t := range all {
			if t.scope.Unit != u || !t.scope.Span.Overlaps(s) || earlier(all[:i], t) {
				continue
			}
			var room [8]uint16
			words, ok := now.AppendRaw(room[:0], t.scope.Span)
			if !ok {
				continue
			}
			for _, o := range all[i:] {
				if o.point == t.point && o.scope.Unit == u && o.happens() {
					o.changes(words)
				}
			}
			lay(s, raw, t.point, words)
		}
	}
}

// earlier says whether the point was dealt with already.
func earlier(all []*trouble, t *trouble) bool {
	return slices.ContainsFunc(all, func(o *trouble) bool { return o.point == t.point && o.scope.Unit == t.scope.Unit })
}

// lay puts the point's bits of its registers into what is read.
func lay(s regmap.Span, raw []uint16, p *regmap.Point, words []uint16) {
	mask := maskOf(p)
	for i, w := range words {
		if at := int(p.Address) + i - int(s.First); at >= 0 && at < len(raw) {
			raw[at] = raw[at]&^mask[i] | w&mask[i]
		}
	}
}

// holding shows the same contents always.
func holding(fixed []uint16) func(raw []uint16) {
	return func(raw []uint16) { copy(raw, fixed) }
}

// tearing shows the first register of the read before, and the rest of this
// one: what a client gets that asks for the two halves one after the other, or
// a device that does not keep them together.
func tearing(t *trouble) func(raw []uint16) {
	return func(raw []uint16) {
		t.mu.Lock()
		defer t.mu.Unlock()
		now := slices.Clone(raw)
		if t.before != nil {
			raw[0] = t.before[0]
		}
		t.before = now
	}
}

// jumping shows the value by so much too high or too low, by a coin. A value
// that the type cannot hold is left as it is.
func jumping(t *trouble, by *big.Rat) func(raw []uint16) {
	return func(raw []uint16) {
		way := by
		if !t.up() {
			way = new(big.Rat).Neg(by)
		}
		change(t.point, raw, func(v *big.Rat) *big.Rat { return new(big.Rat).Add(v, way) })
	}
}

// change gives the registers another value of the point; what cannot be held
// leaves them as they are.
func change(p *regmap.Point, raw []uint16, to func(*big.Rat) *big.Rat) {
	v := p.ValueOf(raw).Rat()
	if v == nil {
		return
	}
	if out, err := p.AppendRaw(nil, regmap.ExactValue(to(v)), raw); err == nil {
		copy(raw, out)
	}
}

// ranged shows what a transmitter gives that is ranged from low to high, while
// the map has it ranged from its own ends: the signal is right, its meaning is
// not.
func ranged(p *regmap.Point, low, high *big.Rat) (func(raw []uint16), error) {
	_, _, a, b, ok := p.Scale.Span()
	if !ok || p.Scale.Curved() {
		return nil, fmt.Errorf("%s has no scale with two ends; a span is of such a scale", p.Name)
	}
	if low.Cmp(high) == 0 {
		return nil, fmt.Errorf("the ends of a span differ; both are %s", low.RatString())
	}
	gain := new(big.Rat).Quo(new(big.Rat).Sub(b, a), new(big.Rat).Sub(high, low))
	return func(raw []uint16) {
		change(p, raw, func(v *big.Rat) *big.Rat {
			v = new(big.Rat).Sub(v, low)
			return v.Add(v.Mul(v, gain), a)
		})
	}, nil
}

// bitsOf is how many bits a point's plain counting type has; 0 for any other.
func bitsOf(p *regmap.Point) uint {
	switch p.Type {
	case regmap.TypeUint16, regmap.TypeUint32, regmap.TypeUint64:
		if p.Part.Width == 0 && !p.Scale.Curved() {
			return uint(16 * p.Count)
		}
	}
	return 0
}

// counting shows a counter that stands elsewhere: to is what it shows for the
// contents now, in counts; from there it goes on and rolls over as its type
// does.
func counting(p *regmap.Point, now []uint16, to func(largest *big.Int) *big.Int) (func(raw []uint16), error) {
	bits := bitsOf(p)
	times, plus := p.Scale.TimesPlus()
	if bits == 0 {
		return nil, fmt.Errorf("%s is %s; counters that roll over are uint16, uint32 or uint64", p.Name, p.Type)
	}
	size := new(big.Int).Lsh(big.NewInt(1), bits)
	count := func(v *big.Rat) *big.Int {
		n := new(big.Rat).Quo(new(big.Rat).Sub(v, plus), times)
		return new(big.Int).Quo(n.Num(), n.Denom())
	}
	v := p.ValueOf(now).Rat()
	if v == nil {
		return nil, fmt.Errorf("%s holds no number now", p.Name)
	}
	move := new(big.Int).Sub(to(new(big.Int).Sub(size, big.NewInt(1))), count(v))
	return func(raw []uint16) {
		change(p, raw, func(v *big.Rat) *big.Rat {
			n := count(v)
			n.Mod(n.Add(n, move), size) // Euclidean: never negative
			out := new(big.Rat).SetInt(n)
			return out.Add(out.Mul(out, times), plus)
		})
	}, nil
}
