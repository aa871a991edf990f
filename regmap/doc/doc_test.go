package doc

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// thing is what the tables of these tests read into.
type thing struct {
	number  int
	flag    bool
	text    string
	time    time.Duration
	choice  int
	nested  *thing
	decimal string
}

var inner = NewTable(Integer("number", "a number", 0, 9, func(t *thing) *int { return &t.number }))

var table = NewTable(
	Integer("number", "a number", -5, 65535, func(t *thing) *int { return &t.number }),
	Flag("flag", "a flag", func(t *thing) *bool { return &t.flag }),
	Text("text", "a text", func(t *thing) *string { return &t.text }),
	NameField("word", "a name", func(t *thing) *string { return &t.text }),
	Duration("time", "a time", func(t *thing) *time.Duration { return &t.time }),
	Choice("choice", "a choice", []string{"one", "two", "three"}, func(t *thing, i int) { t.choice = i }),
	Block("nested", "a block", inner, func(t *thing, n *thing, _ Node) { t.nested = n }),
	Custom("decimal", "a decimal", Shape{Kind: DecimalNumber}, func(t *thing, n Node) {
		if r, ok := n.Decimal(); ok {
			t.decimal = r.RatString()
		}
	}),
)

// read reads one document through the table; faults come back as text.
func read(text string) (thing, string) {
	var rep Report
	var t thing
	if n := Parse("f", []byte(text), &rep); n.Present() {
		table.Read(n, &t)
	}
	var words []string
	for _, f := range rep.Faults() {
		words = append(words, f.Error())
	}
	return t, strings.Join(words, " | ")
}

