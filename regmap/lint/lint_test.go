package lint

import (
	"os"
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// load reads a map that must have no faults.
func load(t *testing.T, name, text string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load(name, []byte(text), rep, regmap.Section{Key: "simulate", Read: func(doc.Node, *regmap.Map) any { return nil }})
	if m == nil {
		t.Fatalf("%v in\n%s", rep.Err(), text)
	}
	return m
}

// device is a map of the given points, one a line, after other keys.
func device(t *testing.T, keys string, points ...string) *regmap.Map {
	t.Helper()
	return load(t, "test.yaml", "device: test\n"+keys+"points:\n  "+strings.Join(points, "\n  ")+"\n")
}

// row is one map and what a rule must say about it.
type row struct {
	source string // document that fixes the answer
	points []string
	want   string // part of the one warning; "" for none
}

// try checks the rows of one rule; other rules may say what they like.
func try(t *testing.T, rule, keys string, rows []row) {
	t.Helper()
	for _, r := range rows {
		var got []string
		for _, w := range Map(device(t, keys, r.points...)) {
			if w.Rule == rule {
				got = append(got, w.Error())
			}
		}
		switch {
		case r.want == "" && len(got) > 0:
			t.Errorf("%s: %v\n%s", r.source, r.points, strings.Join(got, "\n"))
		case r.want != "" && (len(got) != 1 || !strings.Contains(got[0], r.want)):
			t.Errorf("%s: %v: got %q, want one with %q", r.source, r.points, got, r.want)
		}
	}
}

// TestExamplesAreQuiet: the maps that people copy from leave no doubt.
func TestExamplesAreQuiet(t *testing.T) {
	for _, name := range []string{"cistern.yaml", "dosing.yaml"} {
		text, err := os.ReadFile("../../testdata/maps/" + name)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range Map(load(t, name, string(text))) {
			t.Errorf("%s: %s", w.Rule, w.Error())
		}
	}
}

func TestUnitsMissing(t *testing.T) {
	const want = "an analogue number without units"
	try(t, UnitsMissing, "", []row{
		{"a float measures", []string{"x: {input-register: 0, type: float32}"}, "points.x: " + want},
		{"a scaled number measures", []string{"x: {input-register: 0, type: int16, scale: {times: 0.1}}"}, want},
		{"a number with alarm limits measures", []string{"x: {input-register: 0, type: int16, alarm: {high: 5}}"}, want},
		{"ISA-5.1-2009, table 4.1: LT is a level transmitter", []string{"x: {tag: LT-1, input-register: 0, type: uint16}"}, want},
		{"a derived number", []string{"a: {input-register: 0, type: uint16}", "x: {derive: 'p(\"a\") / 2'}"}, want},
		{"with units", []string{"x: {input-register: 0, type: float32, units: m}"}, ""},
		{"UCUM 2.2: a plain number is 1", []string{"x: {input-register: 0, type: float32, units: '1'}"}, ""},
		{"a serial number", []string{"x: {holding-register: 0, type: uint32}"}, ""},
		{"a counter", []string{"x: {tag: YQ-1, input-register: 0, type: uint16, counter: true}"}, ""},
		{"named values", []string{"x: {input-register: 0, type: int16, values: {0: off, 1: on}}"}, ""},
		{"text", []string{"x: {input-register: 0, type: string, length: 4}"}, ""},
	})
}

func TestUnitsCode(t *testing.T) {
	try(t, UnitsCode, "", []row{
		{"UCUM 2.2: pound per square inch is [psi]", []string{"x: {input-register: 0, type: float32, units: psi}"}, "units \"psi\" are no UCUM code; write [psi]"},
		{"UCUM 2.2: degree Celsius is Cel, C is coulomb", []string{"x: {input-register: 0, type: float32, units: C}"}, "Cel"},
		{"nothing like it is known", []string{"x: {input-register: 0, type: float32, units: furlongs-ish}"}, "are no UCUM code"},
		{"UCUM 2.2", []string{"x: {input-register: 0, type: float32, units: m3/h}", "y: {input-register: 2, type: float32, units: Cel}"}, ""},
		{"no units", []string{"x: {input-register: 0, type: uint16}"}, ""},
	})
	m := device(t, "", "x: {input-register: 0, type: float32, units: psi, range: [0, 90]}")
	if w := Map(m)[0]; w.Pos != (doc.Pos{File: "test.yaml", Line: 3, Column: 48}) || w.Path != "points.x.units" {
		t.Errorf("at %v, %s", w.Pos, w.Path)
	}
}

func TestLimitsMissing(t *testing.T) {
	try(t, LimitsMissing, "", []row{
		{"neither", []string{"x: {holding-register: 0, type: int16, units: mm, write: {}}"}, "points.x.write: a set-point without min and max"},
		{"only min", []string{"x: {holding-register: 0, type: int16, units: mm, write: {min: 0}}"}, "without max"},
		{"only max", []string{"x: {holding-register: 0, type: int16, units: mm, write: {max: 9}}"}, "without min;"},
		{"both", []string{"x: {holding-register: 0, type: int16, units: mm, write: {min: 0, max: 9}}"}, ""},
		{"read only", []string{"x: {holding-register: 0, type: int16, units: mm}"}, ""},
		{"a coil has none", []string{"x: {coil: 0, write: {}}"}, ""},
		{"named values are all there is", []string{"x: {holding-register: 0, type: int16, values: {0: off, 1: on}, write: {}}"}, ""},
	})
}

func TestAlarmOutside(t *testing.T) {
	const span = "x: {input-register: 0, type: uint16, units: m, scale: {raw: [0, 1000], value: [0, 3]}, alarm: {"
	try(t, AlarmOutside, "", []row{
		{"above", []string{span + "high: 3.5}}"}, "points.x.alarm: the high limit 3.5 lies outside the span, 0 to 3"},
		{"below", []string{span + "low-low: -0.1}}"}, "the low-low limit -0.1"},
		{"at the end", []string{span + "high: 3, low: 0}}"}, ""},
		{"a falling span", []string{"x: {input-register: 0, type: uint16, units: m, scale: {raw: [0, 1000], value: [3, 0]}, alarm: {high: 2.5}}"}, ""},
		{"no span", []string{"x: {input-register: 0, type: int16, units: mm, alarm: {high: 70000}}"}, ""},
		{"the range is narrower than the span", []string{"x: {input-register: 0, type: uint16, units: m, range: [0, 2], scale: {raw: [0, 1000], value: [0, 3]}, alarm: {high: 2.5}}"}, "the high limit 2.5 lies outside the range, 0 to 2"},
		{"no alarm", []string{"x: {input-register: 0, type: uint16, units: m, scale: {raw: [0, 1000], value: [0, 3]}}"}, ""},
	})
}

func TestRangeMissing(t *testing.T) {
	const want = "points.x: nothing says what it can be, so a wrong number looks like any other; give range: [lowest, highest] in m"
	try(t, RangeMissing, "", []row{
		{"a float holds any number", []string{"x: {input-register: 0, type: float32, units: m}"}, want},
		{"times and plus have no ends", []string{"x: {input-register: 0, type: int16, units: mm, scale: {times: 0.1}}"}, want + "m"},
		{"an exponent moves the ends", []string{"x: {input-register: 0, type: int16, units: m, scale: {exponent: {input-register: 1}}}"}, want},
		{"derived", []string{"a: {input-register: 0, type: uint16}", "x: {derive: 'p(\"a\") / 2', units: m}"}, want},
		{"a set-point without limits", []string{"x: {holding-register: 0, type: int16, units: m, write: {}}"}, want},
		{"a range", []string{"x: {input-register: 0, type: float32, units: m, range: [0, 3]}"}, ""},
		{"a derived range", []string{"a: {input-register: 0, type: uint16}", "x: {derive: 'p(\"a\") / 2', units: m, range: [0, 3]}"}, ""},
		{"a span", []string{"x: {input-register: 0, type: int16, units: m, scale: {raw: [0, 100], value: [0, 3]}}"}, ""},
		{"a strapping table", []string{"x: {input-register: 0, type: int16, units: m3, scale: {table: [[0, 0], [100, 3]]}}"}, ""},
		{"a square root", []string{"x: {input-register: 0, type: int16, units: m3/h, scale: {root: {raw: [0, 100], value: [0, 3]}}}"}, ""},
		{"write limits", []string{"x: {holding-register: 0, type: int16, units: m, write: {max: 3}}"}, ""},
		{"a counter holds all that its type can", []string{"x: {input-register: 0, type: uint32, units: m3, counter: true}"}, ""},
		{"no units", []string{"x: {input-register: 0, type: uint16}"}, ""},
	})
}

func TestWriteOutside(t *testing.T) {
	const of = "x: {holding-register: 0, type: int16, units: mm, range: [0, 100], write: {"
	try(t, WriteOutside, "", []row{
		{"above", []string{of + "min: 0, max: 101}}"}, "points.x.write: max 101 lies outside the range, 0 to 100"},
		{"below", []string{of + "min: -1, max: 100}}"}, "min -1 lies"},
		{"at the ends", []string{of + "min: 0, max: 100}}"}, ""},
	})
}

func TestUnscaled(t *testing.T) {
	try(t, Unscaled, "", []row{
		{"metres", []string{"x: {input-register: 0, type: uint16, units: m}"}, "points.x.units: uint16 in whole m"},
		{"bar", []string{"x: {input-register: 0, type: int16, units: bar}"}, "int16 in whole bar"},
		{"millimetres are whole", []string{"x: {input-register: 0, type: uint16, units: mm}"}, ""},
		{"scaled", []string{"x: {input-register: 0, type: uint16, units: m, scale: {times: 0.01}}"}, ""},
		{"said to be whole", []string{"x: {input-register: 0, type: uint16, units: '%', decimals: 0}"}, ""},
		{"an exponent scales", []string{"x: {input-register: 0, type: int16, units: m, scale: {exponent: {input-register: 1}}}"}, ""},
		{"a float", []string{"x: {input-register: 0, type: float32, units: m}"}, ""},
	})
}

// TestSignalClipped: NAMUR NE 43 puts failure at 3.6 mA and 21 mA; on a span of
// 0 to 27648 for 4 to 20 mA those are -691 and 29376, on 0 to 32767 the upper is
// 34815 (computed from I = 4 + 16 p).
func TestSignalClipped(t *testing.T) {
	spanned := func(typ, raw string) []string {
		return []string{"x: {input-register: 0, type: " + typ + ", units: m, signal: 4-20mA, scale: {raw: [" + raw + "], value: [0, 3]}}"}
	}
	try(t, SignalClipped, "", []row{
		{"NE 43: -691 in an unsigned register", spanned("uint16", "0, 27648"), "points.x.signal: a failed loop cannot be seen: 3.6 mA would be -691, which uint16 cannot hold"},
		{"NE 43: 34815 in a signed register", spanned("int16", "0, 32767"), "21 mA would be 34815, which int16 cannot hold"},
		{"a converter of 12 bits, 4 mA at 819", spanned("uint16", "819, 4095"), "a converter of 12 bits stops at 4095"},
		{"both can be held", spanned("int16", "0, 27648"), ""},
		{"microamperes", spanned("uint16", "4000, 20000"), ""},
		{"milliamperes", spanned("float32", "4, 20"), ""},
		{"no signal", []string{"x: {input-register: 0, type: uint16, units: m, scale: {raw: [0, 27648], value: [0, 3]}}"}, ""},
	})
}

// TestTagUnits: letters of ANSI/ISA-5.1-2009, table 4.1.
func TestTagUnits(t *testing.T) {
	of := func(tag, units string) []string {
		return []string{"x: {tag: " + tag + ", input-register: 0, type: float32, units: '" + units + "'}"}
	}
	try(t, TagUnits, "", []row{
		{"L level", of("LT-101", "bar"), "points.x.units: LT-101 is a level (ISA-5.1), bar is a unit of pressure"},
		{"F flow", of("FT-101", "bar"), "FT-101 is a flow"},
		{"F flow, not its total", of("FT-101", "m3"), "is a unit of volume"},
		{"FQ its total", of("10-FQ-3", "m3/h"), "10-FQ-3 is the total of a flow (ISA-5.1), m3/h is a unit of volume flow"},
		{"P pressure", of("PT7", "Cel"), "temperature"},
		{"T temperature", of("TIT_5", "m"), "TIT_5 is a temperature"},
		{"J power, totalised", of("JQ-1", "kW"), "power"},
		{"L level", of("LT-101", "m"), ""},
		{"a level in per cent", of("LT-101", "%"), ""},
		{"a level in volume (common practice)", of("LT-101", "m3"), ""},
		{"FQ", of("FQ-101", "m3"), ""},
		{"F mass flow", of("FT-1", "t/h"), ""},
		{"P column of water", of("PT-1", "m[H2O]"), ""},
		{"PD difference of pressure", of("PDT-1", "mbar"), ""},
		{"KQ hours run", of("KQ-101", "h"), ""},
		{"A any analysis", of("AT-201", "mS/cm"), ""},
		{"no tag of an instrument", of("PUMP-1", "Cel"), ""},
		{"no letters of the standard", of("TANK-1", "m"), ""},
		{"a text about it", of("see P&ID", "m"), ""},
		{"units that are no code are another rule's", of("LT-1", "psi"), ""},
	})
}

// TestTagType: letters of ANSI/ISA-5.1-2009, table 4.1.
func TestTagType(t *testing.T) {
	try(t, TagType, "", []row{
		{"LAH is an alarm", []string{"x: {tag: LAH-101, input-register: 0, type: uint16}"}, "points.x.tag: LAH-101 is a switch or an alarm (ISA-5.1), which is a bit; this is uint16"},
		{"LSHH is a switch", []string{"x: {tag: LSHH-101, input-register: 0, type: float32, units: m}"}, "LSHH-101 is a switch"},
		{"LT gives a value", []string{"x: {tag: LT-101, coil: 0}"}, "LT-101 is a transmitter (ISA-5.1), which gives a value; this is a bit"},
		{"LSH in a contact", []string{"x: {tag: LSH-101, discrete-input: 0}"}, ""},
		{"ZSC in a bit of a register", []string{"x: {tag: ZSC-1, input-register: 0, type: bool, bit: 3}"}, ""},
		{"YA as a word of bits", []string{"x: {tag: YA-1, input-register: 0, type: bits}"}, ""},
		{"LT as a number", []string{"x: {tag: LT-101, input-register: 0, type: uint16, units: mm}"}, ""},
		{"LIAH shows the value too", []string{"x: {tag: LIAH-101, input-register: 0, type: uint16, units: mm}"}, ""},
	})
}

// TestOddPair: common practice.
func TestOddPair(t *testing.T) {
	wide := func(at ...string) (out []string) {
		for i, a := range at {
			out = append(out, string(rune('a'+i))+": {holding-register: "+a+", type: uint32}")
		}
		return out
	}
	try(t, OddPair, "", []row{
		{"one among three", wide("0", "2", "4", "7"), "points.d.holding-register: two registers at the odd address 7, where 3 others begin at even ones"},
		{"by reference", append(wide("0", "2", "4"), "x: {reference: 40008, type: uint32}"), "points.x.reference: "},
		{"all odd", wide("1", "3", "5"), ""},
		{"no habit to be seen", wide("0", "3"), ""},
		{"half and half", wide("0", "2", "5", "7"), ""},
		{"all even", wide("0", "2", "4", "6"), ""},
		{"text needs no pair", append(wide("0", "2", "4"), "x: {holding-register: 7, type: string, length: 4}"), ""},
		{"the other table", append(wide("0", "2", "4"), "x: {input-register: 7, type: uint32}"), ""},
	})
}

// TestHoles: 10 registers cost as much as another RTU request: 8 + 5 characters
// and two gaps of 3.5 (serial guide V1.02, 2.5.1.1), two characters a register.
func TestHoles(t *testing.T) {
	points := func(at ...string) (out []string) {
		for i, a := range at {
			out = append(out, string(rune('a'+i))+": {holding-register: "+a+", type: uint16}")
		}
		return out
	}
	try(t, Holes, "", []row{
		{"one", points("0", "5"), "points.b: 40002-40005 (address 1-4) before it is unmapped and splits a read; say limits: {gap: 4}"},
		{"once a map", points("0", "5", "7", "20"), "and 1 more like it"},
		{"none", points("0", "1", "2"), ""},
		{"10 are worth it", points("0", "11"), "gap: 10"},
		{"11 are not", points("0", "12"), ""},
		{"160 bits are worth it", []string{"a: {coil: 0}", "b: {coil: 161}"}, "gap: 160"},
		{"161 bits are not", []string{"a: {coil: 0}", "b: {coil: 162}"}, ""},
	})
	try(t, Holes, "limits: {gap: 0}\n", []row{{"a gap of 0 said", points("0", "5"), ""}})
	try(t, Holes, "limits: {gap: 3}\n", []row{{"within the gap", points("0", "4"), ""}, {"beyond it", points("0", "5"), "gap: 4"}})
	try(t, Holes, "holes: {holding-register: [1-4]}\n", []row{{"declared", points("0", "5"), ""}})
	try(t, Holes, "", []row{{"an exponent is mapped", []string{"a: {holding-register: 0, type: int16, units: m, scale: {exponent: {holding-register: 1}}}"}, ""}})
}

func TestReadOnly(t *testing.T) {
	reset, start := "pump-reset: {coil: 0}", "start: {holding-register: 0, type: uint16}"
	try(t, ReadOnly, "", []row{
		{"two commands", []string{reset, start}, "points.pump-reset: the map allows no writing, and has the names of commands: pump-reset, start; give write"},
		{"a bit of a word", []string{"control: {holding-register: 0, type: bits, bits: {0: enable}}"}, "points.control: the map allows no writing, and has the names of commands: control.enable"},
		{"many", []string{reset, start, "set-a: {coil: 1}", "open: {coil: 2}", "close: {coil: 3}"}, "pump-reset, start, set-a and 2 more"},
		{"one can be written", []string{reset, "stop: {coil: 1, write: {}}"}, ""},
		{"tables that nothing writes", []string{"start: {discrete-input: 0}", "stop: {input-register: 0, type: uint16}"}, ""},
		{"a count of starts is no command", []string{"pump-starts: {holding-register: 0, type: uint16}"}, ""},
		{"derived", []string{"a: {input-register: 0, type: uint16}", "set: {derive: 'p(\"a\")', units: m}"}, ""},
	})
}

// TestGroupsAreToldOnce: copies of one block give one warning, with the name of
// the first and its place.
func TestGroupsAreToldOnce(t *testing.T) {
	m := load(t, "test.yaml", "device: test\ngroups:\n  pumps:\n    name: pump-{n}\n    count: 5\n    stride: 2\n    points:\n      speed: {input-register: 0, type: float32}\n")
	list := Map(m)
	if len(list) != 1 || list[0].Error() != `test.yaml:8:7: pump-1-speed: an analogue number without units; give units; a plain number has "1"` {
		t.Errorf("%d warnings, first %v", len(list), list)
	}
}

// TestLongTexts: a text of any length comes back cut.
func TestLongTexts(t *testing.T) {
	long := strings.Repeat("ä", 5000)
	for _, p := range []string{"x: {input-register: 0, type: float32, units: " + long + "}", "x: {tag: " + long + " LAH-1, input-register: 0, type: uint16}"} {
		for _, w := range Map(device(t, "", p)) {
			if n := len(w.Error()); n > 600 || !strings.Contains(w.Error(), "ä...") {
				t.Errorf("%d bytes: %.300s", n, w.Error())
			}
		}
	}
}

// TestOrder: the order of the file, the same on each run.
func TestOrder(t *testing.T) {
	text := []string{"b: {holding-register: 5, type: float32, write: {}}", "a: {tag: LT-1, input-register: 0, type: int16, units: bar}", "c: {holding-register: 0, type: uint16}"}
	var first string
	for range 20 {
		var got []string
		last := 0
		for _, w := range Map(device(t, "", text...)) {
			if w.Pos.Line < last {
				t.Errorf("line %d after %d", w.Pos.Line, last)
			}
			last = w.Pos.Line
			got = append(got, w.Rule+" "+w.Error())
		}
		switch all := strings.Join(got, "\n"); {
		case first == "":
			first = all
		case all != first:
			t.Fatalf("first\n%s\nnow\n%s", first, all)
		}
	}
	if n := strings.Count(first, "\n") + 1; n != 6 {
		t.Errorf("%d warnings, want 6:\n%s", n, first)
	}
}
