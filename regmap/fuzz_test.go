package regmap

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"plumbline/regmap/doc"
)

// FuzzMap: whatever the text, loading ends with a map or with faults that each
// stand in the file, and never with both; a map that loads can be used.
func FuzzMap(f *testing.F) {
	files, err := filepath.Glob("../testdata/maps/*.yaml")
	bad, err2 := filepath.Glob("../testdata/maps/bad/*.bad.yaml")
	if err != nil || err2 != nil || len(files) < 2 || len(bad) < 60 {
		f.Fatalf("%d maps and %d bad ones to begin with", len(files), len(bad))
	}
	for _, file := range append(files, bad...) {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	section := Section{Key: "simulate", Read: func(doc.Node, *Map) any { return nil }}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<16 {
			return
		}
		rep := new(doc.Report)
		m := Load("f", []byte(text), rep, section)
		if (m == nil) != rep.Bad() {
			t.Fatalf("map %v, faults %v", m, rep.Err())
		}
		for _, fault := range rep.Faults() {
			if fault.Pos.Line < 1 || fault.Pos.Column < 1 {
				t.Fatalf("%s has no place", fault.Error())
			}
		}
		if m == nil {
			return
		}
		for p := range m.Readings {
			if !p.Derived() && (p.Count < 1 || p.Span().End() > TableSize || m.Point(p.Name) == nil) {
				t.Fatalf("%s: %+v", p.Name, p)
			}
			v := p.Value(zeros{})
			p.Shown(v)
			p.Alarms()
			checkShort(t, p)
		}
	})
}

// checkShort holds the short way of a point against the long one, on a few
// contents.
func checkShort(t *testing.T, p *Point) {
	if p.Derived() || p.Count != 1 {
		return
	}
	long := *p
	for _, raw := range []uint16{0, 1, 4000, 0x7FFF, 0x8000, 0xFFFF} {
		a, b := p.ValueOf([]uint16{raw}), long.ValueOf([]uint16{raw})
		if !a.Same(b) {
			t.Fatalf("%s of %04X: %s %s, the long way %s %s", p.Name, raw, a.Decimal(), a.Cause(), b.Decimal(), b.Cause())
		}
	}
}

// zeros is contents that hold 0 everywhere.
type zeros struct{}

func (zeros) AppendRaw(dst []uint16, s Span) ([]uint16, bool) {
	return append(dst, make([]uint16, s.Count)...), true
}

// FuzzValue: raw to value to raw is the identity for every writable point of a
// map that says all kinds of scales, unless the value is bad; no NaN is good.
func FuzzValue(f *testing.F) {
	var b strings.Builder
	b.WriteString("device: d\npoints:\n")
	scales := []string{"", ", scale: {times: 0.001}", ", scale: {times: -3, plus: 0.7}", ", scale: {raw: [0, 4095], value: [-1, 9.7]}"}
	at := 0
	for _, typ := range TypeNames() {
		t, _ := ParseType(typ)
		if !t.Number() {
			continue
		}
		for i, scale := range scales {
			for _, order := range []string{"", "x"} {
				name := strings.ReplaceAll(typ, "-", "") + string(rune('a'+i)) + order
				b.WriteString("  " + name + ": {holding-register: " + rat(int64(at)).RatString() + ", type: " + typ + scale)
				if order != "" {
					b.WriteString(", order: " + DCBA.Letters(types[t].registers))
				}
				b.WriteString(", write: {}}\n")
				at += 4
			}
		}
	}
	rep := new(doc.Report)
	m := Load("f", []byte(b.String()), rep)
	if m == nil {
		f.Fatal(rep.Err())
	}
	f.Add(uint16(0), uint16(0), uint16(0), uint16(0))
	f.Add(uint16(0x7FC0), uint16(1), uint16(0xFFFF), uint16(0x8000))
	f.Add(uint16(0x4146), uint16(0x6666), uint16(0x1234), uint16(0x9999))
	f.Fuzz(func(t *testing.T, a, b, c, d uint16) {
		raw := []uint16{a, b, c, d}
		for p := range m.Readings {
			own := raw[:p.Count]
			v := p.ValueOf(own)
			if f, ok := v.Float(); ok && f != f {
				t.Fatalf("%s of %04x is NaN and %s", p.Name, own, v.Quality())
			}
			if v.Quality() == Bad || p.Type == TypeSignMag16 && p.Order.join(own) == 0x8000 {
				continue
			}
			back, err := p.AppendRaw(nil, v, nil)
			if err != nil || !slices.Equal(back, own) {
				t.Fatalf("%s: %04x is %s, which is %04x, %v", p.Name, own, v.Decimal(), back, err)
			}
		}
	})
}
