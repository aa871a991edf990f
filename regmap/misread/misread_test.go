package misread

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// bank is contents for tests: what each table holds, by address.
type bank map[regmap.Table]map[regmap.Address]uint16

func (b bank) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	at := len(dst)
	for a := int(s.First); a < s.End(); a++ {
		v, ok := b[s.Table][regmap.Address(a)]
		if !ok {
			return dst[:at], false
		}
		dst = append(dst, v)
	}
	return dst, true
}

// holding puts words into holding registers from an address on.
func holding(first regmap.Address, words ...uint16) bank {
	t := map[regmap.Address]uint16{}
	for i, w := range words {
		t[first+regmap.Address(i)] = w
	}
	return bank{regmap.HoldingRegister: t}
}

// point loads the one point that the text describes, at holding register 10
// unless it says otherwise.
func point(t *testing.T, text string) *regmap.Point {
	t.Helper()
	if strings.HasPrefix(text, "type:") {
		text = "holding-register: 10, " + text
	}
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte("device: test\nlimits: {gap: 8}\npoints:\n  x: {"+text+"}\n"), rep)
	if m == nil {
		t.Fatalf("%s: %v", text, rep.Err())
	}
	return &m.Points[0]
}

// find is the misreading of a change whose words hold a text.
func find(t *testing.T, p *regmap.Point, change, words string) Misreading {
	t.Helper()
	var known []string
	for _, m := range Readings(p) {
		if m.Change == change && strings.Contains(m.Words, words) {
			return m
		}
		known = append(known, m.Change+": "+m.Words)
	}
	t.Fatalf("no %s with %q among\n%s", change, words, strings.Join(known, "\n"))
	return Misreading{}
}

// shown is a value with a number of significant digits.
func shown(v regmap.Value, digits int) string {
	if f, ok := v.Float(); ok {
		return fmt.Sprintf("%.*g", digits, f)
	}
	if s, ok := v.Text(); ok {
		return s
	}
	if b, ok := v.Bool(); ok {
		return fmt.Sprint(b)
	}
	return v.Cause().String()
}

// TestWrongOrders: what float32 shows in each wrong order. Computed from IEEE
// 754-2008, 3.4 (binary32), the bytes moved as the order's letters say. DCBA is
// two changes, so it is the misreading of a misreading.
func TestWrongOrders(t *testing.T) {
	for _, v := range []struct {
		high, low               uint16
		value, cdab, badc, dcba string
	}{
		{0x41C8, 0x0000, "25", "2.36e-41", "-197632", "7.18e-41"},
		{0x4248, 0x0000, "50", "2.38e-41", "198656", "2.59e-41"},
		{0x3F00, 0x0000, "0.5", "2.26e-41", "5.79e-39", "8.83e-44"},
		{0xC220, 0x0000, "-40", "6.96e-41", "3.29e-19", "1.18e-41"},
		{0x4086, 0x6666, "4.2", "2.72e+23", "-3.62e-35", "2.72e+23"},
		{0x447D, 0x5000, "1013.25", "8.61e+09", "1.63e+37", "7.39e-39"},
		{0x42F6, 0xE979, "123.456", "-1.88e+25", "-9.86e+32", "1.52e+35"},
	} {
		p := point(t, "type: float32")
		c := holding(10, v.high, v.low)
		words, bytes := find(t, p, WordOrder, "CDAB, not ABCD"), find(t, p, ByteOrder, "BADC, not ABCD")
		both := find(t, &words.Point, ByteOrder, "DCBA, not CDAB")
		if got := shown(p.Value(c), 7); got != v.value {
			t.Errorf("%04x %04x: %s, want %s", v.high, v.low, got, v.value)
		}
		for _, r := range []struct {
			m    Misreading
			want string
		}{{words, v.cdab}, {bytes, v.badc}, {both, v.dcba}} {
			digits := 3
			if !strings.Contains(r.want, "e") {
				digits = 6
			}
			if got := shown(r.m.Value(c), digits); got != r.want {
				t.Errorf("%s %s: shows %s, want %s", v.value, r.m.Words, got, r.want)
			}
		}
	}
}

