package simdevice

import (
	"fmt"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/simdevice/fault"
)

// order is a line that was understood.
type order struct {
	verb  string
	point string // its name; "" for a verb that has none
	value string
	units []regmap.Unit  // that the line is for; with a point those that have it
	on    *regmap.Unit   // as written
	of    frame.Function // 0: any
	touch string         // only requests that touch this point
	code  frame.Exception
	by    int
	rats  []*big.Rat
	rule  fault.Script
	how   string // outside, release: what

	after, length time.Duration
	chance        fault.Chance

	first *regmap.Point // the point in the first of units
	shows string        // for words: what it was, what it shows
}

// maxLine is the most bytes of a line. Ours.
const maxLine = 4096

// parse reads a line. Errors say what was found and what is allowed.
func (f *Faults) parse(text string) (*order, error) {
	if len(text) > maxLine {
		return nil, fmt.Errorf("the line has %d bytes; at most %d", len(text), maxLine)
	}
	w := lineWords{left: strings.Fields(text)}
	o := &order{}
	if w.take("after") {
		o.after = w.time()
	}
	o.verb = w.next("a point or a verb")
	row, known := verbRows[o.verb]
	if o.verb == "fault" { // keeps its own language
		script, err := fault.Parse(strings.Join(w.left, " "))
		if err != nil && w.fault == nil {
			w.fail("%s", strings.ReplaceAll(err.Error(), "\n", "; "))
		}
		o.rule, w.left = script, nil
	}
	switch {
	case w.fault != nil:
	case w.peek() == "=" && o.verb != "=":
		o.point, o.verb = o.verb, "="
		row = verbRows["="]
		w.take("=")
		o.value = w.value()
	case !known || row.read == nil: // "=" has no word of its own
		near := ""
		if n := doc.Near(o.verb, verbNames()); n != "" {
			near = "; did you mean " + n + "?"
		}
		w.fail("%.60q is none of POINT = VALUE, %s%s", o.verb, strings.Join(verbNames(), ", "), near)
	default:
		row.read(&w, o)
	}
	for w.fault == nil && len(w.left) > 0 {
		w.tail(o, row.tails)
	}
	if w.fault != nil {
		return nil, w.fault
	}
	return o, f.resolve(o)
}

// resolve finds the units and the point that a line speaks of.
func (f *Faults) resolve(o *order) error {
	if o.on != nil && f.station.Bank(*o.on) == nil {
		return fmt.Errorf("unit %d is not here; %v are", *o.on, f.station.units)
	}
	o.units = f.station.units
	if o.on != nil {
		o.units = []regmap.Unit{*o.on}
	}
	name := o.point
	if name == "" {
		name = o.touch
	}
	if name == "" {
		return nil
	}
	var have []regmap.Unit
	for _, u := range o.units {
		if p := f.station.Bank(u).device.Point(name); p != nil && !p.Derived() {
			have = append(have, u)
			if o.first == nil {
				o.first = p
			}
		}
	}
	if len(have) == 0 {
		return f.noPoint(name, o.units)
	}
	o.units = have
	return nil
}

// noPoint says that no unit has the point.
func (f *Faults) noPoint(name string, units []regmap.Unit) error {
	var names []string
	for _, u := range units {
		for p := range f.station.Bank(u).device.Readings {
			if p.Name == name {
				return fmt.Errorf("%s is worked out of other points; name those", name)
			}
			names = append(names, p.Name)
		}
	}
	if near := doc.Near(name, names); near != "" {
		return fmt.Errorf("%.60q is no point here; did you mean %s?", name, near)
	}
	return fmt.Errorf("%.60q is no point here", name)
}

// lineWords are the words of a line still to be read. The first fault ends it.
type lineWords struct {
	left  []string
	fault error
}

func (w *lineWords) fail(format string, args ...any) {
	if w.fault == nil {
		w.fault = fmt.Errorf(format, args...)
	}
}

func (w *lineWords) peek() string {
	if w.fault != nil || len(w.left) == 0 {
		return ""
	}
	return w.left[0]
}

func (w *lineWords) take(word string) bool {
	if w.peek() != word {
		return false
	}
	w.left = w.left[1:]
	return true
}

func (w *lineWords) need(word string) {
	if !w.take(word) {
		w.fail("%s is wanted where %.60q stands", word, w.peek())
	}
}

func (w *lineWords) next(what string) string {
	if w.fault != nil {
		return ""
	}
	if len(w.left) == 0 {
		w.fail("the line ends where %s should be", what)
		return ""
	}
	got := w.left[0]
	w.left = w.left[1:]
	return got
}

