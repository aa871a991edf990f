package paper

import (
	"fmt"
	"slices"
	"strings"
)

// The page, in points: A4 (ISO 216: 210 mm by 297 mm), with margins that a
// punch and a laser printer leave alone.
const (
	paperShort, paperLong = 595.28, 841.89
	marginLeft            = 62
	marginRight           = 48
	marginTop             = 54
	marginBottom          = 62
	footLine              = 34 // of the foot's baseline from the paper's lower edge
)

// A typing is a size of type with the distance of its lines.
type typing struct{ size, lead float64 }

var (
	titleType = typing{18, 22}
	subType   = typing{11, 15}
	headTypes = [...]typing{{13, 17}, {11, 15}, {9.5, 13.5}}
	bodyType  = typing{9.5, 13.5}
	tableType = typing{8.5, 11.5}
	monoType  = typing{8, 11}
	footType  = typing{7.5, 10}
)

// above is the room over a heading of each level.
var above = [...]float64{16, 12, 8}

// blockGap is the room below a block.
const blockGap = 9

// A pager lays a document out on pages, each a picture of its own, so that
// what is drawn can be looked at without a PDF reader.
type pager struct {
	faces         *faces
	width, height float64
	pages         []*page
	y             float64 // where the next line's top comes
	ended         float64 // where the page before this one ended
	again         func()  // called on each new page, or nil
}

type page struct {
	shapes []Shape
	marks  []bookmark
}

// A bookmark is a heading in the reader's table of contents.
type bookmark struct {
	level int
	y     float64
	text  string
}

// layout gives the pages of a clean document.
func layout(d Document) []*page {
	p := &pager{faces: newFaces(), width: paperShort, height: paperLong}
	if d.Wide {
		p.width, p.height = paperLong, paperShort
	}
	p.newPage()
	p.lines(d.Title, p.faces[bold], titleType, marginLeft)
	if d.Subtitle != "" {
		p.y += 2
		p.lines(d.Subtitle, p.faces[regular], subType, marginLeft)
	}
	p.y += 6
	p.facts(d.head(), marginLeft, p.room(), bodyType)
	p.caution(d.Caution)
	for i, piece := range d.Blocks {
		p.piece(piece, i == len(d.Blocks)-1)
	}
	p.feet(d)
	return p.pages
}

// room is the width between the margins.
func (p *pager) room() float64 { return p.width - marginLeft - marginRight }

// bottom is where the text area ends.
func (p *pager) bottom() float64 { return p.height - marginBottom }

func (p *pager) newPage() {
	p.pages = append(p.pages, &page{})
	p.ended, p.y = p.y, marginTop
	if p.again != nil {
		p.again()
	}
}

// need begins a new page unless that much room is left on this one, or it is
// empty.
func (p *pager) need(height float64) {
	if p.y+height > p.bottom() && len(p.page().shapes) > 0 {
		p.newPage()
	}
}

func (p *pager) page() *page { return p.pages[len(p.pages)-1] }

func (p *pager) put(shapes ...Shape) { p.page().shapes = append(p.page().shapes, shapes...) }

// word puts one piece of text, the top of its line given.
func (p *pager) word(x, top float64, s string, f *face, t typing) {
	if s != "" {
		p.put(typed(x, top, s, f, t))
	}
}

// typed is text whose line has its top there.
func typed(x, top float64, s string, f *face, t typing) Label {
	return Label{X: x, Y: top + t.lead*0.76, Text: s, Size: t.size, Mono: f.family == "mono", Bold: f.style != ""}
}

// lines puts running text between x and the right margin, page by page.
func (p *pager) lines(s string, f *face, t typing, x float64) {
	m := f.measure(t.size)
	mark, rest := hanging(f.fit(s))
	indent := m.of(mark)
	for i, line := range wrap(rest, p.width-marginRight-x-indent, m) {
		p.need(t.lead)
		if i == 0 {
			p.word(x, p.y, strings.TrimSpace(mark), f, t)
		}
		p.word(x+indent, p.y, line, f, t)
		p.y += t.lead
	}
}

