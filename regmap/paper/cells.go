package paper

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"unicode"
	"unicode/utf8"
)

// The bounds of a list that is read. Chosen so that every register list of one
// device fits many times over, and the greatest list allowed needs memory and
// time known beforehand.
const (
	MostListBytes   = 16 << 20 // of the file
	MostListRows    = 1 << 17
	MostListColumns = 1024
	MostListCells   = 1 << 20 // of the whole list, empty ones before a row's last included
	MostCellLength  = 32767   // characters; what a spreadsheet's cell can hold (common practice)
)

// A CellSource says how a list is to be read.
type CellSource struct {
	Format Format // CSV or XLSX
	// Delimiter between the cells of a CSV file: comma, semicolon, tab or any
	// other character but quote and line ends; 0 guesses among those three.
	Delimiter rune
	Worksheet string // of a workbook, by name; "" is the first
}

// Cells are the cells of a list as text, in the file's order. Rows differ in
// length: empty cells at a row's end may be left out.
type Cells struct {
	Rows       [][]string
	Delimiter  rune     // of a CSV file, as given or guessed; 0 for a workbook
	Worksheet  string   // of a workbook, the one that was read
	Worksheets []string // of a workbook, all of them
	starts     [][]offset
	source     []byte
}

// An offset is where a cell begins in a CSV file, and its line.
type offset struct{ at, lineStart, line int32 }

// A Place is where a cell stands. Row and Column count from 1 as a spreadsheet
// counts; Line and Character say where the cell begins in a CSV file, from 1,
// and are 0 in a workbook.
type Place struct{ Row, Column, Line, Character int }

// String is the place as messages write it after the file's name:
// "line:character" for a CSV file, the cell's name, as C4, for a workbook.
func (p Place) String() string {
	if p.Line > 0 {
		return strconv.Itoa(p.Line) + ":" + strconv.Itoa(p.Character)
	}
	return columnName(p.Column) + strconv.Itoa(p.Row)
}

// columnName is a column as a spreadsheet names it: A to Z, AA and so on; ""
// below 1.
func columnName(n int) string {
	name := ""
	for ; n > 0; n = (n - 1) / 26 {
		name = string(rune('A'+(n-1)%26)) + name
	}
	return name
}

// Place says where the cell Rows[row][column] stands, both from 0. For a cell
// that a row does not have, it is the row's last.
func (c Cells) Place(row, column int) Place {
	p := Place{Row: row + 1, Column: column + 1}
	if row < 0 || row >= len(c.starts) || column < 0 || len(c.starts[row]) == 0 {
		return p
	}
	o := c.starts[row][min(column, len(c.starts[row])-1)]
	p.Line = int(o.line)
	p.Character = utf8.RuneCount(c.source[o.lineStart:o.at]) + 1
	return p
}

// A CellFault is what keeps a list from being read, with its place.
type CellFault struct {
	Place   Place
	Message string
}

func (f CellFault) Error() string { return f.Place.String() + ": " + f.Message }

// ReadCells reads a list that people hand in. Nothing in it is evaluated: a
// formula gives the text of the value that was stored beside it, "" when there
// is none. Numbers of a workbook are given as they are stored, in at most 15
// digits and not as rounded for show, but with the zeros in front that their
// format shows; merged cells each hold the text of the first. Control
// characters other than line feed and tab are refused.
//
// Errors: a CellFault with its place for what is wrong in the list or beyond
// the bounds above; else words about the file as a whole, or the reader's own
// error. With an error there are no cells.
func ReadCells(r io.Reader, s CellSource) (Cells, error) {
	if s.Format != CSV && s.Format != XLSX {
		return Cells{}, fmt.Errorf("no list can be read as %q; the file name ends in %s or %s", string(s.Format), CSV, XLSX)
	}
	data, err := io.ReadAll(io.LimitReader(r, MostListBytes+1))
	if err != nil {
		return Cells{}, err
	}
	if len(data) > MostListBytes {
		return Cells{}, fmt.Errorf("the list has more than %d MiB, which is the most that is read", MostListBytes>>20)
	}
	if s.Format == CSV {
		return readCSV(data, s.Delimiter)
	}
	return readWorkbook(data, s.Worksheet)
}

// control is the first character of s that no cell may hold: controls other
// than line feed and tab.
func control(s string) (rune, bool) {
	for _, r := range s {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return r, true
		}
	}
	return 0, false
}

var errUTF16 = errors.New("the list is written in UTF-16; save it as CSV in UTF-8")

// csvText is a CSV file's bytes without the mark of UTF-8 in front.
func csvText(data []byte) ([]byte, error) {
	if bytes.HasPrefix(data, []byte{0xFF, 0xFE}) || bytes.HasPrefix(data, []byte{0xFE, 0xFF}) {
		return nil, errUTF16
	}
	return bytes.TrimPrefix(data, []byte{0xEF, 0xBB, 0xBF}), nil
}