// TestF5Traps walks what the YAML library takes without a word: octal, floats
// and underscores as integers, words as booleans, nothing as zero.
func TestF5Traps(t *testing.T) {
	for _, v := range []struct{ give, want string }{
		{"number: 17", ""}, {"number: 0x11", ""}, {"number: -5", ""}, {"number: 0", ""}, {`number: "17"`, ""},
		{"number: 010", "f:1:9: number: 010 can be read as 10 or as 8; write 10"},
		{"number: 017", "f:1:9: number: 017 can be read as 17 or as 15; write 17"},
		{"number: 040001", "f:1:9: number: 040001 can be read as 40001 or as 16385; write 40001"},
		{"number: 08", "f:1:9: number: 08 has a leading zero; write 8"},
		{"number: 00018", "f:1:9: number: 00018 has a leading zero; write 18"},
		{"number: 00", "f:1:9: number: 00 has a leading zero; write 0"},
		{"number: 1e3", "f:1:9: number: 1e3 is no whole number"},
		{"number: 1.0", "f:1:9: number: 1.0 is no whole number"},
		{"number: 1.9", "f:1:9: number: 1.9 is no whole number"},
		{"number: 1_000", `f:1:9: number: "1_000" is no whole number; write digits, or 0x and hex digits`},
		{"number: 0b11", `f:1:9: number: "0b11" is no whole number; write digits, or 0x and hex digits`},
		{"number: 0o17", `f:1:9: number: "0o17" is no whole number; write digits, or 0x and hex digits`},
		{"number: 1:30", `f:1:9: number: "1:30" is no whole number; write digits, or 0x and hex digits`},
		{"number: 65536", "f:1:9: number: 65536 is outside -5 to 65535"},
		{"number: 99999999999999999999", "f:1:9: number: 99999999999999999999 is outside -5 to 65535"},
		{"number:", "f:1:8: number: a whole number is wanted here, this is nothing"},
		{"number: ~", "f:1:9: number: a whole number is wanted here, this is nothing"},
		{"number: null", "f:1:9: number: a whole number is wanted here, this is nothing"},
		{"number: [1]", "f:1:9: number: a whole number is wanted here, this is a list"},
		{"number: {a: 1}", "f:1:9: number: a whole number is wanted here, this is a block of keys"},
		{"flag: true", ""}, {"flag: false", ""},
		{"flag: yes", `f:1:7: flag: true or false is wanted here, this is "yes"`},
		{"flag: on", `f:1:7: flag: true or false is wanted here, this is "on"`},
		{"flag: y", `f:1:7: flag: true or false is wanted here, this is "y"`},
		{"flag: True", `f:1:7: flag: true or false is wanted here, this is "True"`},
		{"flag: 1", `f:1:7: flag: true or false is wanted here, this is "1"`},
		{"flag:", "f:1:6: flag: true or false is wanted here, this is nothing"},
		{"text: 010", ""}, {`text: ""`, ""}, {"text: 2026-11-02", ""},
		{"text:", "f:1:6: text: a text is wanted here, this is nothing"},
		{"word: pump-1", ""},
		{"word: Pump", `f:1:7: word: "Pump" is no name; names are lower-case letters, digits and hyphens, a letter first`},
		{"word: pümp", `f:1:7: word: "pümp" is no name; names are lower-case letters, digits and hyphens, a letter first`},
		{"word: рump", `f:1:7: word: "рump" is no name; names are lower-case letters, digits and hyphens, a letter first`}, // Cyrillic r
		{"time: 500ms", ""}, {"time: 0s", ""}, {"time: 1h30m", ""},
		{"time: 5", "f:1:7: time: 5 has no unit of time; write it as 5s, or with ms, m or h"},
		{"time: 0", "f:1:7: time: 0 has no unit of time; write it as 0s, or with ms, m or h"},
		{"time: -5s", "f:1:7: time: -5s is below zero"},
		{"time: soon", `f:1:7: time: "soon" is no time; write a number and its unit, such as 500ms, 5s or 10m`},
		{"choice: two", ""},
		{"choice: tow", `f:1:9: choice: "tow" is none of one, two, three; did you mean two?`},
		{"decimal: 0.001", ""}, {"decimal: -3.50", ""}, {"decimal: 1e-3", ""}, {"decimal: 0x10", ""},
		{"decimal: 1,5", `f:1:10: decimal: "1,5" is no number; write the decimal point as a point`},
		{"decimal: .5", `f:1:10: decimal: ".5" is no number; write digits with a decimal point, such as 0.5`},
		{"decimal: .nan", `f:1:10: decimal: ".nan" is no number; write digits with a decimal point, such as 0.5`},
		{"decimal: .inf", `f:1:10: decimal: ".inf" is no number; write digits with a decimal point, such as 0.5`},
		{"decimal: 1e999999", `f:1:10: decimal: "1e999999" is no number; write digits with a decimal point, such as 0.5`},
		{"decimal: 007", "f:1:10: decimal: 007 has a leading zero; write 7"},
		{"nested: {number: 3}", ""},
		{"nested: {number: 30}", "f:1:18: nested.number: 30 is outside 0 to 9"},
		{"nested: 3", `f:1:9: nested: a block of keys is wanted here, this is "3"; allowed here: number`},
		{"numbr: 3", `f:1:1: numbr: "numbr" is an unknown key; did you mean number?`},
		{"zebra: 3", `f:1:1: zebra: "zebra" is an unknown key; allowed here: number, flag, text, word, time, choice, nested, decimal`},
		{"number: 1\nnumber: 2", `f:2:1: number: "number" is given twice, first on line 1; keep one of them`},
		{"nested: {number: 1, number: 2}", `f:1:21: nested.number: "number" is given twice, first on line 1; keep one of them`},
		{"a: 1\n---\nb: 2", "f:2:1: a second document begins here; one file holds one"},
		{"", "f:1:1: the file is empty"}, {"# only words\n", "f:1:1: the file is empty"}, {"\uFEFF", "f:1:1: the file is empty"},
		{"\uFEFFnumber: 3", ""},
		{"number: 3\rflag: true\r", ""}, {"number: 3\r\nflag: maybe\r\n", `f:2:7: flag: true or false is wanted here, this is "maybe"`},
		{"ö: 1\nnumber: 010", `f:1:1: ö: "ö" is an unknown key; allowed here: number, flag, text, word, time, choice, nested, decimal | f:2:9: number: 010 can be read as 10 or as 8; write 10`},
		{"text: ö ü 010\nnumber: \"ö\"", `f:2:9: number: "ö" is no whole number; write digits, or 0x and hex digits`},
		{"{text: öö, number: x}", `f:1:20: number: "x" is no whole number; write digits, or 0x and hex digits`},
		{"&a {number: 1}", "f:1:1: anchors and aliases are not read; write the value out where it is meant"},
		{"nested: &a {number: 1}", "f:1:9: nested: anchors and aliases are not read; write the value out where it is meant"},
		{"number: !!int 3", `f:1:9: number: the tag "!!int" is not read; write the value without it`},
		{"text: !secret 3", `f:1:7: text: the tag "!secret" is not read; write the value without it`},
		{"<<: {number: 1}", "f:1:1: <<: a key must be a plain word"},
		{"[1, 2]: 3", "f:1:1: a key must be a plain word"},
		{"text: \"a\\u0000b\"", "f:1:7: text: the character U+0000 cannot be seen; remove it"},
		{"\"te\\u200bxt\": 1", "f:1:1: te\u200bxt: the character U+200B cannot be seen; remove it | f:1:1: te\u200bxt: \"te\\u200bxt\" is an unknown key; allowed here: number, flag, text, word, time, choice, nested, decimal"},
		{"text: a\x7fb", "f:1:8: the character U+007F cannot be seen; remove it"},
		{"text: a\u202eb\n# \u2066", "f:1:8: the character U+202E cannot be seen; remove it | f:2:3: the character U+2066 cannot be seen; remove it"},
		{"- 1", "f:1:1: a block of keys is wanted here, this is a list; allowed here: number, flag, text, word, time, choice, nested, decimal"},
	} {
		if _, got := read(v.give); got != v.want {
			t.Errorf("%q:\ngot  %s\nwant %s", v.give, got, v.want)
		}
	}
}

