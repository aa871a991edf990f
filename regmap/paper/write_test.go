package paper

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
)

// TestFormatOf: by the file's ending, and the error lists what is allowed.
func TestFormatOf(t *testing.T) {
	for name, want := range map[string]Format{
		"list.txt": PlainText, "a/b.md": Markdown, ".csv": CSV, "x.HTML": HTML, `C:\lists\x.pdf`: PDF, "a.b.xlsx": XLSX,
	} {
		if got, err := FormatOf(name); err != nil || got != want {
			t.Errorf("FormatOf(%q) = %q, %v; want %q", name, got, err, want)
		}
	}
	for _, name := range []string{"", "list", "list.doc", "pdf", "a.pdf/list", `a.pdf\list`} {
		got, err := FormatOf(name)
		var unknown UnknownFormat
		if got != "" || !errors.As(err, &unknown) || unknown.Name != name || err.Error() != fmt.Sprintf("no report can be written as %q; the file name ends in .txt, .md, .csv, .html, .pdf or .xlsx", name) {
			t.Errorf("FormatOf(%q) = %q, %v", name, got, err)
		}
	}
}

// TestWriteErrors: what cannot be drawn is said, and nothing is written.
func TestWriteErrors(t *testing.T) {
	nan := math.NaN()
	for _, v := range []struct {
		piece   Piece
		message string
	}{
		{nil, "block 2 of the document is nil"},
		{Table{Title: "T"}, `the table "T" has 0 columns; it needs at least 1 and at most 1024`},
		{Table{Title: "T", Columns: make([]Column, 1025)}, `the table "T" has 1025 columns`},
		{Table{Title: "T", Columns: make([]Column, 2), Rows: [][]Entry{Entries("a", "b"), Entries("a")}}, `row 2 of the table "T" has 1 entries, its columns are 2`},
		{Picture{Title: "P", Width: 0, Height: 5}, `the picture "P" measures 0 by 5 points`},
		{Picture{Title: "P", Width: 5, Height: nan}, `measures 5 by NaN points`},
		{Picture{Title: "P", Width: 5, Height: 1e9}, `at most 28350`},
		{Picture{Width: 5, Height: 5, Shapes: []Shape{nil}}, "a shape of the picture is nil"},
	} {
		for _, f := range Formats() {
			var out bytes.Buffer
			err := Write(&out, Document{Blocks: []Piece{Paragraph{"a"}, v.piece}}, f)
			if err == nil || !strings.Contains(err.Error(), v.message) || out.Len() > 0 {
				t.Errorf("%s: %v, %d bytes; want %s", f, err, out.Len(), v.message)
			}
		}
		var out bytes.Buffer
		if err := WriteText(&out, Document{Blocks: []Piece{v.piece}}, 80); err == nil || out.Len() > 0 {
			t.Errorf("WriteText: %v, %d bytes", err, out.Len())
		}
		if p, ok := v.piece.(Picture); ok {
			if err := WriteSVG(&out, p); err == nil || out.Len() > 0 {
				t.Errorf("WriteSVG: %v, %d bytes", err, out.Len())
			}
		}
	}
	var unknown UnknownFormat
	if err := Write(io.Discard, Document{}, ".doc"); !errors.As(err, &unknown) {
		t.Errorf("an unknown format: %v", err)
	}
	for _, f := range Formats() {
		if err := Write(failing{}, sample(), f); !errors.Is(err, errFull) {
			t.Errorf("%s: the writer's error: %v", f, err)
		}
	}
	if err := WriteText(failing{}, sample(), 80); !errors.Is(err, errFull) {
		t.Errorf("the writer's error: %v", err)
	}
	if err := WriteSVG(failing{}, samplePicture()); !errors.Is(err, errFull) {
		t.Errorf("the writer's error: %v", err)
	}
}

var errFull = errors.New("the disk is full")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errFull }

// TestEmptyDocument: every format can hold nothing.
func TestEmptyDocument(t *testing.T) {
	for _, f := range Formats() {
		out := written(t, Document{}, f)
		switch f {
		case PlainText, Markdown, CSV:
			if len(out) != 0 {
				t.Errorf("%s: %q", f, out)
			}
		case PDF:
			if seen := readPDF(t, out); seen.pages != 1 || fmt.Sprint(seen.texts) != "[page 1 of 1]" {
				t.Errorf("%d pages, %q", seen.pages, seen.texts)
			}
		case HTML:
			if !strings.Contains(string(out), "<title>Report</title>") {
				t.Errorf("%s", out)
			}
		case XLSX:
			got, err := ReadCells(bytes.NewReader(out), CellSource{Format: XLSX})
			if err != nil || got.Rows != nil || got.Worksheet != "About" {
				t.Errorf("%q of %q, %v", got.Rows, got.Worksheet, err)
			}
		}
	}
}

