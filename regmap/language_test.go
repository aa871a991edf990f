package regmap

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"

	"plumbline/regmap/doc"
)

// TestSquareRoot: flow % = 100 sqrt(dp % / 100), the table of a trade article
// worked out again (25 % of the pressure is 50 % of the flow).
func TestSquareRoot(t *testing.T) {
	m := loadText(t, "  flow: {input-register: 0, type: uint16, scale: {root: {raw: [0, 10000], value: [0, 100]}}}\n"+
		"  cut: {input-register: 1, type: uint16, scale: {root: {raw: [0, 10000], value: [0, 100], cutoff: 10}}}\n"+
		"  low: {input-register: 2, type: int16, scale: {root: {raw: [0, 10000], value: [0, 100]}}}\n"+
		"  current: {input-register: 3, type: uint16, units: mA, scale: {root: {raw: [4000, 20000], value: [4, 20]}}}\n"+
		"  set: {holding-register: 3, type: uint32, scale: {root: {raw: [0, 10000], value: [0, 100]}}, write: {}}\n")
	for raw, want := range map[uint16]float64{0: 0, 100: 10, 400: 20, 1000: 31.623, 2500: 50, 5000: 70.711, 7500: 86.603, 10000: 100} {
		if got, _ := m.Point("flow").ValueOf([]uint16{raw}).Float(); math.Abs(got-want) > 0.0005 {
			t.Errorf("%d is %v, want %v", raw, got, want)
		}
		if got, _ := m.Point("cut").ValueOf([]uint16{raw}).Float(); raw < 100 && got != 0 || raw >= 100 && math.Abs(got-want) > 0.0005 {
			t.Errorf("with cut-off, %d is %v", raw, got)
		}
	}
	for mA, want := range map[float64]float64{4: 4, 4.16: 5.6, 4.64: 7.2, 5.6: 9.0596, 8: 12, 12: 15.3137, 16: 17.8564, 20: 20} { // after the root, computed
		if got, _ := m.Point("current").ValueOf([]uint16{uint16(math.Round(mA * 1000))}).Float(); math.Abs(got-want) > 0.00005 {
			t.Errorf("%v mA is %v mA after the root, want %v", mA, got, want)
		}
	}
	if got, _ := m.Point("cut").ValueOf([]uint16{99}).Float(); got != 0 {
		t.Errorf("below the cut-off: %v", got)
	}
	if v := m.Point("low").ValueOf([]uint16{0xFF9C}); v.Quality() != Uncertain || v.Decimal() != "-10" { // -100
		t.Errorf("below zero: %s %s", v.Decimal(), v.Quality())
	}
	p := m.Point("set")
	for n := uint32(0); n < 1<<20; n += 37 {
		raw := []uint16{uint16(n >> 16), uint16(n)}
		back, err := p.AppendRaw(nil, p.ValueOf(raw), nil)
		if err != nil || !slices.Equal(back, raw) {
			t.Fatalf("%d comes back as %v, %v", n, back, err)
		}
	}
}

// TestStrappingTable: a horizontal cylinder of 2 m by 5 m holds 15707.96 L full,
// 3070.92 L at 0.5 m, 7853.98 L at 1.0 m and 12637.04 L at 1.5 m (formula of the
// trade facts, computed); a handbook page gives 10.3 % of the volume at 16 % of
// the depth and 42.4 % at 44 %, which straight lines between eighths meet to
// 1.02 % of the full volume at the ends and 0.2 % in the middle.
func TestStrappingTable(t *testing.T) {
	fraction := func(x float64) float64 {
		return (math.Acos(1-2*x) - 2*(1-2*x)*math.Sqrt(x-x*x)) / math.Pi
	}
	const full = 15707.96
	var rows []string
	for i := 0; i <= 8; i++ {
		x := float64(i) / 8
		rows = append(rows, "["+ratText(big.NewRat(int64(i*250), 1))+", "+FloatValue(math.Round(fraction(x)*full*100)/100).Decimal()+"]")
	}
	m := loadText(t, "  volume: {input-register: 0, type: uint16, units: L, scale: {table: ["+strings.Join(rows, ", ")+"]}}\n"+
		"  set: {holding-register: 0, type: uint16, scale: {table: [[0, 0], [100, 7], [65535, 9]]}, write: {}}\n"+
		"  falls: {holding-register: 1, type: int16, scale: {table: [[-100, 9], [0, 0], [100, -7.5]]}, write: {}}\n"+
		"  percent: {input-register: 1, type: uint16, units: \"%\", decimals: 1, scale: {table: [[0, 0], [16, 10.3275], [44, 42.3789], [50, 50], [100, 100]]}}\n")
	for raw, want := range map[uint16]string{16: "10.3", 44: "42.4", 50: "50.0"} { // a table with the handbook's depths among its corners
		p := m.Point("percent")
		if got := p.Shown(p.ValueOf([]uint16{raw})); got != want {
			t.Errorf("%d %% of the depth is %s %% of the volume, the handbook has %s", raw, got, want)
		}
	}
	for x, percent := range map[float64]float64{0.16: 10.3, 0.44: 42.4} { // the handbook's own figures
		if got := fraction(x) * 100; math.Abs(got-percent) > 0.05 {
			t.Errorf("the formula gives %v %% at %v of the depth, the handbook %v", got, x, percent)
		}
	}
	p := m.Point("volume")
	for raw, want := range map[uint16]float64{250: 1133.28, 1750: 14574.68, 500: 3070.92, 1000: 7853.98, 1500: 12637.04, 2000: full} {
		if got, _ := p.ValueOf([]uint16{raw}).Float(); math.Abs(got-want) > 0.005 {
			t.Errorf("%d mm is %v L, want %v", raw, got, want)
		}
	}
	for raw, v := range map[uint16]struct{ handbook, within float64 }{320: {10.3, 1.02}, 880: {42.4, 0.25}} {
		if got, _ := p.ValueOf([]uint16{raw}).Float(); math.Abs(got/full*100-v.handbook) > v.within {
			t.Errorf("%d mm is %v %%, the handbook has %v", raw, got/full*100, v.handbook)
		}
	}
	if v := p.ValueOf([]uint16{2001}); v.Quality() != Uncertain || v.Cause() != OutOfSpan {
		t.Errorf("above the table: %s %s", v.Quality(), v.Cause())
	}
	for _, name := range []string{"set", "falls"} {
		p := m.Point(name)
		for n := range 65536 {
			back, err := p.AppendRaw(nil, p.ValueOf([]uint16{uint16(n)}), nil)
			if err != nil || back[0] != uint16(n) {
				t.Fatalf("%s: %d comes back as %v, %v", name, n, back, err)
			}
		}
	}
}