// caution stands on the first page with a bar at its left.
func (p *pager) caution(text string) {
	if text == "" {
		return
	}
	const indent = 12
	p.y += 4
	from := p.y
	bar := func(page *page, to float64) {
		page.shapes = append(page.shapes, Rect{X: marginLeft, Y: from, Width: 2, Height: to - from, Filled: true})
	}
	p.again = func() {
		bar(p.pages[len(p.pages)-2], p.ended)
		from = p.y
	}
	p.lines("Caution", p.faces[bold], bodyType, marginLeft+indent)
	for line := range strings.SplitSeq(text, "\n") {
		p.lines(line, p.faces[regular], bodyType, marginLeft+indent)
	}
	p.again = nil
	bar(p.page(), p.y)
	p.y += blockGap
}

func (p *pager) piece(piece Piece, last bool) {
	switch b := piece.(type) {
	case Heading:
		p.heading(b)
		return
	case Paragraph:
		for line := range strings.SplitSeq(b.Text, "\n") {
			p.lines(line, p.faces[regular], bodyType, marginLeft)
		}
	case Table:
		p.table(b)
	case Facts:
		p.facts(b.Items, marginLeft, p.room(), bodyType)
		return
	case Verbatim:
		p.verbatim(b.Text)
	case Picture:
		p.picture(b)
	case Signatures:
		p.signatures(b)
	case PageBreak:
		if !last && len(p.page().shapes) > 0 {
			p.newPage()
		}
		return
	}
	p.y += blockGap
}

func (p *pager) heading(h Heading) {
	t := headTypes[h.Level-1]
	p.need(above[h.Level-1] + t.lead + 5*bodyType.lead)
	if p.y > marginTop {
		p.y += above[h.Level-1]
	}
	p.page().marks = append(p.page().marks, bookmark{level: h.Level - 1, y: p.y, text: h.Text})
	p.lines(h.Text, p.faces[bold], t, marginLeft)
	p.y += 3
}

// verbatim keeps blanks and line ends; a line too wide goes on in the next.
func (p *pager) verbatim(text string) {
	const indent = 10
	f := p.faces[mono]
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\n"), "\n") {
		for _, piece := range chop(f.fit(line), p.room()-indent, f.measure(monoType.size)) {
			p.need(monoType.lead)
			p.word(marginLeft+indent, p.y, piece, f, monoType)
			p.y += monoType.lead
		}
	}
}

// facts puts names and values into two columns.
func (p *pager) facts(items []Fact, x, room float64, t typing) {
	if len(items) == 0 {
		return
	}
	const gap = 14
	var name float64
	for _, f := range items {
		name = max(name, p.faces[regular].measure(t.size).of(p.faces[regular].fit(f.Name)))
	}
	name = min(name+0.01, room*0.35) // so that rounding wraps nothing
	for _, f := range items {
		names := wrap(p.faces[regular].fit(f.Name), name, p.faces[regular].measure(t.size))
		face, value := p.faces.of(f.Mono, false), t
		if f.Mono {
			value.size *= 0.92
		}
		values := wrap(face.fit(f.Value), room-name-gap, face.measure(value.size))
		for i := range max(len(names), len(values)) {
			p.need(t.lead)
			p.word(x, p.y, at(names, i), p.faces[regular], t)
			p.word(x+name+gap, p.y, at(values, i), face, value)
			p.y += t.lead
		}
	}
	p.y += blockGap
}

