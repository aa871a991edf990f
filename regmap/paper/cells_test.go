package paper

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"
)

func readText(t *testing.T, s string, delimiter rune) (Cells, error) {
	t.Helper()
	return ReadCells(strings.NewReader(s), CellSource{Format: CSV, Delimiter: delimiter})
}

// TestReadCSV. Source of the first rows: RFC 4180, 2, rules 1 to 7, its own
// examples.
func TestReadCSV(t *testing.T) {
	for _, v := range []struct {
		src, give string
		delimiter rune
		want      [][]string
	}{
		{"RFC 4180, 2.1", "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", ',', [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"RFC 4180, 2.2", "aaa,bbb,ccc\r\nzzz,yyy,xxx", ',', [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"RFC 4180, 2.5", "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", ',', [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"RFC 4180, 2.6", "\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", ',', [][]string{{"aaa", "b\nbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"RFC 4180, 2.7", `"aaa","b""bb","ccc"`, ',', [][]string{{"aaa", `b"bb`, "ccc"}}},
		{"RFC 4180, 2.4: blanks are part of a cell", " a , b", ',', [][]string{{" a ", " b"}}},
		{"nothing", "", ',', nil},
		{"an empty line keeps its row", "a\n\nb\n", ',', [][]string{{"a"}, nil, {"b"}}},
		{"rows differ in length", "a,b\nc\n,\n", ',', [][]string{{"a", "b"}, {"c"}, {"", ""}}},
		{"UTF-8 with its mark", "\ufeffname,°C\n", ',', [][]string{{"name", "°C"}}},
		{"semicolons and decimal commas", "name;factor\nlevel;0,001\nflow;1,5\n", ';', [][]string{{"name", "factor"}, {"level", "0,001"}, {"flow", "1,5"}}},
		{"tabs", "name\tabout\nlevel\tone, two; three\n", '\t', [][]string{{"name", "about"}, {"level", "one, two; three"}}},
		{"a delimiter inside quotes does not count", "\"a;b;c\",d\n\"e;f;g\",h\n", ',', [][]string{{"a;b;c", "d"}, {"e;f;g", "h"}}},
		{"a title above the table", "Cistern\nname;a;b\nx;1,5;2\ny;2,5;3\n", ';', [][]string{{"Cistern"}, {"name", "a", "b"}, {"x", "1,5", "2"}, {"y", "2,5", "3"}}},
		{"formulas stay text", "=1+1,'=x\n", ',', [][]string{{"=1+1", "'=x"}}},
		{"a tab is text between commas", "a\tb,c\nd,e\nf,g\n", ',', [][]string{{"a\tb", "c"}, {"d", "e"}, {"f", "g"}}},
	} {
		got, err := readText(t, v.give, 0)
		if err != nil || got.Delimiter != v.delimiter || !reflect.DeepEqual(got.Rows, v.want) {
			t.Errorf("%s: %q = %q between %q, %v; want %q between %q", v.src, v.give, got.Rows, got.Delimiter, err, v.want, v.delimiter)
		}
	}
	if got, err := readText(t, "a|b;c", '|'); err != nil || !reflect.DeepEqual(got.Rows, [][]string{{"a", "b;c"}}) {
		t.Errorf("a delimiter that is given: %q, %v", got.Rows, err)
	}
}

// TestCSVFaults. Source of the demand: robustness rows F4, F6, F8.
func TestCSVFaults(t *testing.T) {
	for _, v := range []struct{ give, place, message string }{
		{"a,b\nc,\"d\ne,f\n", "2:3", "the quote that opens here is never closed"},
		{"a,\"b\"\"", "1:3", "never closed"},
		{"°,\"", "1:3", "never closed"},
		{"a,b\"c\n", "1:4", "a quote inside a cell"},
		{"ä,\"b\"c\n", "1:6", `'c' after the quote`},
		{"a\xe4b\n", "1:2", "0xe4 is no UTF-8"},
		{"\"a\n\xff\"\n", "2:1", "0xff is no UTF-8"},
		{"a\rb\r", "1:2", "carriage return without a line feed"},
		{"a\x00", "1:2", "U+0000"},
		{"x,\"a\x1b\"", "1:5", "U+001B"},
		{"a\u0085", "1:2", "U+0085"},
		{"a,b\n" + strings.Repeat(",", 100_000), "2:1025", "at most 1024 columns"},
		{strings.Repeat("\n", MostListRows+1), fmt.Sprint(MostListRows+1, ":1"), "at most 131072 are read"},
		{strings.Repeat("x", MostCellLength+1), "1:32768", "more than 32767 characters"},
	} {
		got, err := readText(t, v.give, ',')
		var fault CellFault
		if !errors.As(err, &fault) || fault.Place.String() != v.place || !strings.Contains(fault.Message, v.message) || !strings.HasPrefix(err.Error(), v.place+": ") {
			t.Errorf("%.40q: %v; want %s: ... %s", v.give, err, v.place, v.message)
		}
		if !reflect.DeepEqual(got, Cells{}) {
			t.Errorf("%.40q: cells beside an error", v.give)
		}
	}
	p := &csvReader{data: []byte("a,b,c"), delimiter: ',', line: 1, cells: MostListCells - 2}
	if fault := p.record(); fault == nil || fault.Error() != "1:5: cell 1048577 of the list; at most 1048576 are read" {
		t.Errorf("a cell too many: %v", fault)
	}
	for _, v := range []struct {
		give    string
		source  CellSource
		message string
	}{
		{"\xff\xfea\x00", CellSource{Format: CSV}, "UTF-16"},
		{"\xfe\xff\x00a", CellSource{Format: CSV}, "UTF-16"},
		{"a", CellSource{Format: CSV, Delimiter: '"'}, `cannot stand between cells`},
		{"a", CellSource{Format: CSV, Delimiter: '\n'}, `cannot stand between cells`},
		{"a", CellSource{Format: CSV, Delimiter: utf8.RuneError}, `cannot stand between cells`},
		{"a", CellSource{Format: PDF}, `ends in .csv or .xlsx`},
		{"a", CellSource{}, `ends in .csv or .xlsx`},
	} {
		if _, err := ReadCells(strings.NewReader(v.give), v.source); err == nil || !strings.Contains(err.Error(), v.message) {
			t.Errorf("%q: %v; want %s", v.give, err, v.message)
		}
	}
	broken := errors.New("the line is dead")
	if _, err := ReadCells(iotest.ErrReader(broken), CellSource{Format: CSV}); !errors.Is(err, broken) {
		t.Errorf("the reader's error: %v", err)
	}
	if _, err := ReadCells(endless{}, CellSource{Format: CSV}); err == nil || !strings.Contains(err.Error(), "more than 16 MiB") {
		t.Errorf("an endless list: %v", err)
	}
}

type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ','
	}
	return len(p), nil
}

var _ io.Reader = endless{}

// TestPlace: cells know their line and character, in characters and not bytes,
// and cells of a workbook their names.
func TestPlace(t *testing.T) {
	c, err := readText(t, "\ufeffä,b\n\"one\ntwo\",°,d\n\n", ',')
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []struct {
		row, column int
		want        Place
		text        string
	}{
		{0, 0, Place{1, 1, 1, 1}, "1:1"},
		{0, 1, Place{1, 2, 1, 3}, "1:3"},
		{1, 0, Place{2, 1, 2, 1}, "2:1"},
		{1, 1, Place{2, 2, 3, 6}, "3:6"},
		{1, 2, Place{2, 3, 3, 8}, "3:8"},
		{1, 9, Place{2, 10, 3, 8}, "3:8"}, // a cell that the row does not have
		{2, 0, Place{3, 1, 0, 0}, "A3"},
		{7, 26, Place{8, 27, 0, 0}, "AA8"},
		{7, 701, Place{8, 702, 0, 0}, "ZZ8"},
		{7, 16383, Place{8, 16384, 0, 0}, "XFD8"},
	} {
		if got := c.Place(v.row, v.column); got != v.want || got.String() != v.text {
			t.Errorf("Place(%d, %d) = %v, %s; want %v, %s", v.row, v.column, got, got, v.want, v.text)
		}
	}
	if got := c.Place(-1, -1).String(); got != "0" {
		t.Errorf("a place before the first: %q", got)
	}
}

// TestListSurvives: what Write gives as CSV and XLSX reads back as it was.
func TestListSurvives(t *testing.T) {
	want := [][]string{{"name", "reference", "scale"}, {"=level", "00017", "-12.50"}, {"+x", "40001", "0.001"}, {"-", "x\\y", "7"}, {"'a", "", "4000"}}
	d := Document{Blocks: []Piece{Table{Title: "Points", Columns: []Column{{Head: "name"}, {Head: "reference"}, {Head: "scale"}}}}}
	list := d.Blocks[0].(Table)
	for _, row := range want[1:] {
		list.Rows = append(list.Rows, []Entry{{Text: row[0]}, {Text: row[1]}, {Text: row[2], Number: true}})
	}
	d.Blocks[0] = list
	for _, f := range []Format{CSV, XLSX} {
		cells, err := ReadCells(strings.NewReader(string(written(t, d, f))), CellSource{Format: f})
		if err != nil {
			t.Fatalf("%s: %v", f, err)
		}
		got := cells.Rows
		for i, row := range got {
			for j, s := range row {
				if f == CSV {
					got[i][j] = Uncell(s)
				}
				if f == XLSX && isNumber(s) && j == 2 && s != want[i][j] && s+"0" == want[i][j] {
					got[i][j] = want[i][j] // a workbook holds the number, not its decimals
				}
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %q, want %q", f, got, want)
		}
	}
}

// FuzzSheetCSV: a list is read or refused with a place inside the file; what
// is read stays within its bounds, is what encoding/csv reads where both do,
// and written again reads as the same.
func FuzzSheetCSV(f *testing.F) {
	for _, s := range []string{"", "a,b\nc,d\n", "\"a\"\"b\";c\r\n", "a\tb", "\ufeffx", "\"", "a\"b", "\"a\"b", "a\rb", "\xff", "\n\n,\n", "a,\"b\nc\"\n", "=1;'=2", "\ufeff\ufeff"} {
		f.Add(s, byte(0))
		f.Add(s, byte(','))
	}
	f.Fuzz(func(t *testing.T, s string, delimiter byte) {
		cells, err := ReadCells(strings.NewReader(s), CellSource{Format: CSV, Delimiter: rune(delimiter)})
		if err != nil {
			if !reflect.DeepEqual(cells, Cells{}) {
				t.Fatalf("%q: cells beside %v", s, err)
			}
			var fault CellFault
			if errors.As(err, &fault) && !inside(s, fault.Place) {
				t.Fatalf("%q: %v lies outside of the list", s, err)
			}
			return
		}
		var plain [][]string
		total := 0
		for i, row := range cells.Rows {
			for j, text := range row {
				total++
				if _, bad := control(text); bad || !utf8.ValidString(text) {
					t.Fatalf("%q gave the cell %q", s, text)
				}
				if total < 200 && !inside(s, cells.Place(i, j)) {
					t.Fatalf("%q: cell %d, %d lies at %v", s, i, j, cells.Place(i, j))
				}
			}
			if len(row) > 0 {
				plain = append(plain, row)
			}
		}
		if total > len(s)+1 || len(cells.Rows) > strings.Count(s, "\n")+1 {
			t.Fatalf("%q gave %d cells in %d rows", s, total, len(cells.Rows))
		}
		compare(t, s, cells.Delimiter, plain)
	})
}

// inside says whether a place lies in s or just behind its end.
func inside(s string, p Place) bool {
	lines := strings.Split(strings.TrimPrefix(s, "\ufeff"), "\n")
	return p.Line >= 1 && p.Line <= len(lines) && p.Character >= 1 && p.Character <= utf8.RuneCountInString(lines[p.Line-1])+1
}

// compare holds what was read against the standard library's reader, and
// against itself after it was written.
func compare(t *testing.T, s string, delimiter rune, want [][]string) {
	t.Helper()
	read := func(text string) ([][]string, error) {
		r := csv.NewReader(strings.NewReader(text))
		r.Comma, r.FieldsPerRecord = delimiter, -1
		records, err := r.ReadAll()
		var out [][]string
		for _, record := range records {
			if len(record) > 1 || record[0] != "" {
				out = append(out, record)
			}
		}
		return out, err
	}
	other, err := read(strings.TrimPrefix(s, "\ufeff"))
	if err != nil {
		if strings.Contains(err.Error(), "delimiter") {
			return
		}
		t.Fatalf("%q was read, encoding/csv says %v", s, err)
	}
	if !reflect.DeepEqual(other, want) {
		t.Fatalf("%q = %q, encoding/csv reads %q", s, want, other)
	}
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.Comma = delimiter
	if err := w.WriteAll(want); err != nil {
		t.Fatal(err)
	}
	// The mark of UTF-8 in front, lest a cell that begins with one be taken for it.
	again, err := ReadCells(strings.NewReader("\ufeff"+b.String()), CellSource{Format: CSV, Delimiter: delimiter})
	var plain [][]string
	for _, row := range again.Rows {
		if len(row) > 0 {
			plain = append(plain, row)
		}
	}
	if err != nil || !reflect.DeepEqual(plain, want) {
		t.Fatalf("%q written again as %q reads as %q, %v", want, b.String(), plain, err)
	}
}
