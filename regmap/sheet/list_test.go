package sheet

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

var update = flag.Bool("update", false, "write golden files anew")

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
	if got == string(want) {
		return
	}
	a, b := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			t.Fatalf("%s line %d:\ngot  %s\nwant %s", file, i+1, a[i], b[i])
		}
	}
	t.Fatalf("%s: got %d lines, want %d", file, len(a), len(b))
}

// words is everything a result says beside the map.
func words(r *Result) string {
	var b strings.Builder
	for _, c := range r.Columns {
		fmt.Fprintf(&b, "column %s %q: %s %s %s\n", c.Letter, c.Heading, c.Role, c.Sure, c.Why)
	}
	for _, n := range r.Notes {
		fmt.Fprintln(&b, "note:", n)
	}
	for _, p := range r.Points {
		fmt.Fprintf(&b, "point: %s of %s %q\n", p.Point, p.Place, p.Assumed)
	}
	for _, l := range r.LeftOut {
		fmt.Fprintf(&b, "left out: %s %q: %s (harmless %t)\n", l.Place, l.Text, l.Reason, l.Harmless)
	}
	for _, q := range r.Questions {
		fmt.Fprintln(&b, "question:", q)
	}
	return b.String()
}

// loads reads a map back; it must have no fault.
func loads(t *testing.T, text []byte) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("made.yaml", text, rep, stationBlock())
	if m == nil {
		t.Fatalf("the map does not load: %v\n%s", rep.Err(), text)
	}
	return m
}

// accounted: every row below the headings that is not blank is a point or left
// out, and each column with a heading has a role or none.
func accounted(t *testing.T, rows []Row, r *Result) {
	t.Helper()
	in := map[string]bool{}
	for _, p := range r.Points {
		in[p.Place] = true
	}
	for _, l := range r.LeftOut {
		in[l.Place] = true
	}
	for _, row := range rows {
		if headingScore(row, nil) > 0 || strings.Contains(words(r), fmt.Sprintf("worksheet %q has no heading", row.Sheet)) {
			continue
		}
		if !in[rowPlace(row)] {
			row.Sheet = "" // left away where one worksheet alone holds a list
		}
		if rowText(row) != "" && !in[rowPlace(row)] {
			t.Errorf("%s (%s) is neither a point nor left out", rowPlace(row), rowText(row))
		}
	}
}

var goldenLists = []struct {
	file    string
	options Options
}{
	{"references", Options{}},
	{"offsets", Options{}},
	{"numbers", Options{CountFrom: CountFromOne, Device: "Transfer station"}},
	{"bits", Options{}},
	{"words", Options{}},
	{"commas", Options{}},      // ISO 8859-1, decimal commas, two columns in one, rows of an address alone
	{"merged.xlsx", Options{}}, // headings of two lines in merged cells, units in brackets, raw and scaled ranges
	{"ctypes", Options{}},      // six digits, C types, a factor in the units
}

