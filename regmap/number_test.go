package regmap

import (
	"errors"
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"
)

// numberVectors are registers on the wire and the number they hold. Sources:
// the appendix of an RFC, published course pages, and register contents quoted
// in public threads of protocol libraries, each computed again here.
var numberVectors = []struct {
	src   string
	typ   Type
	order Order
	regs  []uint16
	want  string // decimal
}{
	{"RFC 8949 appendix A", TypeFloat32, ABCD, []uint16{0x47C3, 0x5000}, "100000"},
	{"RFC 8949 appendix A", TypeFloat32, ABCD, []uint16{0x7F7F, 0xFFFF}, "3.4028234663852886e+38"},
	{"RFC 8949 appendix A", TypeFloat64, ABCD, []uint16{0x3FF1, 0x9999, 0x9999, 0x999A}, "1.1"},
	{"RFC 8949 appendix A", TypeFloat64, ABCD, []uint16{0xC010, 0x6666, 0x6666, 0x6666}, "-4.1"},
	{"RFC 8949 appendix A", TypeFloat64, ABCD, []uint16{0x7E37, 0xE43C, 0x8800, 0x759C}, "1e+300"},
	{"university course page on 32-bit floats", TypeFloat32, ABCD, []uint16{0xC4A6, 0x5800}, "-1330.75"},
	{"worked conversion page", TypeFloat32, ABCD, []uint16{0x414C, 0x0000}, "12.75"},
	{"library thread, words swapped", TypeFloat32, CDAB, []uint16{0x0000, 0x3FC0}, "1.5"},
	{"library thread, words swapped", TypeFloat32, CDAB, []uint16{0x0000, 0x4040}, "3"},
	{"library thread, words swapped", TypeFloat32, CDAB, []uint16{0x8300, 0x4609}, "8800.75"},
	{"library thread, words and bytes swapped", TypeFloat32, DCBA, []uint16{0xDA77, 0xFB41}, "31.433521270751953"},
	{"library thread, bytes swapped", TypeFloat32, BADC, []uint16{0x8EBF, 0x7B14}, "-1.1100000143051147"},
	{"library thread, words swapped", TypeFloat32, CDAB, []uint16{0x077A, 0x429B}, "77.5146026611328125"},
	{"library thread", TypeFloat32, ABCD, []uint16{0x4000, 0x0000}, "2"},
	{"library thread, plain", TypeInt32, ABCD, []uint16{0xFFFF, 0xFF98}, "-104"},
	{"library thread, words swapped", TypeInt32, CDAB, []uint16{0xFF06, 0xFFFF}, "-250"},
	{"byte order letters, 16909060", TypeUint32, ABCD, []uint16{0x0102, 0x0304}, "16909060"},
	{"byte order letters, 16909060", TypeUint32, CDAB, []uint16{0x0304, 0x0102}, "16909060"},
	{"byte order letters, 16909060", TypeUint32, BADC, []uint16{0x0201, 0x0403}, "16909060"},
	{"byte order letters, 16909060", TypeUint32, DCBA, []uint16{0x0403, 0x0201}, "16909060"},
	{"byte order letters, 64 bits", TypeUint64, CDAB, []uint16{0x0708, 0x0506, 0x0304, 0x0102}, "72623859790382856"},
	{"byte order letters, 64 bits", TypeUint64, DCBA, []uint16{0x0807, 0x0605, 0x0403, 0x0201}, "72623859790382856"},
	{"123.456 as binary32 (IEEE 754-2008, 3.4)", TypeFloat32, ABCD, []uint16{0x42F6, 0xE979}, "123.45600128173828125"},
	{"V1.1b3, 4.2: 0x1234 high byte first", TypeUint16, ABCD, []uint16{0x1234}, "4660"},
	{"two's complement", TypeInt16, ABCD, []uint16{0xFFF6}, "-10"},
	{"sign and magnitude", TypeSignMag16, ABCD, []uint16{0x800A}, "-10"},
	{"decimal nibbles", TypeBCD16, ABCD, []uint16{0x1234}, "1234"},
	{"decimal nibbles", TypeBCD32, ABCD, []uint16{0x1234, 0x5678}, "12345678"},
	{"decimal nibbles, words swapped", TypeBCD32, CDAB, []uint16{0x5678, 0x1234}, "12345678"},
	{"modulo 10000 pair", TypeDecimalPair, ABCD, []uint16{12, 3456}, "123456"},
	{"modulo 10000 pair, low part first", TypeDecimalPair, CDAB, []uint16{3456, 12}, "123456"},
	{"bytes swapped in one register", TypeUint16, BADC, []uint16{0x6400}, "100"},
}

func pointOf(t Type, o Order) *Point {
	n := types[t].registers
	return &Point{Name: "p", Table: HoldingRegister, Type: t, Order: o, Count: n, Decimals: -1}
}

