package paper

import (
	"encoding/csv"
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"golang.org/x/net/html"
)

// canaries are texts as a hostile or careless device, map or file could hold
// them. Each goes through every text field and every back end.
var canaries = []string{
	"\x1b[2J\x1b]0;title\a\x08\x7f", "\u009b31m\x9b31m", "abc\u202ecba\u2066\u200b\ufeff\u00ad", "\xff\xfe\x00end", "one\ntwo\r\nthree", "a\u2028b\u2029c",
	"<script>alert(1)</script>", `"><img src=x onerror=alert(1)>`, "</title></style></svg></pre><b>", "javascript:alert(1)", "' onmouseover='x", "<!-- c -->", "]]>", "&lt;&amp;&#60;", "{{.Title}}{nb}",
	"=cmd|' /C calc'!A0", "+1+1", "-1-1", "@SUM(A1)", "\t=1", "\r=1", "\uff1d1+1", "'=1",
	"a|b", "`code`", "``", "[x](javascript:alert(1))", "![i](http://192.0.2.1/x.png)", "# head #", "- item", "+ item", "1. one", "2) two", "***", "---", "===", "> quote", "$x$", "~~x~~", "_x_", "__x__", ":smile:", "www.example.com", "http://example.com", "a@example.com", `back\slash\`, "    four blanks", "```\nfence\n```",
	strings.Repeat("x", 300), long, strings.Repeat("\u00e4", 300), "\U0001f6b0\U0001f469\u200d\U0001f527", "e\u0301\u0323", "\u2713 \u2007 \u6c34",
	"_x0041_", "&P&N&&", "History", "a:b\\c/d?e*f[g]h", "",
}

// canaryDocument holds s in every text field that there is.
func canaryDocument(s string) Document {
	return Document{
		Title: s, Subtitle: s, Revision: s, Digest: s, Caution: s,
		Blocks: []Piece{
			Heading{1, s}, Heading{2, s}, Heading{3, s}, Paragraph{s},
			Table{Title: s, Columns: []Column{{Head: s}, {Head: s, Align: AlignMiddle}, {Head: s, Align: AlignRight}, {Head: s, Align: AlignPoint}, {Head: s, Weight: 1}}, Rows: [][]Entry{
				{{Text: s}, {Text: s, Mono: true}, {Text: s, Bold: true}, {Text: s, Number: true}, {Text: s, Mono: true, Bold: true}},
				{{Text: "plain"}, {Text: "plain"}, {Text: "-12.5", Number: true}, {Text: "7", Number: true}, {Text: "plain"}},
			}},
			Facts{[]Fact{{Name: s, Value: s}, {Name: s, Value: s, Mono: true}}},
			Verbatim{s},
			Picture{Title: s, Width: 200, Height: 50, Facts: []Fact{{Name: s, Value: s}}, Shapes: []Shape{
				Label{X: 5, Y: 20, Text: s}, Label{X: 9, Y: 40, Text: s, Upward: true, Bold: true}, Label{X: 50, Y: 20, Text: s, Mono: true, Anchor: AnchorMiddle},
				Label{X: 195, Y: 40, Text: s, Anchor: AnchorEnd},
			}},
			Signatures{[]Signature{{Name: s, For: s, Date: s}}},
			PageBreak{},
			Table{Title: s, Columns: []Column{{Head: s}}, Rows: [][]Entry{{{Text: s}}}},
		},
	}
}

// twin is as harmless as can be and has s's line feeds, where those are kept.
func twin(s string) string {
	if s == "" {
		return ""
	}
	return strings.Repeat("x\n", strings.Count(s, "\n")) + "x"
}

// checkPlain fails for any character that steers or hides; extra are those
// that the format itself is made of.
func checkPlain(t *testing.T, where, text, extra string) {
	t.Helper()
	if !utf8.ValidString(text) {
		t.Errorf("%s is no UTF-8", where)
	}
	for i, r := range text {
		if hidden(r) && !strings.ContainsRune(extra, r) {
			t.Errorf("%s holds %U at %d: %q", where, r, i, text[max(0, i-20):min(len(text), i+20)])
			return
		}
	}
}

// TestCanaryText. Source of the demand: robustness rows G1, G5.
func TestCanaryText(t *testing.T) {
	for _, s := range canaries {
		for _, f := range []Format{PlainText, Markdown, HTML} {
			checkPlain(t, fmt.Sprintf("%s of %q", f, s), string(written(t, canaryDocument(s), f)), "\n")
		}
		var b strings.Builder
		if err := WriteSVG(&b, canaryDocument(s).Blocks[7].(Picture)); err != nil {
			t.Fatal(err)
		}
		checkPlain(t, fmt.Sprintf("SVG of %q", s), b.String(), "\n")
	}
	out := string(written(t, canaryDocument("\x1b[2J"), PlainText))
	if n := strings.Count(out, `\x1b[2J`); n < 25 {
		t.Errorf("the escape is shown %d times:\n%s", n, out)
	}
}

// shape counts the elements and attributes of a parsed page.
func shape(t *testing.T, page string) map[string]int {
	t.Helper()
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		switch n.Type {
		case html.ElementNode:
			counts[n.Data]++
			for _, a := range n.Attr {
				counts[n.Data+" "+a.Key]++
			}
		case html.CommentNode:
			counts["a comment"]++
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(root)
	return counts
}

// TestCanaryHTML. Source of the demand: robustness row G2.
func TestCanaryHTML(t *testing.T) {
	for _, s := range canaries {
		page := string(written(t, canaryDocument(s), HTML))
		got, want := shape(t, page), shape(t, string(written(t, canaryDocument(twin(s)), HTML)))
		for key := range want {
			if got[key] != want[key] {
				t.Errorf("%q: %d of %q, its twin has %d", s, got[key], key, want[key])
			}
		}
		for key := range got {
			if want[key] == 0 {
				t.Errorf("%q: %q, which its twin has not", s, key)
			}
		}
		if got["script"]+got["a"]+got["img"]+got["link"]+got["iframe"]+got["a comment"] != 0 {
			t.Errorf("%q: the page refers to something outside or runs something", s)
		}
	}
}

// TestHTMLShowsText: what is parsed back is the text itself, made fit to show.
func TestHTMLShowsText(t *testing.T) {
	for _, s := range canaries {
		root, err := html.Parse(strings.NewReader(string(written(t, canaryDocument(s), HTML))))
		if err != nil {
			t.Fatal(err)
		}
		seen := map[string]int{}
		var walk func(*html.Node)
		walk = func(n *html.Node) {
			if n.Type == html.TextNode {
				seen[n.Data]++
			}
			for c := n.FirstChild; c != nil; c = c.NextSibling {
				walk(c)
			}
		}
		walk(root)
		if want := Text(s); want != "" && seen[want] < 25 {
			t.Errorf("%q: %q stands %d times", s, want, seen[want])
		}
	}
}

// live counts the characters of Markdown that act as markup: those neither
// escaped nor inside code. Lines inside fences do not count.
func live(t *testing.T, md string) (lines int, counts map[rune]int) {
	t.Helper()
	counts = map[rune]int{}
	fence := ""
	for line := range strings.SplitSeq(md, "\n") {
		if fence != "" {
			if line == fence {
				fence = ""
			}
			continue
		}
		lines++
		if strings.HasPrefix(line, "```") {
			fence = line
			continue
		}
		escaped, code := false, false
		for i, r := range line {
			switch {
			case escaped:
				escaped = false
			case code:
				if r == '\\' || r == '|' {
					t.Errorf("%q inside code", r)
				}
				code = r != '`'
			case r == '\\':
				escaped = true
				if i == len(line)-1 {
					counts['\\']++ // a hard line break
				}
			case r == '`':
				code = true
			case strings.ContainsRune("|*_[]<>&~$!@{}#", r), r == '-' && strings.Trim(line[:i], "- |:") == "", strings.ContainsRune("+=", r) && i == 0:
				counts[r]++
			case r == '.' && (strings.HasSuffix(strings.ToLower(line[:i]), "www") || i > 0 && digits(line[:i])), r == ':' && strings.HasPrefix(line[i:], "://"):
				counts[r]++
			}
		}
		if code {
			t.Errorf("code that does not end: %q", line)
		}
	}
	if fence != "" {
		t.Errorf("a fence that does not end: %q", fence)
	}
	return lines, counts
}

