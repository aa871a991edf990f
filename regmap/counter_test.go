package regmap

import (
	"math/big"
	"testing"
)

// TestIncrease: worked roll-overs (65530 to 4 is +10, 4294967290 to 5 is +11,
// computed) and resets told apart by what could have been counted.
func TestIncrease(t *testing.T) {
	counter := func(t Type, times string) *Point {
		p := pointOf(t, ABCD)
		p.Counter = true
		if times != "" {
			r, _ := new(big.Rat).SetString(times)
			p.Scale, _ = TimesPlus(r, new(big.Rat))
		}
		return p
	}
	for _, v := range []struct {
		p                       *Point
		before, now, most, want string
		step                    Step
	}{
		{counter(TypeUint16, ""), "65530", "4", "", "10", Rolled},
		{counter(TypeUint32, ""), "4294967290", "5", "", "11", Rolled},
		{counter(TypeUint64, ""), "18446744073709551615", "0", "", "1", Rolled},
		{counter(TypeBCD16, ""), "9999", "1", "", "2", Rolled},
		{counter(TypeDecimalPair, ""), "99999998", "3", "", "5", Rolled},
		{counter(TypeUint16, ""), "100", "130", "", "30", Counted},
		{counter(TypeUint16, ""), "100", "100", "", "0", Counted},
		{counter(TypeUint16, ""), "1000", "3", "", "3", Reset},      // would be 64539 up
		{counter(TypeUint16, ""), "65530", "4", "5", "4", Reset},    // ten more were not possible
		{counter(TypeUint16, ""), "65530", "4", "10", "10", Rolled}, // ten were
		{counter(TypeUint16, "0.1"), "6553.0", "0.4", "", "1", Rolled},
		{counter(TypeInt32, ""), "50", "2", "", "2", Reset},
		{counter(TypeFloat32, ""), "50", "2", "", "2", Reset},
	} {
		rat := func(s string) *big.Rat {
			if s == "" {
				return nil
			}
			r, _ := new(big.Rat).SetString(s)
			return r
		}
		got, step, ok := v.p.Increase(ExactValue(rat(v.before)), ExactValue(rat(v.now)), rat(v.most))
		if !ok || step != v.step || got.Cmp(rat(v.want)) != 0 {
			t.Errorf("%s from %s to %s: %v, step %d; want %s, step %d", v.p.Type, v.before, v.now, got, step, v.want, v.step)
		}
	}
	if _, _, ok := pointOf(TypeUint16, ABCD).Increase(IntValue(1), IntValue(2), nil); ok {
		t.Error("no counter, and it counted")
	}
	if _, _, ok := counter(TypeUint16, "").Increase(BadValue(Silent), IntValue(2), nil); ok {
		t.Error("a bad value counted")
	}
}