func TestNumbersAsPublished(t *testing.T) {
	for _, v := range numberVectors {
		p := pointOf(v.typ, v.order)
		got := p.ValueOf(v.regs)
		want, ok := new(big.Rat).SetString(v.want)
		if !ok {
			t.Fatalf("%s: the test's own number %q", v.src, v.want)
		}
		f, _ := want.Float64()
		if g, ok := got.Float(); !ok || g != f || got.Quality() != Good {
			t.Errorf("%s: %s %s of %04x = %v %s, want %s", v.src, v.typ, v.order.Letters(p.Count), v.regs, g, got.Quality(), v.want)
		}
		back, err := p.AppendRaw(nil, got, nil)
		if err != nil || !slices.Equal(back, v.regs) {
			t.Errorf("%s: back to registers %04x, %v; want %04x", v.src, back, err, v.regs)
		}
		for n := range v.regs {
			if got := p.ValueOf(v.regs[:n]); got.Quality() != Bad || got.Kind() != None {
				t.Errorf("%s: %d registers of %d gave %v", v.src, n, p.Count, got)
			}
		}
	}
}

func TestWhatIsNoNumber(t *testing.T) {
	for _, v := range []struct {
		src   string
		typ   Type
		regs  []uint16
		cause Cause
	}{
		{"RFC 8949 appendix A, NaN", TypeFloat32, []uint16{0x7FC0, 0}, NotANumber},
		{"RFC 8949 appendix A, infinity", TypeFloat32, []uint16{0x7F80, 0}, NotANumber},
		{"RFC 8949 appendix A, -infinity", TypeFloat32, []uint16{0xFF80, 0}, NotANumber},
		{"RFC 8949 appendix A, NaN", TypeFloat64, []uint16{0x7FF8, 0, 0, 0}, NotANumber},
		{"NaN with a payload (IEEE 754-2008, 6.2)", TypeFloat32, []uint16{0x7FC1, 0x2345}, NotANumber},
		{"nibble above 9", TypeBCD16, []uint16{0x12A4}, NotDecimal},
		{"nibble above 9", TypeBCD32, []uint16{0xF234, 0x5678}, NotDecimal},
		{"low part of 10000", TypeDecimalPair, []uint16{1, 10000}, NotDecimal},
		{"high part of 10000", TypeDecimalPair, []uint16{10000, 1}, NotDecimal},
	} {
		got := pointOf(v.typ, ABCD).ValueOf(v.regs)
		if got.Kind() != None || got.Quality() != Bad || got.Cause() != v.cause {
			t.Errorf("%s: %04x = %s %s, want bad %s", v.src, v.regs, got.Quality(), got.Cause(), v.cause)
		}
	}
}

// TestAbsent: contents by which a device says 'no value' are never a number, at
// full width after ordering, a NaN with just this payload among them; the word
// next to them is read as usual.
// Source: SunSpec information models, unimplemented values.
func TestAbsent(t *testing.T) {
	for _, v := range []struct {
		typ    Type
		absent uint64
		other  uint64
		cause  Cause // of the other
	}{
		{TypeInt16, 0x8000, 0x8001, NoCause}, {TypeUint16, 0xFFFF, 0xFFFE, NoCause}, {TypeBits, 0xFFFF, 0xFFFE, NoCause},
		{TypeInt32, 0x80000000, 0x80000001, NoCause}, {TypeUint32, 0xFFFFFFFF, 0xFFFFFFFE, NoCause},
		{TypeInt64, 1 << 63, 1<<63 + 1, NoCause}, {TypeUint64, 1<<64 - 1, 1<<64 - 2, NoCause},
		{TypeFloat32, 0x7FC00000, 0x7FC00001, NotANumber}, {TypeFloat32, 0x7FC00001, 0x7FC00000, NotANumber}, {TypeFloat32, 0, 0x80000000, NoCause},
		{TypeFloat64, 0x7FF8000000000000, 0x7FF8000000000001, NotANumber}, {TypeUint32, 0, 1, NoCause},
		{TypeBCD16, 0xFFFF, 0xFFFE, NotDecimal}, {TypeSignMag16, 0x8000, 0x0000, NoCause},
	} {
		for o := Order(0); o < 4; o++ {
			p := pointOf(v.typ, o)
			if v.typ == TypeBits {
				p.Count = 1
			}
			p.Absent = []uint64{0x1234, v.absent}
			got := p.ValueOf(o.split(nil, v.absent, p.Count))
			if got.Kind() != None || got.Quality() != Bad || got.Cause() != Absent {
				t.Errorf("%s %s: %X is %s %s", v.typ, o.Letters(p.Count), v.absent, got.Decimal(), got.Cause())
			}
			if got := p.ValueOf(o.split(nil, v.other, p.Count)); got.Cause() != v.cause {
				t.Errorf("%s %s: %X is %s %s, want %s", v.typ, o.Letters(p.Count), v.other, got.Decimal(), got.Cause(), v.cause)
			}
		}
	}
}

