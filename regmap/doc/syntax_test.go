package doc

import (
	"fmt"
	"strings"
	"testing"
)

// TestSyntaxPlaces: the place of each ordinary slip, where a person would
// point. The rules behind them are those of YAML 1.2.2: 6.1 (no tabs in the
// indent), 7.3 (quotes), 7.4 (brackets), 8.2 (blocks).
func TestSyntaxPlaces(t *testing.T) {
	const (
		open   = "is not closed, or lacks a comma"
		shut   = "has no place here"
		colon  = "a colon stands here where no key can be"
		tab    = "a tab stands in the indent"
		key    = "a key is wanted here"
		item   = "the next item of the list is wanted here"
		noKey  = "this is no key with a value"
		begins = "no value begins with"
	)
	for _, v := range []struct{ text, place, words string }{
		{"a: 1\nb: [1, 2\nc: 3\nd: 4\n", "2:4", "[ begins here " + open},
		{"a: {b: 1\nc: 2\n", "1:4", "{ begins here " + open},
		{"x: 1\ny: [a, b\n", "2:4", open},
		{"device: x\npoints: {level: {input-register: 0\n", "2:17", open},
		{"x: 1\npoints:\n  level: {coil: 0, type: bool\n  flow: {coil: 2}\n  more: {coil: 1}\n", "3:10", open},
		{"about: see [1\npoints: {a: 1\n", "2:9", open},
		{"about: |\n  it's {\n\n  so\npoints: [1\n", "5:9", open},
		{"a: >-\n it's {\nb: # [\n  {c: \"]\"\n", "4:3", open},
		{"x: 1\na: {b: 1 c: 2}\nb: 1\nc: 1", "2:4", open},
		{"x: 1\na: {b: 1, c: [1, 2}\nb: 1\n", "2:14", open},
		{"a:\n- b\n- c: [\n- d\n", "3:6", "[ begins here is not closed"},
		{"a: {b: 1}}\nc: 2\n", "1:10", "'}' " + shut},
		{"x: 1\na: [1, 2]]\nb: 1\n", "2:10", "']' " + shut},
		{"x: 1\n]", "2:1", "']' " + shut},
		{"x: 1\ny: 'a' b\nz: 1\n", "2:8", "'b' " + shut},
		{"x: 1\ny: \"ä\" \"b\"\nz: 1\n", "2:8", `'"' ` + shut},
		{"x: 1\ny: {a: 1} ü\nz: 1\n", "2:11", "'ü' " + shut},
		{"a: 'x\nb: 2\n", "1:4", "the quote ' that begins here is not closed"},
		{"x: 1\ny: it's\na: \"x\nb: 2\n", "3:4", `the quote " that begins here is not closed`},
		{"a: 'it''s\nb: 2", "1:4", "the quote ' that"},
		{"a: 'it''s'\nb: \"\\\"", "2:4", `the quote " that`},
		{"a: 'b\n--- 'x'\n", "1:4", "the quote ' that"},
		{"a:\n  b: 1\n\tc: 2\nd: 1\n", "3:1", tab},
		{"a:\n\tb: 1\n", "2:1", tab},
		{"a: b: c\nd: 1\n", "1:5", colon},
		{"x: 1\nä: b: c\nd: 1\n", "2:5", colon},
		{"a:\n  b: 1\n   c: 2\nd: 1\n", "3:5", colon},
		{"x: 1\r\na: b: c\r\n", "2:5", colon},
		{"x: 1\ra: b: c\r", "2:5", colon},
		{"a:\n  b: 1\n c: 2\nd: 1\n", "3:2", key},
		{"# words\n\na:\n  b:\n    c: 1\n   d: 2\n", "6:4", key},
		{"x: 1\n- a\nb: 2\n", "2:1", key},
		{"- a\nb: 2\nc: 2\n", "2:1", item},
		{"x: 1\ny:\n  - a: 1\n    b: 2\n   c: 3\nz: 1\n", "5:4", item},
		{"x: 1\nsome words\nmore: 1\n", "2:1", noKey},
		{"x: 1\nmore: 1\nsome words", "3:1", noKey},
		{"x: 1\r\ny:z\r\nw: 1\r\n", "2:1", noKey},
		{"x: 1\na: %\n", "2:4", begins + " '%'"},
		{"x: 1\nunits: @foo\nz: 1\n", "2:8", begins + " '@'"},
		{"x: 1\ny: `a\n", "2:4", begins + " '`'"},
		{"x: 1\ny: - a\nz: 1\n", "2:4", "a list with dashes cannot begin here"},
		{"a: 1\nb: \"x\\q\"\nc: 1\n", "2:6", "this escape is not known"},
		{"x: 1\na: *none\nb: 2\n", "2:4", "anchors and aliases are not read"},
		{strings.Repeat("[", 100_000), "1:10001", "nested more than 32 deep"},
		{strings.Repeat("[", 300_000), "1:1", "nested more than 32 deep"},
		{"}", "1:1", "this is not YAML"},
		{"a: |x\n b\n", "1:5", "this is not YAML"},
		{"a: 1\n---\n[", "3:1", "[ begins here is not closed"},
		{"a: 1\n---\nb: 2\n", "2:1", "a second document begins here"},
		{"a: 1\n...\n--- 3\n", "3:1", "a second document begins here"},
	} {
		var rep Report
		Parse("f", []byte(v.text), &rep)
		fs := rep.Faults()
		if len(fs) != 1 {
			t.Errorf("%.40q: %v", v.text, rep.Err())
			continue
		}
		if got := fmt.Sprintf("%d:%d", fs[0].Pos.Line, fs[0].Pos.Column); got != v.place || !strings.Contains(fs[0].Message, v.words) {
			t.Errorf("%.40q:\ngot  %s %s\nwant %s %s", v.text, got, fs[0].Message, v.place, v.words)
		}
	}
}

// TestSyntaxOfLargeFiles: no search by repeated parsing in a large file; the
// library's line serves, which is at most one off.
func TestSyntaxOfLargeFiles(t *testing.T) {
	filler := strings.Repeat("# a line of words that says nothing\n", longestSearch/30)
	lines := strings.Count(filler, "\n")
	for text, want := range map[string]int{"a: b: c\n": 1, "a: [1, 2\n": 1, "b: 1\na: 'x\n": 2} {
		var rep Report
		Parse("f", []byte(filler+text), &rep)
		if got := rep.Faults()[0].Pos.Line - lines; got != want {
			t.Errorf("%q behind %d lines of words: line %d, want %d", text, lines, got, want)
		}
	}
}

// TestLibraryPanics: what the library cannot take apart becomes a fault.
func TestLibraryPanics(t *testing.T) {
	if _, err := decode(panicReader{}); err != errNotTaken {
		t.Errorf("got %v", err)
	}
}

type panicReader struct{}

func (panicReader) Read([]byte) (int, error) { panic("index out of range [-1]") }