// TestSyntaxFaultsHaveAPlace: the library gives a line at most, and sometimes
// none.
func TestSyntaxFaultsHaveAPlace(t *testing.T) {
	for _, text := range []string{"a: [1, 2", "a:\n\t- b", "a: b: c", "%", "a: 'x", "a: *none", "a: \"\\q\"", "}", "a: {b", "- a\nb: c"} {
		var rep Report
		if n := Parse("f", []byte(text), &rep); n.Present() {
			t.Errorf("%q was read", text)
			continue
		}
		f := rep.Faults()[0]
		if f.Pos.Line < 1 || f.Pos.Line > strings.Count(text, "\n")+1 || f.Pos.Column < 1 || strings.Contains(f.Message, "yaml:") {
			t.Errorf("%q: %s", text, f.Error())
		}
	}
}

// TestF1F3Bounds: work is bounded (alias bombs, depth); aliases are never
// followed, and each refusal has its place.
func TestF1F3Bounds(t *testing.T) {
	bomb := "a: &a [x,x,x,x,x,x,x,x,x]\n"
	for c := 'b'; c <= 'i'; c++ {
		bomb += fmt.Sprintf("%c: &%c [*%c,*%c,*%c,*%c,*%c,*%c,*%c,*%c,*%c]\n", c, c, c-1, c-1, c-1, c-1, c-1, c-1, c-1, c-1, c-1)
	}
	for name, v := range map[string]struct{ text, first string }{
		"alias bomb":   {bomb, "f:1:4: a: " + aliasWords},
		"itself":       {"a: &a {b: *a}", "f:1:4: a: " + aliasWords},
		"100,000 deep": {strings.Repeat("[", 100_000), "f:1:"},
		"33 deep":      {strings.Repeat("[", 34) + strings.Repeat("]", 34), "f:1:34: " + strings.Repeat("[0]", 33) + ": " + depthWords},
		"32 deep":      {strings.Repeat("[", 33) + strings.Repeat("]", 33), ""},
	} {
		var rep Report
		Parse("f", []byte(v.text), &rep)
		if (v.first == "") == rep.Bad() || rep.Bad() && !strings.HasPrefix(rep.Faults()[0].Error(), v.first) {
			t.Errorf("%s: %v, want %s", name, rep.Err(), v.first)
		}
	}
}

// TestF2ManyKeys: the work for 200,000 keys of one block is 20 times that for
// 10,000, counted in allocations: the search for keys given twice is not
// quadratic.
func TestF2ManyKeys(t *testing.T) {
	work := func(keys int) float64 {
		text := manyKeys(keys)
		return testing.AllocsPerRun(1, func() {
			var rep Report
			if !Parse("f", text, &rep).Present() {
				t.Fatal(rep.Err())
			}
		})
	}
	if few, many := work(10_000), work(200_000); many > 25*few {
		t.Errorf("%v allocations for 10,000 keys, %v for 200,000", few, many)
	}
	var rep Report
	Parse("f", append(manyKeys(200_000), "k7: again\n"...), &rep)
	if fs := rep.Faults(); len(fs) != 1 || fs[0].Pos.Line != 200_001 {
		t.Errorf("one key of 200,000 given twice: %v", rep.Err())
	}
}

