package paper

import (
	"bytes"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/xuri/excelize/v2"
)

// TestCanaryXLSX: text is text in a workbook: no formula, no number, no cell
// more than its harmless twin has. Source of the demand: robustness row G3.
func TestCanaryXLSX(t *testing.T) {
	book, other := written(t, everyCanary(same), XLSX), written(t, everyCanary(twin), XLSX)
	_, names := sheetOf(t, book, 1)
	_, wantNames := sheetOf(t, other, 1)
	if !reflect.DeepEqual(names, wantNames) {
		t.Errorf("parts %q, the twin's %q", names, wantNames)
	}
	sheets, wantSheets := sheetsOf(t, book), sheetsOf(t, other)
	if len(sheets) != 2*len(canaries)+1 {
		t.Fatalf("%d worksheets", len(sheets))
	}
	for name, sheet := range sheets {
		checkPlain(t, name, sheet, "\n")
		if strings.Contains(sheet, "<f") || strings.Contains(sheet, "<hyperlink") {
			t.Errorf("%s holds a formula or a link", name)
		}
		for _, mark := range []string{"<c ", `t="inlineStr"`, "<v>", "<row "} {
			if got, want := strings.Count(sheet, mark), strings.Count(wantSheets[name], mark); got != want {
				t.Errorf("%s has %d of %s, its twin %d", name, got, mark, want)
			}
		}
	}
	about, err := ReadCells(bytes.NewReader(book), CellSource{Format: XLSX, Worksheet: "About"})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for _, row := range about.Rows {
		for _, text := range row {
			seen[text]++
		}
	}
	for _, s := range canaries {
		if s != "" && seen[Text(s)] < 9 {
			t.Errorf("%q stands %d times on the sheet About", Text(s), seen[Text(s)])
		}
	}
	for _, s := range []string{"=cmd|' /C calc'!A0", "_x0041_", "\x1b[2J", "a\nb"} {
		cells, err := ReadCells(bytes.NewReader(written(t, canaryDocument(s), XLSX)), CellSource{Format: XLSX})
		if err != nil || cells.Rows[0][0] != Text(s) || cells.Rows[1][1] != Text(s) || cells.Rows[2][2] != "-12.5" {
			t.Errorf("%q: %q, %v", s, cells.Rows, err)
		}
	}
}

// TestWorkbookCells: numbers are numbers where nothing of them is lost, with
// their decimals; else they are text.
func TestWorkbookCells(t *testing.T) {
	for _, v := range []struct{ text, cell string }{
		{"-12.50", "<v>-12.5</v>"},
		{"7", "<v>7</v>"},
		{"2.72e+23", "<v>272000000000000000000000</v>"},
		{"123456789012345", "<v>123456789012345</v>"},
		{"1234567890123456", "<t>1234567890123456</t>"},
		{"9007199254740993", "<t>9007199254740993</t>"},
		{"00017", "<t>00017</t>"},
		{"+5", "<t>+5</t>"},
		{"1e999", "<t>1e999</t>"},
		{"NaN", "<t></t>"},
		{"-Inf", "<t></t>"},
		{"no answer", "<t>no answer</t>"},
	} {
		d := Document{Blocks: []Piece{Table{Columns: []Column{{Head: "v"}}, Rows: [][]Entry{{{Text: v.text, Number: true}}}}}}
		sheet, _ := sheetOf(t, written(t, d, XLSX), 1)
		if !strings.Contains(sheet, v.cell) {
			t.Errorf("%q is not written as %s: %s", v.text, v.cell, sheet[strings.Index(sheet, "<sheetData>"):])
		}
		if got := csvCell(Entry{Text: v.text, Number: true}); isNumber(v.text) && got != v.text || notFinite(v.text) && got != "" {
			t.Errorf("CSV of %q: %q", v.text, got)
		}
	}
	f, err := excelize.OpenReader(bytes.NewReader(written(t, sample(), XLSX)))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for cell, want := range map[string]string{"A1": "Name", "C2": "30001", "E2": "1.82", "E5": "1.600", "E6": "no answer", "E8": "117.250"} {
		if got, err := f.GetCellValue("Points", cell); err != nil || got != want {
			t.Errorf("%s shows %q, %v; want %q", cell, got, err, want)
		}
	}
	titles := f.GetDefinedName()
	if len(titles) != 2 || titles[0].RefersTo != "'Points'!$1:$1" {
		t.Errorf("the rows repeated in print: %v", titles)
	}
	foot, err := f.GetHeaderFooter("Points")
	if err != nil || foot.OddFooter != "&Lrevision B, 9f2c41d0a8b7635e&Rpage &P of &N" {
		t.Errorf("the foot: %+v, %v", foot, err)
	}
}