// TestWriteChangesNothing: the document given is as it was.
func TestWriteChangesNothing(t *testing.T) {
	for _, f := range Formats() {
		d, want := canaryDocument("\x1b=\u2713"), canaryDocument("\x1b=\u2713")
		written(t, d, f)
		if !reflect.DeepEqual(d, want) {
			t.Errorf("%s changed the document", f)
		}
	}
}

func TestDateAndFoot(t *testing.T) {
	zone := time.FixedZone("", 3600)
	for _, v := range []struct {
		at   time.Time
		want string
	}{
		{time.Time{}, ""},
		{time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC), "2026-03-14"},
		{time.Date(2026, 3, 14, 1, 0, 0, 0, zone), "2026-03-14"},
		{time.Date(2026, 3, 14, 10, 30, 5, 123, zone), "2026-03-14T09:30:05Z"},
	} {
		if got := (Document{Date: v.at}).date(); got != v.want {
			t.Errorf("date %v = %q, want %q", v.at, got, v.want)
		}
	}
	digest := strings.Repeat("0123456789abcdef", 4)
	for _, v := range []struct{ revision, digest, want string }{
		{"", "", ""}, {"B", "", "revision B"}, {"", digest, "0123456789abcdef"}, {"B", digest, "revision B, 0123456789abcdef"}, {"", "äöü", "äöü"},
	} {
		if got := (Document{Revision: v.revision, Digest: v.digest}).foot(); got != v.want {
			t.Errorf("foot = %q, want %q", got, v.want)
		}
	}
}

// TestTextWidth: no line of text is wider than asked for, as far as words and
// numbers can be broken.
func TestTextWidth(t *testing.T) {
	for _, s := range canaries {
		d := canaryDocument(s)
		d.Blocks = append(d.Blocks[:6:6], d.Blocks[7:8]...) // verbatim text is never broken, signatures have their lines
		for _, width := range []int{20, 33, 80, 200} {
			var out strings.Builder
			if err := WriteText(&out, d, width); err != nil {
				t.Fatal(err)
			}
			for line := range strings.SplitSeq(out.String(), "\n") {
				if w := measure(columnsOf).of(line); w > float64(width) {
					t.Errorf("%.30q: a line of %v columns at width %d: %q", s, w, width, line)
				}
			}
		}
	}
	wide := Document{Wide: true, Blocks: []Piece{Paragraph{strings.Repeat("word ", 100)}}}
	if first, _, _ := strings.Cut(string(written(t, wide, PlainText)), "\n"); len(first) != 179 {
		t.Errorf("a line of wide paper has %d characters", len(first))
	}
	var narrow, narrowest bytes.Buffer
	if WriteText(&narrow, sample(), 20) != nil || WriteText(&narrowest, sample(), -5) != nil || !bytes.Equal(narrow.Bytes(), narrowest.Bytes()) {
		t.Error("a width below 20 is not taken as 20")
	}
}

// TestHTMLStandsAlone: one stylesheet, the one that the page's policy names by
// its digest; nothing refers outside. Source: from memory, Content Security
// Policy Level 3, 6.7.3.3 (the digest is of the element's text).
func TestHTMLStandsAlone(t *testing.T) {
	for _, digest := range []string{"9f2c41d0a8b7635e4c1d2f3a", "", "}</style><b>", "9f\"} *{", "9F2C"} {
		d := sample()
		d.Digest = digest
		d.Revision = "B/2 of \"" + digest
		page := string(written(t, d, HTML))
		styles := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindAllStringSubmatch(page, -1)
		if len(styles) != 1 {
			t.Fatalf("%d stylesheets", len(styles))
		}
		sum := sha256.Sum256([]byte(styles[0][1]))
		want := "style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
		if policy := policyOf(t, page); !strings.Contains(policy, want) || !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "script-src") {
			t.Errorf("digest %q: the policy %q lacks %q", digest, policy, want)
		}
		for _, word := range []string{"http:", "https:", "url(", "@import", "src=", "href=", "style=", "onload", "<script"} {
			if strings.Contains(page, word) {
				t.Errorf("the page has %q", word)
			}
		}
		for _, word := range []string{"@page", "counter(page)", "table-header-group", "@media print"} {
			if !strings.Contains(styles[0][1], word) {
				t.Errorf("the stylesheet lacks %q", word)
			}
		}
	}
}

func policyOf(t *testing.T, page string) (policy string) {
	t.Helper()
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	for n := range root.Descendants() {
		if n.Data != "meta" {
			continue
		}
		for _, a := range n.Attr {
			if a.Key == "content" && strings.Contains(a.Val, "default-src") {
				policy = a.Val
			}
		}
	}
	return policy
}

// TestLacking: the unseen decimals make no other number.
func TestLacking(t *testing.T) {
	for _, v := range []struct {
		number string
		part   int
		want   string
	}{{"7", 3, ".00"}, {"7.5", 3, "0"}, {"7.25", 3, ""}, {"7", 0, ""}, {"1e5", 6, ""}, {"-4", 1, "."}} {
		if got := lacking(v.number, v.part); got != v.want {
			t.Errorf("lacking(%q, %d) = %q, want %q", v.number, v.part, got, v.want)
		}
	}
}