func manyKeys(n int) []byte {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	return []byte(b.String())
}

func BenchmarkParse200000Keys(b *testing.B) {
	text := manyKeys(200_000)
	for b.Loop() {
		var rep Report
		Parse("f", text, &rep)
	}
}

func TestAllFaultsSortedAndCounted(t *testing.T) {
	var b strings.Builder
	for i := range 150 {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	var rep Report
	var v thing
	table.Read(Parse("f", []byte(b.String()), &rep), &v)
	if n := len(rep.Faults()); n != 150 {
		t.Fatalf("%d faults", n)
	}
	lines := strings.Split(rep.Err().Error(), "\n")
	if len(lines) != 101 || lines[100] != "and 50 more faults" {
		t.Errorf("%d lines, the last %q", len(lines), lines[len(lines)-1])
	}
	if new(Report).Err() != nil {
		t.Error("no faults, but an error")
	}
}

// TestF4F7FilesThatAreNone: only regular files of a sane size are read, without
// waiting on pipes (a pipe without a writer would wait for ever).
func TestF4F7FilesThatAreNone(t *testing.T) {
	dir := t.TempDir()
	fifo, big, good := filepath.Join(dir, "fifo"), filepath.Join(dir, "big"), filepath.Join(dir, "good.yaml")
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	for file, size := range map[string]int64{big: MaxFile + 1, good: 3} {
		f, err := os.Create(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.Truncate(size); err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
	for path, want := range map[string]error{dir: ErrNotRegular, fifo: ErrNotRegular, "/dev/null": ErrNotRegular, big: ErrTooLarge, filepath.Join(dir, "none"): os.ErrNotExist} {
		if text, err := ReadFile(path); !errors.Is(err, want) || text != nil {
			t.Errorf("%s: %v, want %v", path, err, want)
		}
	}
	if text, err := ReadFile(good); err != nil || len(text) != 3 {
		t.Errorf("good file: %q, %v", text, err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	if err := os.Symlink("/etc/passwd", filepath.Join(dir, "link.yaml")); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"../" + filepath.Base(dir) + "/good.yaml", "/etc/passwd", "link.yaml", "fifo", "good\x00.yaml"} {
		if text, err := ReadIn(root, name); err == nil || text != nil {
			t.Errorf("%q was read", name)
		}
	}
	if _, err := ReadIn(root, "good.yaml"); err != nil {
		t.Error(err)
	}
}

func TestNear(t *testing.T) {
	words := []string{"scale", "signal", "units", "decimals", "values"}
	for give, want := range map[string]string{"scael": "scale", "sclae": "scale", "unit": "units", "decimal": "decimals", "x": "", "tags": "", "": ""} {
		if got := Near(give, words); got != want {
			t.Errorf("Near(%q) = %q, want %q", give, got, want)
		}
	}
}

// TestF6CharactersOfAFile: what a file may hold in the way of characters. text is
// what the value is read as; "" where the file is refused.
func TestF6CharactersOfAFile(t *testing.T) {
	unseen := func(place, code string) string {
		return "f:" + place + ": the character U+" + code + " cannot be seen; remove it"
	}
	for _, v := range []struct{ name, give, text, faults string }{
		{"NUL", "text: a\x00b", "", unseen("1:8", "0000")},
		{"BOM", "\uFEFFtext: a", "a", ""},
		{"BOM inside", "text: a\uFEFFb", "", unseen("1:8", "FEFF")},
		{"UTF-16 low byte first", "\xFF\xFEt\x00", "", "f:1:1: the file is UTF-16; save it as UTF-8"},
		{"UTF-16 high byte first", "\xFE\xFF\x00t", "", "f:1:1: the file is UTF-16; save it as UTF-8"},
		{"UTF-16 without a BOM", "text: a\x00b\x00", "", unseen("1:8", "0000") + " | " + unseen("1:10", "0000")},
		{"Latin-1", "text: Beh\xE4lter", "", "f:1:10: byte E4 is not UTF-8"},
		{"overlong slash", "text: a\xC0\xAF", "", "f:1:8: byte C0 is not UTF-8 | f:1:9: byte AF is not UTF-8"},
		{"CR only", "number: 3\rtext: a\r", "a", ""},
		{"CR LF", "number: 3\r\ntext: a\r\n", "a", ""},
		{"escape", "text: a\x1b[31m", "", unseen("1:8", "001B")},
		{"C1", "text: a\u0085b", "", unseen("1:8", "0085")},
		{"bidi override", "text: a\u202Eb", "", unseen("1:8", "202E")},
		{"bidi isolate", "text: a\u2067b", "", unseen("1:8", "2067")},
		{"zero-width space", "text: a\u200Bb", "", unseen("1:8", "200B")},
		{"zero-width joiner", "text: a\u200Db", "", unseen("1:8", "200D")},
		{"soft hyphen", "text: a\u00ADb", "", unseen("1:8", "00AD")},
		{"grapheme joiner", "text: a\u034Fb", "", unseen("1:8", "034F")},
		{"filler without ink", "text: a\u3164b", "", unseen("1:8", "3164")},
		{"variation selector", "text: a\uFE0Fb", "", unseen("1:8", "FE0F")},
		{"tag character", "text: a\U000E0041b", "", unseen("1:8", "E0041")},
		{"line separator", "text: a\u2028b", "", unseen("1:8", "2028")},
		{"private use", "text: a\uE000b", "", unseen("1:8", "E000")},
		{"hidden in a comment", "text: a # \u202E\n", "", unseen("1:11", "202E")},
		{"hidden in a key", "te\u200Bxt: a", "", unseen("1:3", "200B")},
		{"two forms, one character", "text: Zul\u00E4ufe", "Zul\u00E4ufe", ""},
		{"two forms, letter and accent", "text: Zula\u0308ufe", "Zul\u00E4ufe", ""},
		{"two forms in quotes", `text: "Zula\u0308ufe"`, "Zul\u00E4ufe", ""},
		{"accents in either order", "text: a\u0323\u0302", "\u1EAD", ""},
		{"accents in the other order", "text: a\u0302\u0323", "\u1EAD", ""},
		{"ohm sign", "text: k\u2126", "k\u03A9", ""},
		{"kelvin sign", "text: \u212A", "K", ""},
		{"angstrom sign", "text: \u212B", "\u00C5", ""},
		{"jamo", "text: \u1112\u1161\u11AB", "\uD55C", ""},
		{"look-alike in a name", "word: \u0440ump", "", "f:1:7: word: \"\u0440ump\" is no name; names are lower-case letters, digits and hyphens, a letter first"},
		{"two forms of a key", "o\u0308: 1\n\u00F6: 2", "", "f:1:1: \u00F6: \"\u00F6\" is an unknown key; allowed here: number, flag, text, word, time, choice, nested, decimal" +
			" | f:2:1: \u00F6: \"\u00F6\" is given twice, first on line 1; keep one of them"},
	} {
		t.Run(v.name, func(t *testing.T) {
			got, faults := read(v.give)
			if faults != v.faults || v.faults == "" && got.text != v.text {
				t.Errorf("%q:\nread as %q, faults %s\nwant    %q, faults %s", v.give, got.text, faults, v.text, v.faults)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"a: 1", "number: 010\nnested: {number: x}", "&a [*a]", "\xff\xfe", "a: |\n  b\n", "? x\n: y", "a: {b: [c, d]}", "a: [1\nb: 'c\n", "a: {b: 1}}", "a: |\n  [\nb: ]", "x\u200b: [\u202e}", "a: 1\r\u200b\n\u200bb: \"\\q\"", "text: a\u0308"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var rep Report
		var v thing
		n := Parse("f", text, &rep)
		if n.Present() {
			table.Read(n, &v)
		} else if !rep.Bad() {
			t.Fatal("nothing to read, and no fault")
		}
		if !norm.NFC.IsNormalString(v.text) {
			t.Fatalf("%q is read as %q, which has another form", text, v.text)
		}
		lines := strings.Split(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.TrimPrefix(string(text), "\uFEFF")), "\n")
		for _, fault := range rep.Faults() {
			p := fault.Pos
			if p.Line < 1 || p.Column < 1 || p.Line > len(lines) || p.Column > utf8.RuneCountInString(lines[p.Line-1])+1 {
				t.Fatalf("%q: %s stands on none of its %d lines", text, fault.Error(), len(lines))
			}
			if len(fault.Message) > 4*longestWords+3 || len(fault.Path) > (maxDepth+2)*(4*longestPiece+4) {
				t.Fatalf("%d bytes of message, %d of path", len(fault.Message), len(fault.Path))
			}
		}
	})
}
