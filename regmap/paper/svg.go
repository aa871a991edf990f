package paper

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"math"
	"strconv"
	"strings"
)

// WriteSVG writes p as an SVG 1.1 file of its own. The error says what about
// the picture cannot be drawn, or is the writer's.
func WriteSVG(w io.Writer, p Picture) error {
	clean, err := p.cleaned()
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if err := svgFile.Execute(&out, svgOf(clean.(Picture))); err != nil {
		return err
	}
	_, err = w.Write(out.Bytes())
	return err
}

// svgText draws a picture inside a page; the file has its name space around
// the same.
const svgText = `{{define "shapes"}}{{range .Shapes}}
{{if eq .Kind "line"}}<line x1="{{.X}}" y1="{{.Y}}" x2="{{.X2}}" y2="{{.Y2}}" stroke="{{.Grey}}" stroke-width="{{.Pen}}"{{if .Dash}} stroke-dasharray="{{.Dash}}"{{end}}/>
{{- else if eq .Kind "rect"}}<rect x="{{.X}}" y="{{.Y}}" width="{{.X2}}" height="{{.Y2}}" fill="none" stroke="{{.Grey}}" stroke-width="{{.Pen}}"{{if .Dash}} stroke-dasharray="{{.Dash}}"{{end}}/>
{{- else if eq .Kind "area"}}<rect x="{{.X}}" y="{{.Y}}" width="{{.X2}}" height="{{.Y2}}" fill="{{.Grey}}"/>
{{- else if eq .Kind "polyline"}}<polyline points="{{.Points}}" fill="none" stroke="{{.Grey}}" stroke-width="{{.Pen}}" stroke-linejoin="round"{{if .Dash}} stroke-dasharray="{{.Dash}}"{{end}}/>
{{- else}}<text x="{{.X}}" y="{{.Y}}" font-size="{{.Pen}}" text-anchor="{{.Anchor}}"{{if .Mono}} font-family="monospace"{{end}}{{if .Bold}} font-weight="bold"{{end}}{{if .Upward}} transform="rotate(-90 {{.X}} {{.Y}})"{{end}}>{{.Text}}</text>
{{- end}}{{end}}
{{end}}`

const svgFileText = `<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{{.Width}}pt" height="{{.Height}}pt" viewBox="0 0 {{.Width}} {{.Height}}" font-family="sans-serif">
<title>{{.Title}}</title>
{{- template "shapes" .}}</svg>
`

var svgFile = template.Must(template.Must(template.New("svg").Parse(svgText)).Parse(svgFileText))

// svgView is a picture as its template wants it: every number as text.
type svgView struct {
	Title, Width, Height string
	Shapes               []svgShape
}

type svgShape struct {
	Kind               string
	X, Y, X2, Y2       string // of a rectangle X2 and Y2 are its sides
	Points, Grey, Dash string
	Pen                string // width of the pen, size of the type
	Anchor, Text       string
	Mono, Bold, Upward bool
}

func svgOf(p Picture) svgView {
	c := svgCanvas{}
	for _, s := range p.Shapes {
		s.draw(&c)
	}
	return svgView{Title: p.Title, Width: decimal(p.Width), Height: decimal(p.Height), Shapes: c.shapes}
}

type svgCanvas struct{ shapes []svgShape }

func (c *svgCanvas) add(kind string, p Pen, s svgShape) {
	s.Kind, s.Pen, s.Grey = kind, decimal(p.Width), fmt.Sprintf("#%02[1]x%02[1]x%02[1]x", p.grey())
	for i, d := range p.Dash {
		if i > 0 {
			s.Dash += " "
		}
		s.Dash += decimal(d)
	}
	c.shapes = append(c.shapes, s)
}

func (c *svgCanvas) line(l Line) {
	c.add("line", l.Pen, svgShape{X: decimal(l.X1), Y: decimal(l.Y1), X2: decimal(l.X2), Y2: decimal(l.Y2)})
}

func (c *svgCanvas) rect(r Rect) {
	kind := "rect"
	if r.Filled {
		kind = "area"
	}
	c.add(kind, r.Pen, svgShape{X: decimal(r.X), Y: decimal(r.Y), X2: decimal(r.Width), Y2: decimal(r.Height)})
}

func (c *svgCanvas) polyline(l Polyline) {
	var points strings.Builder
	for i, p := range l.Points {
		if i > 0 {
			points.WriteByte(' ')
		}
		points.WriteString(decimal(p.X) + "," + decimal(p.Y))
	}
	c.add("polyline", l.Pen, svgShape{Points: points.String()})
}

func (c *svgCanvas) label(l Label) {
	anchor := "start"
	switch l.Anchor {
	case AnchorMiddle:
		anchor = "middle"
	case AnchorEnd:
		anchor = "end"
	}
	c.add("text", Pen{Width: l.Size}, svgShape{
		X: decimal(l.X), Y: decimal(l.Y), Text: l.Text, Anchor: anchor, Mono: l.Mono, Bold: l.Bold, Upward: l.Upward,
	})
}

// decimal writes a length with at most two decimals.
func decimal(v float64) string {
	v = math.Round(v*100) / 100
	return strconv.FormatFloat(v+0, 'f', -1, 64)
}
