package paper

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/gomonobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// A face is one cut of the typeface: what it can draw and how wide it is. The
// four faces are read once and then only looked at.
type face struct {
	family, style string
	bytes         []byte
	widths        map[rune]float64 // of what was asked for, in thousandths of the type's size; -1: no such glyph
	font          *sfnt.Font
	buffer        sfnt.Buffer
}

// faces are the faces of one layout: they remember widths, so each layout has
// its own.
type faces [4]*face

// The places of the faces: regular, bold, typewriter, bold typewriter.
const (
	regular = iota
	bold
	mono
	monoBold
)

// parsed reads the fonts that the program carries within it. That they can be
// read is a test's matter.
var parsed = sync.OnceValue(func() [4]*sfnt.Font {
	var out [4]*sfnt.Font
	for i, data := range fontBytes() {
		f, err := sfnt.Parse(data)
		if err != nil {
			panic(fmt.Sprintf("the font within the program cannot be read: %v", err))
		}
		out[i] = f
	}
	return out
})

func fontBytes() [4][]byte {
	return [4][]byte{regular: goregular.TTF, bold: gobold.TTF, mono: gomono.TTF, monoBold: gomonobold.TTF}
}

func newFaces() *faces {
	var out faces
	fonts, data := parsed(), fontBytes()
	for i := range out {
		f := &face{family: "text", bytes: data[i], font: fonts[i], widths: map[rune]float64{}}
		if i == mono || i == monoBold {
			f.family = "mono"
		}
		if i == bold || i == monoBold {
			f.style = "B"
		}
		out[i] = f
	}
	return &out
}

// of is the face of an entry or label.
func (f *faces) of(typewriter, strong bool) *face {
	switch {
	case typewriter && strong:
		return f[monoBold]
	case typewriter:
		return f[mono]
	case strong:
		return f[bold]
	}
	return f[regular]
}

// look gives the width of a character in thousandths of the type's size, and
// whether the face can draw it: a PDF would leave out what it cannot, without
// a word. Characters beyond the first 65,536 cannot be named in the fonts as
// they are embedded.
func (f *face) look(r rune) (float64, bool) {
	w, known := f.widths[r]
	if !known {
		w = -1
		if i, err := f.font.GlyphIndex(&f.buffer, r); err == nil && i != 0 && r <= 0xFFFF {
			ppem := fixed.I(1000)
			if a, err := f.font.GlyphAdvance(&f.buffer, i, ppem, font.HintingNone); err == nil {
				w = math.Round(float64(a) / 64)
			}
		}
		f.widths[r] = w
	}
	return max(w, 0), w >= 0
}

// fit is s with what the face cannot draw as escapes.
func (f *face) fit(s string) string {
	lacks := func(r rune) bool { _, ok := f.look(r); return !ok }
	if !strings.ContainsFunc(s, lacks) {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		switch {
		case !lacks(r):
			b.WriteRune(r)
		case r > 0xFFFF:
			fmt.Fprintf(&b, `\U%08x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	return b.String()
}

// measure gives widths in points at a size of type.
func (f *face) measure(size float64) measure {
	return func(r rune) float64 {
		w, _ := f.look(r)
		return w * size / 1000
	}
}

// copied is the font's bytes for a library that may write into them.
func (f *face) copied() []byte { return bytes.Clone(f.bytes) }
