package paper

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"
)

// readCSV reads a list of separated values. Source: RFC 4180, 2; departures:
// any delimiter, a line may end in a line feed alone, rows may differ in
// length. It stands here beside encoding/csv, which a test compares it with,
// because it knows the place of each cell and of the quote that is never
// closed, and gives up at the first cell too many.
func readCSV(data []byte, delimiter rune) (Cells, error) {
	data, err := csvText(data)
	if err != nil {
		return Cells{}, err
	}
	if delimiter == 0 {
		delimiter = guessDelimiter(data)
	}
	if delimiter == '"' || delimiter == '\n' || delimiter == '\r' || delimiter == utf8.RuneError || !utf8.ValidRune(delimiter) {
		return Cells{}, fmt.Errorf("%q cannot stand between cells; use a comma, a semicolon or a tab", delimiter)
	}
	p := &csvReader{data: data, delimiter: delimiter, line: 1}
	for p.at < len(data) {
		if fault := p.record(); fault != nil {
			return Cells{}, *fault
		}
	}
	return Cells{Rows: p.rows, Delimiter: delimiter, starts: p.starts, source: data}, nil
}

// A csvReader walks through a file once.
type csvReader struct {
	data      []byte
	delimiter rune
	at        int // the next byte
	line      int // its line, from 1
	lineStart int // where that line begins
	cells     int
	rows      [][]string
	starts    [][]offset
}

// here is the place of the next byte, for the cell that is being read.
func (p *csvReader) here(column int) Place {
	return Place{Row: len(p.rows) + 1, Column: column + 1, Line: p.line, Character: utf8.RuneCount(p.data[p.lineStart:p.at]) + 1}
}

func (p *csvReader) fault(column int, format string, args ...any) *CellFault {
	return &CellFault{Place: p.here(column), Message: fmt.Sprintf(format, args...)}
}

// record reads one row. A line without anything is a row without cells.
func (p *csvReader) record() *CellFault {
	if len(p.rows) == MostListRows {
		return p.fault(0, "row %d; at most %d are read", len(p.rows)+1, MostListRows)
	}
	var row []string
	var starts []offset
	for {
		if len(row) == MostListColumns {
			return p.fault(len(row), "cell %d of its row; at most %d columns are read", len(row)+1, MostListColumns)
		}
		if p.cells++; p.cells > MostListCells {
			return p.fault(len(row), "cell %d of the list; at most %d are read", p.cells, MostListCells)
		}
		start := offset{at: int32(p.at), lineStart: int32(p.lineStart), line: int32(p.line)}
		text, fault := p.cell(len(row))
		if fault != nil {
			return fault
		}
		row, starts = append(row, text), append(starts, start)
		if r, size := p.next(); r == p.delimiter && size > 0 {
			p.at += size
			continue
		}
		break
	}
	p.endLine()
	if len(row) == 1 && row[0] == "" {
		row, starts = nil, nil
	}
	p.rows, p.starts = append(p.rows, row), append(p.starts, starts)
	return nil
}

// next is the character that comes, of size 0 at the end.
func (p *csvReader) next() (rune, int) { return utf8.DecodeRune(p.data[p.at:]) }

// lineEnd is how many bytes of a line's end come: 0 when it does not end here.
func (p *csvReader) lineEnd() int {
	switch rest := p.data[p.at:]; {
	case bytes.HasPrefix(rest, []byte("\n")):
		return 1
	case bytes.HasPrefix(rest, []byte("\r\n")):
		return 2
	}
	return 0
}

func (p *csvReader) endLine() {
	if n := p.lineEnd(); n > 0 {
		p.at += n
		p.line++
		p.lineStart = p.at
	}
}

// cell reads one cell, up to the delimiter or the end of the line.
func (p *csvReader) cell(column int) (string, *CellFault) {
	if p.at < len(p.data) && p.data[p.at] == '"' && p.delimiter != '"' {
		return p.quoted(column)
	}
	var b strings.Builder
	for n := 0; p.at < len(p.data) && p.lineEnd() == 0; n++ {
		r, size := p.next()
		if r == p.delimiter {
			break
		}
		if r == '"' {
			return "", p.fault(column, `a quote inside a cell that does not begin with one; write "" for it and put the whole cell in quotes`)
		}
		if fault := p.take(&b, column, n, r, size); fault != nil {
			return "", fault
		}
	}
	return b.String(), nil
}

// quoted reads a cell in quotes; inside, two quotes are one, and a line's end
// is a line feed.
func (p *csvReader) quoted(column int) (string, *CellFault) {
	opened := p.here(column)
	p.at++
	var b strings.Builder
	for n := 0; p.at < len(p.data); n++ {
		r, size := p.next()
		switch {
		case r == '"' && bytes.HasPrefix(p.data[p.at+1:], []byte(`"`)):
			size = 2
		case r == '"':
			p.at++
			if r, size := p.next(); size > 0 && r != p.delimiter && p.lineEnd() == 0 {
				return "", p.fault(column, `%q after the quote that ends the cell; a quote inside a cell is written ""`, r)
			}
			return b.String(), nil
		case p.lineEnd() > 0:
			b.WriteByte('\n')
			p.endLine()
			continue
		}
		if fault := p.take(&b, column, n, r, size); fault != nil {
			return "", fault
		}
	}
	return "", &CellFault{Place: opened, Message: "the quote that opens here is never closed"}
}

// take takes character n of a cell, or says why it cannot stand there.
func (p *csvReader) take(b *strings.Builder, column, n int, r rune, size int) *CellFault {
	if r == utf8.RuneError && size <= 1 {
		return p.fault(column, "the byte 0x%02x is no UTF-8; save the list as CSV in UTF-8", p.data[p.at])
	}
	if r == '\r' {
		return p.fault(column, "a carriage return without a line feed; lines end in line feed, or carriage return and line feed")
	}
	if _, bad := control(string(r)); bad {
		return p.fault(column, "the control character %U; a list holds plain text", r)
	}
	if n == MostCellLength {
		return p.fault(column, "a cell of more than %d characters", MostCellLength)
	}
	b.WriteRune(r)
	p.at += size
	return nil
}

// guessRows is how many rows a guess of the delimiter looks at.
const guessRows = 64

// guessDelimiter is the one of tab, semicolon and comma that parts the first
// rows most evenly: the one that gives the most rows the same number of
// cells. Between equals the rarer sign in texts and numbers wins, in that
// order; a comma may be a decimal comma. With no such sign it is the comma.
func guessDelimiter(data []byte) rune {
	best, rows := ',', 0
	for _, d := range []rune{'\t', ';', ','} {
		seen := map[int]int{}
		for _, n := range countCells(data, byte(d)) {
			if n > 1 {
				seen[n]++
			}
		}
		for _, n := range seen {
			if n > rows {
				best, rows = d, n
			}
		}
	}
	return best
}

// countCells counts the cells of the first rows that are not empty, quotes
// kept in mind.
func countCells(data []byte, delimiter byte) []int {
	var counts []int
	n, quoted, empty := 1, false, true
	for _, c := range data {
		switch {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == delimiter:
			n++
		case c == '\n':
			if !empty {
				counts = append(counts, n)
			}
			if len(counts) == guessRows {
				return counts
			}
			n, empty = 1, true
			continue
		}
		if c != '\r' {
			empty = false
		}
	}
	if !empty {
		counts = append(counts, n)
	}
	return counts
}
