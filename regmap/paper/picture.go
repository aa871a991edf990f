package paper

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// A Picture is a small drawing in black and greys: the same lines in HTML, in
// PDF and as an SVG file. Places are in points (1/72 inch) from the top left
// corner, x to the right, y down.
type Picture struct {
	Title         string // what it shows, in words; stands below it
	Width, Height float64
	Shapes        []Shape
	Facts         []Fact // its numbers, beside it where there is room
	Plain         string // the same in characters, for text and Markdown; "": only its title stands there
}

// within is a label's text as far as it fits into a picture of that size: text
// from outside must not run over what stands around the picture. What no face
// has is taken to be as wide as the type is high.
func (l Label) within(width, height float64) string {
	at, all := l.X, width
	if l.Upward {
		at, all = height-l.Y, height
	}
	room := all - at
	switch l.Anchor {
	case AnchorMiddle:
		room = 2 * min(at, all-at)
	case AnchorEnd:
		room = at
	}
	if l.Room > 0 {
		room = min(room, l.Room)
	}
	f := newFaces().of(l.Mono, l.Bold)
	m := func(r rune) float64 {
		if w, ok := f.look(r); ok {
			return w * l.Size / 1000
		}
		return l.Size
	}
	if measure(m).of(l.Text) <= room {
		return l.Text
	}
	if room < measure(m).of("...") {
		return ""
	}
	return cut(l.Text, room, m)
}

// A Shape is one stroke of a picture: Line, Rect, Polyline or Label. A shape
// with a place that is no finite number is left out; a polyline has a gap
// there. A label that would run out of the picture is cut.
type Shape interface {
	// placed gives the shape scaled and then shifted.
	placed(scale, dx, dy float64) Shape
	// draw draws it; only called with finite places.
	draw(c canvas)
	cleaned() Shape
	finite() bool
}

// A canvas is what a back end draws shapes on.
type canvas interface {
	line(Line)
	rect(Rect)
	polyline(Polyline)
	label(Label)
}

// A Pen is how a line looks. The zero Pen draws half a point in black.
type Pen struct {
	Width float64   // in points; 0 is 0.5
	Shade float64   // 0 is black, 1 is white
	Dash  []float64 // lengths of strokes and gaps in turn, in points; nil is a whole line
}

// Line is a straight line.
type Line struct {
	X1, Y1, X2, Y2 float64
	Pen            Pen
}

// Rect is a rectangle, its top left corner given: an outline, or filled.
type Rect struct {
	X, Y, Width, Height float64
	Filled              bool // with the pen's shade, without outline
	Pen                 Pen
}

// Polyline joins points by straight lines.
type Polyline struct {
	Points []Point
	Pen    Pen
}

// A Point is a place in a picture.
type Point struct{ X, Y float64 }

// Label is one line of text; X and Y are on its baseline.
type Label struct {
	X, Y   float64
	Text   string
	Size   float64 // of the type in points; 0 is 8
	Anchor Anchor
	Upward bool // turned by a quarter, so that it reads from below
	Mono   bool
	Bold   bool
	Room   float64 // the text is cut at that width in points; 0: at the picture's edge
}

// Anchor says where on a label its place is.
type Anchor int

// The anchors; the zero Anchor is the start.
const (
	AnchorStart Anchor = iota
	AnchorMiddle
	AnchorEnd
)

// mostPictureSide bounds a picture: paper of 10 m has no use.
const mostPictureSide = 28350

func (p Picture) cleaned() (Piece, error) {
	for _, side := range []float64{p.Width, p.Height} {
		if !(side > 0) || side > mostPictureSide {
			return nil, fmt.Errorf("the picture %q measures %v by %v points; each is above 0 and at most %d", p.Title, p.Width, p.Height, mostPictureSide)
		}
	}
	out := Picture{Title: Text(p.Title), Width: p.Width, Height: p.Height, Facts: cleanFacts(p.Facts), Plain: Block(p.Plain)}
	for _, s := range p.Shapes {
		if s == nil {
			return nil, errors.New("a shape of the picture is nil")
		}
		if s = s.cleaned(); !s.finite() {
			continue
		}
		if l, ok := s.(Label); ok {
			if l.Text = l.within(out.Width, out.Height); l.Text == "" {
				continue
			}
			s = l
		}
		out.Shapes = append(out.Shapes, s)
	}
	return out, nil
}

