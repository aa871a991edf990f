package doc

import (
	"bytes"
	"fmt"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// mostHidden is how many hidden characters of one file are named each; a file
// with more is no text at all.
const mostHidden = 100

// A hole is a character that was taken out of a line before parsing.
type hole struct{ line, column int }

// cleanText refuses what the library would take silently or garble: other
// encodings, broken UTF-8, and characters that hide or reorder text. It
// reports each with its place and gives the text without them, so that the
// rest can still be checked, and the holes they leave. ok is false when the
// file is no text that could be read further.
func cleanText(name string, text []byte, rep *Report) (clean []byte, holes []hole, ok bool) {
	if bytes.HasPrefix(text, []byte{0xFF, 0xFE}) || bytes.HasPrefix(text, []byte{0xFE, 0xFF}) {
		rep.Add(Fault{Pos: Pos{name, 1, 1}, Message: "the file is UTF-16; save it as UTF-8"})
		return nil, nil, false
	}
	text = bytes.TrimPrefix(text, []byte("\uFEFF"))
	kept, named, line, column := 0, 0, 1, 0
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRune(text[i:])
		column++
		var words string
		switch {
		case r == utf8.RuneError && size == 1:
			words = fmt.Sprintf("byte %02X is not UTF-8", text[i])
		case r == '\n' || r == '\r' && (i+1 == len(text) || text[i+1] != '\n'):
			line, column = line+1, 0
		case r != '\r' && r != '\t' && Hidden(r):
			words = hiddenWords(r)
		}
		if words != "" {
			if named++; named > mostHidden {
				rep.Add(Fault{Pos: Pos{name, line, column}, Message: "and more such characters; this file is no text"})
				return nil, nil, false
			}
			rep.Add(Fault{Pos: Pos{name, line, column}, Message: words})
			clean = append(clean, text[kept:i]...)
			kept = i + size
			if bytes.HasSuffix(clean, []byte("\r")) && bytes.HasPrefix(text[kept:], []byte("\n")) {
				clean = append(clean, ' ') // two line ends must not become one
			} else {
				holes = append(holes, hole{line, column})
			}
		}
		i += size
	}
	if named == 0 {
		return text, nil, true
	}
	return append(clean, text[kept:]...), holes, true
}

// places finds places of the clean text again in the file.
type places struct {
	holes        []hole
	line, column int // the end of the clean text: the library goes on behind it
}

func placesOf(clean []byte, holes []hole) places {
	line, column := lineAndColumn(clean, len(clean))
	return places{holes, line, column}
}

// file is where a place of the clean text stood in the file.
func (p places) file(line, column int) (int, int) {
	if line > p.line {
		line, column = p.line, p.column
	}
	for _, h := range p.holes {
		if h.line == line && h.column <= column {
			column++
		}
	}
	return line, column
}

// Hidden says whether a character is a control, format or private character, one
// without width or none at all, which no text of ours may hold: it is not seen,
// or it reorders what is.
// Source: Unicode, general categories and the properties
// Other_Default_Ignorable_Code_Point and Variation_Selector.
func Hidden(r rune) bool {
	if r >= ' ' && r <= '~' { // nearly all that stands in a map
		return false
	}
	return unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co, unicode.Cs,
		unicode.Noncharacter_Code_Point, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector)
}

// oneForm is a text in the one form of those that look alike: an e with an
// accent is one character, however it was typed, and the sign of ohms is omega.
// So two texts that are read as the same are the same.
// Source: Unicode Standard Annex 15, Normalization Form C.
func oneForm(s string) string { return norm.NFC.String(s) }

func hiddenWords(r rune) string {
	return fmt.Sprintf("the character U+%04X cannot be seen; remove it", r)
}