// TestColumnOrder: the library would write a worksheet's columns backward.
// Source: from memory, ECMA-376 part 1, 18.3.1.17 (columns in their order).
func TestColumnOrder(t *testing.T) {
	for name, sheet := range sheetsOf(t, written(t, sample(), XLSX)) {
		last := 0
		for _, m := range regexp.MustCompile(`<col min="(\d+)" max="(\d+)"`).FindAllStringSubmatch(sheet, -1) {
			from, err := strconv.Atoi(m[1])
			if err != nil || from != last+1 {
				t.Errorf("%s: column %d follows %d", name, from, last)
			}
			last, _ = strconv.Atoi(m[2])
		}
		if last < 2 {
			t.Errorf("%s: %d columns", name, last)
		}
	}
}

// TestSheetNames: safe, and no two alike. Source: the names that the library
// and, by common practice, spreadsheets refuse.
func TestSheetNames(t *testing.T) {
	one := func(title string) Piece {
		return Table{Title: title, Columns: []Column{{Head: "h"}}}
	}
	d := Document{Blocks: []Piece{
		one("Points"), one("POINTS"), one(""), one("a:b\\c/d?e*f[g]h"), one("'quoted'"), one("'''"), one("About"), one("History"),
		one(strings.Repeat("\U0001f6b0", 40)), one(strings.Repeat("\U0001f6b0", 40)), one("it's"), one("x\x1b"),
	}}
	got, err := ReadCells(bytes.NewReader(written(t, d, XLSX)), CellSource{Format: XLSX})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"Points", "POINTS 2", "Table 3", "a b c d e f g h", "quoted", "Table 6", "About 2", "History 2",
		strings.Repeat("\U0001f6b0", 15), strings.Repeat("\U0001f6b0", 14) + " 2", "it's", `x x1b`, "About"}
	if !reflect.DeepEqual(got.Worksheets, want) {
		t.Errorf("%q\nwant\n%q", got.Worksheets, want)
	}
	seen := map[string]bool{}
	for _, name := range got.Worksheets {
		key := strings.ToLower(name)
		if seen[key] || len(utf16.Encode([]rune(name))) > 31 {
			t.Errorf("the name %q", name)
		}
		seen[key] = true
	}
}

// TestWorkbookParts: in the order of their names, so that two runs give the
// same bytes.
func TestWorkbookParts(t *testing.T) {
	_, names := sheetOf(t, written(t, sample(), XLSX), 1)
	if names[0] != "[Content_Types].xml" || !slices.IsSorted(names[1:]) {
		t.Errorf("%q", names)
	}
}

// TestLongTextInWorkbook: what is longer than a cell can hold goes on in the
// next row.
func TestLongTextInWorkbook(t *testing.T) {
	s := strings.Repeat("ä", 40000)
	cells, err := ReadCells(bytes.NewReader(written(t, Document{Blocks: []Piece{Paragraph{s}}}, XLSX)), CellSource{Format: XLSX})
	if err != nil {
		t.Fatal(err)
	}
	all := ""
	for _, row := range cells.Rows {
		all += strings.Join(row, "")
	}
	if all != s {
		t.Errorf("%d of %d characters are there", len([]rune(all)), 40000)
	}
}

// TestGreatTable: as many columns as there may be, in every format.
func TestGreatTable(t *testing.T) {
	wide := Document{Blocks: []Piece{table(mostColumns, 1, func(i, j int) string { return "x" })}}
	for _, f := range Formats() {
		if out := written(t, wide, f); len(out) < mostColumns {
			t.Errorf("%s: %d bytes", f, len(out))
		}
	}
}

// TestSortedZip: its errors are said.
func TestSortedZip(t *testing.T) {
	var out bytes.Buffer
	if err := newSortedZip(&out).AddFS(nil); err == nil {
		t.Error("a file system is added")
	}
	if err := func() error { z := newSortedZip(failing{}); z.Create("a"); return z.Close() }(); err == nil {
		t.Error("a full disk is no error")
	}
}
