package regmap

import (
	"errors"
	"math"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"

	"plumbline/regmap/doc"
)

// bank is contents for tests: what each table holds, by address.
type bank map[Span]uint16

func (b bank) AppendRaw(dst []uint16, s Span) ([]uint16, bool) {
	at := len(dst)
	for a := int(s.First); a < s.End(); a++ {
		v, ok := b[Span{s.Table, Address(a), 1}]
		if !ok {
			return dst[:at], false
		}
		dst = append(dst, v)
	}
	return dst, true
}

func item(t Table, a Address) Span { return Span{t, a, 1} }

func loadText(t *testing.T, points string) *Map {
	t.Helper()
	rep := new(doc.Report)
	m := Load("test.yaml", []byte("device: test\npoints:\n"+points), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

func example(t *testing.T, name string) *Map {
	t.Helper()
	text, err := os.ReadFile("../testdata/maps/" + name)
	if err != nil {
		t.Fatal(err)
	}
	rep := new(doc.Report)
	m := Load(name, text, rep, Section{Key: "simulate", Read: func(doc.Node, *Map) any { return nil }})
	if m == nil || len(rep.Warnings()) > 0 {
		t.Fatal(rep.Err(), rep.Warnings())
	}
	return m
}

// TestSignalLimits: 4-20 mA as NAMUR NE 43 has it (as two trade pages give the
// limits): 3.8 to 20.5 mA good, at most 3.6 or at least 21.0 mA failed.
func TestSignalLimits(t *testing.T) {
	m := loadText(t, "  micro: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 100]}, signal: 4-20mA}\n"+
		"  counts: {input-register: 1, type: int16, scale: {raw: [0, 27648], value: [0, 100]}, signal: 4-20mA}\n"+
		"  falling: {input-register: 2, type: uint16, scale: {raw: [20000, 4000], value: [0, 100]}, signal: 4-20mA}\n"+
		"  milliamperes: {input-register: 4, type: float32, scale: {raw: [4, 20], value: [0, 100]}, signal: 4-20mA}\n")
	const hundredths = 100
	for _, v := range []struct {
		mA      int64 // in hundredths
		quality Quality
		cause   Cause
	}{
		{0, Bad, SignalFailure}, {359, Bad, SignalFailure}, {360, Bad, SignalFailure}, {361, Uncertain, SignalDoubtful},
		{379, Uncertain, SignalDoubtful}, {380, Good, NoCause}, {381, Good, NoCause}, {400, Good, NoCause}, {1200, Good, NoCause},
		{2049, Good, NoCause}, {2050, Good, NoCause}, {2051, Uncertain, SignalDoubtful},
		{2099, Uncertain, SignalDoubtful}, {2100, Bad, SignalFailure}, {2101, Bad, SignalFailure}, {2400, Bad, SignalFailure},
	} {
		current := big.NewRat(v.mA, hundredths)
		for p := range m.Readings {
			share := new(big.Rat).Quo(new(big.Rat).Sub(current, rat(4)), rat(16))
			a, b, _, _, _ := p.Scale.Span()
			number := new(big.Rat).Sub(b, a)
			number.Add(a, number.Mul(number, share))
			if p.Name == "falling" {
				number.Sub(rat(24000), new(big.Rat).Mul(current, rat(1000)))
			}
			if p.Type != TypeFloat32 && !number.IsInt() {
				continue // no count stands for just this current
			}
			n, err := p.Type.code(number, false)
			if err != nil {
				continue // beyond what the register can hold
			}
			got := p.ValueOf(p.Order.split(nil, n, p.Count))
			if got.Quality() != v.quality || got.Cause() != v.cause || (got.Kind() == None) != (v.quality == Bad) {
				t.Errorf("%s at %s mA: %s %s %s, want %s %s", p.Name, current.FloatString(2), got.Decimal(), got.Quality(), got.Cause(), v.quality, v.cause)
			}
		}
	}
}

func rat(n int64) *big.Rat { return new(big.Rat).SetInt64(n) }

// TestFivePoints: 4, 8, 12, 16 and 20 mA are 0, 25, 50, 75 and 100 %, on the
// count spans met in the trade (common practice, digits computed).
func TestFivePoints(t *testing.T) {
	for _, v := range []struct {
		a, b int64
		raws [5]string // at 0, 25, 50, 75, 100 %
	}{
		{0, 4000, [5]string{"0", "1000", "2000", "3000", "4000"}},
		{0, 10000, [5]string{"0", "2500", "5000", "7500", "10000"}},
		{819, 4095, [5]string{"819", "1638", "2457", "3276", "4095"}},
		{2000, 10000, [5]string{"2000", "4000", "6000", "8000", "10000"}},
		{0, 32767, [5]string{"0", "8191.75", "16383.5", "24575.25", "32767"}},
		{0, 27648, [5]string{"0", "6912", "13824", "20736", "27648"}},
		{4000, 20000, [5]string{"4000", "8000", "12000", "16000", "20000"}},
		{6400, 32000, [5]string{"6400", "12800", "19200", "25600", "32000"}},
		{0, 4095, [5]string{"0", "1023.75", "2047.5", "3071.25", "4095"}},
		{0, 16383, [5]string{"0", "4095.75", "8191.5", "12287.25", "16383"}},
	} {
		s, err := SpanScale(rat(v.a), rat(v.b), rat(0), rat(100))
		if err != nil {
			t.Fatal(err)
		}
		for i, raw := range v.raws {
			number, _ := new(big.Rat).SetString(raw)
			if got := s.apply(ExactValue(number)); got.Rat().Cmp(rat(int64(25*i))) != 0 {
				t.Errorf("%d..%d: %s is %s %%, want %d", v.a, v.b, raw, got.Decimal(), 25*i)
			}
			if back, _ := s.undo(IntValue(int64(25 * i))); back.Cmp(number) != 0 {
				t.Errorf("%d..%d: %d %% is %s, want %s", v.a, v.b, 25*i, back.RatString(), raw)
			}
		}
	}
}

// TestSignalCounts: where the limits of a 4-20 mA signal lie on the count spans
// met in the trade (common practice, digits computed from I = 4 + 16 p and
// rounded): 3.6, 3.8, 20.5 and 21 mA.
// Source of the limits: NAMUR NE 43 as two trade pages give it.
func TestSignalCounts(t *testing.T) {
	for _, v := range []struct {
		a, b   string
		counts [4]float64
	}{
		{"0", "4095", [4]float64{-102, -51, 4223, 4351}},
		{"819", "4095", [4]float64{737, 778, 4197, 4300}},
		{"0", "4000", [4]float64{-100, -50, 4125, 4250}},
		{"0", "10000", [4]float64{-250, -125, 10312.5, 10625}},
		{"2000", "10000", [4]float64{1800, 1900, 10250, 10500}},
		{"0", "16383", [4]float64{-410, -205, 16895, 17407}},
		{"0", "27648", [4]float64{-691, -346, 28512, 29376}},
		{"5529.6", "27648", [4]float64{4977, 5253, 28339, 29030}},
		{"0", "32767", [4]float64{-819, -410, 33791, 34815}},
		{"6400", "32000", [4]float64{5760, 6080, 32800, 33600}},
		{"4000", "20000", [4]float64{3600, 3800, 20500, 21000}},
	} {
		p := pointOf(TypeInt32, ABCD)
		a, _ := new(big.Rat).SetString(v.a)
		b, _ := new(big.Rat).SetString(v.b)
		p.Scale, _ = SpanScale(a, b, rat(0), rat(100))
		for i, mA := range signalLimits {
			if got := p.signalRaw(mA); math.Abs(got-v.counts[i]) > 0.5 {
				t.Errorf("%s..%s: %s mA is %v, the trade has %v", v.a, v.b, mA.FloatString(1), got, v.counts[i])
			}
		}
	}
}

// TestShortWay: the short way of plain points gives what the long way gives,
// for every register; so does a copy of a point, which has none.
func TestShortWay(t *testing.T) {
	m := loadText(t, `
  span: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}}
  odd: {input-register: 1, type: int16, scale: {raw: [-4095, 4095], value: [-50, 150.5]}}
  milli: {input-register: 2, type: int16, scale: {times: 0.001, plus: -2}}
  falling: {input-register: 3, type: uint16, scale: {raw: [27648, 0], value: [0, 7]}}
  absent: {input-register: 4, type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}, absent: 0x1234}
  current: {input-register: 5, type: int16, scale: {raw: [0, 27648], value: [0, 3.00]}, signal: 4-20mA, absent: [0x8000]}
  ranged: {input-register: 6, type: int16, scale: {times: -0.7, plus: 0.1}, range: [-100, 2000.3]}
`)
	for p := range m.Readings {
		if p.quick.of != p {
			t.Fatalf("%s has no short way", p.Name)
		}
		other, good := *p, 0
		for n := range 65536 {
			raw := []uint16{uint16(n)}
			a, b, c := p.ValueOf(raw), p.long(raw), other.ValueOf(raw)
			if a != b || a.Quality() != c.Quality() || a.Cause() != c.Cause() || a.Decimal() != c.Decimal() {
				t.Fatalf("%s of %d: %s %s, the long way %s %s, a copy %s %s", p.Name, n, a.Decimal(), a.Cause(), b.Decimal(), b.Cause(), c.Decimal(), c.Cause())
			}
			if a.Quality() == Good {
				good++
			}
		}
		if good == 0 {
			t.Errorf("%s is never good", p.Name)
		}
	}
}

// TestRange: both ends of a range are in it, whatever the type and the scale;
// the next number beyond is uncertain, out of span, and keeps its value.
func TestRange(t *testing.T) {
	m := loadText(t, `
  whole: {input-register: 0, type: int16, range: [-5, 45]}
  tenths: {input-register: 1, type: int16, scale: {times: 0.1}, range: [-5, 45]}
  between: {input-register: 2, type: int16, scale: {times: 0.3}, range: [-1, 1]}
  falls: {input-register: 3, type: int16, scale: {times: -0.1}, range: [-5, 45]}
  span: {input-register: 4, type: uint16, scale: {raw: [0, 1000], value: [0, 100]}, range: [10, 90]}
  swapped: {input-register: 5, type: uint16, order: BA, range: [0, 255]}
  wide: {input-register: 6, type: uint64, range: [0, 1e19]}
  single: {input-register: 10, type: float32, range: [0, 0.1]}
  double: {input-register: 12, type: float64, range: [-0.1, 0.1]}
  table: {input-register: 16, type: uint16, scale: {table: [[0, 0], [100, 7], [200, 3]]}, range: [1, 6]}
  root: {input-register: 17, type: uint16, scale: {root: {raw: [0, 10000], value: [0.1, 0.3]}}, range: [0.1, 0.3]}
  cut: {input-register: 18, type: int16, scale: {root: {raw: [0, 10000], value: [0, 100], cutoff: 10}}, signal: 4-20mA, range: [0, 100]}
  current: {input-register: 19, type: uint16, scale: {raw: [4000, 20000], value: [0, 3]}, signal: 4-20mA, range: [0, 3]}
  clamped: {input-register: 20, type: uint16, scale: {raw: [0, 1000], value: [0, 100], clamp: true}, range: [0, 50]}
  power: {holding-register: 0, type: int16, scale: {exponent: {holding-register: 1}}, range: [0, 100]}
`)
	float := func(f float64) []uint16 {
		return Order(ABCD).split(nil, uint64(math.Float32bits(float32(f))), 2)
	}
	double := func(f float64) []uint16 { return Order(ABCD).split(nil, math.Float64bits(f), 4) }
	minus := func(n uint16) uint16 { return -n }
	for _, v := range []struct {
		name      string
		in, below []uint16 // the lowest that is good; the next below, which is not; nil: there is none
		high, out []uint16
	}{
		{"whole", []uint16{minus(5)}, []uint16{minus(6)}, []uint16{45}, []uint16{46}},
		{"tenths", []uint16{minus(50)}, []uint16{minus(51)}, []uint16{450}, []uint16{451}},
		{"between", []uint16{minus(3)}, []uint16{minus(4)}, []uint16{3}, []uint16{4}}, // 0.9 in, 1.2 not
		{"falls", []uint16{50}, []uint16{51}, []uint16{minus(450)}, []uint16{minus(451)}},
		{"span", []uint16{100}, []uint16{99}, []uint16{900}, []uint16{901}},
		{"swapped", []uint16{0}, nil, []uint16{0xFF00}, []uint16{0x0001}},
		{"wide", []uint16{0, 0, 0, 0}, nil, []uint16{0x8AC7, 0x2304, 0x89E8, 0}, []uint16{0x8AC7, 0x2304, 0x89E9, 0}},
		{"single", float(0), float(-1e-20), float(0.1), float(0.10000001)},
		{"double", double(-0.1), double(math.Nextafter(-0.1, -1)), double(0.1), double(math.Nextafter(0.1, 1))},
		{"table", []uint16{15}, []uint16{14}, []uint16{85}, []uint16{86}},
		{"root", []uint16{0}, nil, []uint16{10000}, []uint16{10001}},
		{"cut", []uint16{minus(125)}, []uint16{minus(126)}, []uint16{10000}, []uint16{10001}}, // 3.8 mA; nothing flows below the cut-off
		{"current", []uint16{4000}, []uint16{3999}, []uint16{20000}, []uint16{20001}},
		{"clamped", []uint16{0}, nil, []uint16{500}, []uint16{501}},
	} {
		p := m.Point(v.name)
		copied := *p
		for _, end := range []struct {
			raw     []uint16
			quality Quality
		}{{v.in, Good}, {v.below, Uncertain}, {v.high, Good}, {v.out, Uncertain}} {
			if end.raw == nil {
				continue
			}
			for _, p := range []*Point{p, &copied} {
				got := p.ValueOf(end.raw)
				if got.Quality() != end.quality || got.Kind() == None || (got.Cause() == NoCause) != (end.quality == Good) {
					t.Errorf("%s of %04x: %s %s %s, want %s", v.name, end.raw, got.Decimal(), got.Quality(), got.Cause(), end.quality)
				}
			}
		}
	}
	// The signal's own doubt comes first; the range has the exponent's number.
	if got := m.Point("current").ValueOf([]uint16{3700}); got.Cause() != SignalDoubtful {
		t.Errorf("3.7 mA: %s", got.Cause())
	}
	for exponent, want := range map[uint16]Quality{0: Good, 1: Uncertain} {
		c := bank{item(HoldingRegister, 0): 100, item(HoldingRegister, 1): exponent}
		if got := m.Point("power").Value(c); got.Quality() != want {
			t.Errorf("100 with exponent %d: %s %s, want %s", exponent, got.Decimal(), got.Quality(), want)
		}
	}
}

// TestBeyond: the words say which of the two limits a value has passed.
func TestBeyond(t *testing.T) {
	m := loadText(t, "  level: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}, range: [0.20, 2.90]}\n"+
		"  sum: {derive: 'p(\"level\") * 2', range: [0, 5]}\n  bare: {input-register: 1, type: uint16}\n")
	for _, v := range []struct {
		name string
		raw  []uint16
		want string
	}{
		{"level", []uint16{3999}, "outside the raw span 4000 to 20000"}, {"level", []uint16{4000}, "outside the range 0.2 to 2.9"},
		{"sum", nil, "outside the range 0 to 5"}, {"bare", []uint16{1}, ""},
		{"level", []uint16{12000}, ""},
	} {
		if got := m.Point(v.name).Beyond(v.raw); got != v.want {
			t.Errorf("%s of %v: %q, want %q", v.name, v.raw, got, v.want)
		}
	}
}

// TestCopiesAreJudgedByTheirOwnKeys: what was worked out for a point does not
// follow a copy that was given other keys.
func TestCopiesAreJudgedByTheirOwnKeys(t *testing.T) {
	p := *loadText(t, "  a: {input-register: 0, type: uint16, scale: {times: 0.1}, range: [0, 10]}\n").Point("a")
	p.Type, p.Range = TypeInt16, nil
	if got := p.ValueOf([]uint16{0xFFFF}); got.Decimal() != "-0.1" || got.Quality() != Good {
		t.Errorf("got %s %s, want -0.1 good", got.Decimal(), got.Quality())
	}
}

func TestScalesThatCannotBe(t *testing.T) {
	if _, err := TimesPlus(rat(0), rat(1)); !errors.Is(err, ErrScale) {
		t.Error(err)
	}
	if _, err := SpanScale(rat(1), rat(1), rat(0), rat(1)); !errors.Is(err, ErrScale) {
		t.Error(err)
	}
	if _, err := SpanScale(rat(0), rat(1), rat(1), rat(1)); !errors.Is(err, ErrScale) {
		t.Error(err)
	}
	var none Scale
	if times, plus := none.TimesPlus(); times.Cmp(rat(1)) != 0 || plus.Sign() != 0 || !none.Identity() || none.Clamps() {
		t.Error("the zero scale changes something")
	}
}

func TestSpanAndClamp(t *testing.T) {
	m := loadText(t, "  open: {input-register: 0, type: int16, scale: {raw: [0, 100], value: [0, 10]}}\n"+
		"  clamped: {input-register: 1, type: int16, scale: {raw: [0, 100], value: [0, 10], clamp: true}}\n")
	for _, v := range []struct {
		raw           int16
		open, clamped string
		quality       Quality
	}{{0, "0", "0", Good}, {100, "10", "10", Good}, {101, "10.1", "10", Uncertain}, {-1, "-0.1", "0", Uncertain}} {
		for name, want := range map[string]string{"open": v.open, "clamped": v.clamped} {
			got := m.Point(name).ValueOf([]uint16{uint16(v.raw)})
			if got.Decimal() != want || got.Quality() != v.quality {
				t.Errorf("%s of %d: %s %s, want %s %s", name, v.raw, got.Decimal(), got.Quality(), want, v.quality)
			}
		}
	}
}

// TestCisternRegisters reads the example map off registers worked out by hand.
func TestCisternRegisters(t *testing.T) {
	m := example(t, "cistern.yaml")
	in, hold := InputRegister, HoldingRegister
	b := bank{
		item(in, 0): 13707, item(in, 2): 0x6666, item(in, 3): 0x4146, item(in, 4): 2, item(in, 5): 0x0304,
		item(in, 6): 10644, item(in, 7): 0x8000,
		item(hold, 16): 0b0001_0001, item(hold, 17): 2, item(hold, 32): 1600,
		item(hold, 50): 0x4349, item(hold, 51): 0x5354, item(hold, 52): 0x4552, item(hold, 53): 0x4E20, item(hold, 54): 0x3100, item(hold, 55): 0,
		item(Coil, 0): 1, item(DiscreteInput, 0): 1,
	}
	for _, v := range []struct{ name, decimal, shown, quality string }{
		{"level", "1.8200625", "1.82", "good"},
		{"flow", "12.399999618530273", "12.40", "good"},
		{"total", "13184.4", "13184.4", "good"},
		{"pressure", "2.3098958333333335", "2.31", "good"},
		{"temperature", "", "-", "bad"},
		{"state", "17", "0x0011", "good"},
		{"state.pump-1-running", "", "on", "good"},
		{"state.pump-2-running", "", "off", "good"},
		{"state.healthy", "", "on", "good"}, // active when 0
		{"state.duty", "1", "pump-2-leads", "good"},
		{"mode", "2", "automatic", "good"},
		{"lead-start", "1.6", "1.600", "good"},
		{"lag-start", "", "-", "bad"}, // not there
		{"name", "", "CISTERN 1", "good"},
		{"pump-1-enable", "", "on", "good"},
		{"float-switch", "", "off", "good"},
	} {
		p := m.Point(v.name)
		got := p.Value(b)
		if got.Decimal() != v.decimal || p.Shown(got) != v.shown || got.Quality().String() != v.quality {
			t.Errorf("%s: %s, shown %s, %s; want %s, %s, %s", v.name, got.Decimal(), p.Shown(got), got.Quality(), v.decimal, v.shown, v.quality)
		}
	}
	if v := m.Point("temperature").Value(b); v.Cause() != Absent {
		t.Errorf("temperature: %s", v.Cause())
	}
	if v := m.Point("lag-start").Value(b); v.Cause() != NeverRead {
		t.Errorf("lag-start: %s", v.Cause())
	}
}

// TestBits: numbers counted from 0 or 1, from either end, in words of 16 and 32
// bits; writing a part leaves the rest of the word alone.
func TestBits(t *testing.T) {
	m := loadText(t, `
  plain: {holding-register: 0, type: bits, bits: {0: first, 15: last, 4-6: run}, write: {}}
  from-one: {holding-register: 1, type: bits, count-from: 1, bits: {1: first, 16: last}}
  most-first: {holding-register: 2, type: bits, first: most, bits: {0: first, 15: last, 4-6: run}}
  wide: {holding-register: 4, type: bits, size: 32, order: CDAB, bits: {0: first, 31: last, 16: middle}}
  one-bit: {holding-register: 6, type: bool, bit: 3, active: 0, write: {}}
  alarm-bit: {holding-register: 6, type: bool, bit: 4, alarm: true}
`)
	for name, want := range map[string]uint64{
		"plain.first": 1 << 0, "plain.last": 1 << 15, "plain.run": 7 << 4,
		"from-one.first": 1 << 0, "from-one.last": 1 << 15,
		"most-first.first": 1 << 15, "most-first.last": 1 << 0, "most-first.run": 7 << 9,
		"wide.first": 1 << 0, "wide.last": 1 << 31, "wide.middle": 1 << 16,
	} {
		p := m.Point(name)
		raw := p.Order.split(nil, want, p.Count)
		other := p.Order.split(nil, ^want, p.Count)
		on, off := p.ValueOf(raw), p.ValueOf(other)
		if b, _ := on.Bool(); p.Type == TypeBool && !b {
			t.Errorf("%s is not on in %04x", name, raw)
		}
		if b, _ := off.Bool(); p.Type == TypeBool && b {
			t.Errorf("%s is on in %04x", name, other)
		}
		if n, _ := on.Uint(); p.Type == TypeBits && n != 7 {
			t.Errorf("%s is %d in %04x", name, n, raw)
		}
		back, err := p.AppendRaw(nil, on, p.Order.split(nil, 0, p.Count))
		if err != nil || !slices.Equal(back, raw) {
			t.Errorf("%s written into 0: %04x, %v; want %04x", name, back, err, raw)
		}
		back, err = p.AppendRaw(nil, off, p.Order.split(nil, ^uint64(0)>>(64-16*p.Count), p.Count))
		if err != nil || !slices.Equal(back, other) {
			t.Errorf("%s cleared in all ones: %04x, %v; want %04x", name, back, err, other)
		}
	}
	one := m.Point("one-bit")
	if b, _ := one.ValueOf([]uint16{0x0008}).Bool(); b {
		t.Error("one-bit is active when 0, and on when 1")
	}
	if raw, err := one.AppendRaw(nil, BoolValue(true), []uint16{0xFFFF}); err != nil || raw[0] != 0xFFF7 {
		t.Errorf("one-bit on: %04x, %v", raw, err)
	}
	if raw, err := one.AppendRaw(nil, IntValue(0), []uint16{0}); err != nil || raw[0] != 8 {
		t.Errorf("one-bit 0: %04x, %v", raw, err)
	}
	if !m.Point("alarm-bit").AlarmBit || !m.Point("plain.first").Writable() || m.Point("wide.first").Writable() {
		t.Error("alarm or write of bits")
	}
	if _, err := m.Point("plain.run").AppendRaw(nil, IntValue(8), []uint16{0}); !errors.Is(err, ErrRange) {
		t.Errorf("8 into three bits: %v", err)
	}
	if raw, err := m.Point("plain").AppendRaw(nil, IntValue(0xABCD), nil); err != nil || raw[0] != 0xABCD {
		t.Errorf("whole word: %04x, %v", raw, err)
	}
}

func TestShown(t *testing.T) {
	m := loadText(t, `
  plain: {input-register: 0, type: float32}
  two: {input-register: 2, type: float32, decimals: 2}
  milli: {input-register: 4, type: int32, scale: {times: 0.001}}
  offset: {input-register: 6, type: int16, scale: {times: 1, plus: 0.25}}
  third: {input-register: 7, type: uint16, scale: {raw: [0, 3], value: [0, 1]}}
  count: {input-register: 8, type: uint64}
  named: {input-register: 12, type: int16, values: {-1: reverse, 0: stop, 1: forward}}
  flag: {coil: 0, values: {0: shut, 1: open}}
  text: {input-register: 14, type: string, length: 4}
  fine: {input-register: 20, type: float64, decimals: 3}
`)
	for _, v := range []struct {
		name string
		raw  []uint16
		want string
	}{
		{"plain", []uint16{0x42F6, 0xE979}, "123.456"},
		{"plain", []uint16{0x6666, 0x4146}, "2.718371e+23"},
		{"two", []uint16{0x4146, 0x6666}, "12.40"},
		{"two", []uint16{0x6666, 0x4146}, "2.72e+23"},
		{"two", []uint16{0x0000, 0x3FC0}, "2.29e-41"},
		{"two", []uint16{0, 0}, "0.00"},
		{"milli", []uint16{0, 1600}, "1.600"},
		{"milli", []uint16{0xFFFF, 0xFFFF}, "-0.001"},
		{"offset", []uint16{2}, "2.25"},
		{"third", []uint16{1}, "0.3"},
		{"count", []uint16{0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF}, "18446744073709551615"},
		{"named", []uint16{0xFFFF}, "reverse"},
		{"named", []uint16{7}, "7"},
		{"flag", []uint16{1}, "open"},
		{"text", []uint16{0x4142, 0x2020}, "AB"},
		{"fine", []uint16{0x3FF1, 0x9999, 0x9999, 0x999A}, "1.100"},
	} {
		p := m.Point(v.name)
		if got := p.Shown(p.ValueOf(v.raw)); got != v.want {
			t.Errorf("%s of %04x is shown %q, want %q", v.name, v.raw, got, v.want)
		}
	}
}

func TestSteps(t *testing.T) {
	m := example(t, "cistern.yaml")
	more := loadText(t, "  a: {holding-register: 0, type: uint16, order: BA, absent: 0xFFFF, scale: {raw: [0, 3], value: [1, 2]}}\n"+
		"  b: {holding-register: 1, type: int16, scale: {times: 0.1, plus: -40}}\n  c: {holding-register: 2, type: bcd16}\n")
	for _, v := range []struct {
		p             *Point
		raw           []uint16
		number, scale string
	}{
		{m.Point("level"), []uint16{13707}, "uint16  13707", "4000..20000 -> 0..3   (13707 - 4000) x 3 / 16000 = 1.8201"},
		{m.Point("flow"), []uint16{0x6666, 0x4146}, "float32 CDAB  12.399999618530273", ""},
		{m.Point("lead-start"), []uint16{1600}, "int16  1600", "1600 x 0.001 = 1.6"},
		{m.Point("state"), []uint16{0x11}, "bits  0000000000010001", ""},
		{m.Point("state.healthy"), []uint16{0x11}, "bit 3 is 0, active when 0", ""},
		{m.Point("state.duty"), []uint16{0x11}, "bits 4-5 are 1", ""},
		{m.Point("float-switch"), []uint16{1}, "bit is 1, active when 0", ""},
		{m.Point("name"), make([]uint16, 6), "string of 12 characters", ""},
		{m.Point("temperature"), []uint16{0x8000}, "int16  8000 means 'no value'", ""},
		{more.Point("a"), []uint16{0x0100}, "uint16 BA  1", "0..3 -> 1..2   (1 - 0) x 1 / 3 + 1 = 1.3333"},
		{more.Point("b"), []uint16{250}, "int16  250", "250 x 0.1 + -40 = -15"},
		{more.Point("c"), []uint16{0xABCD}, "bcd16  the registers are not decimal-coded", ""},
	} {
		got := v.p.Steps(v.raw, v.p.ValueOf(v.raw))
		if got.Number != v.number || got.Scale != v.scale {
			t.Errorf("%s: %q, %q; want %q, %q", v.p.Name, got.Number, got.Scale, v.number, v.scale)
		}
	}
}

func TestExamplesAreWhole(t *testing.T) {
	m := example(t, "dosing.yaml")
	if p := m.Point("dose"); p.Order != CDAB || p.Type != TypeInt32 {
		t.Errorf("dose: %s %s", p.Type, p.Order.Letters(2))
	}
	if p := m.Point("status.stage"); p.Part != (Part{8, 3}) {
		t.Errorf("stage: %v", p.Part)
	}
	if m.Point("acidity").Order != ABCD {
		t.Error("a 16-bit value takes the map's order of wider ones")
	}
	if len(m.Digest.String()) != 64 || m.Revision != "2" || m.File != "dosing.yaml" {
		t.Errorf("%s %s %s", m.Digest, m.Revision, m.File)
	}
	if !strings.Contains(string(m.Source), "Nutrient") {
		t.Error("the source text is not kept")
	}
}
