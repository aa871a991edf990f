package sheet

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"plumbline/regmap/paper"
)

// Rows reads the cells of a CSV or XLSX file; worksheet names the one to read
// of a workbook, "" all of them. Nothing in a cell is evaluated. CSV text that is
// not UTF-8 is taken as ISO 8859-1, as spreadsheets of Western Europe save it.
// The error names the place and wraps ErrSource.
func Rows(f File, worksheet string) ([]Row, error) {
	s := paper.CellSource{Format: paper.CSV, Worksheet: worksheet}
	text := f.Text
	switch {
	case bytes.HasPrefix(text, []byte("PK\x03\x04")): // ZIP, APPNOTE 4.3.7
		s.Format = paper.XLSX
	case worksheet != "":
		return nil, sourceError(f.Name, "a CSV file has no worksheet %q", worksheet)
	case !utf8.Valid(text) && !bytes.HasPrefix(text, []byte("\xff\xfe")) && !bytes.HasPrefix(text, []byte("\xfe\xff")):
		text = fromLatin1(text)
	}
	cells, err := paper.ReadCells(bytes.NewReader(text), s)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %w", f.Name, ErrSource, err)
	}
	if worksheet != "" || len(cells.Worksheets) < 2 {
		return rowsOf(cells, ""), nil
	}
	return allRows(f.Name, text, cells)
}

// mostWorksheets is how many worksheets of one book are read.
const mostWorksheets = 64

// allRows reads every worksheet of a book, the first of which is given.
func allRows(name string, text []byte, first paper.Cells) ([]Row, error) {
	if n := len(first.Worksheets); n > mostWorksheets {
		return nil, sourceError(name, "the workbook has %d worksheets, at most %d are read together; name the one to read with --worksheet", n, mostWorksheets)
	}
	rows := rowsOf(first, first.Worksheet)
	for _, w := range first.Worksheets {
		if w == first.Worksheet {
			continue
		}
		cells, err := paper.ReadCells(bytes.NewReader(text), paper.CellSource{Format: paper.XLSX, Worksheet: w})
		if err != nil {
			return nil, fmt.Errorf("%s: %w: worksheet %q: %w; name the one to read with --worksheet", name, ErrSource, w, err)
		}
		if rows = append(rows, rowsOf(cells, w)...); len(rows) > paper.MostListRows {
			return nil, sourceError(name, "the worksheets have more than %d rows together; name the one to read with --worksheet", paper.MostListRows)
		}
	}
	return rows, nil
}

// rowsOf are the rows of one worksheet or CSV file.
func rowsOf(cells paper.Cells, worksheet string) []Row {
	rows := make([]Row, len(cells.Rows))
	for i, r := range cells.Rows {
		rows[i] = Row{Number: i + 1, Cells: make([]string, len(r)), Sheet: worksheet}
		for j, c := range r {
			rows[i].Cells[j] = paper.Uncell(c)
		}
	}
	return rows
}

// fromLatin1 reads each byte as the character of its number.
func fromLatin1(text []byte) []byte {
	var b strings.Builder
	for _, c := range text {
		b.WriteRune(rune(c))
	}
	return []byte(b.String())
}
