package paper

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"io/fs"
	"slices"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"
)

// mostCellText is how many characters one cell takes; what is longer goes on
// in the next row. A spreadsheet holds 32,767 UTF-16 units (common practice).
const mostCellText = 16000

// aboutPrinter fills the worksheet that holds what is no table.
type aboutPrinter struct {
	*book
	w   *excelize.StreamWriter
	row int
	err error
}

// about writes the last worksheet; named gives the worksheets of the tables by
// their place among the blocks.
func (b *book) about(d Document, named map[int]string) error {
	w, err := b.sheet("About", d, d.Wide)
	if err != nil {
		return err
	}
	if err := errors.Join(w.SetColWidth(2, 2, 90), w.SetColWidth(1, 1, 28)); err != nil {
		return err
	}
	p := &aboutPrinter{book: b, w: w}
	p.put(Entry{Text: d.Title, Bold: true})
	p.put(Entry{Text: d.Subtitle})
	p.facts(d.head())
	if d.Caution != "" {
		p.row++
		p.put(Entry{Text: "Caution", Bold: true})
		p.text(d.Caution, false)
	}
	headed := false
	for i, piece := range d.Blocks {
		if !headed {
			p.row++
		}
		p.piece(piece, named[i])
		_, headed = piece.(Heading)
	}
	if p.err != nil {
		return p.err
	}
	return w.Flush()
}

func (p *aboutPrinter) piece(piece Piece, sheet string) {
	switch b := piece.(type) {
	case Heading:
		p.put(Entry{Text: b.Text, Bold: true})
	case Paragraph:
		p.text(b.Text, false)
	case Verbatim:
		p.text(strings.TrimSuffix(b.Text, "\n"), true)
	case Table:
		p.put(Entry{Text: "Table"}, Entry{Text: "worksheet " + sheet})
	case Facts:
		p.facts(b.Items)
	case Picture:
		p.put(Entry{Text: pictureWords(b)})
		p.facts(b.Facts)
	case Signatures:
		for _, l := range b.Lines {
			p.facts(l.fields())
			p.row++
		}
	}
}

// put writes one row; an empty one is left out.
func (p *aboutPrinter) put(entries ...Entry) {
	if p.err != nil || len(entries) == 1 && entries[0].Text == "" {
		return
	}
	p.row++
	cells := make([]any, len(entries))
	for i, e := range entries {
		cell, err := p.cell(e, AlignLeft, "")
		if err == nil && len(entries) == 1 {
			// A line of its own runs over the columns beside it.
			cell.StyleID, err = p.plain(e)
		}
		if err != nil {
			p.err = err
			return
		}
		cells[i] = cell
	}
	p.err = p.w.SetRow("A"+strconv.Itoa(p.row), cells)
}

// plain is the style of text that is not wrapped.
func (p *aboutPrinter) plain(e Entry) (int, error) {
	s := &excelize.Style{Font: &excelize.Font{Bold: e.Bold}, NumFmt: 49}
	if e.Mono {
		s.Font.Family = "Courier"
	}
	return p.NewStyle(s) // the library gives a style it knows its old number
}

// text writes a row a line, in the second column, which is wide; an empty line
// stays an empty row.
func (p *aboutPrinter) text(s string, mono bool) {
	one := func(rune) float64 { return 1 }
	for line := range strings.SplitSeq(s, "\n") {
		if line == "" {
			p.row++
			continue
		}
		for _, piece := range chop(line, mostCellText, one) {
			p.put(Entry{}, Entry{Text: piece, Mono: mono})
		}
	}
}

func (p *aboutPrinter) facts(items []Fact) {
	for _, f := range items {
		p.put(Entry{Text: f.Name}, Entry{Text: f.Value, Mono: f.Mono})
	}
}

// A sortedZip collects a workbook's parts and writes them in the order of
// their names, the list of content types first: the library itself writes
// streamed worksheets in an order that changes from run to run.
type sortedZip struct {
	w     io.Writer
	parts []*zipPart
}

type zipPart struct {
	name string
	bytes.Buffer
}

func newSortedZip(w io.Writer) excelize.ZipWriter { return &sortedZip{w: w} }

// Create gives the place for one part.
func (z *sortedZip) Create(name string) (io.Writer, error) {
	part := &zipPart{name: name}
	z.parts = append(z.parts, part)
	return part, nil
}

// AddFS belongs to the library's interface; nothing is added so.
func (z *sortedZip) AddFS(fs.FS) error { return errors.ErrUnsupported }

// Close writes all parts, without times.
func (z *sortedZip) Close() error {
	first := func(name string) string { return strings.Replace(name, "[", "\x00", 1) }
	slices.SortStableFunc(z.parts, func(a, b *zipPart) int { return strings.Compare(first(a.name), first(b.name)) })
	out := zip.NewWriter(z.w)
	for _, part := range z.parts {
		w, err := out.CreateHeader(&zip.FileHeader{Name: part.name, Method: zip.Deflate})
		if err != nil {
			return err
		}
		if _, err := w.Write(part.Bytes()); err != nil {
			return err
		}
	}
	return out.Close()
}