func (l Line) cleaned() Shape     { l.Pen = l.Pen.cleaned(); return l }
func (r Rect) cleaned() Shape     { r.Pen = r.Pen.cleaned(); return r }
func (l Polyline) cleaned() Shape { l.Pen = l.Pen.cleaned(); return l }
func (l Label) cleaned() Shape {
	l.Text = Text(l.Text)
	if !(l.Size > 0) || l.Size > 1000 {
		l.Size = 8
	}
	return l
}

// cleaned is a pen with its defaults filled in and everything finite.
func (p Pen) cleaned() Pen {
	if !(p.Width > 0) || p.Width > 1000 {
		p.Width = 0.5
	}
	if !(p.Shade > 0) {
		p.Shade = 0
	}
	p.Shade = min(p.Shade, 1)
	var sum float64
	for _, d := range p.Dash {
		if !(d >= 0) || d > 1000 {
			p.Dash = nil
			break
		}
		sum += d
	}
	if sum == 0 {
		p.Dash = nil
	}
	return p
}

func (p Pen) scaled(by float64) Pen {
	p.Width *= by
	p.Dash = slices.Clone(p.Dash)
	for i := range p.Dash {
		p.Dash[i] *= by
	}
	return p
}

// grey is the pen's shade from 0, black, to 255, white.
func (p Pen) grey() int { return int(math.Round(p.Shade * 255)) }

// reach is the greatest distance that a shape may lie from the corner; beyond
// it a place counts as no number.
const reach = 1e6

func finite(places ...float64) bool {
	for _, v := range places {
		if !(math.Abs(v) <= reach) {
			return false
		}
	}
	return true
}

func (l Line) finite() bool { return finite(l.X1, l.Y1, l.X2, l.Y2) }
func (r Rect) finite() bool {
	return finite(r.X, r.Y, r.Width, r.Height) && r.Width >= 0 && r.Height >= 0
}
func (l Label) finite() bool    { return finite(l.X, l.Y) }
func (l Polyline) finite() bool { return len(l.runs()) > 0 }

// runs are the parts of a polyline between its gaps, each of at least two
// points.
func (l Polyline) runs() [][]Point {
	var runs [][]Point
	var run []Point
	for _, p := range append(slices.Clone(l.Points), Point{X: math.NaN()}) {
		if finite(p.X, p.Y) {
			run = append(run, p)
			continue
		}
		if len(run) > 1 {
			runs = append(runs, run)
		}
		run = nil
	}
	return runs
}

func (l Line) draw(c canvas)  { c.line(l) }
func (r Rect) draw(c canvas)  { c.rect(r) }
func (l Label) draw(c canvas) { c.label(l) }
func (l Polyline) draw(c canvas) {
	for _, run := range l.runs() {
		c.polyline(Polyline{Points: run, Pen: l.Pen})
	}
}

func (l Line) placed(scale, dx, dy float64) Shape {
	return Line{X1: l.X1*scale + dx, Y1: l.Y1*scale + dy, X2: l.X2*scale + dx, Y2: l.Y2*scale + dy, Pen: l.Pen.scaled(scale)}
}

func (r Rect) placed(scale, dx, dy float64) Shape {
	return Rect{X: r.X*scale + dx, Y: r.Y*scale + dy, Width: r.Width * scale, Height: r.Height * scale, Filled: r.Filled, Pen: r.Pen.scaled(scale)}
}

func (l Polyline) placed(scale, dx, dy float64) Shape {
	out := Polyline{Points: slices.Clone(l.Points), Pen: l.Pen.scaled(scale)}
	for i, p := range l.Points {
		out.Points[i] = Point{X: p.X*scale + dx, Y: p.Y*scale + dy}
	}
	return out
}

func (l Label) placed(scale, dx, dy float64) Shape {
	l.X, l.Y, l.Size, l.Room = l.X*scale+dx, l.Y*scale+dy, l.Size*scale, l.Room*scale
	return l
}
