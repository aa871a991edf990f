package traffic

import (
	"fmt"
	"math"
	"strings"
	"time"

	"plumbline/regmap/paper"
)

// Measures of the pictures in points.
const (
	pictureWidth  = 480
	pictureHeight = 120
	plotLeft      = 40
	plotBottom    = 100
	plotTop       = 10
	labelSize     = 7
)

// Greys that part on a laser printer.
const (
	shadeFrames = 0.0
	shadeHeld   = 0.70
	shadeLine   = 0.5
)

// joinBars is how many buckets make one bar: eight a decade.
const joinBars = 3

// latencies is the picture of all answers' times, request's last bit to their
// last byte, on a logarithmic axis.
func (s *State) latencies() paper.Picture {
	var h histogram
	for u := range s.each {
		h.merge(&u.whole)
	}
	p := paper.Picture{Title: "How many answers took how long, all units; each bar is a third wider than the one before", Width: pictureWidth, Height: pictureHeight}
	p.Shapes = frameShapes()
	if h.count == 0 {
		p.Shapes = append(p.Shapes, paper.Label{X: plotLeft + 10, Y: plotBottom - 40, Text: "no answers", Size: labelSize})
		return p
	}
	first, last := bucketOf(h.least)/joinBars, bucketOf(h.most)/joinBars
	bars := make([]uint64, last-first+1)
	most := uint64(0)
	for i, n := range h.in {
		if b := i/joinBars - first; n > 0 {
			bars[b] += n
			most = max(most, bars[b])
		}
	}
	p.Plain = plainLatencies(bars, first, most)
	width := min(float64(pictureWidth-plotLeft-10)/float64(len(bars)), 40)
	for i, n := range bars {
		x := plotLeft + float64(i)*width
		height := float64(plotBottom-plotTop) * float64(n) / float64(most)
		if n > 0 {
			height = max(height, 1) // one answer is seen
		}
		p.Shapes = append(p.Shapes, paper.Rect{X: x + 1, Y: plotBottom - height, Width: max(width-2, 0.5), Height: height, Filled: true, Pen: paper.Pen{Shade: 0.4}})
		if every := max(len(bars)/8, 1); i%every == 0 {
			low := edges[max((first+i)*joinBars-1, 0)]
			p.Shapes = append(p.Shapes, paper.Label{X: x, Y: plotBottom + 10, Text: span(twoDigits(low)), Size: labelSize})
		}
	}
	p.Shapes = append(p.Shapes, paper.Label{X: plotLeft - 4, Y: plotTop + 4, Text: fmt.Sprint(most), Size: labelSize, Anchor: paper.AnchorEnd})
	for _, f := range []struct {
		name string
		d    time.Duration
	}{{"Shortest", h.least}, {"Mean", h.mean()}, {"Median", h.quantile(0.5)}, {"99 of 100", h.quantile(0.99)}, {"999 of 1000", h.quantile(0.999)}, {"Longest", h.most}} {
		p.Facts = append(p.Facts, paper.Fact{Name: f.name, Value: span(f.d)})
	}
	p.Facts = append(p.Facts, paper.Fact{Name: "Of", Value: count(h.count, "answer") + "; all but shortest, mean and longest are up to 10 % too high"})
	return p
}

// twoDigits rounds a time for an axis.
func twoDigits(d time.Duration) time.Duration {
	if d <= 0 {
		return 0
	}
	step := math.Pow(10, math.Floor(math.Log10(float64(d)))-1)
	return time.Duration(math.Round(float64(d)/step) * step)
}

// frameShapes are the axes of a picture.
func frameShapes() []paper.Shape {
	pen := paper.Pen{Shade: shadeLine}
	return []paper.Shape{
		paper.Line{X1: plotLeft, Y1: plotBottom, X2: pictureWidth - 10, Y2: plotBottom, Pen: pen},
		paper.Line{X1: plotLeft, Y1: plotTop, X2: plotLeft, Y2: plotBottom, Pen: pen},
	}
}