// picture puts a picture, made smaller where the page is too small for it, its
// numbers beside it where at least a quarter of the line is left for them,
// else below it.
func (p *pager) picture(b Picture) {
	const gap = 16
	caption := wrap(p.faces[regular].fit(b.Title), p.room(), p.faces[regular].measure(tableType.size))
	below := 4 + float64(len(caption))*tableType.lead
	scale := min(1, p.room()/b.Width, (p.bottom()-marginTop-below)/b.Height)
	beside := p.room()-b.Width*scale-gap >= p.room()/4
	if !beside && len(b.Facts) > 0 {
		below += min(4+float64(len(b.Facts))*tableType.lead, p.height/3)
		scale = min(scale, (p.bottom()-marginTop-below)/b.Height)
	}
	p.need(b.Height*scale + below)
	top, on := p.y, len(p.pages)
	for _, s := range b.Shapes {
		if l, ok := s.(Label); ok {
			l.Text = p.faces.of(l.Mono, l.Bold).fit(l.Text)
			l.Text = l.within(b.Width, b.Height) // escapes are longer than what they stand for
			s = l
		}
		p.put(s.placed(scale, marginLeft, top))
	}
	p.y = top + b.Height*scale + 4
	for _, line := range caption {
		p.word(marginLeft, p.y, line, p.faces[regular], tableType)
		p.y += tableType.lead
	}
	end := p.y
	if !beside {
		p.y += 4
		p.facts(b.Facts, marginLeft, p.room(), tableType)
		return
	}
	p.y = top
	left := b.Width*scale + gap
	p.facts(b.Facts, marginLeft+left, p.room()-left, tableType)
	if len(p.pages) == on {
		p.y = max(p.y, end)
	}
}

// signatures puts a row of four lines for each signature, what is known above
// its line and what the line is for below.
func (p *pager) signatures(b Signatures) {
	const height, gap = 50, 14
	shares := []float64{3, 3, 2, 4}
	unit := (p.room() - 3*gap) / 12
	for _, l := range b.Lines {
		p.need(height)
		x, line := float64(marginLeft), p.y+34
		for i, f := range l.fields() {
			wide := shares[i] * unit
			face := p.faces[regular]
			lines := wrap(face.fit(f.Value), wide, face.measure(tableType.size))
			if most := 2; len(lines) > most {
				lines = append(lines[:most-1], cut(strings.Join(lines[most-1:], " "), wide, face.measure(tableType.size)))
			}
			for k, s := range lines {
				p.word(x, line-float64(len(lines)-k)*tableType.lead-1, s, face, tableType)
			}
			p.put(Line{X1: x, Y1: line, X2: x + wide, Y2: line, Pen: Pen{Width: 0.5}})
			p.word(x, line+2, f.Name, face, footType)
			x += wide + gap
		}
		p.y += height
	}
}

// cut is s as far as it fits, with "..." for the rest.
func cut(s string, width float64, m measure) string {
	if m.of(s) <= width {
		return s
	}
	return strings.TrimRight(chop(s, width-m.of("..."), m)[0], " ") + "..."
}

// feet puts revision, digest and page number at the foot of each page, and the
// title at the head of each but the first.
func (p *pager) feet(d Document) {
	f := p.faces[regular]
	m := f.measure(footType.size)
	for i, page := range p.pages {
		top := p.height - footLine - footType.lead
		number := fmt.Sprintf("page %d of %d", i+1, len(p.pages))
		put := func(x, top float64, s string) {
			if s != "" {
				page.shapes = append(page.shapes, typed(x, top, s, f, footType))
			}
		}
		put(marginLeft, top, cut(f.fit(d.foot()), p.room()-m.of(number)-14, m))
		put(p.width-marginRight-m.of(number), top, number)
		if i > 0 {
			put(marginLeft, marginTop-22, cut(f.fit(d.Title), p.room(), m))
		}
	}
}

// used are the faces that the pages' labels are set in, in their order.
func used(pages []*page, f *faces) []*face {
	var out []*face
	for _, page := range pages {
		for _, s := range page.shapes {
			if l, ok := s.(Label); ok {
				if face := f.of(l.Mono, l.Bold); !slices.Contains(out, face) {
					out = append(out, face)
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b *face) int { return strings.Compare(a.family+a.style, b.family+b.style) })
	return out
}
