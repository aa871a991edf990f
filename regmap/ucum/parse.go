package ucum

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Limits of a code, so that a hostile one costs little. Ours: the longest code
// met in practice has some 30 characters, the highest exponent is 6.
const (
	maxCode     = 256 // bytes
	maxDepth    = 8   // parentheses within each other
	maxExponent = 99  // of one unit, and of a base quantity in the whole
)

// An Error says why a text is not a code, and where.
type Error struct {
	Code    string // the text
	Column  int    // in characters from 1
	Message string // what was found, and what is allowed
	Hint    string // the code that was probably meant; "" where unknown
}

// Error is the whole in one line.
func (e *Error) Error() string {
	text := fmt.Sprintf("units %q, character %d: %s", e.Code, e.Column, e.Message)
	if e.Hint != "" {
		text += "; " + e.Hint
	}
	return text
}

// Parse reads a code in the case-sensitive form of UCUM. Products and quotients
// are worked from left to right: W/m2.K is (W/m2) times K.
//
// The error is an *Error. For spellings that people use in its place (psi, C,
// m³/h, gpm) its Hint gives the code.
func Parse(code string) (Unit, error) {
	u, err := parse(code)
	if err != nil {
		if s, ok := Suggest(code); ok {
			err.Hint = s.hint()
		}
		return Unit{}, err
	}
	return u, nil
}

// parse is Parse without hints.
func parse(code string) (Unit, *Error) {
	p := parser{code: code, known: known()}
	if len(code) > maxCode {
		return Unit{}, p.fail(0, "a code has at most %d bytes, this has %d", maxCode, len(code))
	}
	m, err := p.whole()
	if err != nil {
		return Unit{}, err
	}
	return Unit{code: code, meaning: m}, nil
}

// parser reads one code by the grammar of UCUM 2.2, section on syntax (from
// memory):
//
//	whole     = ["/"] term
//	term      = component {("." | "/") component}
//	component = symbol [exponent] [annotation] | annotation | number | "(" term ")"
//	exponent  = ["+" | "-"] digits
type parser struct {
	code  string
	at    int // byte
	depth int
	known symbols
	seen  func(symbol string) // told every unit, where set
}

func (p *parser) fail(at int, format string, args ...any) *Error {
	column := 1 + utf8.RuneCountInString(p.code[:at])
	return &Error{Code: p.code, Column: column, Message: fmt.Sprintf(format, args...)}
}

// peek is the next byte, 0 at the end.
func (p *parser) peek() byte {
	if p.at < len(p.code) {
		return p.code[p.at]
	}
	return 0
}

// whole reads the code to its end.
func (p *parser) whole() (meaning, *Error) {
	if p.code == "" {
		return meaning{}, p.fail(0, "nothing is written; the unit of a plain number is 1")
	}
	m, err := p.term()
	if err != nil {
		return meaning{}, err
	}
	if p.at < len(p.code) {
		return meaning{}, p.fail(p.at, "a closing parenthesis without an opening one")
	}
	return m, nil
}

// term reads components up to the end or a closing parenthesis. A leading "/"
// is allowed at the start of the code.
func (p *parser) term() (meaning, *Error) {
	var m meaning
	start, first, over := p.at, true, false
	if p.at == 0 && p.peek() == '/' {
		p.at, first, over = 1, false, true
	}
	for {
		at := p.at
		c, err := p.component()
		if err != nil {
			return meaning{}, err
		}
		if first {
			m, first = c, false
		} else if m, err = p.join(m, c, over, at, start); err != nil {
			return meaning{}, err
		}
		switch p.peek() {
		case '.', '/':
			over = p.peek() == '/'
			p.at++
		case 0, ')':
			return m, nil
		default:
			r, _ := utf8.DecodeRuneInString(p.code[p.at:])
			return meaning{}, p.fail(p.at, "a dot, a slash or the end is wanted before %q", r)
		}
	}
}

// join multiplies or divides two meanings. at is where b stands, start where a
// began.
func (p *parser) join(a, b meaning, over bool, at, start int) (meaning, *Error) {
	if !a.plain() {
		return meaning{}, p.fail(start, "%s", alone)
	}
	if !b.plain() {
		return meaning{}, p.fail(at, "%s", alone)
	}
	sign := 1
	factor := new(big.Rat)
	if over {
		sign = -1
		factor.Quo(a.times(), b.times())
	} else {
		factor.Mul(a.times(), b.times())
	}
	m := meaning{factor: factor, turns: a.turns + sign*b.turns}
	if m.turns > maxExponent || m.turns < -maxExponent {
		return meaning{}, p.fail(at, "the exponent of pi grows beyond %d", maxExponent)
	}
	for i := range m.dimension {
		sum := int(a.dimension[i]) + sign*int(b.dimension[i])
		if sum > maxExponent || sum < -maxExponent {
			return meaning{}, p.fail(at, "the exponent of %s grows beyond %d", baseSymbols[i], maxExponent)
		}
		m.dimension[i] = int8(sum)
	}
	return m, nil
}

const alone = "a temperature or logarithmic scale stands alone, not in a product, quotient or power; a temperature difference is K"

