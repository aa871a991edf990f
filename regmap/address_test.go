package regmap

import (
	"errors"
	"math/big"
	"testing"
)

// TestReferences: the leading digit is the table, counting begins at 1
// (common practice; V1.1b3, 4.4 for "number X is address X-1").
func TestReferences(t *testing.T) {
	for _, v := range []struct {
		s       string
		table   Table
		address Address
	}{
		{"00017", Coil, 16}, {"00001", Coil, 0}, {"000017", Coil, 16}, {"10001", DiscreteInput, 0}, {"30003", InputRegister, 2},
		{"40001", HoldingRegister, 0}, {"400001", HoldingRegister, 0}, {"49999", HoldingRegister, 9998},
		{"465536", HoldingRegister, 65535}, {"365536", InputRegister, 65535}, {"065536", Coil, 65535},
	} {
		r, err := ParseReference(v.s)
		if err != nil || r.Table != v.table || r.Address() != v.address || r.String() != v.s {
			t.Errorf("%s: %s %d, %v, back %s", v.s, r.Table, r.Address(), err, r)
		}
	}
	for _, s := range []string{"", "4001", "4000001", "20001", "50001", "90001", "40000", "400000", "465537", "4x001", "-0001", "٤٠٠٠١"} {
		if r, err := ParseReference(s); !errors.Is(err, ErrReference) || r != (Reference{}) {
			t.Errorf("%q: %v, %v", s, r, err)
		}
	}
	if got := ReferenceOf(HoldingRegister, 9999).String(); got != "410000" {
		t.Errorf("address 9999 is %s", got)
	}
}

func TestSpans(t *testing.T) {
	s := Span{HoldingRegister, 65534, 2}
	if s.End() != 65536 || s.Last() != 65535 || !s.Contains(65535) || s.Contains(0) {
		t.Errorf("%v: end %d, last %d", s, s.End(), s.Last())
	}
	if !s.Overlaps(Span{HoldingRegister, 65535, 1}) || s.Overlaps(Span{InputRegister, 65535, 1}) || s.Overlaps(Span{HoldingRegister, 65533, 1}) {
		t.Error("overlap")
	}
	if got := (Span{InputRegister, 2, 2}).String(); got != "30003-30004 (address 2-3)" {
		t.Error(got)
	}
	if got := (Span{InputRegister, 0, 1}).String(); got != "30001 (address 0)" {
		t.Error(got)
	}
}

// TestLayout: the gap rule, for the station and for the plan.
func TestLayout(t *testing.T) {
	h := HoldingRegister
	l := NewLayout([]Span{{h, 10, 2}, {h, 14, 1}, {h, 12, 1}, {h, 20, 4}, {h, 65535, 1}}, []Span{{h, 16, 1}, {h, 30, 4}}, Limits{Registers: 125, Coils: 2000, Gap: 2})
	for _, v := range []struct {
		first   Address
		count   int
		answers bool
	}{
		{10, 1, true}, {10, 3, true}, {10, 5, true}, // over 13, a gap of 1
		{13, 1, true},                  // inside the gap
		{14, 2, false}, {15, 1, false}, // 15 to 19 is longer than the gap
		{9, 2, false}, {20, 4, true}, {20, 5, false}, {24, 1, false}, {0, 1, false},
		{65535, 1, true}, {65535, 2, false}, {10, 0, false},
	} {
		if got := l.Answers(Span{h, v.first, v.count}); got != v.answers {
			t.Errorf("read of %d, %d: %v, want %v", v.first, v.count, got, v.answers)
		}
	}
	if l.Answers(Span{InputRegister, 10, 1}) {
		t.Error("another table answers")
	}
	if !l.Has(Span{h, 10, 3}) || l.Has(Span{h, 10, 4}) || l.Has(Span{h, 9, 1}) {
		t.Error("has")
	}
	if !l.Bridges(h, 13, 14) || l.Bridges(h, 15, 18) || !l.Bridges(h, 15, 15) || l.Bridges(h, 15, 17) {
		t.Error("bridges: a gap of 2 at most, and no hole")
	}
	if !l.InHole(Span{h, 33, 5}) || l.InHole(Span{h, 34, 5}) || l.InHole(Span{h, 29, 1}) {
		t.Error("holes")
	}
	if l.MostRead(h) != 125 || l.MostRead(Coil) != 2000 || len(l.Mapped(h)) != 4 || l.Limits().Gap != 2 {
		t.Errorf("%v", l.Mapped(h))
	}
}

