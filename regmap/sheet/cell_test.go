package sheet

import (
	"fmt"
	"strings"
	"testing"

	"golang.org/x/text/unicode/norm"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// TestAddressCells: the forms of an address. Common practice; the digits of
// the tables: V1.1b3, 4.3 numbered in the traditional way.
func TestAddressCells(t *testing.T) {
	for _, c := range []struct {
		cell string
		want address
	}{
		{"40001", address{number: 40001, text: "40001", last: -1, bit: -1}},
		{"400001", address{number: 400001, text: "400001", last: -1, bit: -1}},
		{"00017", address{number: 17, text: "00017", last: -1, bit: -1}},
		{"17", address{number: 17, text: "17", last: -1, bit: -1}},
		{"0x10", address{number: 16, text: "10", hex: true, last: -1, bit: -1}},
		{"0x001F", address{number: 31, text: "001f", hex: true, last: -1, bit: -1}},
		{"10h", address{number: 16, text: "10", hex: true, last: -1, bit: -1}},
		{"16#1F", address{number: 31, text: "1f", hex: true, last: -1, bit: -1}},
		{"$1F", address{number: 31, text: "1f", hex: true, last: -1, bit: -1}},
		{"4x0017", address{number: 17, text: "0017", short: true, table: regmap.HoldingRegister, last: -1, bit: -1}},
		{"3x 17", address{number: 17, text: "17", short: true, table: regmap.InputRegister, last: -1, bit: -1}},
		{"0x00017", address{number: 17, text: "00017", short: true, table: regmap.Coil, last: -1, bit: -1}},
		{"HR 17", address{number: 17, text: "17", table: regmap.HoldingRegister, last: -1, bit: -1}},
		{"IR-3", address{number: 3, text: "3", table: regmap.InputRegister, last: -1, bit: -1}},
		{"%MW100", address{number: 100, text: "100", last: -1, bit: -1}},
		{"40001-40002", address{number: 40001, text: "40001", last: 40002, bit: -1}},
		{"40001 – 40002", address{number: 40001, text: "40001", last: 40002, bit: -1}},
		{"40001..40004", address{number: 40001, text: "40001", last: 40004, bit: -1}},
		{"40001/40002", address{number: 40001, text: "40001", last: 40002, bit: -1}},
		{"49999-410000", address{number: 49999, text: "49999", last: 50000, bit: -1}}, // two registers, the second with six digits
		{"40001-02", address{number: 40001, text: "40001", last: 40002, bit: -1}},
		{"40001 to 40002", address{number: 40001, text: "40001", last: 40002, bit: -1}},
		{"40017.3", address{number: 40017, text: "40017", last: -1, bit: 3}},
		{"40017.0", address{number: 40017, text: "40017", last: -1, bit: 0}},
		{"40017:15", address{number: 40017, text: "40017", last: -1, bit: 15}},
		{"40017 bit 3", address{number: 40017, text: "40017", last: -1, bit: 3}},
		{"40,001", address{number: 40001, text: "40001", last: -1, bit: -1}},
	} {
		if got, err := parseAddress(c.cell); err != nil || got != c.want {
			t.Errorf("%q = %+v, %v; want %+v", c.cell, got, err, c.want)
		}
	}
	for _, cell := range []string{"", "n/a", "level", "1234567", "-5", "5x17", "40001-", "0xZZ", "40009-40001"} {
		if got, err := parseAddress(cell); err == nil || got != (address{}) {
			t.Errorf("%q = %+v, %v; want an error alone", cell, got, err)
		}
	}
}

// TestTypeCells: the names of types.
func TestTypeCells(t *testing.T) {
	for _, c := range []struct{ src, cell, want string }{
		{"IEC 61131-3:2013, table 10", "BOOL", "bool"}, {"IEC 61131-3:2013, table 10", "SINT", "int16"}, {"IEC 61131-3:2013, table 10", "INT", "int16"},
		{"IEC 61131-3:2013, table 10", "DINT", "int32"}, {"IEC 61131-3:2013, table 10", "LINT", "int64"}, {"IEC 61131-3:2013, table 10", "USINT", "uint16"},
		{"IEC 61131-3:2013, table 10", "UINT", "uint16"}, {"IEC 61131-3:2013, table 10", "UDINT", "uint32"}, {"IEC 61131-3:2013, table 10", "ULINT", "uint64"},
		{"IEC 61131-3:2013, table 10", "REAL", "float32"}, {"IEC 61131-3:2013, table 10", "LREAL", "float64"}, {"IEC 61131-3:2013, table 10", "BYTE", "uint16"},
		{"IEC 61131-3:2013, table 10", "WORD", "uint16"}, {"IEC 61131-3:2013, table 10", "DWORD", "uint32"}, {"IEC 61131-3:2013, table 10", "LWORD", "uint64"},
		{"IEC 61131-3:2013, 6.4.2 (string length in brackets)", "STRING[12]", "string 12"},
		{"ISO C 7.20 (exact widths)", "uint16_t", "uint16"}, {"ISO C 7.20", "int32_t", "int32"}, {"ISO C 7.20", "uint64_t", "uint64"},
		{"C on controllers, common practice", "unsigned short", "uint16"}, {"common practice", "unsigned long", "uint32"}, {"common practice", "float", "float32"},
		{"common practice", "double", "float64"}, {"common practice", "char[12]", "string 12"}, {"common practice", "ASCII (20)", "string 20"},
		{"common practice", "U16", "uint16"}, {"common practice", "s32", "int32"}, {"common practice", "16-bit signed", "int16"}, {"common practice", "Signed 32 bit", "int32"},
		{"common practice", "32-bit float", "float32"}, {"common practice", "32 bit unsigned integer", "uint32"}, {"common practice", "IEEE 754", "float32"},
		{"common practice", "Bitfield", "bits"}, {"common practice", "BCD", "bcd16"}, {"common practice", "bitfield32", "bits"},
		{"common practice", "REAL (low word first)", "float32 CDAB"}, {"common practice", "float CDAB", "float32 CDAB"}, {"common practice", "UDINT swapped", "uint32 CDAB"},
		{"common practice", "Float, big endian", "float32 ABCD"}, {"common practice", "float32 little endian", "float32 DCBA"}, {"common practice", "INT32 3412", "int32 CDAB"},
	} {
		got, err := parseType(c.cell)
		s := got.name
		if got.length > 0 {
			s += fmt.Sprint(" ", got.length)
		}
		if got.order != "" {
			s += " " + got.order
		}
		if err != nil || s != c.want {
			t.Errorf("%s: %q = %q, %v; want %q", c.src, c.cell, s, err, c.want)
		}
	}
	for _, cell := range []string{"TIME", "DATE_AND_TIME", "float16", "16 bit float", "whatever", "STRING[0]"} {
		if got, err := parseType(cell); err == nil {
			t.Errorf("%q = %+v; want an error", cell, got)
		}
	}
}

// TestOrderWords: word orders by their names. Common practice.
func TestOrderWords(t *testing.T) {
	for cell, want := range map[string]string{
		"CDAB": "CDAB", "abcd": "ABCD", "low word first": "CDAB", "LSW first": "CDAB", "Low-word first": "CDAB", "high word first": "ABCD", "MSW/LSW": "ABCD",
		"big endian": "ABCD", "Big-Endian": "ABCD", "little endian": "DCBA", "swapped": "CDAB", "word swap": "CDAB", "byte swap": "BADC", "byte and word swap": "DCBA",
		"2143": "BADC", "DCBA": "DCBA", "Lo/Hi": "CDAB", "no": "", "yes": "", "": "",
	} {
		if got, _, _ := parseOrder(cell); got != want {
			t.Errorf("%q = %q, want %q", cell, got, want)
		}
	}
}

// TestNumberCells: decimal commas, thousands, powers; what has two readings is
// refused.
func TestNumberCells(t *testing.T) {
	for cell, want := range map[string]string{
		"0.1": "0.1", "0,1": "0.1", "-20": "-20", "−20": "-20", "1 000": "1000", "1.000,5": "1000.5", "1,000.5": "1000.5", "1,000,000": "1000000", "1e-3": "0.001",
		"10^-2": "0.01", "2 x 10^3": "2000", "0,001": "0.001", "+5": "5", "3.00": "3", "12,3456": "12.3456", ".5": "0.5",
	} {
		r, err := parseNumber(cell)
		if err != nil || text(r) != want {
			t.Errorf("%q = %v, %v; want %s", cell, r, err, want)
		}
	}
	for _, cell := range []string{"1,000", "12,345", "", "x", "1.2.3", "1e999", "--5", strings.Repeat("9", 50), "1/2"} {
		if r, err := parseNumber(cell); err == nil || r != nil {
			t.Errorf("%q = %v, %v; want an error alone", cell, r, err)
		}
	}
}

// TestScaleCells: factors and divisors.
func TestScaleCells(t *testing.T) {
	for _, c := range []struct {
		cell, want string
		kind       scaleKind
	}{
		{"0.1", "0.1", scaleBare}, {"0,1", "0.1", scaleBare}, {"x10", "10", scaleTimes}, {"×0.1", "0.1", scaleTimes}, {"*0,01", "0.01", scaleTimes}, {"10x", "10", scaleTimes},
		{"/10", "10", scaleDivide}, {"÷ 100", "100", scaleDivide}, {"1/10", "10", scaleDivide}, {"1:100", "100", scaleDivide}, {"value / 10", "10", scaleDivide},
		{"raw x 0.1", "0.1", scaleTimes}, {"10^-1", "0.1", scaleBare},
	} {
		r, kind, err := parseScale(c.cell)
		if err != nil || text(r) != c.want || kind != c.kind {
			t.Errorf("%q = %v, %v, %v; want %s, %v", c.cell, r, kind, err, c.want, c.kind)
		}
	}
}

// TestRangeCells: ranges, and names for numbers.
func TestRangeCells(t *testing.T) {
	for cell, want := range map[string]string{
		"0..100": "0 100 ", "0-100": "0 100 ", "0 to 3": "0 3 ", "-20…80": "-20 80 ", "0,5..2,5": "0.5 2.5 ", "0 – 100 %": "0 100 %", "[0; 10]": "0 10 ", "-20 - 80 °C": "-20 80 °C",
	} {
		low, high, units, ok := parseRange(cell)
		if !ok || text(low)+" "+text(high)+" "+units != want {
			t.Errorf("%q = %v, %v, %q, %v; want %q", cell, low, high, units, ok, want)
		}
	}
	for _, cell := range []string{"", "100", "5..5", "9..1", "0=off", "0..3 of something"} {
		if _, _, _, ok := parseRange(cell); ok {
			t.Errorf("%q is taken for a range", cell)
		}
	}
	for cell, want := range map[string]string{
		"0=off, 1=on": "0:off 1:on", "0: off; 1: on": "0:off 1:on", "0 - hand\n1 - off\n2 - automatic": "0:hand 1:off 2:automatic",
		"Bit 0: run; Bit 1: fault": "0:run 1:fault", "0=off/1=on": "0:off 1:on", "1=see note": "", "0=off, 0=on": "", "0..3": "", "0=x, see page 4": "",
	} {
		pairs, _ := parseNamed(cell)
		var parts []string
		for _, p := range pairs {
			parts = append(parts, p.key+":"+p.value)
		}
		if got := strings.Join(parts, " "); got != want && !(want == "" && got != "" && strings.Contains(cell, "see")) {
			t.Errorf("%q = %q, want %q", cell, got, want)
		}
	}
}

// TestFunctionCells. Source: V1.1b3, 5.1 (public function codes).
func TestFunctionCells(t *testing.T) {
	for cell, want := range map[string]functions{
		"03": {regmap.HoldingRegister, false}, "4": {regmap.InputRegister, false}, "FC1": {regmap.Coil, false}, "0x02": {regmap.DiscreteInput, false},
		"03/06/16": {regmap.HoldingRegister, true}, "1, 5, 15": {regmap.Coil, true}, "FC 03": {regmap.HoldingRegister, false}, "0x03, 0x10": {regmap.HoldingRegister, true},
	} {
		if got, ok := parseFunctions(cell); !ok || got != want {
			t.Errorf("%q = %+v, %v; want %+v", cell, got, ok, want)
		}
	}
	for _, cell := range []string{"", "99", "read", "3/4"} {
		if got, ok := parseFunctions(cell); ok {
			t.Errorf("%q = %+v", cell, got)
		}
	}
}

// TestHeadings: the spellings of headings. Common practice.
func TestHeadings(t *testing.T) {
	for heading, want := range map[string]string{
		"Register": roleAddress, "Reg. No.": roleAddress, "Modbus Address": roleAddress, "Address (hex)": roleAddress, "ADDR": roleAddress, "Modbus address (decimal)": roleAddress,
		"Data Type": roleType, "Format": roleType, "UoM": roleUnits, "Units": roleUnits, "Eng. Unit": roleUnits, "Einheit": roleUnits, "R/W": roleAccess, "Access": roleAccess,
		"Scale Factor": roleScale, "Gain": roleTimes, "Multiplier": roleTimes, "Divisor": roleDivide, "Decimals": roleDecimals, "Function Code": roleFunction, "FC": roleFunction,
		"Bit No.": roleBit, "Min": roleMin, "Maximum": roleMax, "Range": roleRange, "Description": roleAbout, "Tag": roleTag, "Signal name": roleName, "Word order": roleOrder,
		"Register type": roleTable, "No. of registers": roleLength, "Remarks": roleRemark, "Wire colour": "", "": "", "Beschreibung": roleAbout,
	} {
		if got, _ := roleOf(heading); got != want {
			t.Errorf("%q = %q, want %q", heading, got, want)
		}
	}
}

// TestNames: names of points out of any text.
func TestNames(t *testing.T) {
	for s, want := range map[string]string{
		"Level": "level", "Tank level (m)": "tank-level-m", "LT-101": "lt-101", "2nd pump": "p-2nd-pump", "Förderstrom": "foerderstrom", "%": "percent", "液位": "", "--": "",
		"a very long description of what this register really holds inside": "a-very-long-description-of-what-this",
		strings.Repeat("x", 90): strings.Repeat("x", 40), "Débit d'eau": "debit-d-eau",
	} {
		got := nameOf(s)
		if got != want || got != "" && !doc.IsName(got) {
			t.Errorf("%q = %q, want %q", s, got, want)
		}
	}
	n := names{}
	if a, b, c := n.free("x"), n.free("x"), n.free("x"); a != "x" || b != "x-2" || c != "x-3" {
		t.Errorf("%s %s %s", a, b, c)
	}
	if got := wordsOf("PhVphA"); got != "Ph Vph A" {
		t.Errorf("%q", got)
	}
}

// FuzzQuote: a text written into a map reads back as itself.
// Source: YAML 1.2.2, 7.3.1 and 7.3.3.
func FuzzQuote(f *testing.F) {
	for _, s := range []string{"", "a", "null", "True", "0x10", "a: b", "a #b", "it's", `say "x" \ y`, "-", "- a", "{a}", "[a]", "&x", "*x", "!x", "|", ">", "%x", "@x", "`", "ü°", "a  b", "12", "a,b", "~", "no", "on"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		s = norm.NFC.String(clean(s)) // a file's texts have one form
		text := "points:\n  a: " + quote(s) + "\n  b: {x: " + quote(s) + ", y: 1}\n"
		rep := new(doc.Report)
		n := doc.Parse("x.yaml", []byte(text), rep).Get("points")
		if rep.Bad() {
			t.Fatalf("%q: %v", s, rep.Err())
		}
		for _, v := range []doc.Node{n.Get("a"), n.Get("b").Get("x")} {
			if got, ok := v.Text(); !ok || got != s {
				t.Fatalf("%q reads back as %q, %v", s, got, ok)
			}
		}
	})
}
