package doc

import "bytes"

// lexed is what stands open at the end of a text, and what stands where it
// cannot.
type lexed struct {
	open  []int // brackets, the innermost last
	last  int   // the bracket closed last, -1 for none
	quote int   // the open quote, -1 for none
	stray int   // the first text behind a closing quote or bracket, or a bracket that closes nothing; -1 for none
}

// lex reads a text only for what opens and closes: brackets, quotes, comments
// and block texts. It serves to place a complaint, so being right about
// ordinary files is enough.
func lex(text []byte) lexed {
	l := lexer{text: text, lexed: lexed{last: -1, quote: -1, stray: -1}}
	for l.at < len(text) && !l.wrong {
		l.step()
	}
	return l.lexed
}

type lexer struct {
	lexed
	text []byte
	at   int
	word bool // inside a plain word, where brackets and quotes mean themselves

	shut  bool // behind a closing quote or bracket
	wrong bool // a bracket closes one of the other kind
}

func (l *lexer) step() {
	c := l.text[l.at]
	switch {
	case c == '\n' || c == '\r':
		l.word, l.shut = false, false
	case c == ' ' || c == '\t':
	case c == '#' && (l.at == 0 || bytes.IndexByte([]byte(" \t\n\r"), l.text[l.at-1]) >= 0):
		l.skipLine()
		return
	case (c == ',' && len(l.open) > 0) || (c == ':' || c == '-' || c == '?') && l.blankBehind():
		l.word, l.shut = false, false
	case (c == ']' || c == '}') && len(l.open) > 0:
		l.close(c)
	case len(l.open) == 0 && (l.shut || !l.word && (c == ']' || c == '}')):
		if l.stray < 0 {
			l.stray = l.at
		}
		l.word, l.shut = true, false
	case l.word:
	case c == '[' || c == '{':
		l.open = append(l.open, l.at)
	case c == '"' || c == '\'':
		l.skipQuote(c)
		l.word, l.shut = true, true
	case (c == '|' || c == '>') && len(l.open) == 0:
		l.skipBlock()
		return
	default:
		l.word = true
	}
	l.at++
}

// close takes the innermost bracket off, if it is of the same kind.
func (l *lexer) close(c byte) {
	at := l.open[len(l.open)-1]
	if (l.text[at] == '[') != (c == ']') {
		l.wrong = true
		return
	}
	l.open, l.last = l.open[:len(l.open)-1], at
	l.word, l.shut = true, true
}

// blankBehind says whether an indicator is followed by a blank, a bracket or
// the end of its line; other colons and dashes are part of a word.
func (l *lexer) blankBehind() bool {
	return l.at+1 == len(l.text) || bytes.IndexByte([]byte(" \t\n\r,[]{}\"'"), l.text[l.at+1]) >= 0
}

func (l *lexer) skipLine() {
	if end := bytes.IndexAny(l.text[l.at:], "\n\r"); end >= 0 {
		l.at += end
		return
	}
	l.at = len(l.text)
}

// skipQuote goes to the closing quote.
// Source: YAML 1.2.2, 7.3.1 (double: backslash escapes) and 7.3.2 (single: a
// quote is written twice).
func (l *lexer) skipQuote(q byte) {
	start := l.at
	for l.at++; l.at < len(l.text); l.at++ {
		switch c := l.text[l.at]; {
		case c == '\\' && q == '"':
			l.at++
		case c == q && q == '\'' && l.at+1 < len(l.text) && l.text[l.at+1] == q:
			l.at++
		case c == q:
			return
		}
	}
	l.quote = start
}

// skipBlock goes behind a text of | or >: all lines indented deeper than the
// one it begins on.
func (l *lexer) skipBlock() {
	start := bytes.LastIndexAny(l.text[:l.at], "\n\r") + 1
	own := indent(l.text[start:])
	for l.skipLine(); l.at < len(l.text); l.skipLine() {
		l.at++
		rest := l.text[l.at:]
		if deep := indent(rest); deep <= own && deep < len(rest) && rest[deep] != '\n' && rest[deep] != '\r' {
			return
		}
	}
}

// indent is how many blanks a line begins with.
func indent(line []byte) int { return len(line) - len(bytes.TrimLeft(line, " ")) }
