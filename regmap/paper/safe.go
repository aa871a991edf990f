// Package paper is what the program hands to people: text from outside made
// fit to show, one document model with its back ends (plain text, Markdown,
// CSV, HTML, PDF, XLSX, pictures as SVG), and the cells of the lists that
// people hand in (CSV, XLSX).
//
// Names from devices, maps and captures never become an instruction to a
// terminal, a browser or a spreadsheet: every printer of the program passes
// such text through Text, Block or Cell, and Write does so for every field of
// a document. All of it is pure: the same document gives the same bytes, its
// date and digest come from the caller, and nothing here opens a file, reads a
// clock or knows what a register is.
package paper

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MostShown is the length, in characters, at which shown text is cut.
const MostShown = 256

// Text is s fit for one line of output: control and format characters (C0, C1,
// DEL, bidirectional and zero-width ones, line and paragraph separators) and
// bytes that are no UTF-8 are shown as escapes, and what is longer than
// MostShown characters is cut and ends in "...".
func Text(s string) string {
	if plain(s) && len(s) <= MostShown {
		return s
	}
	var b strings.Builder
	for n := 0; s != ""; n++ {
		if n == MostShown {
			b.WriteString("...")
			break
		}
		r, size := utf8.DecodeRuneInString(s)
		writeRune(&b, r, s[:size])
		s = s[size:]
	}
	return b.String()
}

// Block is like Text for text of several lines: line feeds stay, and it is
// not cut.
func Block(s string) string {
	lines := strings.Split(s, "\n")
	for i, line := range lines {
		if plain(line) {
			continue
		}
		var b strings.Builder
		for line != "" {
			r, size := utf8.DecodeRuneInString(line)
			writeRune(&b, r, line[:size])
			line = line[size:]
		}
		lines[i] = b.String()
	}
	return strings.Join(lines, "\n")
}

// plain says whether all of s is printable ASCII.
func plain(s string) bool {
	for i := range len(s) {
		if s[i] < 0x20 || s[i] > 0x7E {
			return false
		}
	}
	return true
}

func writeRune(b *strings.Builder, r rune, from string) {
	switch {
	case r == utf8.RuneError && len(from) <= 1:
		fmt.Fprintf(b, `\x%02x`, from[0])
	case hidden(r) && r < 0x100:
		fmt.Fprintf(b, `\x%02x`, r)
	case hidden(r) && r < 0x10000:
		fmt.Fprintf(b, `\u%04x`, r)
	case hidden(r):
		fmt.Fprintf(b, `\U%08x`, r)
	default:
		b.WriteString(from)
	}
}

// hidden says whether a character would steer a terminal or hide itself:
// everything that Unicode does not call graphic (controls, formats, private
// use, surrogates, unassigned), separators other than the blank, and marks
// that stand on nothing are left to the font.
func hidden(r rune) bool {
	return r != ' ' && (!unicode.IsGraphic(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Variation_Selector))
}

// Cell is s fit for a cell of a table that a spreadsheet may open: like Text,
// and with an apostrophe in front of what a spreadsheet would take for a
// formula. Numbers are written without it.
func Cell(s string) string {
	s = Text(s)
	if formula(s) {
		return "'" + s
	}
	return s
}

// Uncell takes off the apostrophe that Cell put in front of s, so that a list
// written here reads back as it was.
func Uncell(s string) string {
	if bare, ok := strings.CutPrefix(s, "'"); ok && formula(bare) {
		return bare
	}
	return s
}

// formula says whether a spreadsheet would take s for a formula: by common
// practice, what begins with one of these four, in full width too.
func formula(s string) bool {
	r, _ := utf8.DecodeRuneInString(s)
	return s != "" && strings.ContainsRune("=+-@\uff1d\uff0b\uff0d\uff20", r)
}