// TestKnownNumbers: what a wrong reading shows, one row a symptom. Sources:
// (C) computed from the stated coding; (thread) seen in public threads about
// protocol libraries and computed here; (trade) trade article on square-root
// scaling; (practice) common practice.
func TestKnownNumbers(t *testing.T) {
	for _, v := range []struct {
		source, point string
		words         []uint16
		change, how   string
		digits        int
		want          string
	}{
		{"(C) small whole number, words exchanged: t x 65536", "type: uint32", []uint16{0, 123}, WordOrder, "CDAB", 9, "8060928"},
		{"(C) the same backwards: t / 65536", "type: uint32, order: CDAB", []uint16{123, 0}, WordOrder, "ABCD", 9, "8060928"},
		{"(thread) bytes exchanged: 256 t, 0x0064 read as 0x6400", "type: uint16", []uint16{0x0064}, ByteOrder, "BA", 9, "25600"},
		{"(thread) letters exchanged in pairs", "type: string, length: 6", []uint16{0x5055, 0x4D50, 0x3031}, ByteOrder, "BA", 0, "UPPM10"},
		{"(thread) signed shown as unsigned", "type: int16", []uint16{65413}, Signedness, "uint16", 9, "65413"},
		{"(thread) 65413 - 65536 = -123, one decimal", "type: uint16, scale: {times: 0.1}", []uint16{65413}, Signedness, "int16", 9, "-12.3"},
		{"(C) sign and magnitude: -10 is 0x800A", "type: signmag16", []uint16{0x800A}, Signedness, "uint16", 9, "32778"},
		{"(C) two's complement: -10 is 0xFFF6", "type: int16", []uint16{0xFFF6}, Signedness, "uint16", 9, "65526"},
		{"(thread) 65535, 65432 is -104", "type: uint32", []uint16{65535, 65432}, Signedness, "int32", 9, "-104"},
		{"(C) 2^64 - 104", "type: int64", []uint16{65535, 65535, 65535, 65432}, Signedness, "uint64", 3, "1.84e+19"},
		{"(practice) decimal places not applied", "type: uint16, scale: {times: 0.1}", []uint16{123}, ScaleFactor, "10 times", 9, "123"},
		{"(practice) decimal places applied twice", "type: uint16, scale: {times: 0.1}", []uint16{123}, ScaleFactor, "0.1 times", 9, "1.23"},
		{"(practice) gain, not offset", "type: uint16, scale: {times: 0.1, plus: -40}", []uint16{500}, ScaleFactor, "0.1 times", 9, "-35"},
		{"(C) values of a span", "type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}", []uint16{12000}, ScaleFactor, "10 times", 9, "15"},
		{"(C) live zero not taken off: 20 + 0.8 t", "type: uint16, scale: {raw: [4000, 20000], value: [0, 100]}", []uint16{4000}, LiveZero, "not taken off", 9, "20"},
		{"(C) live zero not taken off at 50 %", "type: uint16, scale: {raw: [4000, 20000], value: [0, 100]}", []uint16{12000}, LiveZero, "not taken off", 9, "60"},
		{"(C) live zero taken off twice: 1.25 t - 25", "type: float32, scale: {raw: [4, 20], value: [0, 100]}", []uint16{0x4080, 0}, LiveZero, "twice", 9, "-25"},
		{"(C) live zero taken off twice at 100 %", "type: float32, scale: {raw: [4, 20], value: [0, 100]}", []uint16{0x41A0, 0}, LiveZero, "twice", 9, "100"},
		{"(C) 4096 for 4095: slope 1.00024", "type: uint16, scale: {raw: [0, 4096], value: [0, 100]}", []uint16{4096}, Span, "raw span to 4095", 6, "100.024"},
		{"(C) 16384 for 16383: slope 1.00006", "type: uint16, scale: {raw: [0, 16384], value: [0, 100]}", []uint16{16384}, Span, "raw span to 16383", 6, "100.006"},
		{"(C) 32768 for 32767: slope 1.00003", "type: uint16, scale: {raw: [0, 32768], value: [0, 100]}", []uint16{32768}, Span, "raw span to 32767", 6, "100.003"},
		{"(C) 4095 for 4000: slope 0.9768", "type: uint16, scale: {raw: [0, 4000], value: [0, 100]}", []uint16{4000}, Span, "raw span 0 to 4095", 4, "97.68"},
		{"(practice) values to 2000 where 800 is said", "type: int16, scale: {raw: [6400, 32000], value: [0, 800]}", []uint16{19200}, Span, "values 0 to 2000", 9, "1000"},
		{"(trade) root not taken: 25 % where 50 % is right", "type: uint16, scale: {root: {raw: [0, 1000], value: [0, 100]}}", []uint16{250}, Root, "not taken", 9, "25"},
		{"(trade) root taken twice", "type: uint16, scale: {raw: [0, 1000], value: [0, 100]}, units: m3/h", []uint16{250}, Root, "straight", 9, "50"},
		{"(C) Celsius shown in Fahrenheit: 1.8 t + 32", "type: int16, scale: {times: 0.1}, units: Cel", []uint16{250}, Units, "a number in [degF]", 9, "77"},
		{"(C) and back", "type: int16, units: '[degF]'", []uint16{77}, Units, "a number in Cel", 9, "25"},
		{"(C) bar in psi: 14.50 t", "type: uint16, units: bar", []uint16{1}, Units, "a number in [psi]", 4, "14.5"},
		{"(C) L/s in m3/h: 3.6 t", "type: uint16, units: L/s", []uint16{10}, Units, "a number in m3/h", 9, "36"},
		{"(C) L in US gallons: 0.2642 t", "type: uint16, units: L", []uint16{1}, Units, "a number in [gal_us]", 4, "0.2642"},
		{"(C) BCD read as binary", "type: bcd16", []uint16{0x1234}, BCD, "uint16", 9, "4660"},
		{"(C) BCD read as binary, eight digits", "type: bcd32", []uint16{0x1234, 0x5678}, BCD, "uint32", 9, "305419896"},
		{"(C) binary map of BCD registers", "type: uint16", []uint16{4660}, BCD, "bcd16", 9, "1234"},
		{"(C) modulo 10000 joined as binary: 123456 + 12 x 55536", "type: decimal-pair", []uint16{12, 3456}, BCD, "uint32", 9, "789888"},
		{"(C) the same the other way", "type: uint32", []uint16{12, 3456}, BCD, "decimal-pair", 9, "123456"},
		{"(thread) whole number read as float", "type: uint32", []uint16{0, 100}, IntOrFloat, "float32", 5, "1.4013e-43"},
		{"(thread) 104279911 read as float", "type: int32", []uint16{0x0637, 0x2F67}, IntOrFloat, "float32", 6, "3.44533e-35"},
		{"(C) 1 as float64 is 4607182418800017408", "type: float64", []uint16{0x3FF0, 0, 0, 0}, IntOrFloat, "int64", 4, "4.607e+18"},
		{"(C) low half of a pair", "type: uint32", []uint16{1, 2}, HalfOfPair, "uint16 at address 11", 9, "2"},
		{"(C) the point and the register after it", "type: int16", []uint16{65535, 65432}, HalfOfPair, "int32 ABCD at address 10", 9, "-104"},
		{"(thread) words exchanged: 65286, 65535 is -250", "type: int16", []uint16{65286, 65535}, HalfOfPair, "int32 CDAB at address 10", 9, "-250"},
		{"(practice) the register after", "type: uint16", []uint16{7, 8}, AddressOffByOne, "at address 11", 9, "8"},
		{"(practice) bits counted from 1", "type: bool, bit: 3", []uint16{1 << 2}, BitIndex, "bit 2, not 3 (counted from 0 or from 1)", 0, "true"},
		{"(practice) bits counted from the other side", "type: bool, bit: 3", []uint16{1 << 12}, BitIndex, "bit 12, not 3 (counted from the most", 0, "true"},
	} {
		m := find(t, point(t, v.point), v.change, v.how)
		if got := shown(m.Value(holding(10, v.words...)), v.digits); got != v.want {
			t.Errorf("%s: %s shows %s, want %s", v.source, m.Words, got, v.want)
		}
	}
}

