package paper

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
)

// The least that a workbook consists of, written by hand. Source: from memory,
// ECMA-376 part 1, 12.3 and 18; part 2, 9.
const (
	bookTypes = `<?xml version="1.0" encoding="UTF-8"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>`
	bookRoot  = `<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>`
	bookList  = `<?xml version="1.0" encoding="UTF-8"?><workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="Picture" sheetId="9" r:id="rId9"/><sheet name="Points" sheetId="1" r:id="rId1"/><sheet name="Second" sheetId="2" r:id="rId2"/></sheets></workbook>`
	bookRels  = `<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="rId2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="/xl/worksheets/sheet2.xml"/><Relationship Id="rId9" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/chartsheet" Target="chartsheets/sheet9.xml"/></Relationships>`
	bookStyle = `<?xml version="1.0" encoding="UTF-8"?><styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><numFmts count="2"><numFmt numFmtId="164" formatCode="00000"/><numFmt numFmtId="165" formatCode="0.00"/></numFmts><fonts><font/></fonts><fills><fill/></fills><borders><border/></borders><cellStyleXfs><xf numFmtId="164"/></cellStyleXfs><cellXfs count="3"><xf numFmtId="0"/><xf numFmtId="164"/><xf numFmtId="165"/></cellXfs><cellStyles/></styleSheet>`
	bookTexts = `<?xml version="1.0" encoding="UTF-8"?><sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>name</t></si><si><t>reference</t></si><si><r><t>two </t></r><r><t>runs</t></r></si><si><t>a_x000D_
b</t></si></sst>`
	sheetHead = `<?xml version="1.0" encoding="UTF-8"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">`
)