// TestExponent: value = raw x 10^sf, sf signed, -10 to 10, 8000 'not
// implemented' (SunSpec model schema); read at the same moment.
func TestExponent(t *testing.T) {
	m := loadText(t, "  power: {holding-register: 0, type: int16, scale: {exponent: {holding-register: 1}}, units: W}\n"+
		"  shifted: {holding-register: 2, type: uint16, scale: {exponent: {holding-register: 1}, times: 2, plus: 1}}\n")
	at := func(raw, exponent uint16) Contents {
		return bank{item(HoldingRegister, 0): raw, item(HoldingRegister, 1): exponent, item(HoldingRegister, 2): 5}
	}
	p := m.Point("power")
	for _, v := range []struct {
		raw, exponent uint16
		want          string
	}{{1234, 0, "1234"}, {1234, 0xFFFE, "12.34"}, {1234, 2, "123400"}, {0xFFFF, 0xFFFD, "-0.001"}, {1, 10, "10000000000"}, {3, 0xFFF6, "3e-10"}} {
		if got := p.Value(at(v.raw, v.exponent)); got.Decimal() != v.want || got.Quality() != Good {
			t.Errorf("%d with %d: %s %s, want %s", v.raw, int16(v.exponent), got.Decimal(), got.Quality(), v.want)
		}
		fixed, _ := p.Fixed(at(v.raw, v.exponent))
		if back, err := fixed.AppendRaw(nil, p.Value(at(v.raw, v.exponent)), nil); err != nil || back[0] != v.raw {
			t.Errorf("%d with %d comes back as %v, %v", v.raw, int16(v.exponent), back, err)
		}
	}
	if got := m.Point("shifted").Value(at(0, 1)); got.Decimal() != "101" {
		t.Errorf("5 x 10 x 2 + 1 = %s", got.Decimal())
	}
	for exponent, cause := range map[uint16]Cause{0x8000: Absent, 11: NoExponent, 0xFFF5: NoExponent} {
		if got := p.Value(at(1, exponent)); got.Kind() != None || got.Cause() != cause {
			t.Errorf("exponent %d: %s %s", int16(exponent), got.Decimal(), got.Cause())
		}
	}
	if got := p.Value(bank{item(HoldingRegister, 0): 1}); got.Cause() != NeverRead {
		t.Errorf("no exponent there: %s", got.Cause())
	}
	if s := p.Needs(); s.First != 0 || s.Count != 2 || m.Layout().Has(Span{HoldingRegister, 0, 3}) == false {
		t.Errorf("needs %v", s)
	}
}

