package paper

import (
	"bytes"
	"strings"
)

// markdown draws a clean document as CommonMark 0.31 with the table extension
// that is in common use. Every character that could be markup is escaped by a
// backslash. Source: from memory, CommonMark 2.4 (any ASCII punctuation may be
// escaped so).
func markdown(d Document) []byte {
	p := &markPrinter{}
	if d.Title != "" {
		p.block("# " + escaped(d.Title))
	}
	if d.Subtitle != "" {
		p.block(escaped(d.Subtitle))
	}
	p.facts(d.head())
	if d.Caution != "" {
		p.block("**Caution**")
		p.prose(d.Caution)
	}
	for _, piece := range d.Blocks {
		p.piece(piece)
	}
	return p.out.Bytes()
}

type markPrinter struct{ out bytes.Buffer }

// block writes lines as one block, an empty line before it.
func (p *markPrinter) block(lines ...string) {
	if p.out.Len() > 0 {
		p.out.WriteByte('\n')
	}
	for _, line := range lines {
		p.out.WriteString(strings.TrimRight(line, " "))
		p.out.WriteByte('\n')
	}
}

// prose writes running text; a line feed in it is a hard line break.
func (p *markPrinter) prose(text string) {
	for part := range strings.SplitSeq(text, "\n\n") {
		lines := strings.Split(strings.Trim(part, "\n"), "\n")
		for i, line := range lines {
			lines[i] = escaped(line)
			if i < len(lines)-1 && lines[i] != "" {
				lines[i] += `\`
			}
		}
		if len(lines) > 1 || lines[0] != "" {
			p.block(lines...)
		}
	}
}

func (p *markPrinter) piece(piece Piece) {
	switch b := piece.(type) {
	case Heading:
		p.block(strings.Repeat("#", b.Level+1) + " " + escaped(b.Text))
	case Paragraph:
		p.prose(b.Text)
	case Table:
		p.table(b)
	case Facts:
		p.facts(b.Items)
	case Verbatim:
		p.verbatim(b.Text)
	case Picture:
		p.block(escaped(pictureWords(b)))
		if b.Plain != "" {
			p.verbatim(b.Plain)
		}
		p.facts(b.Facts)
	case Signatures:
		rows := make([][]Entry, len(b.Lines))
		for i, l := range b.Lines {
			rows[i] = Entries(l.Name, l.For, l.Date, "")
		}
		p.table(Table{Columns: []Column{{Head: "Name"}, {Head: "For"}, {Head: "Date"}, {Head: "Signature"}}, Rows: rows})
	case PageBreak:
		p.block("---")
	}
}

// verbatim is a code block.
func (p *markPrinter) verbatim(text string) {
	fence := strings.Repeat("`", max(3, longestRun(text, '`')+1))
	p.block(fence, strings.TrimSuffix(text, "\n"), fence)
}

// facts are a list, names in bold.
func (p *markPrinter) facts(items []Fact) {
	if len(items) == 0 {
		return
	}
	lines := make([]string, len(items))
	for i, f := range items {
		lines[i] = "- **" + escaped(f.Name) + ":** " + marked(Entry{Text: f.Value, Mono: f.Mono})
		if f.Name == "" {
			lines[i] = "- " + marked(Entry{Text: f.Value, Mono: f.Mono})
		}
	}
	p.block(lines...)
}

func (p *markPrinter) table(t Table) {
	if t.Title != "" {
		p.block("**" + escaped(t.Title) + "**")
	}
	cells := make([][]string, len(t.Rows)+1)
	wide := make([]float64, len(t.Columns))
	see := func(i, j int, s string) {
		cells[i] = append(cells[i], s)
		wide[j] = max(wide[j], measure(columnsOf).of(s), 3)
	}
	for j, c := range t.Columns {
		see(0, j, escaped(c.Head))
	}
	for j, c := range t.Columns {
		mark := points(t, j, anyEntry)
		for i, row := range t.Rows {
			s := marked(row[j])
			if c.Align == AlignPoint && row[j].number() {
				_, part := split(row[j].Text)
				s += blanks(mark.part - measure(columnsOf).of(part))
			}
			see(i+1, j, s)
		}
	}
	lines := make([]string, 0, len(cells)+1)
	for i, row := range cells {
		var line strings.Builder
		for j, s := range row {
			if c := t.Columns[j]; c.Align == AlignRight || c.Align == AlignPoint {
				s = blanks(wide[j]-measure(columnsOf).of(s)) + s
			}
			line.WriteString("| " + pad(s, wide[j]) + " ")
		}
		lines = append(lines, line.String()+"|")
		if i == 0 {
			lines = append(lines, dashes(t.Columns, wide))
		}
	}
	p.block(lines...)
}

// dashes is the line below a table's header; its colons say the alignment.
func dashes(columns []Column, wide []float64) string {
	var line strings.Builder
	for j, c := range columns {
		run := strings.Repeat("-", int(wide[j])-1)
		switch c.Align {
		case AlignRight, AlignPoint:
			line.WriteString("| " + run + ": ")
		case AlignMiddle:
			line.WriteString("| :" + run[1:] + ": ")
		default:
			line.WriteString("| " + run + "- ")
		}
	}
	return line.String() + "|"
}

// marked is an entry with its faces. A code span is only used for what needs
// no escape inside it.
func marked(e Entry) string {
	s := escaped(e.Text)
	if e.number() {
		s = e.Text
	}
	if e.Mono && e.Text != "" && !strings.ContainsAny(e.Text, "`\\|") && strings.TrimSpace(e.Text) == e.Text {
		s = "`" + e.Text + "`"
	}
	if e.Bold && s != "" {
		s = "**" + s + "**"
	}
	return s
}

// escaped is one line of text as Markdown that shows just that text.
func escaped(s string) string {
	s = strings.TrimSpace(s)
	var b strings.Builder
	for i, r := range s {
		if special(s, i, r) {
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}

// special says whether the character at i of s could be markup there.
// Emphasis, code, links, tags, entities, tables, strikethrough, formulas and
// the signs that end a heading stand anywhere; lists and rules begin only at
// the line's start; a bare address or a named sign has its colon or point.
func special(s string, i int, r rune) bool {
	switch r {
	case '\\', '`', '*', '_', '[', ']', '<', '>', '|', '&', '~', '$', '!', '@', '{', '}':
		return true
	case '#':
		return true
	case '+', '-', '=':
		return i == 0
	case ':':
		next := at0(s, i+1)
		return i == 0 || next == '/' || next == '+' || next == '-' || next|0x20 >= 'a' && next|0x20 <= 'z'
	case '.':
		return i > 0 && (digits(s[:i]) && i < 10 && at0(s, i+1) == ' ' || strings.HasSuffix(strings.ToLower(s[:i]), "www"))
	case ')':
		return i > 0 && digits(s[:i])
	}
	return false
}

// at0 is the byte at i of s; a blank beyond its end.
func at0(s string, i int) byte {
	if i < len(s) {
		return s[i]
	}
	return ' '
}

// longestRun is the length of the longest run of c in s.
func longestRun(s string, c rune) int {
	longest, run := 0, 0
	for _, r := range s {
		run++
		if r != c {
			run = 0
		}
		longest = max(longest, run)
	}
	return longest
}
