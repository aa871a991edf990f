package paper

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

func TestText(t *testing.T) {
	for _, v := range []struct{ give, want string }{
		{"Cistern 1", "Cistern 1"},
		{"Höhe 3 µm²", "Höhe 3 µm²"},
		{"\x1b[2J\x1b]0;title\a", `\x1b[2J\x1b]0;title\x07`},
		{"a\r\nb\x08", `a\x0d\x0ab\x08`},
		{"\x7f", `\x7f`},
		{"\u009b31m", `\x9b31m`}, // C1 as a character
		{"\x9b31m", `\x9b31m`},   // C1 as a byte
		{"\xff\xfe", `\xff\xfe`},
		{"abc\u202ecba", `abc\u202ecba`},
		{"a\u200bb\ufeff", `a\u200bb\ufeff`},
		{"\u2028", `\u2028`},
		{"\U000e0041", `\U000e0041`},
		{strings.Repeat("x", 300), strings.Repeat("x", 256) + "..."},
	} {
		if got := Text(v.give); got != v.want {
			t.Errorf("Text(%q) = %q, want %q", v.give, got, v.want)
		}
	}
	if got, want := Block("one\ntwo\x1b\nthree"), "one\ntwo\\x1b\nthree"; got != want {
		t.Errorf("Block = %q, want %q", got, want)
	}
}

func FuzzShownText(f *testing.F) {
	for _, s := range []string{"", "level", "\x1b]8;;x\x07", "\xf0\x9f", "\u202e", "a\u0301"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := Text(s)
		if !utf8.ValidString(got) || utf8.RuneCountInString(got) > 10*MostShown+3 {
			t.Fatalf("%q gave %q", s, got)
		}
		for _, r := range got {
			if unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co, unicode.Cs) {
				t.Fatalf("%q gave %q, which holds %U", s, got, r)
			}
		}
		if Block(s) != "" && strings.ContainsFunc(strings.ReplaceAll(Block(s), "\n", ""), unicode.IsControl) {
			t.Fatalf("Block(%q) = %q", s, Block(s))
		}
	})
}
