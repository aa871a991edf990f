package doc

import (
	"bytes"
	"errors"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

// syntaxFault turns the library's error into ours. The library gives a line at
// most, and not always the right one; the place is found again here. Lines and
// columns are those of the text given.
func syntaxFault(text []byte, err error) Fault {
	var second secondError
	if errors.As(err, &second) {
		return Fault{Pos: Pos{Line: max(second.line, 1), Column: max(second.column, 1)}, Message: err.Error()}
	}
	line, words := libraryWords(err)
	s := search{text: text, line: line, words: words}
	for _, row := range syntaxRows {
		if at, arg, ok := row.find(&s, words); ok {
			f := Fault{Hint: row.hint, Message: "this is not YAML: " + strings.Replace(row.say, "$", arg, 1)}
			if row.plain {
				f.Message = row.say
			}
			f.Pos.Line, f.Pos.Column = lineAndColumn(text, at)
			return f
		}
	}
	f := Fault{Message: sentence("this is not YAML: %s", []any{words})}
	at, _, _ := s.shortest()
	f.Pos.Line, f.Pos.Column = lineAndColumn(text, at)
	return f
}

var libraryLine = regexp.MustCompile(`^line (\d+): `)

// libraryWords takes the library's message apart. The line is 1 where it gives
// none.
func libraryWords(err error) (line int, words string) {
	line, words = 1, strings.TrimPrefix(err.Error(), "yaml: ")
	if m := libraryLine.FindStringSubmatch(words); m != nil {
		line, _ = strconv.Atoi(m[1])
		words = words[len(m[0]):]
	}
	return max(line, 1), words
}

// A syntaxRow is one kind of mistake: the library's words for it, where it is
// (arg takes the place of $), what to say and what to do.
type syntaxRow struct {
	words     string
	find      func(s *search, words string) (at int, arg string, ok bool)
	say, hint string
	plain     bool // not a matter of syntax
}

const quoteHint = "put text that begins with a special character in quotes"

var syntaxRows = []syntaxRow{
	has("did not find expected ',' or", (*search).bracket, "what $ begins here is not closed, or lacks a comma", ""),
	has("did not find expected node content", (*search).bracket, "what $ begins here is not closed, or holds something else", ""),
	has("found unexpected end of stream", (*search).quote, "the quote $ that begins here is not closed", ""),
	has("found unexpected document indicator", (*search).quote, "the quote $ that begins here is not closed", ""),
	has("found a tab character", (*search).tab, "a tab stands in the indent", "indent with blanks"),
	has("cannot start any token", (*search).tab, "a tab stands in the indent", "indent with blanks"),
	has("cannot start any token", (*search).sign, "no value begins with $", quoteHint),
	has("mapping values are not allowed", (*search).shortest, "a colon stands here where no key can be", "put text with a colon in quotes, or the key on a line of its own and in line with the others"),
	has("block sequence entries are not allowed", (*search).shortest, "a list with dashes cannot begin here", "begin it on the next line"),
	has("could not find expected ':'", (*search).given, "this is no key with a value", "write key: value, with a blank after the colon"),
	has("did not find expected key", (*search).stray, "$ has no place here", "text behind a closing quote or bracket belongs inside it"),
	has("did not find expected <document start>", (*search).stray, "$ has no place here", "text behind a closing quote or bracket belongs inside it"),
	has("did not find expected key", (*search).outOfLine, "a key is wanted here", "keys of one block stand in line"),
	has("did not find expected '-' indicator", (*search).outOfLine, "the next item of the list is wanted here", "items of one list stand in line, each behind a dash"),
	has("found unknown escape character", (*search).shortest, "this escape is not known", "in double quotes write a backslash twice, or use single quotes"),
	alias, depth,
}

var (
	alias = syntaxRow{say: aliasWords, hint: aliasHint, plain: true, find: func(s *search, words string) (int, string, bool) {
		m := regexp.MustCompile(`^unknown anchor '(.*)' referenced$`).FindStringSubmatch(words)
		if m == nil {
			return 0, "", false
		}
		return max(bytes.Index(s.text, []byte("*"+m[1])), 0), "", true
	}}
	depth = syntaxRow{say: depthWords, plain: true, find: func(s *search, words string) (int, string, bool) {
		at, _, _ := s.shortest()
		return at, "", strings.Contains(words, "exceeded max depth")
	}}
)

// has is a row for the library's words.
func has(words string, find func(*search) (int, string, bool), say, hint string) syntaxRow {
	return syntaxRow{words: words, say: say, hint: hint, find: func(s *search, found string) (int, string, bool) {
		if !strings.Contains(found, words) {
			return 0, "", false
		}
		return find(s)
	}}
}

// search looks for the place of a mistake in a text.
type search struct {
	text  []byte
	line  int    // the library's
	words string // the library's
}

// longestSearch is the largest text that is parsed again to find a place.
const longestSearch = 256 << 10

// given is the beginning of the library's own line.
func (s *search) given() (int, string, bool) { return s.first(s.line), "", true }

// first is where the words of a line begin.
func (s *search) first(line int) int {
	at := 0
	for ; line > 1; line-- {
		next := bytes.IndexAny(s.text[at:], "\n\r")
		if next < 0 {
			break
		}
		at += next + 1
		if s.text[at-1] == '\r' && at < len(s.text) && s.text[at] == '\n' {
			at++
		}
	}
	for at < len(s.text) && s.text[at] == ' ' {
		at++
	}
	return at
}

// shortest is the end of the shortest beginning of the text that has the same
// mistake. With more text behind it the mistake stays, so halving finds it.
func (s *search) shortest() (int, string, bool) {
	if len(s.text) > longestSearch {
		return s.given()
	}
	low, high := 0, len(s.text) // low has it not, high has it
	for high-low > 1 {
		half := (low + high) / 2
		for half > low && !utf8.RuneStart(s.text[half]) {
			half--
		}
		if half == low {
			break
		}
		if s.same(half) {
			high = half
		} else {
			low = half
		}
	}
	return low, "", true
}

// same says whether the first n bytes have the same mistake.
func (s *search) same(n int) bool {
	_, err := decode(bytes.NewReader(s.text[:n]))
	if err == nil {
		return false
	}
	_, words := libraryWords(err)
	return words == s.words
}

// reach is how far the library read before it gave up: the mistake is at or
// before it.
func (s *search) reach() int {
	if len(s.text) > longestSearch {
		return len(s.text)
	}
	r := &slowReader{text: s.text}
	decode(r)
	return r.at
}

// slowReader gives one byte at a time, so that nothing is read ahead.
type slowReader struct {
	text []byte
	at   int
}

func (r *slowReader) Read(p []byte) (int, error) {
	if r.at == len(r.text) {
		return 0, io.EOF
	}
	p[0] = r.text[r.at]
	r.at++
	return 1, nil
}

// tab is the tab in the indent of the library's line, or of the one behind it.
func (s *search) tab() (int, string, bool) {
	for line := s.line; line <= s.line+1; line++ {
		if at := s.first(line); at < len(s.text) && s.text[at] == '\t' {
			return at, "", true
		}
	}
	return 0, "", false
}

// sign is the character that no value begins with.
// Source: YAML 1.2.2, 5.3 (reserved indicators) and 7.3.3 (plain style).
func (s *search) sign() (int, string, bool) {
	at, _, _ := s.shortest()
	r, _ := utf8.DecodeRune(s.text[at:])
	return at, strconv.QuoteRune(r), at < len(s.text)
}

// outOfLine is the beginning of the line of the shortest text.
func (s *search) outOfLine() (int, string, bool) {
	at, _, _ := s.shortest()
	line, _ := lineAndColumn(s.text, at)
	return s.first(line), "", true
}

// stray is what stands behind a closing quote or bracket.
func (s *search) stray() (int, string, bool) {
	at := lex(s.text[:s.reach()]).stray
	if at < 0 {
		return 0, "", false
	}
	r, _ := utf8.DecodeRune(s.text[at:])
	return at, strconv.QuoteRune(r), true
}

// bracket is the bracket that is open where the library gave up, or was closed
// last before.
func (s *search) bracket() (int, string, bool) {
	l := lex(s.text[:s.reach()])
	if l.last >= 0 && len(l.open) == 0 {
		l.open = []int{l.last}
	}
	if len(l.open) == 0 {
		return 0, "", false
	}
	at := l.open[len(l.open)-1]
	for i := len(l.open) - 1; i >= max(len(l.open)-maxDepth, 0); i-- {
		if line, _ := lineAndColumn(s.text, l.open[i]); line == s.line+1 {
			at = l.open[i] // the library gives the line before that of the bracket
			break
		}
	}
	return at, string(s.text[at]), true
}

// quote is the quote that is open where the library gave up.
func (s *search) quote() (int, string, bool) {
	at := lex(s.text[:s.reach()]).quote
	if at < 0 {
		return 0, "", false
	}
	return at, string(s.text[at]), true
}

// lineAndColumn is the place of a byte; columns in characters. Line ends are
// LF, CR LF and CR.
func lineAndColumn(text []byte, at int) (line, column int) {
	line, start := 1, 0
	at = min(at, len(text))
	for i := 0; i < at; i++ {
		if text[i] == '\n' || text[i] == '\r' && (i+1 == len(text) || text[i+1] != '\n') {
			line, start = line+1, i+1
		}
	}
	return line, utf8.RuneCount(text[start:at]) + 1
}
