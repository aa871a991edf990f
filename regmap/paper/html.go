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
	view := htmlView{
		Title: d.Title, Subtitle: d.Subtitle, Head: d.head(), Foot: cssDigits(d.Digest), Wide: d.Wide,
		Policy: contentPolicy(cssDigits(d.Digest)),
	}
	if view.Title == "" {
		view.Title = "Report"
	}
	if d.Caution != "" {
		view.Caution = strings.Split(d.Caution, "\n")
	}
	for _, piece := range d.Blocks {
		view.Blocks = append(view.Blocks, htmlOf(piece))
	}
	var out bytes.Buffer
	if err := htmlTemplate.Execute(&out, view); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// cssDigits is the digest's part that may stand inside a stylesheet: its first
// digits as far as they are hexadecimal.
func cssDigits(digest string) string {
	end := 0
	for end < len(digest) && end < footDigits && strings.IndexByte("0123456789abcdefABCDEF", digest[end]) >= 0 {
		end++
	}
	return digest[:end]
}

// contentPolicy allows the page's own stylesheet and nothing else. Source:
// from memory, Content Security Policy Level 3 (hash sources).
func contentPolicy(foot string) string {
	sum := sha256.Sum256([]byte(htmlStyle + htmlFootStart + foot + htmlFootEnd))
	return "default-src 'none'; base-uri 'none'; form-action 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

var htmlTemplate = template.Must(template.Must(template.New("page").Parse(svgText)).Parse(htmlText))

type htmlView struct {
	Policy, Title, Subtitle string
	Foot                    string
	Wide                    bool
	Head                    []Fact
	Caution                 []string
	Blocks                  []htmlBlock
}

// An htmlBlock is a piece as the template wants it; Kind says which fields
// hold something.
type htmlBlock struct {
	Kind    string
	Level   int
	Text    string
	Plain   bool // a table no wider than its content
	Lines   []string
	Facts   []Fact
	Columns []htmlColumn
	Rows    [][]htmlCell
	Picture svgView
	Signed  [][]Fact
}

type htmlColumn struct{ Head, Class, Width string }

// An htmlCell is an entry; Pad keeps the room of the decimals it lacks.
type htmlCell struct{ Text, Class, Pad string }

func htmlOf(piece Piece) htmlBlock {
	switch b := piece.(type) {
	case Heading:
		return htmlBlock{Kind: "heading", Level: b.Level, Text: b.Text}
	case Paragraph:
		return htmlBlock{Kind: "paragraph", Lines: strings.Split(b.Text, "\n")}
	case Table:
		return htmlTable(b)
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

func htmlTable(t Table) htmlBlock {
	var weights float64
	for _, c := range t.Columns {
		weights += c.Weight
	}
	block := htmlBlock{Kind: "table", Text: t.Title, Plain: weights == 0}
	classes := [...]string{AlignLeft: "left", AlignMiddle: "middle", AlignRight: "right", AlignPoint: "right"}
	align := func(j int) string {
		if a := t.Columns[j].Align; a >= 0 && int(a) < len(classes) {
			return classes[a]
		}
		return classes[AlignLeft]
	}
	marks := make([]int, len(t.Columns))
	for j, c := range t.Columns {
		width := ""
		if c.Weight > 0 {
			width = "w" + strconv.Itoa(max(1, int(c.Weight/weights*10+0.5)))
		}
		block.Columns = append(block.Columns, htmlColumn{Head: c.Head, Class: align(j), Width: width})
		if c.Align == AlignPoint {
			marks[j] = int(points(t, j, anyEntry).part)
		}
	}
	for _, row := range t.Rows {
		cells := make([]htmlCell, len(row))
		for j, e := range row {
			cells[j] = htmlCell{Text: e.Text, Class: align(j)}
			if e.Mono {
				cells[j].Class += " mono"
			}
			if e.Bold {
				cells[j].Class += " bold"
			}
			if e.number() {
				cells[j].Class += " number"
			}
			if t.Columns[j].Align == AlignPoint && e.number() {
				cells[j].Pad = lacking(e.Text, marks[j])
			}
		}
		block.Rows = append(block.Rows, cells)
	}
	return block
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
