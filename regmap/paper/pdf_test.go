package paper

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"golang.org/x/image/font/sfnt"
)

// A pdfSeen is what a small reader finds in a file. Source: from memory,
// ISO 32000-1: 7.3.4.2 (strings), 7.3.8 (streams), 7.5.4 (cross-reference
// table), 9.4.3 (text-showing operators).
type pdfSeen struct {
	pages int
	texts []string // shown on the pages, in their order
	plain string   // everything outside of streams
}

var (
	pdfStream = regexp.MustCompile(`(?s)<<([^\n]*?)>>\nstream\n`)
	pdfLength = regexp.MustCompile(`/Length (\d+)`)
	pdfEntry  = regexp.MustCompile(`(?m)^(\d{10}) 00000 n `)
)

func readPDF(t *testing.T, file []byte) pdfSeen {
	t.Helper()
	if !bytes.HasPrefix(file, []byte("%PDF-1.")) || !bytes.HasSuffix(file, []byte("%%EOF\n")) {
		t.Fatal("this is no PDF")
	}
	var seen pdfSeen
	xref := bytes.LastIndex(file, []byte("\nxref\n"))
	for i, m := range pdfEntry.FindAllSubmatch(file[xref:], -1) {
		at, err := strconv.Atoi(string(m[1]))
		if want := fmt.Sprintf("%d 0 obj", i+1); err != nil || !bytes.HasPrefix(file[at:], []byte(want)) {
			t.Fatalf("object %d is not where the table says, %d", i+1, at)
		}
	}
	rest := file
	for {
		m := pdfStream.FindSubmatchIndex(rest)
		if m == nil {
			break
		}
		seen.plain += string(rest[:m[1]])
		length := pdfLength.FindSubmatch(rest[m[2]:m[3]])
		if length == nil {
			t.Fatalf("a stream without a length: %s", rest[m[2]:m[3]])
		}
		n, _ := strconv.Atoi(string(length[1]))
		data := rest[m[1] : m[1]+n]
		rest = rest[m[1]+n:]
		if bytes.Contains(rest[:20], []byte("endstream")) && bytes.Contains(seenDict(seen.plain), []byte("FlateDecode")) {
			r, err := zlib.NewReader(bytes.NewReader(data))
			if err != nil {
				t.Fatal(err)
			}
			if data, err = io.ReadAll(r); err != nil {
				t.Fatal(err)
			}
		}
		if bytes.Contains(data, []byte(" Tj ET")) {
			seen.texts = append(seen.texts, shownTexts(t, data)...)
		}
	}
	seen.plain += string(rest)
	seen.pages = strings.Count(seen.plain, "/Type /Page\n")
	return seen
}

// seenDict is the dictionary that was read last.
func seenDict(plain string) []byte { return []byte(plain[strings.LastIndex(plain, " obj"):]) }

// shownTexts are the strings of a page's content, two bytes a character.
func shownTexts(t *testing.T, content []byte) []string {
	t.Helper()
	var out []string
	for rest := content; ; {
		i := bytes.Index(rest, []byte(" Td ("))
		if i < 0 {
			return out
		}
		rest = rest[i+5:]
		var raw []byte
		for rest[0] != ')' {
			if rest[0] == '\\' {
				rest = rest[1:]
				if rest[0] == 'r' {
					rest[0] = '\r'
				}
			}
			raw = append(raw, rest[0])
			rest = rest[1:]
		}
		if len(raw)%2 != 0 {
			t.Fatalf("half a character in %x", raw)
		}
		var units []uint16
		for k := 0; k < len(raw); k += 2 {
			units = append(units, uint16(raw[k])<<8|uint16(raw[k+1]))
		}
		out = append(out, string(utf16.Decode(units)))
	}
}

// TestPDF: what the file shows is what was laid out, page by page.
func TestPDF(t *testing.T) {
	d := sample()
	seen := readPDF(t, written(t, d, PDF))
	if seen.pages != 3 {
		t.Errorf("%d pages", seen.pages)
	}
	clean, err := clean(d)
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, page := range layout(clean) {
		for _, s := range page.shapes {
			if l, ok := s.(Label); ok {
				want = append(want, l.Text)
			}
		}
	}
	if fmt.Sprint(seen.texts) != fmt.Sprint(want) {
		t.Errorf("shown\n%q\nwant\n%q", seen.texts, want)
	}
	all := strings.Join(seen.texts, "\n")
	for _, text := range []string{"page 1 of 3", "page 3 of 3", "revision B, 9f2c41d0a8b7635e", "Caution", "2026-03-14T09:30:00Z", "m³/h"} {
		if !strings.Contains(all, text) {
			t.Errorf("%q is not shown", text)
		}
	}
	for _, text := range []string{"/CreationDate (D:20260314093000)", "/ModDate (D:20260314093000)", "/Lang (en)", "/Count 3", "/FontFile2"} {
		if !strings.Contains(seen.plain, text) {
			t.Errorf("the file has no %s", text)
		}
	}
	wide := d
	wide.Wide = true
	wide.Date = time.Time{}
	if out := string(written(t, wide, PDF)); !strings.Contains(out, "/MediaBox [0 0 841.89 595.28]") || !strings.Contains(out, "(D:20000101000000)") {
		t.Error("landscape, or the date that stands for none, is missing")
	}
}

