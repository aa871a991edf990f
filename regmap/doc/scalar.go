package doc

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// scalar is the value's text; a block, a list or nothing is a fault.
func (n Node) scalar(wanted string) (string, bool) {
	if !n.IsScalar() || n.empty() {
		n.Fault("%s is wanted here, this is %s", wanted, n.kind())
		return "", false
	}
	return n.v.text, true
}

// Text is any text. Nothing is a fault; an empty text in quotes is not.
func (n Node) Text() (string, bool) { return n.scalar("a text") }

var namePattern = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)

// NamePattern is the grammar of names, for schemas.
const NamePattern = `^[a-z][a-z0-9]*(-[a-z0-9]+)*$`

// IsName says whether s is a name: lower-case letters, digits and single
// hyphens, a letter first.
func IsName(s string) bool { return namePattern.MatchString(s) }

// NameText is a name given as a value.
func (n Node) NameText() (string, bool) {
	s, ok := n.scalar("a name")
	if ok && !IsName(s) {
		n.Fault("%q is no name", s).Hint = nameHint
		return "", false
	}
	return s, ok
}

// KeyName is the key as a name.
func (n Node) KeyName() (string, bool) {
	if s := n.Name(); IsName(s) {
		return s, true
	}
	n.KeyFault("%q is no name", n.Name()).Hint = nameHint
	return "", false
}

const nameHint = "names are lower-case letters, digits and hyphens, a letter first"