// TestFloatTakenForWholes: 50.0 is 42 48 00 00 (IEEE 754-2008, 3.4), so its
// first register shows 16968 and its second 0: two changes, one after the other.
func TestFloatTakenForWholes(t *testing.T) {
	whole := find(t, point(t, "type: float32"), IntOrFloat, "uint32").Point
	for at, want := range map[string]string{"uint16 at address 10": "16968", "uint16 at address 11": "0"} {
		m := find(t, &whole, HalfOfPair, at)
		if got := shown(m.Value(holding(10, 0x4248, 0)), 6); got != want {
			t.Errorf("%s shows %s, want %s", at, got, want)
		}
	}
}

// TestOtherTables: register tables are taken for each other, and bit tables.
func TestOtherTables(t *testing.T) {
	for text, want := range map[string]string{
		"input-register: 3, type: uint16": "holding-register", "holding-register: 3, type: uint16": "input-register",
		"coil: 3": "discrete-input", "discrete-input: 3": "coil",
	} {
		m := find(t, point(t, text), Table, want)
		if m.Point.Table.String() != want || m.Point.Address != 3 {
			t.Errorf("%s: %s at %d", text, m.Point.Table, m.Point.Address)
		}
	}
	m := find(t, point(t, "input-register: 3, type: int16, scale: {exponent: {input-register: 4}}"), Table, "holding-register")
	if got := shown(m.Value(holding(3, 25, 1)), 6); got != "250" {
		t.Errorf("exponent in the other table: %s, want 250", got)
	}
	m = find(t, point(t, "type: int16, scale: {exponent: {holding-register: 11}}"), ScaleFactor, "without its exponent")
	if got := shown(m.Value(holding(10, 25, 1)), 6); got != "25" {
		t.Errorf("exponent left out: %s, want 25", got)
	}
}

