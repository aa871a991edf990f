package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"unicode/utf8"
)

// ReadCSV takes the text of a CSV file apart into rows, separated by whichever
// of comma, semicolon, tab and bar its first lines agree on. Nothing in a cell
// is evaluated. Text that is not UTF-8 is taken as ISO 8859-1, as spreadsheets
// of Western Europe save it. The error names the line and wraps ErrSource.
// Source: RFC 4180, 2.
func ReadCSV(source string, text []byte) ([]Row, error) {
	text = bytes.TrimPrefix(text, []byte("\uFEFF"))
	if bytes.IndexByte(text, 0) >= 0 {
		return nil, sourceError(source, "the file holds zero bytes, it is no CSV text in UTF-8 (UTF-16 is not read)")
	}
	if !utf8.Valid(text) {
		text = fromLatin1(text)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comma, r.FieldsPerRecord, r.TrimLeadingSpace = separator(text), -1, true
	var rows []Row
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if err != nil {
			var at *csv.ParseError
			if errors.As(err, &at) {
				return nil, sourceError(source, "line %d, column %d: a quotation mark is not closed, or stands in the middle of a cell", at.Line, at.Column)
			}
			return nil, sourceError(source, "%v", err)
		}
		if len(cells) > mostColumns {
			return nil, sourceError(source, "a row of %d columns, at most %d are read", len(cells), mostColumns)
		}
		line, _ := r.FieldPos(0)
		rows = append(rows, Row{line, cells})
	}
}

// fromLatin1 reads each byte as the character of its number.
func fromLatin1(text []byte) []byte {
	var b strings.Builder
	for _, c := range text {
		b.WriteRune(rune(c))
	}
	return []byte(b.String())
}

// separator is the mark that the first lines use most, outside of quotes.
func separator(text []byte) rune {
	counts := map[byte]int{}
	quoted, lines := false, 0
	for _, c := range text {
		switch {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '\n':
			lines++
		case c == ',' || c == ';' || c == '\t' || c == '|':
			counts[c]++
		}
		if lines == headingRows {
			break
		}
	}
	best := byte(',')
	for _, c := range []byte{';', '\t', '|'} {
		if counts[c] > counts[best] {
			best = c
		}
	}
	// A list with decimal commas has many of them; semicolons in most lines
	// are no accident.
	if best == ',' && counts[';'] >= 2*lines && lines > 1 {
		best = ';'
	}
	return rune(best)
}