func TestIsNumber(t *testing.T) {
	for _, s := range []string{"0", "-12.5", "+1", ".5", "5.", "1e5", "1.5E-03", "00017", "18446744073709551615"} {
		if !isNumber(s) {
			t.Errorf("%q is a number", s)
		}
	}
	for _, s := range []string{"", "-", ".", "e5", "1e", "1e+", "1.2.3", "--1", "0x10", "1,5", "1 2", "NaN", "Inf", "1_000", "١"} {
		if isNumber(s) {
			t.Errorf("%q is no number", s)
		}
	}
}

// TestPicture: the same shapes in SVG as were given, gaps where there is no
// number, and what is not finite left out.
func TestPicture(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	p := Picture{Title: "t", Width: 100, Height: 50, Shapes: []Shape{
		Polyline{Points: []Point{{0, 0}, {1, 1}, {nan, 2}, {3, 3}, {4, inf}, {5, 5}, {6, 6}, {7, 7}}, Pen: Pen{Width: nan, Shade: 7, Dash: []float64{nan}}},
		Polyline{Points: []Point{{0, 0}}},
		Line{X1: nan}, Rect{X: 1, Y: 1, Width: -1, Height: 1}, Label{X: inf, Text: "far"}, Line{X2: 1e9},
		Rect{Width: 10.004, Height: 1e-9, Pen: Pen{Width: 2, Shade: -1, Dash: []float64{0, 0}}},
		Label{X: 1, Y: 2, Text: "<b>", Size: -1, Anchor: 9},
		Rect{X: -0.001, Y: 3, Width: 1, Height: 1, Filled: true, Pen: Pen{Shade: 0.5}},
	}}
	var out strings.Builder
	if err := WriteSVG(&out, p); err != nil {
		t.Fatal(err)
	}
	want := `<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="100pt" height="50pt" viewBox="0 0 100 50" font-family="sans-serif">
<title>t</title>
<polyline points="0,0 1,1" fill="none" stroke="#ffffff" stroke-width="0.5" stroke-linejoin="round"/>
<polyline points="5,5 6,6 7,7" fill="none" stroke="#ffffff" stroke-width="0.5" stroke-linejoin="round"/>
<rect x="0" y="0" width="10" height="0" fill="none" stroke="#000000" stroke-width="2"/>
<text x="1" y="2" font-size="8" text-anchor="start">&lt;b&gt;</text>
<rect x="0" y="3" width="1" height="1" fill="#808080"/>
</svg>
`
	if out.String() != want {
		t.Errorf("%s\nwant\n%s", out.String(), want)
	}
}

// TestLabelsStayInside: text from outside does not run over what stands around
// a picture.
func TestLabelsStayInside(t *testing.T) {
	for _, s := range []string{long, strings.Repeat("\U0001f6b0", 90), strings.Repeat("W", 90), "short"} {
		p := canaryDocument(s).Blocks[7].(Picture)
		p.Shapes = append(p.Shapes, Label{X: 199, Y: 10, Text: s}, Label{X: 300, Y: 10, Text: s})
		d, err := clean(Document{Blocks: []Piece{p}})
		if err != nil {
			t.Fatal(err)
		}
		shapes := d.Blocks[0].(Picture).Shapes
		if len(shapes) != 4 {
			t.Errorf("%.20q: %d labels are left", s, len(shapes))
		}
		f := newFaces()
		for _, shape := range layout(d)[0].shapes {
			l, ok := shape.(Label)
			if !ok || l.Size != 8 {
				continue
			}
			w := f.of(l.Mono, l.Bold).measure(l.Size).of(l.Text)
			left := l.X
			switch l.Anchor {
			case AnchorMiddle:
				left -= w / 2
			case AnchorEnd:
				left -= w
			}
			if l.Upward {
				if w > 50 {
					t.Errorf("%.20q: %q is %.1f high", s, l.Text, w)
				}
			} else if left < marginLeft-0.1 || left+w > marginLeft+200.1 {
				t.Errorf("%.20q: %q runs from %.1f to %.1f", s, l.Text, left, left+w)
			}
			if s == "short" != (l.Text == s) {
				t.Errorf("%.20q is shown as %q", s, l.Text)
			}
		}
	}
}

// sheetsOf gives the XML of a workbook's worksheets by their parts' names.
func sheetsOf(t *testing.T, book []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	if err != nil {
		t.Fatal(err)
	}
	sheets := map[string]string{}
	for _, f := range z.File {
		if !strings.HasPrefix(f.Name, "xl/worksheets/sheet") {
			continue
		}
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		sheets[f.Name] = string(b)
	}
	return sheets
}

// sheetOf gives the XML of a workbook's n-th worksheet and the names of all
// parts.
func sheetOf(t *testing.T, book []byte, n int) (sheet string, names []string) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		names = append(names, f.Name)
	}
	return sheetsOf(t, book)[fmt.Sprintf("xl/worksheets/sheet%d.xml", n)], names
}
