package regmap

import "math/big"

// Step is what happened to a counter between two readings. The zero Step is
// not valid.
type Step uint8

// The steps of a counter.
const (
	Counted Step = iota + 1 // went up, or stood still
	Rolled                  // went through its top and on from zero
	Reset                   // fell, and too far to have rolled over: replaced, cleared or misread
)

// modulus is how many different numbers a counter's type has before it begins
// again at zero; nil for types that do not roll over.
// Source: trade facts on counters (2^16, 2^32, and 10^4, 10^8 where decimal).
func (t Type) modulus() *big.Int {
	power := func(base, n int64) *big.Int { return new(big.Int).Exp(big.NewInt(base), big.NewInt(n), nil) }
	switch t {
	case TypeUint16:
		return power(2, 16)
	case TypeUint32:
		return power(2, 32)
	case TypeUint64:
		return power(2, 64)
	case TypeBCD16:
		return power(10, 4)
	case TypeBCD32, TypeDecimalPair:
		return power(10, 8)
	}
	return nil
}

// Increase is how much a counter went up between two readings, in units. A fall
// is taken for a roll-over only when the increase that this means is at most
// what could have been counted in the time between, most; otherwise it is a
// reset, and the increase is what the counter shows since. most nil means that
// nothing is known: then a fall is a roll-over when it means less than half the
// counter's range. ok is false when either value is no number, or the point is
// no counter.
func (p *Point) Increase(before, now Value, most *big.Rat) (increase *big.Rat, step Step, ok bool) {
	a, b := before.Rat(), now.Rat()
	if a == nil || b == nil || !p.Counter {
		return nil, 0, false
	}
	increase = new(big.Rat).Sub(b, a)
	if increase.Sign() >= 0 {
		return increase, Counted, true
	}
	m := p.Type.modulus()
	if m == nil || p.Scale.Curved() {
		return new(big.Rat).Set(b), Reset, true
	}
	times, _ := p.Scale.TimesPlus()
	whole := new(big.Rat).Mul(new(big.Rat).SetInt(m), times)
	rolled := new(big.Rat).Add(increase, whole)
	limit := most
	if limit == nil {
		limit = new(big.Rat).Quo(whole, big.NewRat(2, 1))
	}
	if rolled.Cmp(limit) <= 0 {
		return rolled, Rolled, true
	}
	return new(big.Rat).Set(b), Reset, true
}
