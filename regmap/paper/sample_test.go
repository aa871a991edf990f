package paper

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// sampleCaution is of the kind that stands on every record.
const sampleCaution = `This program can start, stop or move machinery.
Only someone competent and authorised for this equipment should write to it.
- Know what each point does on site, not only in the map. A wrong map can act on the wrong machine.
- Nobody may be in reach. Have someone at the equipment, with a working emergency stop, talking with you.
- Software is no isolation. Before anyone touches the equipment: isolate, lock, tag, release stored energy, prove it dead, as your site's procedure requires.`

// sample is a record of the invented cistern station with every kind of
// piece, long enough for three pages.
func sample() Document {
	d := Document{
		Title:    "Cistern transfer station",
		Subtitle: "Register list and site acceptance, pump house of the plant nursery",
		Revision: "B",
		Digest:   "9f2c41d0a8b7635e4c1d2f3a4b5c6d7e8f90112233445566778899aabbccddee",
		Date:     time.Date(2026, 3, 14, 9, 30, 0, 0, time.UTC),
		Caution:  sampleCaution,
	}
	points := Table{Title: "Points", Columns: []Column{
		{Head: "Name"}, {Head: "Tag"}, {Head: "Reference", Align: AlignRight}, {Head: "Type"}, {Head: "Value", Align: AlignPoint},
		{Head: "Units"}, {Head: "Access", Align: AlignMiddle}, {Head: "About", Weight: 1},
	}}
	row := func(name, tag, reference, kind, value, units, access, about string) {
		points.Rows = append(points.Rows, []Entry{
			{Text: name, Bold: true}, {Text: tag}, {Text: reference, Number: true}, {Text: kind, Mono: true}, {Text: value, Number: true},
			{Text: units}, {Text: access}, {Text: about},
		})
	}
	row("level", "LT-101", "30001", "uint16", "1.82", "m", "r", "Liquid level above the cistern floor, from a 4-20 mA loop")
	row("flow", "FT-102", "30003", "float32", "12.4", "m³/h", "r", "Flow into the distribution main")
	row("temperature", "", "30005", "int16", "-4", "°C", "r", "")
	row("lead-start", "", "40033", "int16", "1.600", "m", "r/w", "Level at which the leading pump starts; between 0.50 m and 2.50 m")
	row("pressure", "PT-104", "30007", "float32", "no answer", "bar", "r", "Pressure behind the pumps (bad: no answer in 0.5 s)")
	for i := range 40 {
		row(fmt.Sprintf("total-%02d", i+1), fmt.Sprintf("FQ-%d", 201+i), fmt.Sprint(30101+2*i), "uint32", fmt.Sprintf("%.3f", float64(i)*117.25), "m³", "r", "Volume delivered to bed "+fmt.Sprint(i+1))
	}
	d.Blocks = []Piece{
		Heading{1, "What was tested"},
		Paragraph{"The station was read at 1 s for ten minutes from the place of the panel. Every point of the map answered; two differ from the map.\nNothing was written."},
		Facts{[]Fact{{Name: "Line", Value: "Pump house, serial, 19200 bit/s, even parity"}, {Name: "Station", Value: "cistern (unit 17)"}, {Name: "Map", Value: "cistern.yaml", Mono: true}}},
		points,
		Heading{2, "The chain of one value"},
		Verbatim{"asked      11 04 00 00 00 08 F3 5C\nanswered   11 04 10 [35 8B] 00 00 66 66 41 46\nscale      4000..20000 -> 0..3.00   (13707 - 4000) x 3.00 / 16000 = 1.8201\n"},
		Heading{2, "Level over the test"},
		samplePicture(),
		Table{Columns: []Column{{Head: "Step", Align: AlignRight}, {Head: "What was done"}, {Head: "Found"}}, Rows: [][]Entry{
			{{Text: "1", Number: true}, {Text: "High level alarm at 2.60 m"}, {Text: "as mapped"}},
			{{Text: "2", Number: true}, {Text: "Pump 2 takes over after pump 1 fails"}, {Text: "not tested: pump 1 could not be stopped"}},
		}},
		PageBreak{},
		Heading{1, "Signatures"},
		Signatures{[]Signature{{Name: "R. Sample", For: "the nursery", Date: "2026-03-14"}, {}}},
	}
	return d
}

// samplePicture is a trend with its axes, a limit, a gap and a label that
// reads upward.
func samplePicture() Picture {
	p := Picture{Title: "Level in metres over ten minutes; dashed: high alarm at 2.60 m; grey: no answer", Width: 312, Height: 130,
		Facts: []Fact{{Name: "Lowest", Value: "1.42 m"}, {Name: "Highest", Value: "2.21 m"}, {Name: "Mean", Value: "1.82 m"}, {Name: "Samples", Value: "600, 41 bad"}}}
	p.Shapes = []Shape{
		Rect{X: 150, Y: 8, Width: 24, Height: 100, Filled: true, Pen: Pen{Shade: 0.85}},
		Line{X1: 30, Y1: 8, X2: 30, Y2: 108},
		Line{X1: 30, Y1: 108, X2: 295, Y2: 108},
		Line{X1: 30, Y1: 22, X2: 295, Y2: 22, Pen: Pen{Dash: []float64{4, 3}, Shade: 0.3}},
		Label{X: 10, Y: 58, Text: "level (m)", Size: 7, Anchor: AnchorMiddle, Upward: true},
	}
	for i := range 4 {
		y := 108 - float64(i)*33
		p.Shapes = append(p.Shapes, Line{X1: 27, Y1: y, X2: 30, Y2: y}, Label{X: 25, Y: y + 2.5, Text: fmt.Sprint(i), Size: 7, Anchor: AnchorEnd})
	}
	for i := range 6 {
		x := 30 + float64(i)*53
		p.Shapes = append(p.Shapes, Line{X1: x, Y1: 108, X2: x, Y2: 111}, Label{X: x, Y: 120, Text: fmt.Sprintf("%d min", 2*i), Size: 7, Anchor: AnchorMiddle})
	}
	trend := Polyline{Pen: Pen{Width: 1}}
	for x := 30.0; x <= 295; x += 5 {
		y := 108 - 33*(1.82+0.4*math.Sin(x/30))
		if x > 150 && x < 174 {
			y = math.NaN()
		}
		trend.Points = append(trend.Points, Point{x, y})
	}
	p.Shapes = append(p.Shapes, trend, Rect{X: 30, Y: 8, Width: 265, Height: 100, Pen: Pen{Width: 0.25, Shade: 0.5}},
		Label{X: 160, Y: 18, Text: "no answer", Size: 6, Anchor: AnchorMiddle, Mono: true}, Label{X: 293, Y: 19, Text: "high", Size: 7, Anchor: AnchorEnd, Bold: true})
	return p
}

// alphabet is what reports are written with beside ASCII: the PDF's fonts
// must have all of it.
const alphabet = "ÄÖÜäöüßéèêçñåøÅØ°µΩ²³¹½¼×÷±·→←↑↓≤≥≈≠√∞Δαβπ€–—‘’“”„…§«»•─│"

var long = strings.Repeat("cistern ", 38)[:300]