// TestEdges: nothing leaves the table.
func TestEdges(t *testing.T) {
	for text, want := range map[string]int{
		"holding-register: 0, type: uint16": 1, "holding-register: 65535, type: uint16": 1, "holding-register: 100, type: uint16": 2,
		"holding-register: 65534, type: uint32": 1,
	} {
		n := 0
		for _, m := range Readings(point(t, text)) {
			if m.Change == AddressOffByOne {
				n++
			}
			if m.Point.Span().End() > regmap.TableSize {
				t.Errorf("%s: %s ends beyond the table", text, m.Words)
			}
		}
		if n != want {
			t.Errorf("%s: %d neighbours, want %d", text, n, want)
		}
	}
}

// TestWordsCarryTheirBits: the named bits of a misread word lie where it does.
func TestWordsCarryTheirBits(t *testing.T) {
	p := point(t, "type: bits, bits: {0: ready, 4-5: stage}")
	m := find(t, p, AddressOffByOne, "at address 11")
	if got := m.Point.Fields[1].Value(holding(11, 0x20)); got.Decimal() != "2" {
		t.Errorf("stage: %s, want 2", got.Decimal())
	}
	if p.Fields[1].Address != 10 {
		t.Error("the map's own point was changed")
	}
	run := find(t, &p.Fields[1], BitIndex, "bits 10-11, not 4-5 (counted from the most significant side)")
	if got := run.Value(holding(10, 3<<10)); got.Decimal() != "3" {
		t.Errorf("run of bits: %s, want 3", got.Decimal())
	}
}

// TestSignalShowsItsNumber: a dead 4-20 mA signal misread is a number too, not
// a failure.
func TestSignalShowsItsNumber(t *testing.T) {
	p := point(t, "type: uint16, scale: {raw: [4000, 20000], value: [0, 100]}, signal: 4-20mA")
	c := holding(10, 0)
	if v := p.Value(c); v.Cause() != regmap.SignalFailure {
		t.Fatalf("the point itself: %v", v.Cause())
	}
	if got := shown(find(t, p, ScaleFactor, "10 times").Value(c), 6); got != "-250" {
		t.Errorf("shows %s, want -250", got)
	}
	if v := find(t, p, AddressOffByOne, "at address 9").Value(c); v.Cause() != regmap.NeverRead {
		t.Errorf("contents that are not there: %v", v.Cause())
	}
}

// TestSpans: what holds for every spanned point.
func TestSpans(t *testing.T) {
	falling := point(t, "type: uint16, scale: {raw: [20000, 4000], value: [0, 100]}")
	if m := find(t, falling, Span, "raw span 27648 to 0"); shown(m.Value(holding(10, 27648)), 6) != "0" {
		t.Error("a falling span falls no more")
	}
	below := point(t, "type: int16, scale: {raw: [0, 1000], value: [-100, 20]}")
	if m := find(t, below, Span, "values -50 to 20"); shown(m.Value(holding(10, 0)), 6) != "-50" {
		t.Error("the far end below zero was not moved")
	}
	clamp := point(t, "type: uint16, scale: {raw: [0, 1000], value: [0, 100], clamp: true}")
	for _, m := range Readings(clamp) {
		if m.Change == Span && !m.Point.Scale.Clamps() {
			t.Errorf("%s clamps no more", m.Words)
		}
	}
	for _, m := range Readings(point(t, "type: bcd16, scale: {raw: [0, 1000], value: [0, 100]}")) {
		if a, b, _, _, ok := m.Point.Scale.Span(); ok && m.Change == Span && m.Point.Type == regmap.TypeBCD16 {
			if low, _ := a.Float64(); low < 0 {
				t.Errorf("%s begins below what bcd16 holds", m.Words)
			}
			if high, _ := b.Float64(); high > 9999 {
				t.Errorf("%s ends beyond what bcd16 holds", m.Words)
			}
		}
	}
	table := point(t, "type: uint16, scale: {table: [[0, 0], [1000, 1.13], [2000, 3.07]]}, units: m3/h")
	for _, m := range Readings(table) {
		if m.Change == Span || m.Change == ScaleFactor || m.Change == Root || m.Change == LiveZero {
			t.Errorf("a strapping table has %s: %s", m.Change, m.Words)
		}
	}
	root := point(t, "type: uint16, scale: {root: {raw: [0, 1000], value: [0, 100], cutoff: 2}}, units: L/s")
	if m := find(t, root, ScaleFactor, "10 times"); shown(m.Value(holding(10, 250)), 6) != "500" {
		t.Error("ten times the flow of a root is not 500")
	}
	if m := find(t, root, Units, "a number in m3/h"); shown(m.Value(holding(10, 250)), 6) != "180" {
		t.Error("the flow of a root in m3/h is not 180")
	}
}