// component reads one factor of a product.
func (p *parser) component() (meaning, *Error) {
	switch c := p.peek(); {
	case c == '(':
		return p.parenthesis()
	case c == '{':
		return meaning{}, p.annotation()
	case c >= '0' && c <= '9':
		return p.number()
	case c == 0 || c == '.' || c == '/' || c == ')':
		return meaning{}, p.fail(p.at, "a unit is wanted here")
	}
	at := p.at
	symbol, err := p.symbol()
	if err != nil {
		return meaning{}, err
	}
	return p.unit(symbol, at)
}

// unit reads what follows a symbol that began at: exponent and annotation.
func (p *parser) unit(symbol string, at int) (meaning, *Error) {
	m, _, ok := p.known.find(symbol)
	if !ok {
		return meaning{}, p.fail(at, "%q is no unit of the table", symbol)
	}
	if p.seen != nil {
		p.seen(symbol)
	}
	m, err := p.exponent(m, at)
	if err != nil {
		return meaning{}, err
	}
	if p.peek() == '{' {
		return m, p.annotation()
	}
	return m, nil
}

func (p *parser) parenthesis() (meaning, *Error) {
	open := p.at
	if p.depth++; p.depth > maxDepth {
		return meaning{}, p.fail(open, "at most %d parentheses stand within each other", maxDepth)
	}
	p.at++
	m, err := p.term()
	if err != nil {
		return meaning{}, err
	}
	if p.peek() != ')' {
		return meaning{}, p.fail(open, "this parenthesis is not closed")
	}
	p.at++
	p.depth--
	return m, nil
}

// annotation skips "{...}": it changes nothing. Source: UCUM 2.2, section on
// curly braces (from memory): ASCII from 33 to 126, no braces within.
func (p *parser) annotation() *Error {
	open := p.at
	for p.at++; p.at < len(p.code); p.at++ {
		switch c := p.code[p.at]; {
		case c == '}':
			p.at++
			return nil
		case c == '{' || c <= ' ' || c > '~':
			r, _ := utf8.DecodeRuneInString(p.code[p.at:])
			return p.fail(p.at, "an annotation holds printable ASCII without blanks and braces, not %q", r)
		}
	}
	return p.fail(open, "this brace is not closed")
}

// number reads a whole number, or a power of ten such as 10*3.
func (p *parser) number() (meaning, *Error) {
	at := p.at
	digits := p.digits()
	if digits == "10" && (p.peek() == '*' || p.peek() == '^') {
		p.at++
		return p.unit(p.code[at:p.at], at)
	}
	value, _ := new(big.Rat).SetString(digits)
	if value.Sign() == 0 {
		return meaning{}, p.fail(at, "a number here is 1 or more, not %s", digits)
	}
	return meaning{factor: value}, nil
}

// digits reads decimal digits.
func (p *parser) digits() string {
	at := p.at
	for p.peek() >= '0' && p.peek() <= '9' {
		p.at++
	}
	return p.code[at:p.at]
}

// symbol reads the code of a unit with its prefix: up to a digit, a sign or a
// mark of the grammar, square brackets taken whole.
func (p *parser) symbol() (string, *Error) {
	at := p.at
	for p.at < len(p.code) {
		c := p.code[p.at]
		switch {
		case c == '[':
			end := strings.IndexByte(p.code[p.at:], ']')
			if end < 0 {
				return "", p.fail(p.at, "this square bracket is not closed")
			}
			p.at += end
		case strings.IndexByte("./(){}+-0123456789", c) >= 0 && p.at > at:
			return p.code[at:p.at], nil
		case c <= ' ' || c > '~' || strings.IndexByte("]+-}", c) >= 0:
			r, _ := utf8.DecodeRuneInString(p.code[p.at:])
			return "", p.fail(p.at, "%q has no place in a code", r)
		}
		p.at++
	}
	return p.code[at:], nil
}

// exponent reads the power behind a unit that began at.
func (p *parser) exponent(m meaning, at int) (meaning, *Error) {
	start, sign := p.at, 1
	if c := p.peek(); c == '+' || c == '-' {
		p.at++
		if c == '-' {
			sign = -1
		}
	}
	digits := p.digits()
	if p.at == start {
		return m, nil
	}
	if digits == "" {
		return meaning{}, p.fail(p.at, "an exponent is wanted after %q", p.code[start:p.at])
	}
	n, err := strconv.Atoi(digits)
	if err != nil || n > maxExponent {
		return meaning{}, p.fail(start, "an exponent is at most %d, not %s", maxExponent, digits)
	}
	if !m.plain() {
		return meaning{}, p.fail(at, "%s", alone)
	}
	n *= sign
	raised := meaning{factor: power(m.times(), n), turns: m.turns * n}
	for i, d := range m.dimension {
		e := int(d) * n
		if e > maxExponent || e < -maxExponent {
			return meaning{}, p.fail(start, "the exponent of %s grows beyond %d", baseSymbols[i], maxExponent)
		}
		raised.dimension[i] = int8(e)
	}
	return raised, nil
}