// TestGroups: the same points again at a stride, nested once.
func TestGroups(t *testing.T) {
	rep := new(doc.Report)
	m := Load("test.yaml", []byte(`device: pumps
points:
  level: {input-register: 0, type: uint16}
groups:
  pumps:
    name: pump-{n}
    count: 2
    stride: {input-register: 20, coil: 1}
    points:
      hours: {tag: "KQ-10{n}", about: "Hours of pump {n}", input-register: 10, type: uint32, together: life}
      starts: {input-register: 12, type: uint16, together: life}
      run: {coil: 0, write: {}}
      word: {input-register: 13, type: bits, bits: {0: hot}}
    groups:
      phases:
        name: phase-{n}
        count: 3
        from: 0
        stride: 1
        points:
          current: {about: "Phase {n} of pump {outer}", reference: 30015, type: uint16}
`), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	for name, want := range map[string]struct {
		table   Table
		address Address
	}{
		"level": {InputRegister, 0}, "pump-1-hours": {InputRegister, 10}, "pump-2-hours": {InputRegister, 30}, "pump-2-run": {Coil, 1},
		"pump-1-phase-0-current": {InputRegister, 14}, "pump-1-phase-2-current": {InputRegister, 16}, "pump-2-phase-1-current": {InputRegister, 35},
		"pump-2-word.hot": {InputRegister, 33},
	} {
		p := m.Point(name)
		if p == nil || p.Table != want.table || p.Address != want.address {
			t.Errorf("%s: %+v", name, p)
		}
	}
	if p := m.Point("pump-2-hours"); p.Tag != "KQ-102" || p.About != "Hours of pump 2" || p.Together != "pump-2-life" {
		t.Errorf("%s, %s, %s", p.Tag, p.About, p.Together)
	}
	if p := m.Point("pump-2-phase-1-current"); p.About != "Phase 1 of pump 2" || p.Reference.String() != "30036" {
		t.Errorf("%s, %s", p.About, p.Reference)
	}
	if len(m.Points) != 1+2*(4+3) {
		t.Errorf("%d points", len(m.Points))
	}
}

func TestDerivedValues(t *testing.T) {
	m := loadText(t, "  in: {input-register: 0, type: uint16}\n  out: {input-register: 1, type: uint16, scale: {raw: [0, 10], value: [0, 1]}}\n  on: {coil: 0}\n"+
		"  net: {derive: 'p(\"in\") - p(\"out\")', units: m3/h}\n  half: {derive: 'p(\"net\") / 2 * p(\"on\")'}\n  over: {derive: '1 / p(\"in\")'}\n  many: {derive: 'p(\"in\") * 2', range: [0, 20]}\n")
	c := bank{item(InputRegister, 0): 12, item(InputRegister, 1): 5, item(Coil, 0): 1}
	for name, want := range map[string]string{"net": "11.5", "half": "5.75"} {
		if got := m.Point(name).Value(c); got.Decimal() != want || got.Quality() != Good {
			t.Errorf("%s = %s %s, want %s", name, got.Decimal(), got.Quality(), want)
		}
	}
	c[item(InputRegister, 1)] = 11
	if got := m.Point("half").Value(c); got.Quality() != Uncertain || got.Cause() != OutOfSpan {
		t.Errorf("out of span: %s %s", got.Quality(), got.Cause())
	}
	if got := m.Point("many").Value(c); got.Quality() != Uncertain || got.Cause() != OutOfSpan || got.Decimal() != "24" {
		t.Errorf("beyond its range: %s %s", got.Decimal(), got.Quality())
	}
	c[item(InputRegister, 0)] = 10
	if got := m.Point("many").Value(c); got.Quality() != Good {
		t.Errorf("at the end of its range: %s %s", got.Decimal(), got.Quality())
	}
	c[item(InputRegister, 0)] = 0
	if got := m.Point("over").Value(c); got.Cause() != NotANumber {
		t.Errorf("1 / 0: %s", got.Cause())
	}
	delete(c, item(Coil, 0))
	if got := m.Point("half").Value(c); got.Kind() != None || got.Cause() != NeverRead {
		t.Errorf("an input is not there: %s", got.Cause())
	}
	if p := m.Point("net"); !p.Derived() || len(p.Inputs()) != 2 || p.Count != 0 {
		t.Errorf("net: %+v", p)
	}
}

// TestDerivedOnce: each point below a derived one is read and worked out once,
// however many ways lead to it: the 70th Fibonacci number is 190392490709135.
func TestDerivedOnce(t *testing.T) {
	var b strings.Builder
	b.WriteString("  f1: {input-register: 0, type: uint16}\n  f2: {input-register: 1, type: uint16}\n")
	for i := 3; i <= 70; i++ {
		fmt.Fprintf(&b, "  f%d: {derive: 'p(\"f%d\") + p(\"f%d\")'}\n", i, i-1, i-2)
	}
	c := &counted{Contents: bank{item(InputRegister, 0): 1, item(InputRegister, 1): 1}}
	if got := loadText(t, b.String()).Point("f70").Value(c); got.Decimal() != "190392490709135" || c.reads != 2 {
		t.Errorf("%s after %d reads", got.Decimal(), c.reads)
	}
}

// counted counts how often contents are taken.
type counted struct {
	Contents
	reads int
}

func (c *counted) AppendRaw(dst []uint16, s Span) ([]uint16, bool) {
	c.reads++
	return c.Contents.AppendRaw(dst, s)
}