// occupation is the picture of the line's occupation over time: the share of
// each piece of time that an exchange was under way, the part of it in which
// bytes travelled, and marks where requests were not answered.
func (s *State) occupation() paper.Picture {
	t := &s.timeline
	p := paper.Picture{Title: "Share of the time in which the line was occupied",
		Width: pictureWidth, Height: pictureHeight}
	p.Shapes = frameShapes()
	for _, share := range []int{0, 50, 100} {
		y := plotBottom - float64(plotBottom-plotTop)*float64(share)/100
		p.Shapes = append(p.Shapes, paper.Label{X: plotLeft - 4, Y: y + 2, Text: fmt.Sprintf("%d %%", share), Size: labelSize, Anchor: paper.AnchorEnd})
	}
	if t.used == 0 {
		return p
	}
	p.Plain = plainOccupation(t)
	width := float64(pictureWidth-plotLeft-10) / float64(t.used)
	var failed uint64
	for i, slot := range t.slots[:t.used] {
		x := plotLeft + float64(i)*width
		held := min(float64(slot.held)/float64(t.width), 1) * (plotBottom - plotTop)
		frames := min(min(float64(slot.frames)/float64(t.width), 1)*(plotBottom-plotTop), held)
		if held > 0 {
			p.Shapes = append(p.Shapes, paper.Rect{X: x, Y: plotBottom - held, Width: width, Height: held, Filled: true, Pen: paper.Pen{Shade: shadeHeld}})
		}
		if frames > 0 {
			p.Shapes = append(p.Shapes, paper.Rect{X: x, Y: plotBottom - frames, Width: width, Height: frames, Filled: true, Pen: paper.Pen{Shade: shadeFrames}})
		}
		if slot.failed > 0 {
			p.Shapes = append(p.Shapes, paper.Line{X1: x + width/2, Y1: plotBottom + 1, X2: x + width/2, Y2: plotBottom + 5, Pen: paper.Pen{Width: max(min(width, 2), 0.5)}})
		}
		failed += uint64(slot.failed)
	}
	whole := time.Duration(t.used) * t.width
	p.Shapes = append(p.Shapes,
		paper.Label{X: plotLeft, Y: plotBottom + 14, Text: moment(s.began), Size: labelSize},
		paper.Label{X: pictureWidth - 10, Y: plotBottom + 14, Text: span(whole) + " later", Size: labelSize, Anchor: paper.AnchorEnd})
	p.Facts = []paper.Fact{{Name: "One piece", Value: span(t.width)}, {Name: "Unanswered", Value: fmt.Sprint(failed)}}
	if s.frames > 0 {
		p.Facts = append(p.Facts, paper.Fact{Name: "Drawn black", Value: "bytes travelled"})
	}
	p.Facts = append(p.Facts, paper.Fact{Name: "Drawn grey", Value: "an exchange was under way"}, paper.Fact{Name: "Marks below", Value: "requests without an answer"})
	return p
}

// Measures of the pictures in characters.
const (
	plainBars = 40 // width of the longest
	plainRows = 30 // of the timeline, at most
)

// plainBar is a bar of n parts of whole, in characters; what is there is seen.
func plainBar(n, whole float64) string {
	if n <= 0 || whole <= 0 {
		return ""
	}
	return strings.Repeat("#", max(int(math.Round(plainBars*min(n/whole, 1))), 1))
}

// plainLatencies is the picture of times in characters, a row a bar.
func plainLatencies(bars []uint64, first int, most uint64) string {
	var b strings.Builder
	for i, n := range bars {
		fmt.Fprintf(&b, "up to %-8s %8d  %s\n", span(twoDigits(edges[min((first+i+1)*joinBars-1, buckets-1)])), n, plainBar(float64(n), float64(most)))
	}
	return b.String()
}

// plainOccupation is the timeline in characters: pieces of it joined, a row
// each, with what was not answered behind.
func plainOccupation(t *timeline) string {
	join := (t.used + plainRows - 1) / plainRows
	var b strings.Builder
	for i := 0; i < t.used; i += join {
		var s slot
		n := min(join, t.used-i)
		for _, one := range t.slots[i : i+n] {
			s.held += one.held
			s.failed += one.failed
		}
		share := min(float64(s.held)/float64(time.Duration(n)*t.width), 1)
		lost := ""
		if s.failed > 0 {
			lost = fmt.Sprintf("  %d unanswered", s.failed)
		}
		fmt.Fprintf(&b, "%8s  %5.1f %%  %-*s%s\n", span(time.Duration(i)*t.width), 100*share, plainBars, plainBar(share, 1), lost)
	}
	return b.String()
}
