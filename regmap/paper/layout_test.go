package paper

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

func pagesOf(t *testing.T, d Document) []*page {
	t.Helper()
	c, err := clean(d)
	if err != nil {
		t.Fatal(err)
	}
	return layout(c)
}

func labels(p *page) []string {
	var out []string
	for _, s := range p.shapes {
		if l, ok := s.(Label); ok {
			out = append(out, l.Text)
		}
	}
	return out
}

func table(columns, rows int, text func(i, j int) string) Table {
	t := Table{}
	for j := range columns {
		t.Columns = append(t.Columns, Column{Head: fmt.Sprintf("head-%d", j)})
	}
	for i := range rows {
		var row []Entry
		for j := range columns {
			row = append(row, Entry{Text: text(i, j)})
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// TestInsideThePage: whatever is drawn lies on the paper, and text between
// the margins from top to bottom.
func TestInsideThePage(t *testing.T) {
	documents := map[string]Document{"sample": sample()}
	for _, s := range canaries {
		documents[s] = canaryDocument(s)
	}
	wide := sample()
	wide.Wide = true
	documents["wide"] = wide
	for name, d := range documents {
		width, height := paperShort, paperLong
		if d.Wide {
			width, height = height, width
		}
		f := newFaces()
		for i, p := range pagesOf(t, d) {
			for _, s := range p.shapes {
				switch s := s.(type) {
				case Label:
					w := f.of(s.Mono, s.Bold).measure(s.Size).of(s.Text)
					if s.Anchor == AnchorStart && !s.Upward && name == "sample" && (s.X < marginLeft-1 || s.X+w > width-marginRight+1) {
						t.Errorf("%.40q page %d: %q runs from %.1f to %.1f", name, i+1, s.Text, s.X, s.X+w)
					}
					if s.Y < 20 || s.Y > height-footLine+1 {
						t.Errorf("%.40q page %d: %q stands at %.1f", name, i+1, s.Text, s.Y)
					}
				case Line:
					if s.Y1 < marginTop-1 || s.Y1 > height-marginBottom+5 {
						t.Errorf("%.40q page %d: a line at %.1f", name, i+1, s.Y1)
					}
				}
			}
		}
	}
}

// TestHeaderOnEachPage: the header stands on each page of a table, each row
// once, and each page's part has its two rules.
func TestHeaderOnEachPage(t *testing.T) {
	pages := pagesOf(t, Document{Title: "T", Blocks: []Piece{table(3, 200, func(i, j int) string { return fmt.Sprintf("cell-%d-%d", i, j) })}})
	if len(pages) < 3 {
		t.Fatalf("%d pages", len(pages))
	}
	seen := map[string]int{}
	for i, p := range pages {
		heads, rules := 0, 0
		for _, s := range labels(p) {
			seen[s]++
			if s == "head-1" {
				heads++
			}
		}
		for _, s := range p.shapes {
			if l, ok := s.(Line); ok && l.Pen.Width == ruleWidth {
				rules++
			}
		}
		if heads != 1 || rules != 2 {
			t.Errorf("page %d: %d headers, %d rules", i+1, heads, rules)
		}
		if text := fmt.Sprintf("page %d of %d", i+1, len(pages)); labels(p)[len(labels(p))-1] != text && labels(p)[len(labels(p))-2] != text {
			t.Errorf("page %d does not say %q", i+1, text)
		}
	}
	for i := range 200 {
		for j := range 3 {
			if n := seen[fmt.Sprintf("cell-%d-%d", i, j)]; n != 1 {
				t.Errorf("cell %d of row %d stands %d times", j, i, n)
			}
		}
	}
}

// TestRowsStayWhole: a row that fits on a page is not parted; one that does
// not goes on, and nothing of it is lost.
func TestRowsStayWhole(t *testing.T) {
	words := func(n int, tag string) string {
		var out []string
		for i := range n {
			out = append(out, fmt.Sprintf("%s%d", tag, i))
		}
		return strings.Join(out, " ")
	}
	narrow := table(24, 60, func(i, j int) string {
		if j == 3 {
			return "begin " + words(10+i%40, "w") + " end"
		}
		return "x"
	})
	for i := range narrow.Columns {
		narrow.Columns[i].Head = "h"
	}
	rows := 0
	for _, p := range pagesOf(t, Document{Blocks: []Piece{narrow}}) {
		all := strings.Join(labels(p), " ")
		first, last := strings.Count(all, "begin"), strings.Count(all, "end")
		if rows += first; first != last {
			t.Errorf("a row is parted: %d begin, %d end", first, last)
		}
	}
	if rows != 60 {
		t.Errorf("%d of 60 rows are shown", rows)
	}
	tall := table(60, 2, func(i, j int) string { return words(60, "v") }) // 256 characters one below the other
	all := ""
	for _, p := range pagesOf(t, Document{Blocks: []Piece{tall}}) {
		all += strings.Join(labels(p), "")
		for _, s := range p.shapes {
			if l, ok := s.(Label); ok && l.Size == tableType.size && l.Y > paperLong-marginBottom {
				t.Errorf("%q stands at %.1f, below the margin", l.Text, l.Y)
			}
		}
	}
	if n, want := strings.Count(all, "v"), 2*60*strings.Count(Text(words(60, "v")), "v"); n != want {
		t.Errorf("%d words of a row taller than the page are shown, want %d", n, want)
	}
}

// TestTallHeader: a header that would fill the page is cut, and rows go on.
func TestTallHeader(t *testing.T) {
	wide := table(40, 3, func(i, j int) string { return "x" })
	for j := range wide.Columns {
		wide.Columns[j].Head = strings.Repeat("h", 250)
	}
	pages := pagesOf(t, Document{Blocks: []Piece{wide}})
	if len(pages) > 2 {
		t.Errorf("%d pages", len(pages))
	}
	n := 0
	for _, p := range pages {
		n += strings.Count(strings.Join(labels(p), ""), "x")
	}
	if n != 120 {
		t.Errorf("%d of 120 entries are shown", n)
	}
}

// TestCautionOverPages: each page's part of a long caution has its bar.
func TestCautionOverPages(t *testing.T) {
	pages := pagesOf(t, Document{Title: "T", Caution: strings.Repeat("keep clear of the pumps\n", 120)})
	if len(pages) != 3 {
		t.Fatalf("%d pages", len(pages))
	}
	for i, p := range pages {
		bars := 0
		for _, s := range p.shapes {
			if r, ok := s.(Rect); ok {
				bars++
				if r.Y < marginTop-1 || r.Y+r.Height > paperLong-marginBottom+1 || r.Height < 20 {
					t.Errorf("page %d: the bar runs from %.1f over %.1f", i+1, r.Y, r.Height)
				}
			}
		}
		if bars != 1 {
			t.Errorf("page %d has %d bars", i+1, bars)
		}
	}
}

// TestPointColumn: the points of a column stand below each other.
func TestPointColumn(t *testing.T) {
	d := Table{Columns: []Column{{Head: "n"}, {Head: "value", Align: AlignPoint}}}
	for _, s := range []string{"1.5", "-1234.5678", "7", "0.25"} {
		d.Rows = append(d.Rows, []Entry{{Text: "n"}, {Text: s, Number: true}})
	}
	f := newFaces()[regular].measure(tableType.size)
	var at []float64
	for _, s := range pagesOf(t, Document{Blocks: []Piece{d}})[0].shapes {
		if l, ok := s.(Label); ok && isNumber(l.Text) {
			whole, _ := split(l.Text)
			at = append(at, l.X+f.of(whole))
		}
	}
	if len(at) != 4 {
		t.Fatalf("%d numbers", len(at))
	}
	for _, x := range at {
		if math.Abs(x-at[0]) > 0.01 {
			t.Errorf("the points stand at %v", at)
		}
	}
	var out strings.Builder
	if err := WriteText(&out, Document{Blocks: []Piece{d}}, 40); err != nil {
		t.Fatal(err)
	}
	column := -1
	for line := range strings.SplitSeq(out.String(), "\n") {
		if i := strings.Index(line, "."); i >= 0 {
			if column >= 0 && i != column {
				t.Errorf("the points stand apart:\n%s", out.String())
			}
			column = i
		}
	}
}

// TestWidths: columns fill what there is, never more.
func TestWidths(t *testing.T) {
	for _, v := range []struct {
		needs []need
		room  float64
		want  []float64
	}{
		{[]need{{10, 5, 0}, {20, 5, 0}}, 100, []float64{10, 20}},
		{[]need{{10, 5, 0}, {20, 5, 1}}, 100, []float64{10, 90}},
		{[]need{{10, 5, 1}, {20, 5, 3}}, 100, []float64{25, 75}},
		{[]need{{10, 5, 0}, {200, 5, 0}}, 100, []float64{10, 90}},
		{[]need{{100, 5, 0}, {200, 5, 0}}, 100, []float64{50, 50}},
		{[]need{{100, 80, 0}, {200, 5, 0}}, 100, []float64{80, 20}},
		{[]need{{100, 80, 0}, {200, 80, 0}}, 80, []float64{40, 40}},
		{[]need{{50, 50, 1}, {60, 10, 9}}, 100, []float64{50, 50}},
		{[]need{{90, 10, 0}, {60, 30, 1}}, 100, []float64{70, 30}},
	} {
		got := widths(v.needs, v.room)
		for i := range got {
			if math.Abs(got[i]-v.want[i]) > 0.001 {
				t.Errorf("widths(%v, %v) = %v, want %v", v.needs, v.room, got, v.want)
				break
			}
		}
	}
}

// TestPagePieces: page breaks, pictures too great for the page, their numbers
// beside or below, signatures of long names.
func TestPagePieces(t *testing.T) {
	at := func(b ...Piece) int { return len(pagesOf(t, Document{Title: "T", Blocks: b})) }
	if n := at(Paragraph{"a"}, PageBreak{}, PageBreak{}, Paragraph{"b"}); n != 2 {
		t.Errorf("two breaks make %d pages", n)
	}
	if n := at(Paragraph{"a"}, PageBreak{}); n != 1 {
		t.Errorf("a break at the end makes %d pages", n)
	}
	big := Picture{Title: "big", Width: 5000, Height: 9000, Shapes: []Shape{Rect{Width: 5000, Height: 9000}}, Facts: []Fact{{Name: "n", Value: "v"}}}
	pages := pagesOf(t, Document{Title: "T", Blocks: []Piece{big}})
	if len(pages) != 2 {
		t.Fatalf("%d pages", len(pages))
	}
	if r := pages[1].shapes[0].(Rect); r.Y+r.Height > paperLong-marginBottom || r.Height < 600 {
		t.Errorf("the great picture is drawn from %.1f over %.1f", r.Y, r.Height)
	}
	long := Signatures{[]Signature{{Name: long, For: long, Date: "x"}}}
	if got := strings.Join(labels(pagesOf(t, Document{Blocks: []Piece{long}})[0]), "|"); !strings.Contains(got, "...") || !strings.Contains(got, "Signature") {
		t.Errorf("signatures: %s", got)
	}
	if n := at(Heading{1, "a"}, Facts{}, Verbatim{strings.Repeat("f ", 4000)}, Heading{3, "b"}); n < 2 {
		t.Errorf("%d pages", n)
	}
	var many []Signature
	for range 40 {
		many = append(many, Signature{})
	}
	if n := at(Signatures{many}); n < 3 {
		t.Errorf("forty signatures on %d pages", n)
	}
}

// TestWrap: at blanks, inside words that are too wide, and never without end.
func TestWrap(t *testing.T) {
	for _, v := range []struct {
		give  string
		width float64
		want  string
	}{
		{"", 5, ""}, {"  ", 5, ""}, {"one two", 7, "one two"}, {"one two", 6, "one|two"}, {"a  b", 9, "a b"},
		{"abcdefgh ij", 3, "abc|def|gh|ij"}, {"ab cdefgh", 3, "ab|cde|fgh"}, {"abc", 0, "a|b|c"}, {"abc", -1, "a|b|c"},
		{"e\u0301 x", 1, "e\u0301|x"}, {"\u0301 x", 3, "\u0301 x"}, {"\u6c34\u6c34", 3, "\u6c34|\u6c34"}, {"\u6c34", 1, "\u6c34"},
	} {
		if got := strings.Join(wrap(v.give, v.width, columnsOf), "|"); got != v.want {
			t.Errorf("wrap(%q, %v) = %q, want %q", v.give, v.width, got, v.want)
		}
	}
	if got := strings.Join(chop("a  bc ", 2, columnsOf), "|"); got != "a | b|c " {
		t.Errorf("chop = %q", got)
	}
}