var (
	wholePattern   = regexp.MustCompile(`^-?(0|[1-9][0-9]*)$`)
	hexPattern     = regexp.MustCompile(`^-?0x[0-9A-Fa-f]+$`)
	leadingZero    = regexp.MustCompile(`^-?0[0-9]+$`)
	decimalPattern = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]{1,3})?$`)
	leadingZeros   = regexp.MustCompile(`^-?0[0-9]+\.[0-9]+$`)
	timePattern    = regexp.MustCompile(`^([0-9]+(\.[0-9]+)?(ns|us|µs|ms|s|m|h))+$`)
)

// longestNumber is the longest number that is read, in characters. The widest
// value of a map has 20 digits.
const longestNumber = 64

// number is the text of a value that should be a number.
func (n Node) number(wanted string) (string, bool) {
	s, ok := n.scalar("a " + wanted)
	if ok && len(s) > longestNumber {
		n.Fault("a %s of %d characters is longer than any that is meant", wanted, len(s))
		return "", false
	}
	return s, ok
}

// Integer is a whole number from low to high, decimal or 0x hex. A leading
// zero is a fault, because YAML readers do not agree on what it means.
func (n Node) Integer(low, high int64) (int64, bool) {
	s, ok := n.number("whole number")
	if !ok {
		return 0, false
	}
	v, ok := n.whole(s)
	if !ok {
		return 0, false
	}
	if v.Cmp(big.NewInt(low)) < 0 || v.Cmp(big.NewInt(high)) > 0 {
		n.Fault("%s is outside %d to %d", s, low, high)
		return 0, false
	}
	return v.Int64(), true
}

// Unsigned is a whole number from 0 to high, decimal or 0x hex.
func (n Node) Unsigned(high uint64) (uint64, bool) {
	s, ok := n.number("whole number")
	if !ok {
		return 0, false
	}
	v, ok := n.whole(s)
	if !ok {
		return 0, false
	}
	if v.Sign() < 0 || v.Cmp(new(big.Int).SetUint64(high)) > 0 {
		n.Fault("%s is outside 0 to %d", s, high)
		return 0, false
	}
	return v.Uint64(), true
}

// whole reads the grammar of whole numbers.
func (n Node) whole(s string) (*big.Int, bool) {
	switch {
	case wholePattern.MatchString(s), hexPattern.MatchString(s):
		v, ok := new(big.Int).SetString(s, 0)
		return v, ok
	case leadingZero.MatchString(s):
		n.octalFault(s)
	case decimalPattern.MatchString(s):
		n.Fault("%s is no whole number", s)
	default:
		n.Fault("%q is no whole number", s).Hint = "write digits, or 0x and hex digits"
	}
	return nil, false
}

// zerosFault is for a number with leading zeros and decimals.
func (n Node) zerosFault(s string) {
	digits := strings.TrimLeft(strings.TrimPrefix(s, "-"), "0")
	if digits[0] == '.' {
		digits = "0" + digits
	}
	if s[0] == '-' {
		digits = "-" + digits
	}
	n.Fault("%s has a leading zero", s).Hint = "write " + digits
}

// octalFault is for a number with a leading zero.
func (n Node) octalFault(s string) {
	digits, sign := strings.TrimLeft(strings.TrimPrefix(s, "-"), "0"), ""
	if digits == "" {
		digits = "0"
	}
	if s[0] == '-' {
		sign = "-"
	}
	if octal, err := strconv.ParseUint(digits, 8, 64); err == nil && fmt.Sprint(octal) != digits {
		n.Fault("%s can be read as %s%s or as %s%d", s, sign, digits, sign, octal).Hint = "write " + sign + digits
		return
	}
	n.Fault("%s has a leading zero", s).Hint = "write " + sign + digits
}

// Decimal is a decimal number, exactly as written.
func (n Node) Decimal() (*big.Rat, bool) {
	s, ok := n.number("number")
	if !ok {
		return nil, false
	}
	if hexPattern.MatchString(s) {
		v, _ := new(big.Int).SetString(s, 0)
		return new(big.Rat).SetInt(v), true
	}
	if !decimalPattern.MatchString(s) {
		switch {
		case leadingZero.MatchString(s):
			n.octalFault(s)
		case leadingZeros.MatchString(s):
			n.zerosFault(s)
		case strings.Contains(s, ","):
			n.Fault("%q is no number", s).Hint = "write the decimal point as a point"
		default:
			n.Fault("%q is no number", s).Hint = "write digits with a decimal point, such as 0.5"
		}
		return nil, false
	}
	return new(big.Rat).SetString(s)
}

// Places is how many decimal places a decimal number is written with: 2 for
// 3.00, 4 for 1.5e-3, 0 for what is no decimal number.
func (n Node) Places() int {
	if !n.IsScalar() || !decimalPattern.MatchString(n.v.text) {
		return 0
	}
	mantissa, exponent, _ := strings.Cut(strings.ToLower(n.v.text), "e")
	_, decimals, _ := strings.Cut(mantissa, ".")
	power, _ := strconv.Atoi(exponent) // "" is 0
	return max(len(decimals)-power, 0)
}

// Flag is true or false, and nothing else.
func (n Node) Flag() (value, ok bool) {
	s, ok := n.scalar("true or false")
	switch {
	case !ok:
	case s == "true":
		return true, true
	case s == "false":
		return false, true
	default:
		n.Fault("true or false is wanted here, this is %q", s)
	}
	return false, false
}

// Duration is a time with its unit: 500ms, 5s, 10m, 1h30m; not negative.
func (n Node) Duration() (time.Duration, bool) {
	s, ok := n.number("time with its unit")
	if !ok {
		return 0, false
	}
	d, err := time.ParseDuration(s)
	fits := timePattern.MatchString(s)
	switch {
	case err == nil && fits:
		return d, true
	case fits:
		n.Fault("%s is longer than 292 years", s)
	case strings.HasPrefix(s, "-") && timePattern.MatchString(s[1:]):
		n.Fault("%s is below zero", s)
	case decimalPattern.MatchString(s):
		n.Fault("%s has no unit of time", s).Hint = "write it as " + s + "s, or with ms, m or h"
	default:
		n.Fault("%q is no time", s).Hint = "write a number and its unit, such as 500ms, 5s or 10m"
	}
	return 0, false
}

// Choice is one of the given words; it gives the word's index.
func (n Node) Choice(words []string) (int, bool) {
	s, ok := n.scalar("one of " + strings.Join(words, ", "))
	if !ok {
		return 0, false
	}
	for i, w := range words {
		if w == s {
			return i, true
		}
	}
	f := n.Fault("%q is none of %s", s, strings.Join(words, ", "))
	if near := Near(s, words); near != "" {
		f.Hint = "did you mean " + near + "?"
	}
	return 0, false
}

// Near is the word most like s, or "" when none is near: at most a third of
// its letters differ.
func Near(s string, words []string) string {
	best, bestAt := "", len([]rune(s))/3+1
	for _, w := range words {
		if d := distance(s, w, bestAt); d < bestAt || d == bestAt && best == "" {
			best, bestAt = w, d
		}
	}
	return best
}

// longestWord is the longest word that is compared with others, in bytes.
const longestWord = 64

// distance is how many letters must be put in, left out, changed or exchanged
// with their neighbour to make a out of b; anything above limit is limit+1.
func distance(a, b string, limit int) int {
	if len(a)-len(b) > limit || len(b)-len(a) > limit || max(len(a), len(b)) > longestWord {
		return limit + 1
	}
	var rows [3][longestWord + 1]int
	older, prev, row := &rows[0], &rows[1], &rows[2]
	for j := range len(b) + 1 {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := prev[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			row[j] = min(prev[j]+1, row[j-1]+1, change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], older[j-2]+1)
			}
		}
		older, prev, row = prev, row, older
	}
	return prev[len(b)]
}