// everyCanary is a document with the blocks of all canaries, some in its head.
func everyCanary(as func(string) string) Document {
	d := canaryDocument(as(canaries[0] + canaries[6] + canaries[13]))
	d.Blocks = nil
	for _, s := range canaries {
		d.Blocks = append(d.Blocks, canaryDocument(as(s)).Blocks...)
	}
	return d
}

func same(s string) string { return s }

// TestCanaryPDF: no canary becomes an action, a control character or a glyph
// that the font lacks.
func TestCanaryPDF(t *testing.T) {
	glyphs := glyphTest(t)
	for _, s := range canaries {
		for _, page := range pagesOf(t, canaryDocument(s)) {
			for _, shape := range page.shapes {
				l, ok := shape.(Label)
				if !ok {
					continue
				}
				checkPlain(t, fmt.Sprintf("pages of %q", s), l.Text, "")
				for _, r := range l.Text {
					if !glyphs(l, r) {
						t.Errorf("%q: %U has no glyph in its face (mono %v, bold %v)", s, r, l.Mono, l.Bold)
					}
				}
			}
		}
	}
	d := everyCanary(same)
	seen := readPDF(t, written(t, d, PDF))
	for _, text := range seen.texts {
		checkPlain(t, "PDF", text, "")
	}
	for _, word := range []string{"/JavaScript", "/JS", "/URI", "/Launch", "/OpenAction", "/AA", "/Annots"} {
		if strings.Contains(seen.plain, word) {
			t.Errorf("the file has %s", word)
		}
	}
	if n := len(pagesOf(t, d)); seen.pages != n {
		t.Errorf("%d pages were laid out, %d are there", n, seen.pages)
	}
	all := strings.Join(readPDF(t, written(t, canaryDocument("\u2713 \U0001f6b0\x1b"), PDF)).texts, "\n")
	if n := strings.Count(all, `\u2713 \U0001f6b0\x1b`); n < 20 {
		t.Errorf("what the font lacks is shown as an escape %d times:\n%s", n, all)
	}
}

// glyphTest asks the fonts themselves, not our own table.
func glyphTest(t *testing.T) func(Label, rune) bool {
	t.Helper()
	var fonts []*sfnt.Font
	for _, data := range fontBytes() {
		f, err := sfnt.Parse(data)
		if err != nil {
			t.Fatal(err)
		}
		fonts = append(fonts, f)
	}
	return func(l Label, r rune) bool {
		f := fonts[regular]
		switch {
		case l.Mono && l.Bold:
			f = fonts[monoBold]
		case l.Mono:
			f = fonts[mono]
		case l.Bold:
			f = fonts[bold]
		}
		i, err := f.GlyphIndex(nil, r)
		return err == nil && i != 0
	}
}

// TestAlphabet: everything that reports are written with has a glyph in every
// face, so that it is never shown as an escape.
func TestAlphabet(t *testing.T) {
	for i, f := range newFaces() {
		for r := rune(' '); r <= '~'; r++ {
			if _, ok := f.look(r); !ok {
				t.Errorf("face %d lacks %q", i, r)
			}
		}
		for _, r := range alphabet {
			if _, ok := f.look(r); !ok {
				t.Errorf("face %d lacks %q", i, r)
			}
		}
		if got := f.fit("a\u2713b"); got != `a\u2713b` {
			t.Errorf("face %d: fit = %q", i, got)
		}
	}
}

// TestPDFWidths: text is as wide as the drawing library takes it to be, so
// that what stands right or on a point stands there.
func TestPDFWidths(t *testing.T) {
	f := newFaces()
	for i, want := range map[int]float64{regular: 5.562, mono: 6.001} { // a digit of ten points, from memory of the typeface
		if got := f[i].measure(10).of("0"); got < want-0.01 || got > want+0.01 {
			t.Errorf("a digit of face %d is %v points wide, want %v", i, got, want)
		}
	}
}
