package agree

import (
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

func loadText(t *testing.T, text string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte(text), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

// TestCompare: one row a key; what it weighs and how it is said.
func TestCompare(t *testing.T) {
	const base = "input-register: 0, type: uint16, units: m"
	for _, v := range []struct{ older, newer, want string }{
		{base, base, ""},
		{base, "input-register: 1, type: uint16, units: m", "breaks p: place was input-register 30001 (address 0) uint16 and is now input-register 30002 (address 1) uint16"},
		{base, "input-register: 0, type: int16, units: m", "breaks p: place was input-register 30001 (address 0) uint16 and is now input-register 30001 (address 0) int16"},
		{"input-register: 0, type: float32", "input-register: 0, type: float32, order: CDAB", "breaks p: place was input-register 30001-30002 (address 0-1) float32 ABCD and is now input-register 30001-30002 (address 0-1) float32 CDAB"},
		{base, "input-register: 0, type: uint16, order: BA, units: m", "breaks p: place was input-register 30001 (address 0) uint16 and is now input-register 30001 (address 0) uint16 BA"},
		{base, base + ", scale: {times: 0.1}", "breaks p: scale is now times 0.1"},
		{base + ", scale: {raw: [4000, 20000], value: [0, 3]}", base + ", scale: {raw: [4000, 20000], value: [0, 5]}", "breaks p: scale was raw 4000..20000 to 0..3 and is now raw 4000..20000 to 0..5"},
		{base + ", scale: {table: [[0, 0], [10, 3]]}", base + ", scale: {table: [[0, 0], [10, 4]]}", "breaks p: scale was table [0, 0] [10, 3] and is now table [0, 0] [10, 4]"},
		{base + ", scale: {root: {raw: [0, 100], value: [0, 3], cutoff: 2}}", base + ", scale: {raw: [0, 100], value: [0, 3], clamp: true}", "breaks p: scale was square root, raw 0..100 to 0..3, cut-off 2 % and is now raw 0..100 to 0..3, clamped"},
		{base, "input-register: 0, type: uint16, units: m, scale: {exponent: {input-register: 1}}", "breaks p: scale is now times 1, power of ten in 30002 (address 1)"},
		{base, "input-register: 0, type: uint16, units: ft", "breaks p: units was m and is now ft"},
		{base, base + ", absent: [0xFFFF]", "breaks p: absent is now 0xFFFF"},
		{base + ", values: {1: on}", base + ", values: {1: off}", "breaks p: values was 1 on and is now 1 off"},
		{"coil: 0", "coil: 0, active: 0", "breaks p: polarity was active when 1 and is now active when 0"},
		{"holding-register: 0, type: uint16, write: {}", "holding-register: 0, type: uint16", "breaks p: write was allowed and is now not allowed"},
		{"holding-register: 0, type: uint16", "holding-register: 0, type: uint16, write: {min: 1, max: 2, hold: 1s, function: 6}", "touches p: write is now allowed, min 1, max 2, held 1s, function 6, beyond limits: limit"},
		{base, base + ", alarm: {high: 2, deadband: 0.1, delay: 5s, latch: true}", "touches p: alarm is now high 2, deadband 0.1, delay 5s, latch"},
		{base, base + ", range: [0, 3]", "touches p: range is now from 0 to 3"},
		{base, base + ", every: 10s", "touches p: every is now 10s"},
		{base, base + ", decimals: 2", "words p: decimals is now 2"},
		{base, base + ", tag: LT-101", "words p: tag is now LT-101"},
	} {
		older := loadText(t, "device: d\npoints:\n  p: {"+v.older+"}\n")
		newer := loadText(t, "device: d\npoints:\n  p: {"+v.newer+"}\n")
		var got []string
		for _, d := range Compare(older, newer) {
			got = append(got, d.Weight.String()+" "+d.String())
		}
		if strings.Join(got, " | ") != v.want {
			t.Errorf("%s to %s:\ngot  %s\nwant %s", v.older, v.newer, strings.Join(got, " | "), v.want)
		}
	}
}

func TestCompareMaps(t *testing.T) {
	older := loadText(t, `device: d
revision: A
limits: {gap: 2}
points:
  gone: {coil: 0}
  kept: {holding-register: 0, type: bits, bits: {0: a, 1: b}}
  was: {holding-register: 1, type: uint16}
  same: {holding-register: 2, type: uint16}
  sum: {derive: 'p("same") + p("was")'}
`)
	newer := loadText(t, `device: d
revision: B
points:
  same: {holding-register: 2, type: uint16}
  kept: {holding-register: 0, type: bits, bits: {0: a, 2: b}}
  is: {holding-register: 1, type: uint16}
  more: {coil: 1}
  sum: {derive: 'p("same") + p("is")'}
`)
	want := []string{
		"breaks kept.b: place was holding-register 40001 (address 0) bit 1 bool and is now holding-register 40001 (address 0) bit 2 bool",
		`breaks sum: place was worked out of p("same") + p("was") and is now worked out of p("same") + p("is")`,
		"breaks gone is gone; it was coil 00001 (address 0) bool",
		"touches the map: limits was 125 registers, 2000 bits, gap 2 and is now 125 registers, 2000 bits, gap 0",
		"touches more is new: coil 00002 (address 1) bool",
		"words the map: revision was A and is now B",
		"words is was called was",
	}
	var got []string
	for _, d := range Compare(older, newer) {
		got = append(got, d.Weight.String()+" "+d.String())
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if Weight(9).String() != "weight(9)" {
		t.Error("a weight that is none")
	}
}

// TestRenamed: a point at the same place under another name is renamed, also
// where its type changed; where two could be it, neither is.
func TestRenamed(t *testing.T) {
	older := loadText(t, "device: d\npoints:\n  a: {holding-register: 0, type: int16}\n  b: {holding-register: 1, type: int16}\n  c: {holding-register: 2, type: bool, bit: 1}\n  d: {holding-register: 3, type: int16}\n")
	newer := loadText(t, "device: d\npoints:\n  x: {holding-register: 0, type: uint16}\n  y: {holding-register: 1, type: int16}\n  z: {holding-register: 2, type: bool, bit: 2}\n"+
		"  e: {holding-register: 3, type: int16}\n  f: {holding-register: 3, type: uint16, overlay: true}\n")
	var got []string
	for _, d := range Compare(older, newer) {
		got = append(got, d.Weight.String()+" "+d.String())
	}
	want := []string{
		"breaks x: place was holding-register 40001 (address 0) int16 and is now holding-register 40001 (address 0) uint16",
		"breaks c is gone; it was holding-register 40003 (address 2) bit 1 bool",
		"touches z is new: holding-register 40003 (address 2) bit 2 bool",
		"touches f is new: holding-register 40004 (address 3) uint16",
		"words x was called a", "words y was called b", "words e was called d",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestUnsaid: what no point says is unsaid, what one says is not.
func TestUnsaid(t *testing.T) {
	m := loadText(t, "device: d\npoints:\n  a: {holding-register: 0, type: int16, units: m, decimals: 1}\n  b: {coil: 0, active: 0}\n")
	const want = "scale signal absent values changes-on-read write range alarm counter every together heartbeat changes-within overlay tag about terminal owner bits derive"
	if got := strings.Join(Unsaid(m), " "); got != want {
		t.Errorf("%s", got)
	}
}
