package process

import (
	"strconv"
	"strings"
	"time"

	"plumbline/regmap/doc"
)

func join(words []string) string { return strings.Join(words, ", ") }

func abs(f float64) float64 { return max(f, -f) }

// digits is a number for people, without needless zeros.
func digits(f float64) string { return strconv.FormatFloat(f, 'g', 6, 64) }

// float is a decimal number of a file; NaN never comes.
func float(n doc.Node) (float64, bool) {
	r, ok := n.Decimal()
	if !ok {
		return 0, false
	}
	f, _ := r.Float64()
	return f, true
}

// quantity is a field of a number with its unit and the limits it may have.
func quantity[T any](key, about, unit string, low, high float64, at func(*T) *float64) doc.Field[T] {
	return doc.Custom(key, about+", "+unit, doc.Shape{Kind: doc.DecimalNumber}, func(t *T, n doc.Node) {
		if f, ok := within(n, unit, low, high); ok {
			*at(t) = f
		}
	})
}

// within is a number between limits.
func within(n doc.Node, unit string, low, high float64) (float64, bool) {
	f, ok := float(n)
	if ok && (f < low || f > high) {
		n.Fault("%s %s is outside %s to %s %s", digits(f), unit, digits(low), digits(high), unit)
		return 0, false
	}
	return f, ok
}

// period is a field of a time that lies between limits.
func period[T any](key, about string, low, high time.Duration, at func(*T) *time.Duration) doc.Field[T] {
	return doc.Custom(key, about, doc.Shape{Kind: doc.TimeSpan}, func(t *T, n doc.Node) {
		d, ok := n.Duration()
		switch {
		case ok && (d < low || d > high):
			n.Fault("%s is outside %s to %s", d, low, high)
		case ok:
			*at(t) = d
		}
	})
}

// stepField is the fixed step of a process.
func stepField[T any](at func(*T) *time.Duration) doc.Field[T] {
	return period("step", "the fixed step of the calculation; left out, 100ms", time.Millisecond, time.Minute, at)
}

// kindField is the key that chose the table it stands in.
func kindField[T any](name string) doc.Field[T] {
	return doc.Choice("kind", "which process it is", []string{name}, func(*T, int) {}).Must()
}

// pointField is a field that names a point of the map.
func pointField[T any](key, about string, at func(*T) *doc.Node) doc.Field[T] {
	return doc.Custom(key, "the point that shows or gives: "+about, doc.Shape{Kind: doc.AnyText}, func(t *T, n doc.Node) { *at(t) = n })
}

// numberOrPoint is a field of a number, or of the point that holds it.
func numberOrPoint[T any](key, about, unit string, at func(*T) *doc.Node) doc.Field[T] {
	shape := doc.Shape{Kind: doc.Either, Forms: []doc.Shape{{Kind: doc.DecimalNumber}, {Kind: doc.AnyText}}}
	return doc.Custom(key, about+", "+unit+", or the point that holds it", shape, func(t *T, n doc.Node) { *at(t) = n })
}

// A corner is one pair of a table: where, and how much.
type corner struct{ x, y float64 }

// between is the table's value at x, straight between its corners and level
// beyond them.
func between(table []corner, x float64) float64 {
	low, high := 0, len(table)-1
	switch {
	case x <= table[low].x:
		return table[low].y
	case x >= table[high].x:
		return table[high].y
	}
	for high-low > 1 {
		if mid := (low + high) / 2; table[mid].x <= x {
			low = mid
		} else {
			high = mid
		}
	}
	a, b := table[low], table[high]
	return a.y + (b.y-a.y)*(x-a.x)/(b.x-a.x)
}

// cornersShape is what a table of pairs looks like.
func cornersShape(x doc.ShapeKind) doc.Shape {
	pair := doc.Shape{Kind: doc.ListOf, Item: &doc.Shape{Kind: x}}
	if x != doc.DecimalNumber {
		pair.Item = &doc.Shape{Kind: doc.Either, Forms: []doc.Shape{{Kind: x}, {Kind: doc.DecimalNumber}}}
	}
	return doc.Shape{Kind: doc.ListOf, Item: &pair}
}

// fewestCorners is how many pairs make a table.
const fewestCorners = 2

// corners reads a table of pairs whose first numbers rise; y has limits, and x
// is read by what is given. ok is false when there was a fault.
func corners(n doc.Node, x func(doc.Node) (float64, bool), unit string, low, high float64) (table []corner, ok bool) {
	before := n.Report().Count()
	for _, e := range n.Items() {
		if !e.IsList() || e.Len() != 2 {
			e.Fault("a pair of two numbers is wanted here")
			continue
		}
		var c corner
		var sound bool
		for i, v := range e.Items() {
			if i == 0 {
				c.x, sound = x(v)
				continue
			}
			if y, fits := within(v, unit, low, high); fits && sound {
				c.y = y
				if k := len(table); k > 0 && c.x <= table[k-1].x {
					e.Fault("the first numbers of the pairs must rise")
				}
				table = append(table, c)
			}
		}
	}
	if n.Report().Count() == before && len(table) < fewestCorners {
		n.Fault("a table has at least %d pairs, this has %d", fewestCorners, len(table))
	}
	return table, n.Report().Count() == before
}

// seconds reads the first number of a pair that is a time.
func seconds(n doc.Node) (float64, bool) {
	d, ok := n.Duration()
	return d.Seconds(), ok
}