func readList(t *testing.T, file string) []Row {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := Rows(File{filepath.Base(file), text}, "")
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// TestGoldenLists: whole lists as people write them, the map and all the words
// about it.
func TestGoldenLists(t *testing.T) {
	for _, g := range goldenLists {
		name, ending, ok := strings.Cut(g.file, ".")
		if !ok {
			ending = "csv"
		}
		rows := readList(t, "../../testdata/sheets/"+name+"."+ending)
		r, err := List(name+"."+ending, rows, g.options)
		if err != nil {
			t.Fatal(err)
		}
		loads(t, r.Map)
		accounted(t, rows, r)
		golden(t, "../../testdata/sheets/"+name+".yaml", string(r.Map))
		golden(t, "../../testdata/sheets/"+name+".words", words(r))
	}
}

// rowsFrom makes rows of lines with cells between bars.
func rowsFrom(lines ...string) []Row {
	var out []Row
	for i, l := range lines {
		cells := strings.Split(l, "|")
		for j := range cells {
			cells[j] = strings.TrimSpace(cells[j])
		}
		out = append(out, Row{Number: i + 1, Cells: cells})
	}
	return out
}

// TestCounting: what decides from which number a list counts, and what asks.
// Source: trade practice of numbers and addresses; V1.1b3, 4.4 (addresses
// count from 0, numbers from 1).
func TestCounting(t *testing.T) {
	for _, c := range []struct {
		name  string
		rows  []Row
		o     Options
		first int // address of the point 'level'; -1: a question
	}{
		{"five digits", rowsFrom("Register|Name|Type", "40005|Level|INT"), Options{}, 4},
		{"six digits", rowsFrom("Register|Name|Type", "400005|Level|INT"), Options{}, 4},
		{"a number and no word", rowsFrom("Register|Table|Name|Type", "5|holding|Level|INT"), Options{}, -1},
		{"told 0", rowsFrom("Register|Table|Name|Type", "5|holding|Level|INT"), Options{CountFrom: CountFromZero}, 5},
		{"told 1", rowsFrom("Register|Table|Name|Type", "5|holding|Level|INT"), Options{CountFrom: CountFromOne}, 4},
		{"a register 0", rowsFrom("Register|Table|Name|Type", "0|holding|Run|INT", "5|holding|Level|INT"), Options{}, 5},
		{"headed offset", rowsFrom("Offset|Table|Name|Type", "5|holding|Level|INT"), Options{}, 5},
		{"headed 0-based", rowsFrom("Address (0-based)|Table|Name|Type", "5|holding|Level|INT"), Options{}, 5},
		{"headed 1-based", rowsFrom("Address (1-based)|Table|Name|Type", "5|holding|Level|INT"), Options{}, 4},
		{"hexadecimal", rowsFrom("Address|Table|Name|Type", "0x0A|holding|Level|INT"), Options{}, 10},
		{"an offset beside the reference", rowsFrom("Register|Offset|Name|Type", "40005|4|Level|INT"), Options{}, 4},
		{"an offset beside the number", rowsFrom("Number|Offset|Table|Name|Type", "5|4|holding|Level|INT", "9|8|holding|Flow|INT"), Options{}, 4},
		{"40000 is no reference", rowsFrom("Register|Table|Name|Type", "40000|holding|Run|INT", "40005|holding|Level|INT"), Options{}, -1},
		{"40001 headed offset", rowsFrom("Offset|Name|Type", "40005|Level|INT"), Options{}, -1},
		{"40001 headed offset, told 0", rowsFrom("Offset|Table|Name|Type", "40005|holding|Level|INT"), Options{CountFrom: CountFromZero}, 40005},
		{"references and numbers mixed", rowsFrom("Register|Table|Name|Type", "40005|holding|Level|INT", "7|holding|Flow|INT"), Options{}, -1},
		{"4x apart", rowsFrom("Register|Name|Type", "4x0005|Level|INT"), Options{}, 4},
		{"a leading zero that is no coil", rowsFrom("Register|Table|Name|Type", "00005|holding|Level|INT"), Options{CountFrom: CountFromOne}, 4},
	} {
		r, err := List("list.csv", c.rows, c.o)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if c.first < 0 {
			if len(r.Questions) != 1 || r.Map != nil || !strings.Contains(r.Questions[0], "--count-from") {
				t.Errorf("%s: questions %q, want one about --count-from, and no map; map %s", c.name, r.Questions, r.Map)
			}
			continue
		}
		if len(r.Questions) > 0 || r.Map == nil {
			t.Errorf("%s: no map; %s", c.name, words(r))
			continue
		}
		if p := loads(t, r.Map).Point("level"); p == nil || int(p.Address) != c.first {
			t.Errorf("%s: level is %+v, want address %d\n%s", c.name, p, c.first, r.Map)
		}
		if len(r.Notes) == 0 && !strings.Contains(c.name, "apart") {
			t.Errorf("%s: nothing says how it was taken", c.name)
		}
	}
}

// TestQuestions: what a list cannot tell is asked, and the answer named in the
// question is taken.
func TestQuestions(t *testing.T) {
	table := rowsFrom("Address (0-based)|Name|Type", "5|Level|INT")
	r, err := List("list.csv", table, Options{})
	if err != nil || len(r.Questions) != 1 || !strings.Contains(r.Questions[0], "which table") {
		t.Fatalf("%v, %v", r, err)
	}
	r, err = List("list.csv", table, Options{Columns: map[string]string{"table": "input-register"}})
	if err != nil || loads(t, r.Map).Point("level").Table != regmap.InputRegister {
		t.Fatalf("%v, %v", r, err)
	}
	scale := rowsFrom("Register|Name|Type|Scale", "40005|Level|INT|10")
	r, err = List("list.csv", scale, Options{})
	if err != nil || len(r.Questions) != 1 || !strings.Contains(r.Questions[0], "multiplied") {
		t.Fatalf("%v, %v", r, err)
	}
	for role, want := range map[string]string{"times": "times 10", "divide": "times 0.1"} {
		r, err = List("list.csv", scale, Options{Columns: map[string]string{role: "Scale"}})
		if err != nil || r.Map == nil {
			t.Fatalf("%v, %v", r, err)
		}
		if p := loads(t, r.Map).Point("level"); p.Scale.Words(nil) != want {
			t.Errorf("%s: scale %q, want %q", role, p.Scale.Words(nil), want)
		}
	}
}

// TestListRefused: what is no list at all is an error, with nothing beside it.
func TestListRefused(t *testing.T) {
	for _, c := range []struct {
		rows []Row
		o    Options
		says string
	}{
		{nil, Options{}, "no heading"},
		{rowsFrom("a|b", "c|d"), Options{}, "no heading"},
		{rowsFrom("Register|Name", "40001|Level"), Options{Columns: map[string]string{"colour": "Name"}}, "names no role"},
		{rowsFrom("Register|Name", "40001|Level"), Options{Columns: map[string]string{"about": "Words"}}, `no column is headed "Words"`},
		{[]Row{{Number: 1, Cells: make([]string, mostColumns+1)}}, Options{}, "at most"},
	} {
		r, err := List("list.csv", c.rows, c.o)
		if r != nil || !errors.Is(err, ErrSource) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %v, %v; want words %q", c.rows, r, err, c.says)
		}
	}
}

