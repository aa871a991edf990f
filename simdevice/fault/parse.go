package fault

import (
	"fmt"
	"strconv"
	"strings"
)

// A Fault is one thing wrong in the text of a script.
type Fault struct {
	Line, Column int    // from 1; columns in characters
	Message      string // what was found, and what is allowed
}

// Error is "line:column: message".
func (f Fault) Error() string { return fmt.Sprintf("%d:%d: %s", f.Line, f.Column, f.Message) }

// Faults are the faults of a script in the order of its lines.
type Faults []Fault

// Error is a line for each fault.
func (fs Faults) Error() string {
	var lines []string
	for _, f := range fs {
		lines = append(lines, f.Error())
	}
	return strings.Join(lines, "\n")
}

// Parse reads a script. The error is Faults: the first of each line that has
// one, all of them in one run; the Script is then zero. An empty text is a
// script that changes nothing.
func Parse(text string) (Script, error) {
	var s Script
	var faults Faults
	n := 0
	for row := range strings.Lines(text) {
		n++
		w := cut(n, strings.TrimSuffix(row, "\n"))
		if len(w.left) == 0 {
			continue
		}
		if w.take("seed") {
			s.readSeed(w)
		} else {
			s.readRule(w)
		}
		if w.fault != nil {
			faults = append(faults, *w.fault)
		}
	}
	if len(faults) > 0 {
		return Script{}, faults
	}
	return s, nil
}

func (s *Script) readSeed(w *words) {
	got := w.next("the seed")
	seed, err := strconv.ParseUint(got.text, 10, 64)
	if err != nil || seed == 0 || got.text[0] == '0' || got.text[0] == '+' {
		w.fail(got.column, "seed %.60q; allowed is a whole number from 1 to 18446744073709551615", got.text)
	}
	if s.Seed != 0 {
		w.fail(got.column, "a second seed; a script has one")
	}
	w.end()
	s.Seed = seed
}

func (s *Script) readRule(w *words) {
	r := Rule{Direction: Direction(w.oneOf("direction", directionNames))}
	if w.take("of") {
		w.need("unit")
		r.OfUnit, r.Unit = true, uint8(w.number("unit", 0, 255))
	}
	w.need(":")
	r.Verb = Verb(w.oneOf("verb", verbNames))
	if w.fault == nil {
		verbs[r.Verb].read(w, &r)
	}
	for w.peek() != "" {
		r.When.read(w)
	}
	if len(s.Rules) == MaxRules {
		w.fail(1, "more than %d rules", MaxRules)
	}
	if w.fault == nil {
		s.Rules = append(s.Rules, r)
	}
}

// end says that the line ends here.
func (w *words) end() {
	if w.peek() != "" {
		w.fail(w.left[0].column, "%.60q where the line should end", w.peek())
	}
}

// maxOften bounds the numbers of conditions, so that they cannot overflow.
const maxOften = 1_000_000_000

// read takes one condition.
func (c *Condition) read(w *words) {
	key := w.next("a condition")
	again := false
	switch key.text {
	case "with":
		again = c.Chance != 0
		c.Chance = w.chance()
	case "every":
		again = c.Every != 0
		c.Every = w.number("every", 1, maxOften)
	case "from":
		again = c.readFrom(w)
	case "to":
		again = c.readTo(w)
	case "once":
		again = c.Times != 0
		c.Times = 1
	case "times":
		again = c.Times != 0
		c.Times = w.number("times", 1, maxOften)
	case "overtake":
		again = c.Overtake
		c.Overtake = true
	default:
		w.fail(key.column, "%.60q is no condition; allowed is with, every, from, to, once, times, overtake", key.text)
	}
	if again {
		w.fail(key.column, "%.60q is given twice", key.text)
	}
	if w.fault == nil && (c.To != 0 && c.From > c.To || c.Until != 0 && c.Since >= c.Until) {
		w.fail(key.column, "from is not before to, so the rule never applies")
	}
}

func (c *Condition) readFrom(w *words) (again bool) {
	if w.isTime() {
		again = c.Since != 0
		c.Since = w.time("from", 1)
		return again
	}
	again = c.From != 0
	c.From = w.number("from", 1, maxOften)
	return again
}

func (c *Condition) readTo(w *words) (again bool) {
	if w.isTime() {
		again = c.Until != 0
		c.Until = w.time("to", 1)
		return again
	}
	again = c.To != 0
	c.To = w.number("to", 1, maxOften)
	return again
}
