package paper

import (
	"bytes"

	"codeberg.org/go-pdf/fpdf"
)

// pdfFile lays a clean document out and draws its pages. PDF 1.3 or newer, as
// the library writes it; the fonts are embedded with the glyphs in use.
func pdfFile(d Document) ([]byte, error) {
	pages := layout(d)
	orientation := "P"
	if d.Wide {
		orientation = "L"
	}
	f := fpdf.New(orientation, "pt", "A4", "")
	f.SetCatalogSort(true)
	f.SetCreationDate(d.stamp())
	f.SetModificationDate(d.stamp())
	f.SetProducer("plumbline", true)
	f.SetTitle(d.Title, true)
	f.SetSubject(d.Subtitle, true)
	f.SetLang("en")
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	all := newFaces()
	for _, face := range used(pages, all) {
		f.AddUTF8FontFromBytes(face.family, face.style, face.copied())
	}
	c := pdfCanvas{f}
	level := -1
	for _, page := range pages {
		f.AddPage()
		for _, s := range page.shapes {
			s.draw(c)
		}
		for _, mark := range page.marks {
			level = min(mark.level, level+1) // a deeper one needs its parent
			f.Bookmark(mark.text, level, mark.y)
		}
	}
	var out bytes.Buffer
	if err := f.Output(&out); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// pdfCanvas draws shapes on the current page.
type pdfCanvas struct{ *fpdf.Fpdf }

func (c pdfCanvas) pen(p Pen) {
	c.SetDrawColor(p.grey(), p.grey(), p.grey())
	c.SetLineWidth(p.Width)
	c.SetDashPattern(p.Dash, 0)
}

func (c pdfCanvas) line(l Line) {
	c.pen(l.Pen)
	c.Line(l.X1, l.Y1, l.X2, l.Y2)
}

func (c pdfCanvas) rect(r Rect) {
	if r.Filled {
		c.SetFillColor(r.Pen.grey(), r.Pen.grey(), r.Pen.grey())
		c.Rect(r.X, r.Y, r.Width, r.Height, "F")
		return
	}
	c.pen(r.Pen)
	c.Rect(r.X, r.Y, r.Width, r.Height, "D")
}

func (c pdfCanvas) polyline(l Polyline) {
	c.pen(l.Pen)
	c.SetLineJoinStyle("round")
	for i, p := range l.Points {
		if i == 0 {
			c.MoveTo(p.X, p.Y)
			continue
		}
		c.LineTo(p.X, p.Y)
	}
	c.DrawPath("D")
}

func (c pdfCanvas) label(l Label) {
	family, style := "text", ""
	if l.Mono {
		family = "mono"
	}
	if l.Bold {
		style = "B"
	}
	c.SetFont(family, style, l.Size)
	x := l.X
	width := c.GetStringWidth(l.Text)
	turned := l.Upward
	switch l.Anchor {
	case AnchorMiddle:
		x -= width / 2
	case AnchorEnd:
		x -= width
	}
	if turned {
		c.TransformBegin()
		c.TransformRotate(90, l.X, l.Y)
	}
	c.Text(x, l.Y, l.Text)
	if turned {
		c.TransformEnd()
	}
}
