package process

import (
	"math"

	"plumbline/regmap/doc"
)

// A shape turns a level into a volume and back, m and m3. Both go only from
// empty to full.
type shape interface {
	volume(level float64) float64
	level(volume float64) float64
	height() float64 // of the full vessel
}

// prism is a vessel with upright walls.
type prism struct{ area, high float64 } // m2, m

func (p prism) volume(h float64) float64 { return p.area * h }
func (p prism) level(v float64) float64  { return v / p.area }
func (p prism) height() float64          { return p.high }

// cylinder is a horizontal cylinder with flat ends.
type cylinder struct{ diameter, length float64 } // m

func (c cylinder) height() float64 { return c.diameter }

func (c cylinder) full() float64 { return math.Pi / 4 * c.diameter * c.diameter * c.length }

// share is which part of a horizontal cylinder is full at a part x of its
// height: [acos(1-2x) - 2(1-2x) sqrt(x-x^2)] / pi. Source: trade article on
// strapping of horizontal cylinders.
func share(x float64) float64 {
	x = min(max(x, 0), 1)
	return (math.Acos(1-2*x) - 2*(1-2*x)*math.Sqrt(x-x*x)) / math.Pi
}

func (c cylinder) volume(h float64) float64 { return c.full() * share(h/c.diameter) }

// level finds the height by steps along the slope of share, which has no
// inverse in closed form; the upper half is the lower one turned over.
func (c cylinder) level(v float64) float64 {
	want := v / c.full()
	switch {
	case want <= 0:
		return 0
	case want >= 1:
		return c.diameter
	case want > 0.5:
		return c.diameter * (1 - depth(1-want))
	}
	return c.diameter * depth(want)
}

// depth is the x of a share up to a half, within (0, 0.5].
func depth(want float64) float64 {
	low, high := 0.0, 0.5
	x := math.Cbrt(sq(want * 3 * math.Pi / 16)) // a shallow segment is 16/(3 pi) x^1.5
	for range 64 {
		x = min(max(x, low), high)
		f := share(x) - want
		if f == 0 {
			return x
		}
		if f < 0 {
			low = x
		} else {
			high = x
		}
		next := x - f/(8/math.Pi*math.Sqrt(x-x*x))
		if !(next > low && next < high) {
			next = low + (high-low)/2
		}
		if abs(next-x) <= 1e-16 || next <= low || next >= high {
			return next
		}
		x = next
	}
	return x
}

func sq(x float64) float64 { return x * x }

// strapping is a vessel by its table, straight between the corners.
type strapping struct{ up, back []corner } // level to volume, volume to level

func (s strapping) volume(h float64) float64 { return between(s.up, h) }
func (s strapping) level(v float64) float64  { return between(s.back, v) }
func (s strapping) height() float64          { return s.up[len(s.up)-1].x }

// shapeSpec is the geometry as written.
type shapeSpec struct {
	area, high, diameter, length float64
	table                        []corner
	form                         [3]int // how many keys of each of the three forms
}

const (
	mostHeight = 200  // m; higher than any vessel
	mostVolume = 1e6  // m3
	mostArea   = 1e5  // m2
	leastSize  = 1e-3 // m, m2
)

func sized(key, about, unit string, high float64, form int, at func(*shapeSpec) *float64) doc.Field[shapeSpec] {
	f := quantity(key, about, unit, leastSize, high, at)
	read := f.Read
	f.Read = func(s *shapeSpec, n doc.Node) { s.form[form]++; read(s, n) }
	return f
}

var shapeTable = doc.NewTable(
	sized("area", "upright walls: the surface", "m2", mostArea, 0, func(s *shapeSpec) *float64 { return &s.area }),
	sized("height", "upright walls: from floor to brim", "m", mostHeight, 0, func(s *shapeSpec) *float64 { return &s.high }),
	sized("diameter", "horizontal cylinder with flat ends: inside", "m", mostHeight, 1, func(s *shapeSpec) *float64 { return &s.diameter }),
	sized("length", "horizontal cylinder with flat ends: inside", "m", mostHeight, 1, func(s *shapeSpec) *float64 { return &s.length }),
	doc.Custom("table", "a strapping table: pairs of level in m and volume in m3, from [0, 0], straight between them", cornersShape(doc.DecimalNumber),
		func(s *shapeSpec, n doc.Node) { s.form[2] += 2; s.table = strappingTable(n) }),
)

func strappingTable(n doc.Node) []corner {
	t, ok := corners(n, func(x doc.Node) (float64, bool) { return within(x, "m", 0, mostHeight) }, "m3", 0, mostVolume)
	if !ok {
		return nil
	}
	if t[0] != (corner{}) {
		n.Fault("a strapping table begins with [0, 0]")
		return nil
	}
	for i := 1; i < len(t); i++ {
		if t[i].y <= t[i-1].y {
			n.Fault("the volumes of a strapping table must rise; %s m3 comes after %s m3", digits(t[i].y), digits(t[i-1].y))
			return nil
		}
	}
	return t
}

// shape is what the keys make together; nil with a fault.
func (s *shapeSpec) shape(n doc.Node) shape {
	switch s.form {
	case [3]int{2, 0, 0}:
		return prism{s.area, s.high}
	case [3]int{0, 2, 0}:
		return cylinder{s.diameter, s.length}
	case [3]int{0, 0, 2}:
		if s.table == nil {
			return nil // reported where it was read
		}
		t := strapping{up: s.table}
		for _, c := range s.table {
			t.back = append(t.back, corner{c.y, c.x})
		}
		return t
	}
	n.Fault("a vessel is given by area and height, by diameter and length, or by a table").Hint = "write one of the three"
	return nil
}