// TestOrderLetters reads every order off bytes that name themselves.
func TestOrderLetters(t *testing.T) {
	for registers, n := range map[int]uint64{1: 0x4142, 2: 0x41424344, 4: 0x4142434445464748} {
		for o := Order(0); o < 4; o++ {
			regs := o.split(nil, n, registers)
			var text []byte
			for _, w := range regs {
				text = append(text, byte(w>>8), byte(w))
			}
			if got := o.Letters(registers); got != string(text) && registers > 1 {
				t.Errorf("order %d of %d registers is called %s, its bytes are %s", o, registers, got, text)
			}
			if back := o.join(regs); back != n {
				t.Errorf("order %d: %04x joins to %x, want %x", o, regs, back, n)
			}
			if parsed, width, ok := ParseOrder(o.Letters(registers)); !ok || width != registers || registers > 1 && parsed != o {
				t.Errorf("ParseOrder(%q) = %d, %d, %v", o.Letters(registers), parsed, width, ok)
			}
		}
	}
	if _, _, ok := ParseOrder("ABDC"); ok {
		t.Error("ABDC is no order")
	}
}

// TestRawSurvives: every raw whose value is not bad comes back from its value,
// but for the second zero of sign and magnitude: all 65,536 of one register, and
// a million samples of wider ones.
func TestRawSurvives(t *testing.T) {
	t.Parallel()
	scales := map[string]Scale{"none": {}}
	add := func(name string, s Scale, err error) {
		if err != nil {
			t.Fatal(name, err)
		}
		scales[name] = s
	}
	rat := func(s string) *big.Rat { r, _ := new(big.Rat).SetString(s); return r }
	s, err := TimesPlus(rat("0.001"), rat("0"))
	add("x 0.001", s, err)
	s, err = TimesPlus(rat("-0.1"), rat("-40"))
	add("x -0.1 - 40", s, err)
	s, err = TimesPlus(rat("1.8"), rat("32"))
	add("x 1.8 + 32", s, err)
	s, err = SpanScale(rat("4000"), rat("20000"), rat("0"), rat("3.00"))
	add("4000..20000 -> 0..3", s, err)
	s, err = SpanScale(rat("0"), rat("4095"), rat("-50"), rat("150"))
	add("0..4095 -> -50..150", s, err)
	s, err = SpanScale(rat("27648"), rat("0"), rat("0"), rat("7"))
	add("27648..0 -> 0..7", s, err)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	const samples = 1_000_000
	wide := 0
	for typ := TypeInt16; typ <= TypeDecimalPair; typ++ {
		if types[typ].registers > 1 {
			wide += len(scales)
		}
	}
	for name, scale := range scales {
		for typ := TypeInt16; typ <= TypeDecimalPair; typ++ {
			p := pointOf(typ, ABCD)
			p.Scale = scale
			check := func(raw []uint16) {
				v := p.ValueOf(raw)
				if v.Quality() == Bad || typ == TypeSignMag16 && raw[0] == 0x8000 {
					return
				}
				back, err := p.AppendRaw(nil, v, nil)
				if err != nil || !slices.Equal(back, raw) {
					t.Fatalf("%s %s: %04x = %s -> %04x, %v", typ, name, raw, v.Decimal(), back, err)
				}
			}
			if p.Count == 1 {
				for n := range 65536 {
					check([]uint16{uint16(n)})
				}
				continue
			}
			for range samples / wide {
				check(anyRaw(random, p.Count))
			}
			for _, raw := range [][]uint16{{0, 0, 0, 0}, {0x8000, 0, 0, 0}, {0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}, {0x7FFF, 0xFFFF, 0xFFFF, 0xFFFF}, {0, 1, 0, 1}} {
				check(raw[:p.Count])
			}
		}
	}
}

// anyRaw is contents of any kind: all bits by chance, few of them, decimal
// digits, or a float of ordinary size.
func anyRaw(random *rand.Rand, registers int) []uint16 {
	n := random.Uint64()
	switch random.IntN(4) {
	case 0:
		n >>= random.IntN(64)
	case 1:
		n = 0
		for range 4 * registers {
			n = n<<4 | uint64(random.IntN(10))
		}
	case 2:
		f := math.Round(random.NormFloat64()*1e6) / 1000
		if n = math.Float64bits(f); registers == 2 {
			n = uint64(math.Float32bits(float32(f)))
		}
	}
	return Order(ABCD).split(nil, n, registers)
}

