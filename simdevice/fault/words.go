package fault

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// MaxCount bounds the counts in a script that hold chunks back or multiply
// them, MaxBytes those that count bytes or bits. Ours.
const (
	MaxCount = 64
	MaxBytes = 4096
)

// MaxTime bounds every time in a script. Ours: a year and a day.
const MaxTime = 366 * 24 * time.Hour

// word is a word of a line with its column, from 1, in characters.
type word struct {
	text   string
	column int
}

// words is a line being read. The first fault ends it: what follows cannot be
// understood.
type words struct {
	line  int
	left  []word
	past  int // the column after the last word, for what is missing
	fault *Fault
}

// cut splits a line at its blanks; a word that begins with # begins a comment,
// and a colon ends a word.
func cut(line int, text string) *words {
	w := &words{line: line}
	start, column := -1, 0
	flush := func(end int, at int) {
		if start >= 0 {
			w.left = append(w.left, word{text[start:end], at - utf8.RuneCountInString(text[start:end])})
		}
		start = -1
	}
	for i, r := range text {
		column++
		switch {
		case r == '#' && start < 0:
			w.past = column
			return w
		case r == ' ' || r == '\t' || r == '\r':
			flush(i, column)
		case r == ':':
			flush(i, column)
			w.left = append(w.left, word{":", column})
		case start < 0:
			start = i
		}
	}
	flush(len(text), column+1)
	w.past = column + 1
	return w
}

// peek is the next word's text, "" at the end and after a fault.
func (w *words) peek() string {
	if w.fault != nil || len(w.left) == 0 {
		return ""
	}
	return w.left[0].text
}

// next takes a word; what says what it should be, for the fault at the end.
func (w *words) next(what string) word {
	if w.fault != nil {
		return word{}
	}
	if len(w.left) == 0 {
		w.fail(w.past, "the line ends where %s should be", what)
		return word{}
	}
	first := w.left[0]
	w.left = w.left[1:]
	return first
}

// take takes the next word if it is text.
func (w *words) take(text string) bool {
	if w.peek() != text {
		return false
	}
	w.left = w.left[1:]
	return true
}

// need takes the next word, which must be text.
func (w *words) need(text string) {
	if got := w.next(strconv.Quote(text)); w.fault == nil && got.text != text {
		w.fail(got.column, "%.60q; allowed here is %.60q", got.text, text)
	}
}

func (w *words) fail(column int, format string, args ...any) {
	if w.fault == nil {
		w.fault = &Fault{Line: w.line, Column: column, Message: fmt.Sprintf(format, args...)}
	}
}

// oneOf takes a word out of names, whose first is unused, and gives its index.
func (w *words) oneOf(what string, names []string) int {
	got := w.next(what)
	if w.fault != nil {
		return 0
	}
	i := slices.Index(names[1:], got.text)
	if i < 0 {
		w.fail(got.column, "%.60q is no %s; allowed is %s", got.text, what, strings.Join(names[1:], ", "))
		return 0
	}
	return i + 1
}

// number takes a whole number from min to max.
func (w *words) number(what string, min, max int) int {
	got := w.next(what)
	return w.numberIn(got.text, got.column, what, min, max)
}

func (w *words) numberIn(text string, column int, what string, min, max int) int {
	n, ok := digits(text)
	if !ok || n < min || n > max {
		w.fail(column, "%s %.60q; allowed is %d to %d", what, text, min, max)
		return 0
	}
	return n
}

// digits reads plain decimal digits without leading zeros.
func digits(s string) (int, bool) {
	if s == "" || len(s) > 18 || len(s) > 1 && s[0] == '0' {
		return 0, false
	}
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
	}
	n, err := strconv.Atoi(s)
	return n, err == nil
}

// count takes a number or a range of numbers, "1..8".
func (w *words) count(what string, min, max int) Count {
	got := w.next(what)
	low, high, ranged := strings.Cut(got.text, "..")
	if !ranged {
		high = low
	}
	c := Count{w.numberIn(low, got.column, what, min, max), w.numberIn(high, got.column, what, min, max)}
	if w.fault == nil && c.Max < c.Min {
		w.fail(got.column, "%s %.60q; the smaller number comes first", what, got.text)
	}
	return c
}

// isTime says whether the next word reads as a time.
func (w *words) isTime() bool {
	_, err := time.ParseDuration(w.peek())
	return err == nil && !strings.ContainsAny(w.peek()[:1], "+-") && w.peek() != "0"
}

// time takes a time from min up.
func (w *words) time(what string, min time.Duration) time.Duration {
	got := w.next(what)
	return w.timeIn(got.text, got.column, what, min)
}

func (w *words) timeIn(text string, column int, what string, min time.Duration) time.Duration {
	d, err := time.ParseDuration(text)
	if err != nil || strings.HasPrefix(text, "+") || text == "0" || d < min || d > MaxTime {
		w.fail(column, "%s %.60q; allowed is a time with its unit from %s to %s, such as 230ms",
			what, text, durationText(min), durationText(MaxTime))
		return 0
	}
	return d
}

// span takes a time or a range of times, "20ms..80ms".
func (w *words) span(what string) Span {
	got := w.next(what)
	low, high, ranged := strings.Cut(got.text, "..")
	if !ranged {
		high = low
	}
	s := Span{w.timeIn(low, got.column, what, 0), w.timeIn(high, got.column, what, 0)}
	if w.fault == nil && s.Max < s.Min {
		w.fail(got.column, "%s %.60q; the shorter time comes first", what, got.text)
	}
	return s
}

// bytes takes hexadecimal bytes without blanks.
func (w *words) bytes(what string) []byte {
	got := w.next(what)
	if w.fault != nil {
		return nil
	}
	b, err := hex.DecodeString(got.text)
	if err != nil || len(b) == 0 || len(b) > MaxBytes {
		w.fail(got.column, "%s %.60q; allowed is 1 to %d bytes as pairs of hexadecimal digits, such as 00ff",
			what, got.text, MaxBytes)
		return nil
	}
	return b
}

// chance takes a percentage above 0 and up to 100, with at most six decimals.
func (w *words) chance() Chance {
	got := w.next("a chance")
	whole, rest, point := strings.Cut(strings.TrimSuffix(got.text, "%"), ".")
	n, ok := digits(whole)
	part := 0
	if point {
		good := len(rest) > 0 && len(rest) <= 6 && !strings.ContainsAny(rest, "+-_")
		part, _ = strconv.Atoi((rest + "000000")[:6])
		ok = ok && good && strings.Trim(rest, "0123456789") == ""
	}
	if ok && n <= 100 && strings.HasSuffix(got.text, "%") {
		if c := Chance(n)*1_000_000 + Chance(part); c > 0 && c <= Always {
			return c
		}
	}
	w.fail(got.column, "chance %.60q; allowed is above 0%% and up to 100%%, such as 2.5%%", got.text)
	return 0
}

// place takes "at ..." if it is there; max bounds a number.
func (w *words) place(max int) Place {
	if !w.take("at") {
		return Place{}
	}
	switch {
	case w.take("start"):
		return Place{At: Start}
	case w.take("end"):
		return Place{At: Last}
	case w.take("random"):
		return Place{}
	}
	return Place{At: Number, N: w.number("place", 0, max)}
}
