package agree

import (
	"bytes"
	"flag"
	"math/big"
	"os"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/paper"
)

var update = flag.Bool("update", false, "write golden files anew")

var day = time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC)

func example1(t *testing.T, name string) *regmap.Map {
	t.Helper()
	text, err := os.ReadFile("../../testdata/maps/" + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	rep := new(doc.Report)
	m := regmap.Load(name+".yaml", text, rep, regmap.Section{Key: "simulate", Read: func(doc.Node, *regmap.Map) any { return nil }})
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

// TestSheets: both sheets of both example maps as text; the golden files are
// what a person signs.
func TestSheets(t *testing.T) {
	for _, name := range []string{"cistern", "dosing"} {
		m := example1(t, name)
		for kind, d := range map[string]paper.Document{"list": List(m, day), "interface": Interface(m, day)} {
			var b bytes.Buffer
			if err := paper.Write(&b, d, paper.PlainText); err != nil {
				t.Fatal(err)
			}
			file := "../../testdata/agree/" + name + "-" + kind + ".golden"
			if *update {
				if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil || !bytes.Equal(b.Bytes(), want) {
				t.Errorf("%s %s differs from its golden file (%v):\n%s", name, kind, err, b.String())
			}
		}
	}
}

// TestEveryBackEnd: the documents can be written in every format, twice the
// same.
func TestEveryBackEnd(t *testing.T) {
	m := example1(t, "cistern")
	for _, f := range paper.Formats() {
		var a, b bytes.Buffer
		if err := paper.Write(&a, List(m, day), f); err != nil {
			t.Fatalf("%v: %v", f, err)
		}
		if err := paper.Write(&b, List(m, day), f); err != nil || !bytes.Equal(a.Bytes(), b.Bytes()) || a.Len() == 0 {
			t.Errorf("%v: %d bytes, then %d, %v", f, a.Len(), b.Len(), err)
		}
	}
}

// TestExamplesMeanWhatTheySay: the value that an example shows is that of its
// registers, worked out apart from the map: 12.4 as words swapped would be
// another number.
func TestExamplesMeanWhatTheySay(t *testing.T) {
	m := loadText(t, "device: d\npoints:\n"+
		"  flow: {input-register: 2, type: float32, order: CDAB}\n  level: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3]}, decimals: 4}\n"+
		"  total: {input-register: 4, type: uint32}\n  power: {holding-register: 0, type: int16, scale: {exponent: {holding-register: 1}}}\n"+
		"  name: {holding-register: 10, type: string, length: 5}\n  mode: {holding-register: 20, type: bits, bits: {3: a}}\n")
	for name, want := range map[string]struct {
		registers string
		value     float64
	}{
		"flow":  {"E979 42F6", 123.456},                     // 123.456 is 42 F6 E9 79 (IEEE 754-2008, 3.4)
		"level": {"3810", float64(0x3810-4000) * 3 / 16000}, // 64.7 % of the span
		"total": {"0102 0304", 16909060},
		"power": {"FB2E", -123.4}, // -1234 with the power -1
	} {
		p := m.Point(name)
		r := newRegisters(p)
		raw, ok := p.Raw(r)
		if got, _ := p.Value(r).Float(); !ok || hexOf(raw) != want.registers || got-want.value > 1e-5 || want.value-got > 1e-5 {
			t.Errorf("%s: %s means %v, want %s, %v", name, hexOf(raw), got, want.registers, want.value)
		}
	}
	var b strings.Builder
	if err := paper.Write(&b, Interface(m, day), paper.PlainText); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"word-order", "E9 79 42 F6", "-1.88", "PUMP0", "40002 (address 1) holds -1"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is not on the interface sheet:\n%s", want, b.String())
		}
	}
	if bound(" from ", big.NewRat(1, 2)) != " from 0.5" {
		t.Error("bound")
	}
}
