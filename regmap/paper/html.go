package paper

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"html/template"
	"strconv"
	"strings"
)

// htmlPage draws a clean document as one page that needs nothing else: no
// script, no reference, its stylesheet inside and named by its digest, so that
// no other is obeyed. All text goes through html/template as text.
func htmlPage(d Document) ([]byte, error) {
	view := htmlView{Title: d.Title, Subtitle: d.Subtitle, Head: d.head(), Foot: d.foot(), Wide: d.Wide}
	var err error
	if view.Policy, err = contentPolicy(view.Foot); err != nil {
		return nil, err
	}
	if view.Title == "" {
		view.Title = "Report"
	}
	if d.Caution != "" {
		view.Caution = htmlLines(d.Caution)
	}
	for _, piece := range d.Blocks {
		view.Blocks = append(view.Blocks, htmlOf(piece, d.Wide))
	}
	var out bytes.Buffer
	if err := htmlTemplate.Execute(&out, view); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// contentPolicy allows the page's own stylesheet and nothing else; what is
// hashed is the stylesheet as the template writes it, with the foot escaped.
// Source: from memory, Content Security Policy Level 3 (hash sources).
func contentPolicy(foot string) (string, error) {
	var out bytes.Buffer
	if err := htmlTemplate.ExecuteTemplate(&out, "style", foot); err != nil {
		return "", err
	}
	text := strings.TrimSuffix(strings.TrimPrefix(out.String(), "<style>"), "</style>")
	sum := sha256.Sum256([]byte(text))
	return "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'", nil
}

var htmlTemplate = template.Must(template.Must(template.New("page").Parse(svgText)).Parse(htmlText))

type htmlView struct {
	Policy, Title, Subtitle string
	Foot                    string
	Wide                    bool
	Head                    []Fact
	Caution                 []htmlCell
	Blocks                  []htmlBlock
}

// An htmlBlock is a piece as the template wants it; Kind says which fields
// hold something.
type htmlBlock struct {
	Kind    string
	Level   int
	Text    string
	Plain   bool // a table no wider than its content
	Lines   []htmlCell
	Facts   []Fact
	Columns []htmlColumn
	Rows    [][]htmlCell
	Picture svgView
	Signed  [][]Fact
}

type htmlColumn struct{ Head, Class, Width string }

// An htmlCell is an entry or a line; Pad keeps the room of the decimals that a
// number lacks.
type htmlCell struct{ Text, Class, Pad string }

func htmlOf(piece Piece, wide bool) htmlBlock {
	switch b := piece.(type) {
	case Heading:
		return htmlBlock{Kind: "heading", Level: b.Level, Text: b.Text}
	case Paragraph:
		return htmlBlock{Kind: "paragraph", Lines: htmlLines(b.Text)}
	case Table:
		return htmlTable(b, wide)
	case Facts:
		return htmlBlock{Kind: "facts", Facts: b.Items}
	case Verbatim:
		return htmlBlock{Kind: "verbatim", Text: strings.TrimSuffix(b.Text, "\n")}
	case Picture:
		return htmlBlock{Kind: "picture", Picture: svgOf(b), Facts: b.Facts}
	case Signatures:
		block := htmlBlock{Kind: "signatures"}
		for _, l := range b.Lines {
			block.Signed = append(block.Signed, l.fields())
		}
		return block
	default:
		return htmlBlock{Kind: "break"}
	}
}

func htmlLines(text string) []htmlCell {
	var out []htmlCell
	for line := range strings.SplitSeq(text, "\n") {
		class := "line"
		if mark, _ := hanging(line); mark != "" {
			class += " item"
		}
		out = append(out, htmlCell{Text: line, Class: class})
	}
	return out
}

// htmlLine and wideHTMLLine are about how many characters of a table's type a
// page is wide, upright and across.
const (
	htmlLine     = 110
	wideHTMLLine = 160
)

// longestHTMLWord is the number of characters beyond which a word is broken
// where its column is narrow.
const longestHTMLWord = 20

func htmlTable(t Table, wide bool) htmlBlock {
	needs := make([]need, len(t.Columns))
	marks := make([]int, len(t.Columns))
	block := htmlBlock{Kind: "table", Text: t.Title, Plain: true}
	for j, c := range t.Columns {
		needs[j] = needOf(t, j, longestHTMLWord, columnsOf, anyEntry)
		if c.Weight > 0 {
			block.Plain = false
		}
		if c.Align == AlignPoint {
			marks[j] = int(points(t, j, anyEntry).part)
		}
	}
	line := float64(htmlLine)
	if wide {
		line = wideHTMLLine
	}
	shares := widths(needs, line)
	for j, c := range t.Columns {
		width := ""
		if c.Weight > 0 {
			width = "w" + strconv.Itoa(max(1, int(shares[j]/line*20))*5)
		}
		head := htmlColumn{Head: c.Head, Class: htmlClass(c, Entry{Text: c.Head}), Width: width}
		block.Columns = append(block.Columns, head)
	}
	for _, row := range t.Rows {
		cells := make([]htmlCell, len(row))
		for j, e := range row {
			cells[j] = htmlCell{Text: e.Text, Class: htmlClass(t.Columns[j], e)}
			if t.Columns[j].Align == AlignPoint && e.number() {
				cells[j].Pad = lacking(e.Text, marks[j])
			}
		}
		block.Rows = append(block.Rows, cells)
	}
	return block
}

// htmlClass are the names that the stylesheet knows an entry by.
func htmlClass(c Column, e Entry) string {
	class := "left"
	switch c.Align {
	case AlignMiddle:
		class = "middle"
	case AlignRight, AlignPoint:
		class = "right"
	}
	add := func(when bool, name string) {
		if when {
			class += " " + name
		}
	}
	add(e.Mono, "mono")
	add(e.Bold, "bold")
	add(c.Weight == 0 && measure(columnsOf).of(e.Text) <= longestHTMLWord, "short")
	for word := range strings.FieldsSeq(e.Text) {
		if measure(columnsOf).of(word) > longestHTMLWord {
			add(true, "long")
			break
		}
	}
	return class
}

// lacking is what a number lacks of that many characters behind its whole
// part: it is drawn unseen behind it, and reads as the same number.
func lacking(number string, part int) string {
	_, have := split(number)
	switch missing := part - len(have); {
	case missing <= 0 || strings.ContainsAny(have, "eE"):
		return ""
	case have == "":
		return "." + strings.Repeat("0", missing-1)
	default:
		return strings.Repeat("0", missing)
	}
}
