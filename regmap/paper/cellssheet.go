package paper

import (
	"encoding/xml"
	"fmt"
	"strconv"
	"strings"
)

// A sheetScan walks through one worksheet: it holds the cells against the
// bounds, and keeps those whose text is not what is stored.
type sheetScan struct {
	*bookScan
	row, column int // of the last cell, from 1
	counted     int // columns of this row counted so far
	cell        xml.StartElement
	over        bool // the cells have ended
}

func (s *sheetScan) element(d *xml.Decoder, t xml.Token) error {
	e, ok := t.(xml.StartElement)
	if !ok {
		s.over = s.over || t.(xml.EndElement).Name.Local == "sheetData"
		return nil
	}
	if s.over && e.Name.Local != "mergeCell" {
		return nil
	}
	switch e.Name.Local {
	case "row":
		return s.newRow(e)
	case "c":
		return s.newCell(e)
	case "f", "is":
		return s.holds()
	case "v":
		if err := s.holds(); err != nil {
			return err
		}
		var text string
		if err := d.DecodeElement(&text, &e); err != nil {
			return fmt.Errorf("the worksheet is damaged: its XML breaks off at line %d", line(d))
		}
		s.stored(text)
	case "mergeCell":
		a, ok := areaOf(attr(e, "ref"))
		if !ok {
			return fmt.Errorf("the worksheet %q merges %q, which is no range of cells", s.sheet, attr(e, "ref"))
		}
		s.merged = append(s.merged, a)
	}
	return nil
}

func (s *sheetScan) fault(format string, args ...any) error {
	return CellFault{Place{Row: max(s.row, 1), Column: max(s.column, 1)}, fmt.Sprintf(format, args...)}
}

// newRow follows the rows, which may say their number or just follow each
// other.
func (s *sheetScan) newRow(e xml.StartElement) error {
	n := s.row + 1
	if r := attr(e, "r"); r != "" {
		var err error
		if n, err = strconv.Atoi(r); err != nil || n <= s.row {
			return s.fault("a row numbered %q after row %d; rows count upward", r, s.row)
		}
	}
	s.row, s.column, s.counted = n, 0, 0
	return nil
}

// newCell follows the cells of a row in the same way.
func (s *sheetScan) newCell(e xml.StartElement) error {
	column := s.column + 1
	if r := attr(e, "r"); r != "" {
		a, ok := areaOf(r)
		if !ok || a.top+1 != s.row || a.left+1 <= s.column {
			return s.fault("a cell named %q after column %d of row %d; cells stand in their order", r, s.column, s.row)
		}
		column = a.left + 1
	}
	s.column, s.cell = column, e
	return nil
}

// holds counts a cell that holds something, with the empty ones before it.
func (s *sheetScan) holds() error {
	switch {
	case s.row == 0 || s.column == 0:
		return s.fault("a value outside of any cell")
	case s.row > MostListRows:
		return s.fault("row %d; at most %d are read", s.row, MostListRows)
	case s.column > MostListColumns:
		return s.fault("column %d; at most %d are read", s.column, MostListColumns)
	}
	s.bookScan.cells += s.column - s.counted
	s.counted, s.rows = s.column, s.row
	if s.bookScan.cells > MostListCells {
		return s.fault("cell %d of the list; at most %d are read", s.bookScan.cells, MostListCells)
	}
	return nil
}

// stored looks at the stored value of a cell.
func (s *sheetScan) stored(v string) {
	text := ""
	switch kind := attr(s.cell, "t"); {
	case kind == "b" && v == "1":
		text = "TRUE"
	case kind == "b" && v == "0":
		text = "FALSE"
	case kind == "" || kind == "n":
		text = tidy(v)
		style, err := strconv.Atoi(attr(s.cell, "s"))
		if err == nil && style >= 0 && style < len(s.zeros) && digits(text) && len(text) < s.zeros[style] {
			text = strings.Repeat("0", s.zeros[style]-len(text)) + text
		}
	}
	if text != "" && text != v {
		s.shown = append(s.shown, shownCell{row: s.row - 1, column: s.column - 1, text: text})
	}
}

// tidy is a stored number in the digits that a spreadsheet shows of it, 15 at
// most, without an exponent where it is of a common size.
func tidy(v string) string {
	if !isNumber(v) || len(v) <= spreadsheetDigits && !strings.ContainsAny(v, "eE") {
		return v
	}
	f, err := strconv.ParseFloat(v, 64)
	if err != nil {
		return v
	}
	short := strconv.FormatFloat(f, 'g', spreadsheetDigits, 64)
	if f, err = strconv.ParseFloat(short, 64); err != nil {
		return v
	}
	if size := max(f, -f); size != 0 && (size < 1e-9 || size >= 1e18) {
		return strconv.FormatFloat(f, 'g', -1, 64)
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// areaOf reads a range like B3 or B3:D5. Source: from memory, ECMA-376 part 1,
// 18.18.63: columns to XFD, rows to 1048576.
func areaOf(ref string) (area, bool) {
	first, last, pair := strings.Cut(ref, ":")
	top, left, ok := cellOf(first)
	if !ok || !pair {
		return area{top, left, top, left}, ok
	}
	bottom, right, ok := cellOf(last)
	return area{min(top, bottom), min(left, right), max(top, bottom), max(left, right)}, ok
}

// cellOf reads a cell's name into row and column from 0.
func cellOf(ref string) (row, column int, ok bool) {
	i := 0
	for ; i < len(ref) && i < 4; i++ {
		c := ref[i] &^ 0x20
		if c < 'A' || c > 'Z' {
			break
		}
		column = column*26 + int(c-'A'+1)
	}
	number := ref[i:]
	row, err := strconv.Atoi(number)
	if err != nil || !digits(number) || row < 1 || row > 1048576 || column < 1 || column > 16384 {
		return 0, 0, false
	}
	return row - 1, column - 1, true
}
