package paper

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"

	"github.com/xuri/excelize/v2"
)

// xlsxFile writes a clean document as a workbook: a worksheet for each table,
// then one named About with all the rest.
func xlsxFile(d Document) ([]byte, error) {
	b := &book{File: excelize.NewFile(), styles: map[string]int{}, names: map[string]bool{"about": true, "history": true}}
	defer b.Close()
	b.ZipWriter = newSortedZip
	if err := b.properties(d); err != nil {
		return nil, err
	}
	named := map[int]string{}
	for i, piece := range d.Blocks {
		if t, ok := piece.(Table); ok {
			name := b.name(cmp.Or(t.Title, t.Sheet))
			if err := b.table(name, t, d); err != nil {
				return nil, err
			}
			named[i] = name
		}
	}
	if err := b.about(d, named); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := b.Write(&out); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// A book is a workbook in the making.
type book struct {
	*excelize.File
	styles map[string]int
	names  map[string]bool // in lower case: spreadsheets do not tell cases apart
	sheets int
}

func (b *book) properties(d Document) error {
	at := d.stamp().Format(time.RFC3339)
	if err := b.SetDocProps(&excelize.DocProperties{
		Title: d.Title, Subject: d.Subtitle, Creator: "plumbline", LastModifiedBy: "plumbline", Created: at, Modified: at,
	}); err != nil {
		return err
	}
	return b.SetAppProps(&excelize.AppProperties{Application: "plumbline"})
}

// name makes a worksheet's name of a table's title: without the characters
// that have a meaning in references, at most 31 UTF-16 units, no name twice.
// Source: the reader's own refusals; 'History' is kept by some programs
// (common practice).
func (b *book) name(title string) string {
	clean := strings.Map(func(r rune) rune {
		if strings.ContainsRune(`:\/?*[]`, r) {
			return ' '
		}
		return r
	}, title)
	clean = strings.Trim(strings.Join(strings.Fields(clean), " "), "' ")
	if clean == "" {
		clean = "Table " + strconv.Itoa(len(b.names)-1)
	}
	for n := 1; ; n++ {
		tail := ""
		if n > 1 {
			tail = " " + strconv.Itoa(n)
		}
		name := strings.TrimRight(firstUnits(clean, 31-len(tail)), "' ") + tail
		if key := strings.ToLower(name); !b.names[key] {
			b.names[key] = true
			return name
		}
	}
}

// firstUnits is s up to n UTF-16 units.
func firstUnits(s string, n int) string {
	for i, r := range s {
		if n -= max(1, utf16.RuneLen(r)); n < 0 {
			return s[:i]
		}
	}
	return s
}

// sheet begins a worksheet: in the order they are made, the first one shown.
func (b *book) sheet(name string, d Document, wide bool) (*excelize.StreamWriter, error) {
	var err error
	if b.sheets == 0 {
		err = b.SetSheetName(b.GetSheetName(0), name)
	} else {
		_, err = b.NewSheet(name)
	}
	if err != nil {
		return nil, err
	}
	b.sheets++
	a4, orientation, fit, tall := 9, "portrait", 1, 0
	if wide {
		orientation = "landscape"
	}
	yes := true
	foot := "&L" + strings.ReplaceAll(firstUnits(d.foot(), 100), "&", "&&") + "&Rpage &P of &N"
	if err := b.SetPageLayout(name, &excelize.PageLayoutOptions{Size: &a4, Orientation: &orientation, FitToWidth: &fit, FitToHeight: &tall}); err != nil {
		return nil, err
	}
	if err := b.SetSheetProps(name, &excelize.SheetPropsOptions{FitToPage: &yes}); err != nil {
		return nil, err
	}
	if err := b.SetHeaderFooter(name, &excelize.HeaderFooterOptions{OddFooter: foot}); err != nil {
		return nil, err
	}
	return b.NewStreamWriter(name)
}

// table writes one table: its header stays in view and is repeated in print.
func (b *book) table(name string, t Table, d Document) error {
	w, err := b.sheet(name, d, true)
	if err != nil {
		return err
	}
	if err := columnWidths(w, t); err != nil {
		return err
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	head := make([]any, len(t.Columns))
	for j, c := range t.Columns {
		if head[j], err = b.cell(Entry{Text: c.Head, Bold: true}, c.Align, "head"); err != nil {
			return err
		}
	}
	if err := w.SetRow("A1", head); err != nil {
		return err
	}
	for i, row := range t.Rows {
		cells := make([]any, len(row))
		last := ""
		if i == len(t.Rows)-1 {
			last = "last"
		}
		for j, e := range row {
			if cells[j], err = b.cell(e, t.Columns[j].Align, last); err != nil {
				return err
			}
		}
		if err := w.SetRow("A"+strconv.Itoa(i+2), cells); err != nil {
			return err
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return b.SetDefinedName(&excelize.DefinedName{
		Name: "_xlnm.Print_Titles", RefersTo: "'" + strings.ReplaceAll(name, "'", "''") + "'!$1:$1", Scope: name,
	})
}

// columnWidths makes columns as wide as their content, within reason. They are
// set from the last to the first, because the library puts each in front of
// those it has, and those of one width beside each other at once, because each
// setting makes its next one slower.
func columnWidths(w *excelize.StreamWriter, t Table) error {
	wide := make([]float64, len(t.Columns))
	for j := range t.Columns {
		wide[j] = min(max(needOf(t, j, 60, columnsOf, anyEntry).natural+2, 8), 60)
	}
	for to := len(wide); to > 0; {
		from := to - 1
		for from > 0 && wide[from-1] == wide[from] {
			from--
		}
		if err := w.SetColWidth(from+1, to, wide[from]); err != nil {
			return err
		}
		to = from
	}
	return nil
}

// cell is an entry as the workbook holds it: a number where nothing is lost by
// it, else text, which is never taken for a formula.
func (b *book) cell(e Entry, align Align, place string) (excelize.Cell, error) {
	format := "@"
	var value any = e.Text
	switch v, decimals, ok := spreadsheetNumber(e); {
	case ok:
		value, format = v, numberFormat(decimals)
	case e.Number && notFinite(e.Text):
		value = ""
	}
	id, err := b.style(format, e, align, place)
	return excelize.Cell{StyleID: id, Value: value}, err
}

// spreadsheetDigits is how many significant digits a spreadsheet keeps of a
// number; of one with more, the rest would be zeros. Source: common practice.
const spreadsheetDigits = 15

// spreadsheetNumber is the number of an entry with its decimals, -1 for one
// with an exponent, when a spreadsheet can hold and show it as it is written.
func spreadsheetNumber(e Entry) (v float64, decimals int, ok bool) {
	if !e.number() {
		return 0, 0, false
	}
	v, err := strconv.ParseFloat(e.Text, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, 0, false
	}
	mantissa, _, scaled := strings.Cut(strings.ToLower(e.Text), "e")
	whole, part, _ := strings.Cut(unsigned(mantissa), ".")
	if len(strings.TrimLeft(whole+part, "0")) > spreadsheetDigits {
		return 0, 0, false
	}
	if scaled {
		return v, -1, true
	}
	return v, len(part), strconv.FormatFloat(v, 'f', len(part), 64) == e.Text
}

// numberFormat shows that many decimals.
func numberFormat(decimals int) string {
	switch {
	case decimals < 0:
		return "General"
	case decimals == 0:
		return "0"
	}
	return "0." + strings.Repeat("0", decimals)
}

// style finds or makes the style of a cell.
func (b *book) style(format string, e Entry, align Align, place string) (int, error) {
	key := fmt.Sprint(format, e.Mono, e.Bold, align, place)
	if id, ok := b.styles[key]; ok {
		return id, nil
	}
	s := &excelize.Style{
		Font:      &excelize.Font{Bold: e.Bold},
		Alignment: &excelize.Alignment{Vertical: "top", WrapText: true},
	}
	if e.Mono {
		s.Font.Family = "Courier"
	}
	switch align {
	case AlignMiddle:
		s.Alignment.Horizontal = "center"
	case AlignRight, AlignPoint:
		s.Alignment.Horizontal, s.Alignment.Indent = "right", 1 // off the next column's text
	}
	switch format {
	case "General":
	case "@":
		s.NumFmt = 49 // text
	default:
		s.CustomNumFmt = &format
	}
	switch place {
	case "head":
		s.Border = []excelize.Border{{Type: "top", Style: 1, Color: "000000"}}
		s.Alignment.Vertical = "bottom"
	case "last":
		s.Border = []excelize.Border{{Type: "bottom", Style: 1, Color: "000000"}}
	}
	id, err := b.NewStyle(s)
	if err == nil {
		b.styles[key] = id
	}
	return id, err
}