func TestBeyondTheType(t *testing.T) {
	rat := func(s string) *big.Rat { r, _ := new(big.Rat).SetString(s); return r }
	for _, v := range []struct {
		typ  Type
		give string
		ok   bool
	}{
		{TypeInt16, "32767", true}, {TypeInt16, "32768", false}, {TypeInt16, "-32768", true}, {TypeInt16, "-32769", false},
		{TypeUint16, "65535", true}, {TypeUint16, "65536", false}, {TypeUint16, "-1", false},
		{TypeUint64, "18446744073709551615", true}, {TypeUint64, "18446744073709551616", false},
		{TypeInt64, "-9223372036854775808", true}, {TypeInt64, "9223372036854775808", false},
		{TypeInt32, "2147483647", true}, {TypeUint32, "4294967296", false},
		{TypeSignMag16, "-32767", true}, {TypeSignMag16, "-32768", false},
		{TypeBCD16, "9999", true}, {TypeBCD16, "10000", false},
		{TypeBCD32, "99999999", true}, {TypeDecimalPair, "100000000", false},
		{TypeFloat32, "3.5e38", false}, {TypeFloat32, "1e-50", true}, {TypeFloat64, "1e308", true},
	} {
		p := pointOf(v.typ, ABCD)
		raw, err := p.AppendRaw(nil, ExactValue(rat(v.give)), nil)
		if (err == nil) != v.ok {
			t.Errorf("%s of %s: %04x, %v", v.typ, v.give, raw, err)
		}
		if err != nil && (!errors.Is(err, ErrRange) || raw != nil) {
			t.Errorf("%s of %s: %v is not ErrRange, or registers came with it: %04x", v.typ, v.give, err, raw)
		}
	}
	for _, p := range []*Point{pointOf(TypeInt16, ABCD), {Type: TypeString, Count: 2, Length: 4}, {Type: TypeBits, Count: 1}, {Type: TypeBool, Count: 1}} {
		wrong := TextValue("x")
		if p.Type == TypeString {
			wrong = IntValue(3)
		}
		if _, err := p.AppendRaw(nil, wrong, nil); !errors.Is(err, ErrKind) {
			t.Errorf("%s took %v: %v", p.Type, wrong, err)
		}
	}
}

func TestText(t *testing.T) {
	p := &Point{Type: TypeString, Count: 3, Length: 6}
	if got, _ := p.ValueOf([]uint16{0x5055, 0x4D50, 0x3031}).Text(); got != "PUMP01" {
		t.Errorf("got %q", got)
	}
	p.Order = BytesSwapped // letters swapped in pairs: "UPPM10" read plainly
	if got, _ := p.ValueOf([]uint16{0x5550, 0x504D, 0x3130}).Text(); got != "PUMP01" {
		t.Errorf("bytes swapped: got %q", got)
	}
	p.Order = ABCD
	if got, _ := p.ValueOf([]uint16{0x5055, 0x0000, 0x0000}).Text(); got != "PU" {
		t.Errorf("padding: got %q", got)
	}
	if raw, err := p.AppendRaw(nil, TextValue("PU"), nil); err != nil || !slices.Equal(raw, []uint16{0x5055, 0, 0}) {
		t.Errorf("padding back: %04x, %v", raw, err)
	}
	if got := p.ValueOf([]uint16{0xFFFE, 0, 0}); got.Quality() != Bad || got.Cause() != NotText {
		t.Errorf("bytes that are no text: %v", got)
	}
	if _, err := p.AppendRaw(nil, TextValue("PUMP 01"), nil); !errors.Is(err, ErrRange) {
		t.Errorf("seven characters into six: %v", err)
	}
}

// TestLeastFloats: numbers below the least normal float64 keep what the nearest
// one loses. Source: IEEE 754-2008, 3.4: the least binary64 is 2^-1074.
func TestLeastFloats(t *testing.T) {
	p := pointOf(TypeFloat64, ABCD)
	p.Scale, _ = TimesPlus(big.NewRat(1, 1000), new(big.Rat))
	for _, n := range []uint16{1, 125, 499, 500, 501, 5000, 0xFFFF} {
		raw := []uint16{0, 0, 0, n}
		back, err := p.AppendRaw(nil, p.ValueOf(raw), nil)
		if err != nil || !slices.Equal(back, raw) {
			t.Errorf("%d x 2^-1074 / 1000 comes back as %04x, %v", n, back, err)
		}
	}
}

func TestFastPathIsRoundedOnce(t *testing.T) {
	s, err := SpanScale(big.NewRat(0, 1), big.NewRat(4095, 1), big.NewRat(0, 1), big.NewRat(10, 1))
	if err != nil {
		t.Fatal(err)
	}
	for n := range int64(65536) {
		want, _ := new(big.Rat).Mul(big.NewRat(n, 1), big.NewRat(10, 4095)).Float64()
		if got, _ := s.apply(IntValue(n)).Float(); math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%d: %v, exactly rounded %v", n, got, want)
		}
	}
}
