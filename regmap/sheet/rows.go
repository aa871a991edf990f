package sheet

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"plumbline/regmap/paper"
)

// Rows reads the cells of a CSV or XLSX file; worksheet names the one to read
// of a workbook, "" the first. Nothing in a cell is evaluated. CSV text that is
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
	rows := make([]Row, len(cells.Rows))
	for i, r := range cells.Rows {
		rows[i] = Row{Number: i + 1, Cells: make([]string, len(r))}
		for j, c := range r {
			rows[i].Cells[j] = paper.Uncell(c)
		}
	}
	return rows, nil
}

// fromLatin1 reads each byte as the character of its number.
func fromLatin1(text []byte) []byte {
	var b strings.Builder
	for _, c := range text {
		b.WriteRune(rune(c))
	}
	return []byte(b.String())
}
