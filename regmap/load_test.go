package regmap

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/regmap/doc"
)

var update = flag.Bool("update", false, "write golden files anew")

// TestBadMaps: one fault a file; the golden file holds place, path, words and
// hint of each.
func TestBadMaps(t *testing.T) {
	files, err := filepath.Glob("../testdata/maps/bad/*.bad.yaml")
	if err != nil || len(files) < 60 {
		t.Fatalf("found %d bad maps, %v", len(files), err)
	}
	var got strings.Builder
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		rep := new(doc.Report)
		m := Load(filepath.Base(file), text, rep)
		if m != nil || !rep.Bad() {
			t.Errorf("%s was taken for right", file)
		}
		for _, f := range rep.Faults() {
			if f.Pos.Line < 1 || f.Pos.Column < 1 || f.Pos.Line > strings.Count(string(text), "\n")+1 {
				t.Errorf("%s: the place %v is not in the file", file, f.Pos)
			}
			fmt.Fprintln(&got, f.Error())
		}
	}
	golden(t, "../testdata/maps/bad/faults.golden", got.String())
}

// golden compares with a file, or writes it under -update.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		a, b := strings.Split(got, "\n"), strings.Split(string(want), "\n")
		for i := range min(len(a), len(b)) {
			if a[i] != b[i] {
				t.Fatalf("%s line %d:\ngot  %s\nwant %s", file, i+1, a[i], b[i])
			}
		}
		t.Fatalf("%s: got %d lines, want %d", file, len(a), len(b))
	}
}

// TestF10TooManyOfEverything: every fault is counted and the first hundred are
// shown; a million points are refused with the place where it becomes too much.
func TestF10TooManyOfEverything(t *testing.T) {
	load := func(text string) *doc.Report {
		rep := new(doc.Report)
		if m := Load("f", []byte("device: d\n"+text), rep); m != nil {
			t.Errorf("%.60q... was taken for right", text)
		}
		return rep
	}
	var beyond, overlap strings.Builder
	for i := range 300 {
		fmt.Fprintf(&beyond, "  p%d: {holding-register: %d, type: float32}\n", i, 65535+i)
		fmt.Fprintf(&overlap, "  p%d: {holding-register: 7, type: uint16}\n", i)
	}
	for _, v := range []struct {
		name, text string
		faults     int
		first      string
	}{
		{"beyond 65535", "points:\n" + beyond.String(), 300, "f:3:26: points.p0.holding-register: float32 at address 65535 takes 2 registers and goes beyond address 65535"},
		{"one address", "points:\n" + overlap.String(), 299, "f:4:26: points.p1.holding-register: address 7 is already part of p0 (line 3); move one of them, or say overlay: true"},
	} {
		rep := load(v.text)
		lines := strings.Split(rep.Err().Error(), "\n")
		if rep.Count() != v.faults || len(lines) != 101 || lines[0] != v.first || lines[100] != fmt.Sprintf("and %d more faults", v.faults-100) {
			t.Errorf("%s: %d faults in %d lines\nfirst %s\nlast  %s", v.name, rep.Count(), len(lines), lines[0], lines[len(lines)-1])
		}
	}
	rep := load("points:\n" + strings.Repeat("  p: {coil: 1}\n", 1_000_000))
	if f := rep.Faults(); len(f) != 1 || f[0].Message != "more than 1000000 values in one file" || f[0].Pos.Line < 100_000 {
		t.Errorf("a million points: %v", rep.Err())
	}
	rep = load("groups: {g: {name: \"g-{n}\", count: 1000, stride: {coil: 0}, groups: {h: {name: \"h-{n}\", count: 1000, stride: {coil: 0}, points: {p: {coil: 0}}}}}}\n")
	if f := rep.Faults(); len(f) != 1 || f[0].Message != "the group makes 1000000 points, at most 262144 are read" {
		t.Errorf("a million points of two lines: %v", rep.Err())
	}
}

// TestOpenStaysShort: however many points lie at one address, only so many are
// compared with the next one as can lie there without a clash.
func TestOpenStaysShort(t *testing.T) {
	of := func(typ Type, address Address, bit uint8) *pointDraft {
		p := &pointDraft{node: doc.Node{}, places: []doc.Node{{}}}
		p.Table, p.Address, p.Type, p.Count = HoldingRegister, address, typ, types[typ].registers
		if typ == TypeBool {
			p.Part = Part{bit, 1}
		}
		return p
	}
	var open []*pointDraft
	for i := range 1000 {
		open = admit(open, of(TypeBool, 7, uint8(i%16)))
	}
	if len(open) != 16 {
		t.Errorf("%d bits of a register are open", len(open))
	}
	for i := range 1000 {
		open = admit(open, of([]Type{TypeUint16, TypeFloat64, TypeBool, TypeUint32}[i%4], 7, uint8(i%16)))
	}
	if len(open) != 16 {
		t.Errorf("%d of one address are open", len(open))
	}
	// What was dropped clashed no more than what was kept.
	if last := of(TypeUint16, 10, 0); len(admit(open, last)) != 16 || !clash(open[0], last) {
		t.Error("a register inside the widest point is free")
	}
}

// TestF10HintsEnd: a file in which thousands of names are unknown gets as many
// faults, and a likeness for the first hundred only.
func TestF10HintsEnd(t *testing.T) {
	var b strings.Builder
	b.WriteString("device: d\npoints:\n  level: {coil: 0}\n")
	for i := range 3000 {
		fmt.Fprintf(&b, "  x%d: {coil: %d, write: {only-when: {levle: 1}}}\n", i, i+1)
	}
	rep := new(doc.Report)
	Load("f", []byte(b.String()), rep)
	hints := 0
	for _, f := range rep.Faults() {
		if f.Hint == "did you mean level?" {
			hints++
		}
	}
	if rep.Count() != 3000 || hints != mostHints {
		t.Errorf("%d faults, %d hints", rep.Count(), hints)
	}
}