// TestRowsRefused: a row that contradicts itself is left out, with the reason.
func TestRowsRefused(t *testing.T) {
	head := "Register|FC|Name|Type|Length|Scale|Bit|Decimals"
	for _, c := range []struct{ row, says string }{
		{"30005|3|Level|INT", "leading digit of table input-register"},
		{"40005|77|Level|INT", "no function code"},
		{"40005|3|Level|TIME", "no type that is known"},
		{"40005|3|Level|REAL|1", "takes 2 registers, the row gives 1"},
		{"40005-40006|3|Level|INT|3", "range is 2 registers, the length says 3"},
		{"40005-40006|3|Level|", "no type is said"},
		{"40005|3|Level|STRING", "how long"},
		{"40005|3|Level|STRING|200", "goes beyond one read"},
		{"40005|3|Level|INT||often", "no scale"},
		{"40005|3|Level|INT||0", "makes every value the same"},
		{"40005|3|Level|BOOL|||x", "no bit number"},
		{"40005.3|3|Level|BOOL|||4", "the address says bit 3"},
		{"40005|3|Level|REAL|||3", "is a bool"},
		{"40005|3|Level|INT||||many", "no number of decimals"},
		{"00005|1|Level|INT", "the row says int16"},
		{"forty|3|Level|INT", "is no address"},
		{"40009-40005|3|Level|INT", "runs backwards"},
		{"499999|3|Level|INT", "beyond address 65535"},
		{"|3|Level|INT", "no address"},
	} {
		r, err := List("list.csv", rowsFrom(head, "40001|3|First|INT", "40002|3|Second|INT", c.row), Options{CountFrom: CountFromOne})
		if err != nil {
			t.Errorf("%s: %v", c.row, err)
			continue
		}
		if len(r.LeftOut) != 1 || !strings.Contains(r.LeftOut[0].Reason, c.says) || !r.Incomplete() {
			t.Errorf("%s: left out %+v, want one for %q", c.row, r.LeftOut, c.says)
		}
		if m := loads(t, r.Map); len(m.Points) != 2 {
			t.Errorf("%s: %d points, want the first two alone", c.row, len(m.Points))
		}
	}
}

// FuzzSheetCSV: whatever the file, reading ends; a refused file is an error
// with nothing beside it, a map that is made loads, and no row is lost.
func FuzzSheetCSV(f *testing.F) {
	seeds, err := filepath.Glob("../../testdata/sheets/*.csv")
	if err != nil || len(seeds) < 5 {
		f.Fatalf("found %d lists, %v", len(seeds), err)
	}
	for _, s := range seeds {
		text, err := os.ReadFile(s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text, uint8(0))
	}
	for _, s := range []string{"Register,Name\n\"40001,Level\n", "Register;Name;Type\n=1+1;=cmd|' /c x'!A0;INT\n", "\xff\xfeR\x00", "Register\tName\n1,5\tx\n",
		"Register,Name" + strings.Repeat(",", 2000) + "\n"} {
		f.Add([]byte(s), uint8(1))
	}
	f.Add([]byte(ownSeed), uint8(0))
	f.Add([]byte("Coils\nRegister,Name\n1,a\nInput registers\nRegister,Name,Type\n1,b,INT\nRegister,Name\n2,c\n"), uint8(1))
	f.Fuzz(func(t *testing.T, text []byte, from uint8) {
		rows, err := Rows(File{"list.csv", text}, "")
		if err != nil {
			if rows != nil || !errors.Is(err, ErrSource) {
				t.Fatalf("%v beside %v", rows, err)
			}
			return
		}
		r, err := List("list.csv", rows, Options{CountFrom: CountFrom(from % 3)})
		if err != nil {
			if r != nil || !errors.Is(err, ErrSource) {
				t.Fatalf("%v beside %v", r, err)
			}
			return
		}
		if len(r.Questions) > 0 && r.Map != nil {
			t.Fatal("a map beside questions")
		}
		if r.Map != nil {
			loads(t, r.Map)
			if len(r.Points) == 0 {
				t.Fatal("a map without points")
			}
		}
	})
}