// value is what stands behind "=": one word, and more of them up to a tail,
// for texts with blanks.
func (w *lineWords) value() string {
	parts := []string{w.next("a value")}
	for len(w.left) > 0 && !tailBegins(w.left) {
		parts = append(parts, w.next(""))
	}
	return strings.Join(parts, " ")
}

// tailBegins says whether a tail stands here.
func tailBegins(words []string) bool {
	second := ""
	if len(words) > 1 {
		second = words[1]
	}
	switch words[0] {
	case "for":
		_, err := time.ParseDuration(second)
		return err == nil
	case "with":
		return strings.HasSuffix(second, "%")
	case "on":
		return second == "unit"
	}
	return false
}

// Tails that a verb may have.
const (
	tailFor = 1 << iota
	tailWith
	tailUnit
	tailFunction
	tailTouching
)

// tail reads one condition behind a line.
func (w *lineWords) tail(o *order, allowed int) {
	key := w.next("a condition")
	kind := map[string]int{"for": tailFor, "with": tailWith, "on": tailUnit, "of": tailFunction, "touching": tailTouching}[key]
	if kind == 0 || kind&allowed == 0 {
		w.fail("%.60q is not understood here; %s", key, tailNames(allowed))
		return
	}
	twice := false
	switch kind {
	case tailFor:
		twice, o.length = o.length != 0, w.time()
	case tailWith:
		twice = o.chance != 0
		o.chance = w.chance()
	case tailUnit:
		w.need("unit")
		twice = o.on != nil
		o.on = w.unit()
	case tailFunction:
		w.need("function")
		twice = o.of != 0
		o.of = frame.Function(w.hex("a function", 1, 127))
	case tailTouching:
		twice = o.touch != ""
		o.touch = w.next("a point")
	}
	if twice {
		w.fail("%s is given twice", key)
	}
}

func tailNames(allowed int) string {
	var names []string
	for i, n := range []string{"for TIME", "with P%", "on unit N", "of function CODE", "touching POINT"} {
		if allowed&(1<<i) != 0 {
			names = append(names, n)
		}
	}
	if len(names) == 0 {
		return "the line should end"
	}
	return "allowed is " + strings.Join(names, ", ")
}

func (w *lineWords) time() time.Duration {
	got := w.next("a time")
	d, err := time.ParseDuration(got)
	if w.fault == nil && (err != nil || d <= 0 || d > fault.MaxTime) {
		w.fail("%.60q is no time; write a number above 0 and its unit, such as 500ms or 30s", got)
	}
	return d
}

// chance reads a percentage in the words of the fault language.
func (w *lineWords) chance() fault.Chance {
	got := w.next("a percentage")
	s, err := fault.Parse("answers: drop with " + got)
	if w.fault == nil && (err != nil || len(s.Rules) != 1) {
		w.fail("%.60q is no percentage; write one such as 5%% or 0.25%%", got)
		return 0
	}
	if w.fault != nil {
		return 0
	}
	return s.Rules[0].When.Chance
}

func (w *lineWords) unit() *regmap.Unit {
	got := w.next("a unit")
	n, err := strconv.ParseUint(got, 10, 8)
	if err != nil && w.fault == nil {
		w.fail("%.60q is no unit; units are 1 to 255", got)
	}
	u := regmap.Unit(n)
	return &u
}

// hex reads a code as the standards write it.
func (w *lineWords) hex(what string, low, high uint64) uint64 {
	got := w.next(what)
	n, err := strconv.ParseUint(strings.TrimPrefix(got, "0x"), 16, 8)
	if w.fault == nil && (err != nil || n < low || n > high) {
		w.fail("%.60q is not %s; codes are %02X to %02X, as the standard writes them", got, what, low, high)
	}
	return n
}

func (w *lineWords) whole(what string, low, high int) int {
	got := w.next(what)
	n, err := strconv.Atoi(got)
	if w.fault == nil && (err != nil || n < low || n > high) {
		w.fail("%s %.60q is outside %d to %d", what, got, low, high)
	}
	return n
}

// plainNumber is a decimal number without exponent: what people write.
var plainNumber = regexp.MustCompile(`^[+-]?[0-9]{1,30}(\.[0-9]{1,30})?$`)

func ratOf(w *lineWords, got string) *big.Rat {
	if w.fault != nil {
		return new(big.Rat)
	}
	if !plainNumber.MatchString(got) {
		w.fail("%.60q is no number", got)
		return new(big.Rat)
	}
	r, _ := new(big.Rat).SetString(got)
	return r
}

func verbNames() []string {
	names := []string{}
	for n := range verbRows {
		if n != "=" {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	return names
}