func TestNames(t *testing.T) {
	for _, table := range Tables {
		if got, ok := ParseTable(table.String()); !ok || got != table {
			t.Errorf("%v", table)
		}
	}
	if _, ok := ParseTable("holding"); ok || Table(9).String() != "table(9)" || Type(99).String() != "type(99)" || Quality(9).String() != "quality(9)" || Cause(99).String() != "cause(99)" || Cause(99).Words() != "cause(99)" {
		t.Error("names of what does not exist")
	}
	for _, name := range TypeNames() {
		if typ, ok := ParseType(name); !ok || typ.String() != name {
			t.Errorf("%s", name)
		}
	}
	if _, ok := ParseType("word"); ok {
		t.Error("word is no type")
	}
	if Coil.Writable() == DiscreteInput.Writable() || !Coil.Bits() || InputRegister.Bits() {
		t.Error("tables")
	}
	seen := map[string]bool{}
	for c := Cause(0); c < causeCount; c++ {
		if word := c.String(); seen[word] || c != NoCause && (word == "" || c.Words() == "") {
			t.Errorf("cause %d: %q, %q", c, word, c.Words())
		}
		seen[c.String()] = true
	}
}

func TestValues(t *testing.T) {
	var zero Value
	if zero.Quality() != Bad || zero.Cause() != NeverRead || zero.Kind() != None || zero.Decimal() != "" || zero.Rat() != nil {
		t.Errorf("the zero value: %v", zero)
	}
	if _, ok := zero.Float(); ok {
		t.Error("the zero value is a number")
	}
	if _, ok := zero.Uint(); ok {
		t.Error("the zero value is a whole number")
	}
	if n, ok := IntValue(5).Uint(); !ok || n != 5 {
		t.Error("5")
	}
	big1, _ := new(big.Rat).SetString("18446744073709551.615")
	v := ExactValue(big1)
	if v.Kind() != Float || v.Decimal() != "18446744073709551.615" || v.Rat().Cmp(big1) != 0 {
		t.Errorf("beyond 53 bits: %s", v.Decimal())
	}
	huge, _ := new(big.Rat).SetString("1e400")
	if v := ExactValue(new(big.Rat).Add(huge, big.NewRat(1, 3))); v.Quality() != Bad || v.Cause() != NotANumber {
		t.Errorf("1e400: %s %s", v.Quality(), v.Cause())
	}
	third := ExactValue(big.NewRat(1, 3))
	if third.Decimal() != "0.3333333333333333" {
		t.Errorf("a third is %s", third.Decimal())
	}
	if !IntValue(3).Same(FloatValue(3)) || IntValue(3).Same(IntValue(3).Doubt(OutOfSpan)) || !TextValue("a").Same(TextValue("a")) || BoolValue(true).Same(BoolValue(false)) || IntValue(1).Same(TextValue("1")) {
		t.Error("same")
	}
	if v := BadValue(Silent).Doubt(OutOfSpan); v.Cause() != Silent {
		t.Error("a bad value became uncertain")
	}
	for f, want := range map[float64]string{0: "0", 1.5: "1.5", 1e15: "1e+15", 1e-7: "1e-07", 123456789.25: "123456789.25"} {
		if got := FloatValue(f).Decimal(); got != want {
			t.Errorf("%v is %s, want %s", f, got, want)
		}
	}
	if b, ok := BoolValue(true).Bool(); !b || !ok {
		t.Error("true")
	}
}