// TestRoundEnds: values end a decade below to a decade above what is written,
// also where it is a power of ten, and numbers beyond float64 do no harm.
func TestRoundEnds(t *testing.T) {
	p := point(t, "type: uint16, scale: {raw: [0, 100], value: [0, 1000]}")
	for _, words := range []string{"values 0 to 120,", "values 0 to 900,", "values 0 to 25000,", "values 0 to 90000,"} {
		find(t, p, Span, words)
	}
	for _, end := range []string{"1e300", "1e-300", "1e999", "1e-999"} {
		p := point(t, "type: uint16, scale: {raw: [0, 100], value: [0, "+end+"]}")
		for _, m := range Readings(p) {
			if m.Point.Scale.Identity() {
				t.Errorf("%s: %s lost its scale", end, m.Words)
			}
		}
	}
}

// TestRepair: the names of a closed list of changes.
func TestRepair(t *testing.T) {
	for change, want := range map[string]string{LiveZero: Span, Span: Span, Table: Table, Root: "", Units: ""} {
		if got, ok := (Misreading{Change: change}).Repair(); got != want || ok != (want != "") {
			t.Errorf("%s: %q, %v; want %q", change, got, ok, want)
		}
	}
}

// TestEveryPointOfTheExamples: the misreadings of real maps come in the order
// of the changes, differ from the point and from each other, have words, and
// can be read without a fault of the program.
func TestEveryPointOfTheExamples(t *testing.T) {
	for _, name := range []string{"cistern.yaml", "dosing.yaml"} {
		text, err := os.ReadFile("../../testdata/maps/" + name)
		if err != nil {
			t.Fatal(err)
		}
		rep := new(doc.Report)
		m := regmap.Load(name, text, rep, regmap.Section{Key: "simulate", Read: func(doc.Node, *regmap.Map) any { return nil }})
		if m == nil {
			t.Fatal(rep.Err())
		}
		words := map[regmap.Address]uint16{}
		for a := range regmap.Address(100) {
			words[a] = uint16(a) * 257
		}
		c := bank{regmap.HoldingRegister: words, regmap.InputRegister: words, regmap.Coil: {}, regmap.DiscreteInput: {}}
		for p := range m.Readings {
			checkReadings(t, p, c)
		}
	}
}

func checkReadings(t *testing.T, p *regmap.Point, c bank) {
	list := Readings(p)
	if p.Type.Number() && (len(list) < 13 || len(list) > 140) {
		t.Errorf("%s has %d misreadings", p.Name, len(list))
	}
	if len(list) < 2 {
		t.Errorf("%s has %d misreadings", p.Name, len(list))
	}
	seen, last := map[string]bool{}, 0
	for _, m := range list {
		at := -1
		for i, change := range Changes {
			if change == m.Change {
				at = i
			}
		}
		if at < last {
			t.Errorf("%s: %s out of order", p.Name, m.Change)
		}
		last = at
		if m.Words == "" || seen[m.Change+m.Words] || strings.Contains(m.Words, "%!") {
			t.Errorf("%s: words %q", p.Name, m.Words)
		}
		seen[m.Change+m.Words] = true
		if v := m.Value(c); v.Cause() == regmap.Internal {
			t.Errorf("%s: %s: %v", p.Name, m.Words, v.Cause())
		} else if f, ok := v.Float(); ok && math.IsNaN(f) {
			t.Errorf("%s: %s shows NaN", p.Name, m.Words)
		}
		if m.Point.Name != p.Name {
			t.Errorf("%s: misread as %s", p.Name, m.Point.Name)
		}
	}
}

// TestDerivedHasNone: a point without registers cannot be misread.
func TestDerivedHasNone(t *testing.T) {
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte("device: test\npoints:\n  a: {input-register: 0, type: uint16}\n  d: {derive: 'p(\"a\") * 2'}\n"), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	if list := Readings(m.Point("d")); list != nil {
		t.Errorf("%d misreadings", len(list))
	}
}
