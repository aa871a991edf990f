package gate

import (
	"fmt"
	"math/big"
	"strings"

	"plumbline/regmap"
)

// encode is a value as the point's registers: the right value. words say why it
// may not be written; empty when it may. before is what the registers hold now.
func encode(p *regmap.Point, v regmap.Value, before []uint16) (raw []uint16, words string) {
	if v.Quality() != regmap.Good {
		return nil, fmt.Sprintf("%s: %s is no value to write", p.Name, p.Shown(v))
	}
	if words := outside(p, v); words != "" {
		return nil, words
	}
	raw, err := p.AppendRaw(nil, v, before)
	if err != nil {
		return nil, err.Error()
	}
	switch back := p.ValueOf(raw); {
	case back.Quality() != regmap.Good:
		return nil, fmt.Sprintf("%s: %s would be written as %s, which means: %s", p.Name, plain(p, v), hex16(raw), back.Cause().Words())
	case !kept(p, v, back):
		return nil, fmt.Sprintf("%s cannot hold %s: it would become %s", p.Name, plain(p, v), plain(p, back))
	}
	return raw, ""
}

// outside holds a number against limits and step.
func outside(p *regmap.Point, v regmap.Value) string {
	r, w := v.Rat(), p.Write
	if r == nil || w == nil {
		return ""
	}
	switch {
	case w.Min != nil && r.Cmp(w.Min) < 0, w.Max != nil && r.Cmp(w.Max) > 0:
		return fmt.Sprintf("%s: %s is outside what may be written: %s", p.Name, plain(p, v), limits(p))
	case w.Step != nil:
		from := new(big.Rat)
		if w.Min != nil {
			from.Set(w.Min)
		}
		if n := from.Quo(from.Sub(r, from), w.Step); !n.IsInt() {
			return fmt.Sprintf("%s: %s is between the steps of %s %s", p.Name, plain(p, v), regmap.Digits(w.Step), p.Units)
		}
	}
	return ""
}

// limits are a point's limits in words.
func limits(p *regmap.Point) string {
	w := p.Write
	switch {
	case w.Min != nil && w.Max != nil:
		return fmt.Sprintf("%s to %s %s", regmap.Digits(w.Min), regmap.Digits(w.Max), p.Units)
	case w.Min != nil:
		return fmt.Sprintf("from %s %s", regmap.Digits(w.Min), p.Units)
	}
	return fmt.Sprintf("up to %s %s", regmap.Digits(w.Max), p.Units)
}

// kept says whether a value comes back from the registers as it was given: a
// whole number to the digit, a float to every decimal that was written.
func kept(p *regmap.Point, given, back regmap.Value) bool {
	a, b := given.Rat(), back.Rat()
	if a == nil || b == nil {
		return same(given, back)
	}
	if p.Type != regmap.TypeFloat32 && p.Type != regmap.TypeFloat64 {
		return a.Cmp(b) == 0
	}
	n, _ := a.FloatPrec()
	return a.FloatString(n) == b.FloatString(n)
}

// same compares contents, not quality. Blanks and NULs at the end of a text are
// padding.
func same(a, b regmap.Value) bool {
	if x, ok := a.Text(); ok {
		y, ok := b.Text()
		return ok && strings.TrimRight(x, " \x00") == strings.TrimRight(y, " \x00")
	}
	if x, ok := a.Bool(); ok {
		y, ok := b.Bool()
		return ok && x == y
	}
	x, y := a.Rat(), b.Rat()
	return x != nil && y != nil && x.Cmp(y) == 0
}

// shows says whether a value that was read is what a text means, as far as the
// point can hold it. words say why that cannot be told.
func shows(p *regmap.Point, text string, read regmap.Value) (yes bool, words string) {
	want, err := p.Means(text)
	if err != nil {
		return false, err.Error()
	}
	return holds(p, want, read), ""
}

// holds says whether a reading is the value as far as the point's registers can
// hold it.
func holds(p *regmap.Point, want, read regmap.Value) bool {
	if read.Quality() != regmap.Good {
		return false
	}
	if !p.Derived() {
		if raw, err := p.AppendRaw(nil, want, make([]uint16, p.Count)); err == nil {
			want = p.ValueOf(raw)
		}
	}
	return same(want, read)
}

// plain is a value with every digit and its units, for messages about digits.
func plain(p *regmap.Point, v regmap.Value) string {
	s := v.Decimal()
	if s == "" {
		s = p.Shown(v)
	}
	return strings.TrimSpace(s + " " + p.Units)
}

// As is a value as people read it, with units.
func As(p *regmap.Point, v regmap.Value) string {
	if v.Kind() == regmap.None {
		return v.Cause().Words()
	}
	return strings.TrimSpace(p.Shown(v) + " " + p.Units)
}