// TestCanaryMarkdown: a canary makes no more markup than its harmless twin.
// Source of the demand: robustness row G2; the characters from memory,
// CommonMark 0.31 and the table extension.
func TestCanaryMarkdown(t *testing.T) {
	for _, s := range canaries {
		if s == "" {
			continue
		}
		// The rules of dashes grow with their column: not counted.
		gotLines, got := live(t, string(written(t, canaryDocument(s), Markdown)))
		wantLines, want := live(t, string(written(t, canaryDocument(twin(strings.TrimSuffix(s, "\n"))), Markdown)))
		delete(got, '-')
		delete(want, '-')
		if fmt.Sprint(got) != fmt.Sprint(want) || gotLines != wantLines {
			t.Errorf("%q: %d lines, %v; its twin %d lines, %v", s, gotLines, got, wantLines, want)
		}
	}
	for give, want := range map[string]string{
		"a|b": `a\|b`, "`x`": "\\`x\\`", "[x](y)": `\[x\](y)`, "<b>": `\<b\>`, "*x*": `\*x\*`, "_x_": `\_x\_`, "# x": `\# x`, "- x": `\- x`, "1. x": `1\. x`, "12) x": `12\) x`,
		"2.50": "2.50", "a - b": "a - b", "x 1. y": "x 1. y", "see http://a": `see http\://a`, "www.a": `www\.a`, "12:03:07": "12:03:07", `\`: `\\`, "+x": `\+x`, "=": `\=`,
	} {
		if got := escaped(give); got != want {
			t.Errorf("escaped(%q) = %q, want %q", give, got, want)
		}
	}
}

// TestCanaryCSV. Source of the demand: robustness row G3.
func TestCanaryCSV(t *testing.T) {
	for _, s := range canaries {
		out := string(written(t, canaryDocument(s), CSV))
		checkPlain(t, fmt.Sprintf("CSV of %q", s), out, "\r\n")
		if strings.Count(out, "\r") != strings.Count(out, "\r\n") || strings.Count(out, "\n") != strings.Count(out, "\r\n") {
			t.Errorf("%q: line ends are not those of RFC 4180, 2.1", s)
		}
		r := csv.NewReader(strings.NewReader(out))
		r.FieldsPerRecord = -1
		records, err := r.ReadAll()
		if err != nil {
			t.Errorf("%q: %v", s, err)
			continue
		}
		if s != "" && len(records) != 7 {
			t.Errorf("%q: %d records, want 7: %q", s, len(records), records)
		}
		for _, record := range records {
			for _, field := range record {
				if formula(field) && !isNumber(field) {
					t.Errorf("%q: the field %q is a formula", s, field)
				}
			}
		}
	}
}

// TestCell: the guard and its inverse.
func TestCell(t *testing.T) {
	for _, s := range canaries {
		if got := Uncell(Cell(s)); got != Text(Text(s)) && s != "'=1" {
			t.Errorf("Uncell(Cell(%q)) = %q", s, got)
		}
	}
	for give, want := range map[string]string{"=1": "'=1", "+1": "'+1", "-": "'-", "@a": "'@a", "\uff1d1": "'\uff1d1", "a=1": "a=1", "'=1": "'=1", "'x": "'x", "": ""} {
		if got := Cell(give); got != want {
			t.Errorf("Cell(%q) = %q, want %q", give, got, want)
		}
	}
	for give, want := range map[string]string{"'=1": "=1", "'x": "'x", "'": "'", "": "", "x": "x"} {
		if got := Uncell(give); got != want {
			t.Errorf("Uncell(%q) = %q, want %q", give, got, want)
		}
	}
}
