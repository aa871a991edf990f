package paper

import (
	"bytes"
	"math"
	"strings"
)

// plainText draws a clean document for a terminal or a plain file of that many
// characters in width. Bold and faces are lost; pictures are named only.
func plainText(d Document, width int) []byte {
	p := &textPrinter{width: float64(width)}
	p.prose(d.Title, "")
	p.prose(d.Subtitle, "")
	p.facts(d.head())
	if d.Caution != "" {
		p.gap()
		p.lines("Caution")
		for line := range strings.SplitSeq(d.Caution, "\n") {
			p.prose(line, "  ")
		}
	}
	for _, piece := range d.Blocks {
		p.piece(piece)
	}
	return p.out.Bytes()
}

// textGap is the number of characters between two columns.
const textGap = 2

// longestTextWord is the number of characters beyond which a word or number
// may be broken in a narrow table.
const longestTextWord = 16

type textPrinter struct {
	out    bytes.Buffer
	width  float64
	joined bool // what follows stands directly below: it is under its heading
}

// gap leaves an empty line, unless nothing stands above or a heading does.
func (p *textPrinter) gap() {
	if p.out.Len() > 0 && !p.joined {
		p.out.WriteByte('\n')
	}
	p.joined = false
}

func (p *textPrinter) lines(lines ...string) {
	for _, line := range lines {
		p.out.WriteString(strings.TrimRight(line, " "))
		p.out.WriteByte('\n')
	}
}

// prose wraps one line of running text; an empty one stays an empty line only
// inside other text.
func (p *textPrinter) prose(s, indent string) {
	if s == "" && indent == "" {
		return
	}
	mark, rest := hanging(s)
	if mark != "" {
		indent += strings.Repeat(" ", len(mark))
	}
	for i, line := range wrap(rest, p.width-float64(len(indent)), columnsOf) {
		if i == 0 && mark != "" {
			p.lines(indent[len(mark):] + mark + line)
			continue
		}
		p.lines(indent + line)
	}
}

func (p *textPrinter) piece(piece Piece) {
	p.gap()
	switch b := piece.(type) {
	case Heading:
		p.prose(b.Text, "")
		p.joined = true
	case Paragraph:
		for line := range strings.SplitSeq(b.Text, "\n") {
			if line == "" {
				p.lines("")
			}
			p.prose(line, "")
		}
	case Table:
		p.table(b)
	case Facts:
		p.joined = true
		p.facts(b.Items)
	case Verbatim:
		p.verbatim(b.Text)
	case Picture:
		p.prose(pictureWords(b), "")
		p.verbatim(b.Plain)
		p.joined = true
		p.facts(b.Facts)
	case Signatures:
		for i, l := range b.Lines {
			if i > 0 {
				p.lines("")
			}
			for _, f := range l.fields() {
				p.lines(pad(f.Name, 11) + orLine(f.Value))
			}
		}
	case PageBreak:
		p.joined = true
	}
}

// verbatim keeps line ends and blanks.
func (p *textPrinter) verbatim(text string) {
	if text == "" {
		return
	}
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\n"), "\n") {
		p.lines("  " + line)
	}
}

// pictureWords stand where a picture cannot be drawn; one that has a form in
// characters needs its title only.
func pictureWords(p Picture) string {
	if p.Plain != "" {
		return p.Title
	}
	return "Picture, drawn in the HTML and PDF forms: " + p.Title
}

// fields are the lines of a signature in the order they are signed.
func (s Signature) fields() []Fact {
	return []Fact{{Name: "Name", Value: s.Name}, {Name: "For", Value: s.For}, {Name: "Date", Value: s.Date}, {Name: "Signature"}}
}

func orLine(s string) string {
	if s == "" {
		return strings.Repeat("_", 32)
	}
	return s
}

// facts draws names and values, set apart by an empty line from what stands
// above.
func (p *textPrinter) facts(items []Fact) {
	if len(items) == 0 {
		p.joined = false
		return
	}
	p.gap()
	var name float64
	for _, f := range items {
		name = max(name, measure(columnsOf).of(f.Name))
	}
	name = min(name, math.Floor(p.width*0.4))
	for _, f := range items {
		names := wrap(f.Name, name, columnsOf)
		values := wrap(f.Value, p.width-name-textGap, columnsOf)
		for i := range max(len(names), len(values)) {
			p.lines(pad(at(names, i), name+textGap) + at(values, i))
		}
	}
}

// at is lines[i], "" where there is none.
func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}

// pad fills s with blanks on the right.
func pad(s string, width float64) string {
	return s + blanks(width-measure(columnsOf).of(s))
}

func blanks(n float64) string { return strings.Repeat(" ", max(0, int(n))) }

func anyEntry(Entry) measure { return columnsOf }

func (p *textPrinter) table(t Table) {
	if t.Title != "" {
		p.prose(t.Title, "")
	}
	needs := make([]need, len(t.Columns))
	for j := range t.Columns {
		needs[j] = needOf(t, j, longestTextWord, columnsOf, anyEntry)
	}
	gaps := float64(textGap * (len(needs) - 1))
	cols := widths(needs, max(p.width-gaps, float64(len(needs))))
	total := gaps
	for j := range cols {
		cols[j] = max(1, math.Floor(cols[j]+1e-9))
		total += cols[j]
	}
	rule := strings.Repeat("-", int(total))
	p.lines(rule)
	head := make([]Entry, len(t.Columns))
	for j, c := range t.Columns {
		head[j] = Entry{Text: c.Head}
	}
	p.row(t, head, cols, make([]pointColumn, len(cols)))
	marks := make([]pointColumn, len(cols))
	for j := range cols {
		marks[j] = points(t, j, anyEntry)
	}
	for _, row := range t.Rows {
		p.row(t, row, cols, marks)
	}
	p.lines(rule)
}

// row draws one row, its entries wrapped into their columns.
func (p *textPrinter) row(t Table, row []Entry, cols []float64, marks []pointColumn) {
	cells := make([][]string, len(row))
	height := 0
	for j, e := range row {
		cells[j] = wrap(e.Text, cols[j], columnsOf)
		if mark := marks[j]; t.Columns[j].Align == AlignPoint && e.number() && mark.whole+mark.part <= cols[j] {
			_, part := split(e.Text)
			cells[j] = []string{e.Text + blanks(mark.part-measure(columnsOf).of(part))}
		}
		height = max(height, len(cells[j]))
	}
	for i := range height {
		var line strings.Builder
		for j, c := range t.Columns {
			s := at(cells[j], i)
			free := cols[j] - measure(columnsOf).of(s)
			switch c.Align {
			case AlignRight, AlignPoint:
				s = blanks(free) + s
			case AlignMiddle:
				s = blanks(free/2) + s
			}
			line.WriteString(pad(s, cols[j]))
			if j < len(cols)-1 {
				line.WriteString(strings.Repeat(" ", textGap))
			}
		}
		p.lines(line.String())
	}
}