// bookOf packs a workbook whose first worksheet is that XML; parts are added
// or, when they are empty, left out.
func bookOf(t testing.TB, sheet string, parts map[string]string) []byte {
	t.Helper()
	all := map[string]string{
		"[Content_Types].xml": bookTypes, "_rels/.rels": bookRoot, "xl/workbook.xml": bookList, "xl/_rels/workbook.xml.rels": bookRels,
		"xl/styles.xml": bookStyle, "xl/sharedStrings.xml": bookTexts, "xl/worksheets/sheet1.xml": sheet,
		"xl/worksheets/sheet2.xml": sheetHead + `<sheetData><row><c t="inlineStr"><is><t>second</t></is></c></row></sheetData></worksheet>`,
		"xl/media/image1.png":      "\x89PNG",
	}
	for name, text := range parts {
		all[name] = text
	}
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for name, text := range all {
		if text == "" {
			continue
		}
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func rowsOf(content string) string {
	return sheetHead + "<sheetData>" + content + "</sheetData></worksheet>"
}

// TestReadWorkbook: each kind of cell, and what else a foreign sheet holds.
func TestReadWorkbook(t *testing.T) {
	for _, v := range []struct {
		what, sheet string
		want        [][]string
	}{
		{"shared, inline and plain text; runs; a line's end", rowsOf(`<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="inlineStr"><is><t>inline</t></is></c><c r="C1" t="str"><v>plain</v></c><c r="D1" t="s"><v>2</v></c><c r="E1" t="s"><v>3</v></c></row>`),
			[][]string{{"name", "inline", "plain", "two runs", "a\nb"}}},
		{"formulas give what was stored, and nothing else", rowsOf(`<row r="1"><c r="A1"><f>1+1</f><v>5</v></c><c r="B1" t="str"><f>CONCAT("a","b")</f><v>=text</v></c><c r="C1"><f>2*3</f></c><c r="D1"><v>1</v></c></row>`),
			[][]string{{"5", "=text", "", "1"}}},
		{"numbers as stored; zeros in front as shown", rowsOf(`<row r="1"><c r="A1"><v>-12.5</v></c><c r="B1" s="1"><v>17</v></c><c r="C1" s="2"><v>0.0625</v></c><c r="D1"><v>0.30000000000000004</v></c><c r="E1"><v>1E-3</v></c><c r="F1"><v>1.0000000000000001E-21</v></c><c r="G1"><v>9007199254740993</v></c><c r="H1" s="1"><v>123456</v></c><c r="I1" s="77"><v>1</v></c></row>`),
			[][]string{{"-12.5", "00017", "0.0625", "0.3", "0.001", "1e-21", "9007199254740990", "123456", "1"}}},
		{"truth values and errors", rowsOf(`<row r="1"><c r="A1" t="b"><v>1</v></c><c r="B1" t="b"><v>0</v></c><c r="C1" t="e"><v>#REF!</v></c></row>`),
			[][]string{{"TRUE", "FALSE", "#REF!"}}},
		{"rows and cells without their names, empty rows and cells between", rowsOf(`<row><c><v>1</v></c><c/><c><v>3</v></c></row><row r="4"><c r="B4"><v>4</v></c></row>`),
			[][]string{{"1", "", "3"}, nil, nil, {"", "4"}}},
		{"merged cells each hold the first's text, as far as the list reaches", sheetHead + `<sheetData><row r="1"><c r="A1"><v>1</v></c></row><row r="2"><c r="A2"><v>2</v></c><c r="B2"><v>9</v></c><c r="C2"><v>3</v></c></row><row r="3"><c r="C3"><v>5</v></c></row></sheetData><mergeCells count="3"><mergeCell ref="A1:XFD1"/><mergeCell ref="A2:B1048576"/><mergeCell ref="F9:G10"/></mergeCells></worksheet>`,
			[][]string{{"1", "1", "1"}, {"2", "2", "3"}, {"2", "2", "5"}}},
		{"what stands after the cells is none of them", rowsOf(`<row r="1"><c r="A1"><v>1</v></c></row>`)[:len(rowsOf(`<row r="1"><c r="A1"><v>1</v></c></row>`))-len("</worksheet>")] + `<extLst><ext><x><f>A1</f></x><row r="1"/></ext></extLst></worksheet>`,
			[][]string{{"1"}}},
		{"empty rows to the last are no list", rowsOf(`<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576" s="1"/></row>`), [][]string{{"1"}}},
		{"nothing", rowsOf(""), nil},
	} {
		got, err := ReadCells(bytes.NewReader(bookOf(t, v.sheet, nil)), CellSource{Format: XLSX})
		if err != nil || !reflect.DeepEqual(got.Rows, v.want) {
			t.Errorf("%s: %q, %v; want %q", v.what, got.Rows, err, v.want)
		}
		if err == nil && (got.Worksheet != "Points" || !reflect.DeepEqual(got.Worksheets, []string{"Points", "Second"})) {
			t.Errorf("%s: worksheet %q of %q", v.what, got.Worksheet, got.Worksheets)
		}
	}
	got, err := ReadCells(bytes.NewReader(bookOf(t, rowsOf(""), nil)), CellSource{Format: XLSX, Worksheet: "second"})
	if err != nil || got.Worksheet != "Second" || !reflect.DeepEqual(got.Rows, [][]string{{"second"}}) {
		t.Errorf("by name: %q, %q, %v", got.Worksheet, got.Rows, err)
	}
	if got := got.Place(0, 0).String(); got != "A1" {
		t.Errorf("place %q", got)
	}
}

// TestGreatWorkbook: parts that the library keeps in temporary files read as
// any other, and the files are gone afterwards.
func TestGreatWorkbook(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	data := bookOf(t, rowsOf(`<row r="1"><c r="A1" t="s"><v>1</v></c></row>`+strings.Repeat(" ", 2000)), nil)
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	scan, err := scanBook(z, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, inMemory := range []int64{1, 1000, mostUnzippedPart} {
		if got, err := workbookRows(data, scan, inMemory); err != nil || !reflect.DeepEqual(got, [][]string{{"reference"}}) {
			t.Errorf("%d bytes in memory: %q, %v", inMemory, got, err)
		}
	}
	if left, err := os.ReadDir(os.TempDir()); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestWorkbookFaults. Source of the demand: robustness rows F4, F8; the
// library's own limit is 16 GB.
func TestWorkbookFaults(t *testing.T) {
	good := rowsOf(`<row r="1"><c r="A1"><v>1</v></c></row>`)
	cells := func(n, columns int) string { // n rows whose last cell is that column's
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `<row r="%d"><c r="%s%[1]d"><v>1</v></c></row>`, i+1, columnName(columns))
		}
		return rowsOf(b.String())
	}
	merges := func(n int, ref string) string {
		return sheetHead + "<sheetData>" + strings.TrimSuffix(strings.TrimPrefix(cells(100, 300), sheetHead+"<sheetData>"), "</sheetData></worksheet>") + `<row r="101"><c r="A101"><v>1</v></c></row></sheetData><mergeCells>` + strings.Repeat(`<mergeCell ref="`+ref+`"/>`, n) + "</mergeCells></worksheet>"
	}
	for _, v := range []struct {
		what    string
		data    []byte
		sheet   string
		message string
	}{
		{"no workbook", []byte("name,reference\n"), "", "this is no .xlsx workbook: it is not packed"},
		{"cut off", bookOf(t, good, nil)[:500], "", "cut off"},
		{"the old kind", []byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 and so on"), "", "old kind"},
		{"no such worksheet", bookOf(t, good, nil), "Third", `no worksheet is named "Third"; there are "Points", "Second"`},
		{"a packed file of another kind", bookOf(t, good, map[string]string{"_rels/.rels": ""}), "", "no list of worksheets"},
		{"relations that are damaged", bookOf(t, good, map[string]string{"_rels/.rels": "<a><b></a>"}), "", "no list of worksheets"},
		{"no worksheet", bookOf(t, good, map[string]string{"xl/workbook.xml": "<workbook/>"}), "", "has no worksheet"},
		{"a worksheet that is not there", bookOf(t, "", nil), "", `lists the worksheet "Points" and does not hold it`},
		{"two of one name", bookOf(t, good, map[string]string{"xl/workbook.xml": strings.Replace(bookList, "Second", "POINTS", 1)}), "", `two worksheets named "POINTS"`},
		{"a part twice", bookOf(t, good, map[string]string{"XL/styles.xml": bookStyle}), "", `part "xl/styles.xml" twice`},
		{"broken XML", bookOf(t, strings.TrimSuffix(good, "</worksheet>"), nil), "", `part "xl/worksheets/sheet1.xml" is damaged`},
		{"broken styles", bookOf(t, good, map[string]string{"xl/styles.xml": "<a>\n<b></a>"}), "", `part "xl/styles.xml" is damaged: its XML breaks off at line 2`},
		{"a value that breaks off", bookOf(t, sheetHead+`<sheetData><row r="1"><c r="A1"><v>1<x></v>`, nil), "", "is damaged"},
		{"rows out of order", bookOf(t, rowsOf(`<row r="2"/><row r="1"/>`), nil), "", `a row numbered "1" after row 2`},
		{"a row without number", bookOf(t, rowsOf(`<row r="x"/>`), nil), "", `a row numbered "x"`},
		{"cells out of order", bookOf(t, rowsOf(`<row r="1"><c r="B1"><v>1</v></c><c r="A1"><v>1</v></c></row>`), nil), "", `B1: a cell named "A1" after column 2 of row 1`},
		{"a cell of another row", bookOf(t, rowsOf(`<row r="1"><c r="A2"><v>1</v></c></row>`), nil), "", `named "A2"`},
		{"a value outside", bookOf(t, sheetHead+"<v>1</v></worksheet>", nil), "", "a value outside of any cell"},
		{"a control character", bookOf(t, rowsOf(`<row r="1"><c r="A1"><v>1</v></c><c r="B1" t="inlineStr"><is><t>a_x001B_b</t></is></c></row>`), nil), "", "B1: the control character U+001B"},
		{"a far column", bookOf(t, cells(1, 1025), nil), "", "AMK1: column 1025; at most 1024"},
		{"a far row", bookOf(t, rowsOf(fmt.Sprintf(`<row r="%d"><c><v>1</v></c></row>`, MostListRows+1)), nil), "", "row 131073; at most 131072"},
		{"a merged range that is none", bookOf(t, strings.Replace(good, "</sheetData>", `</sheetData><mergeCells><mergeCell ref="A1:"/></mergeCells>`, 1), nil), "", `merges "A1:", which is no range`},
		{"merged cells over each other", bookOf(t, merges(10, "KN1:XFD1048576"), nil), "", ""},
		{"merged cells that fill too much", bookOf(t, merges(11000, "KN1:XFD1048576"), nil), "", "KN1: merged cells that fill more than"},
		{"a name that the library refuses", bookOf(t, good, map[string]string{"xl/workbook.xml": strings.Replace(bookList, "Points", "a/b", 1)}), "", "the workbook cannot be read: "},
		{"styles that the library refuses", bookOf(t, good, map[string]string{"xl/styles.xml": `<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><cellXfs count="x"/></styleSheet>`}), "", "the workbook cannot be read: "},
	} {
		got, err := ReadCells(bytes.NewReader(v.data), CellSource{Format: XLSX, Worksheet: v.sheet})
		if v.message == "" {
			if err != nil {
				t.Errorf("%s: %v", v.what, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), v.message) || !reflect.DeepEqual(got, Cells{}) {
			t.Errorf("%s: %.60q, %v; want %s", v.what, got.Rows, err, v.message)
		}
	}
	names := make([]string, 30)
	if got := quoted(names); !strings.HasSuffix(got, ", 10 more") {
		t.Errorf("many names: %s", got)
	}
}

// TestWorkbookBudgets: parts, their sizes, cells and elements are counted over
// the whole workbook.
func TestWorkbookBudgets(t *testing.T) {
	part := func(name string, size uint64) *zip.File {
		return &zip.File{FileHeader: zip.FileHeader{Name: name, UncompressedSize64: size}}
	}
	many := make([]*zip.File, mostParts+1)
	for i := range many {
		many[i] = part(fmt.Sprint(i), 0)
	}
	for want, files := range map[string][]*zip.File{
		"":                                  many[1:],
		"has 4097 parts; at most 4096":      many,
		"unpacks to more than 64 MiB":       {part("a", mostUnzipped), part("b", 1)},
		"unpacks to more than 64 MiB,":      {part("a", math.MaxUint64), part("b", 2)},
		`the workbook has its part "a/b" t`: {part("a/b", 1), part(`/A\b`, 1)},
	} {
		if _, err := partsOf(&zip.Reader{File: files}); err == nil != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%v; want %s", err, want)
		}
	}
	z, err := zip.NewReader(bytes.NewReader(bookOf(t, "<a><b/><b/></a>", nil)), int64(len(bookOf(t, "<a><b/><b/></a>", nil))))
	if err != nil {
		t.Fatal(err)
	}
	parts, err := partsOf(z)
	if err != nil {
		t.Fatal(err)
	}
	for left, want := range map[int]string{3: "", 2: "the workbook has more than 4194304 elements, which is the most that is read"} {
		s := &bookScan{elements: mostElements - left}
		if err := s.walk(parts["xl/worksheets/sheet1.xml"], starting(func(xml.StartElement) error { return nil })); err == nil != (want == "") || err != nil && err.Error() != want {
			t.Errorf("with %d elements left: %v", left, err)
		}
	}
	for left, want := range map[int]string{3: "", 2: "C1: cell 1048577 of the list; at most 1048576 are read"} {
		s := &sheetScan{bookScan: &bookScan{cells: MostListCells - left}, row: 1, column: 3}
		if err := s.holds(); err == nil != (want == "") || err != nil && err.Error() != want {
			t.Errorf("with %d cells left: %v", left, err)
		}
		if err := s.holds(); want == "" && err != nil {
			t.Errorf("a cell is counted twice: %v", err)
		}
	}
}

// TestForeignWorkbook: a workbook of the library's own hand, with formulas,
// merged cells and a format with zeros.
func TestForeignWorkbook(t *testing.T) {
	f := excelize.NewFile()
	defer f.Close()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	zeros := "00000"
	style, err := f.NewStyle(&excelize.Style{CustomNumFmt: &zeros})
	must(err)
	must(f.SetCellValue("Sheet1", "A1", "header"))
	must(f.MergeCell("Sheet1", "A1", "B1"))
	must(f.SetCellValue("Sheet1", "A2", 17))
	must(f.SetCellStyle("Sheet1", "A2", "A2", style))
	must(f.SetCellFormula("Sheet1", "B2", "=1+1"))
	must(f.SetCellValue("Sheet1", "C2", true))
	var out bytes.Buffer
	must(f.Write(&out))
	got, err := ReadCells(&out, CellSource{Format: XLSX})
	if want := [][]string{{"header", "header"}, {"00017", "", "TRUE"}}; err != nil || !reflect.DeepEqual(got.Rows, want) {
		t.Errorf("%q, %v; want %q", got.Rows, err, want)
	}
}

func TestTidy(t *testing.T) {
	for give, want := range map[string]string{"1": "1", "0.1": "0.1", "0.30000000000000004": "0.3", "1.1000000000000001": "1.1", "-4E2": "-400", "1e400": "1e400", "x1234567890123456": "x1234567890123456", "1E+20": "1e+20", "123456789012345678": "123456789012346000", "0e0": "0", "1.7976931348623157e308": "1.7976931348623157e308"} {
		if got := tidy(give); got != want {
			t.Errorf("tidy(%q) = %q, want %q", give, got, want)
		}
	}
}

// FuzzSheetXLSX: whatever a worksheet and its texts hold, the workbook is read
// within the bounds or refused with words.
func FuzzSheetXLSX(f *testing.F) {
	f.Add(rowsOf(`<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1"><f>1+1</f><v>2</v></c></row>`), bookTexts, bookStyle)
	f.Add(rowsOf(`<row><c t="inlineStr"><is><t>x</t></is></c></row>`)+"<mergeCells/>", "<sst/>", "<styleSheet/>")
	f.Add(sheetHead+`<sheetData><row r="1"><c r="A1" t="b"><v>1</v></c></row></sheetData><mergeCells><mergeCell ref="A1:B2"/></mergeCells></worksheet>`, bookTexts, bookStyle)
	f.Fuzz(func(t *testing.T, sheet, texts, styles string) {
		cells, err := ReadCells(bytes.NewReader(bookOf(t, sheet, map[string]string{"xl/sharedStrings.xml": texts, "xl/styles.xml": styles})), CellSource{Format: XLSX})
		if err != nil {
			if !reflect.DeepEqual(cells, Cells{}) || errors.Is(err, excelize.ErrMaxRows) {
				t.Fatalf("cells beside %v", err)
			}
			return
		}
		for i, row := range cells.Rows {
			for j, text := range row {
				if _, bad := control(text); bad || i >= MostListRows || j >= MostListColumns {
					t.Fatalf("cell %d, %d holds %q", i, j, text)
				}
			}
		}
	})
}
