package paper

// columnGap is the room between two columns of a table, rowGap between two
// rows, ruleWidth how strong its rules are.
const (
	columnGap = 12
	rowGap    = 3
	ruleWidth = 0.8
)

// longestWord is the width, in points, beyond which a word or number may be
// broken in a narrow table.
const longestWord = 80

// A tableLayout is a table being laid out: where its columns lie.
type tableLayout struct {
	*pager
	table Table
	left  []float64
	width []float64
	marks []pointColumn
	right float64
	head  [][]string
}

// table draws a table: a rule above and below it on each page, its header
// after each page's upper rule. A row that fits on a page is not parted.
func (p *pager) table(t Table) {
	l := &tableLayout{pager: p, table: t}
	l.fit()
	t = l.table
	l.columns()
	title := wrap(p.faces[bold].fit(t.Title), p.room(), p.faces[bold].measure(bodyType.size))
	first := 0.0
	if len(t.Rows) > 0 {
		first = height(l.wrapped(t.Rows[0]))
	}
	room := l.headHeight() + min(first, 6*tableType.lead)
	if t.Title != "" {
		room += float64(len(title))*bodyType.lead + 2
	}
	p.need(room)
	if t.Title != "" {
		for _, line := range title {
			p.word(marginLeft, p.y, line, p.faces[bold], bodyType)
			p.y += bodyType.lead
		}
		p.y += 2
	}
	l.header()
	p.again = func() {
		before := p.pages[len(p.pages)-2]
		before.shapes = append(before.shapes, l.rule(p.ended+rowGap))
		l.header()
	}
	for _, row := range t.Rows {
		l.row(row)
	}
	p.again = nil
	p.put(l.rule(p.y + rowGap))
	p.y += rowGap + 2
}

// fit makes the table's text such that its faces can draw it.
func (l *tableLayout) fit() {
	columns := make([]Column, len(l.table.Columns))
	for j, c := range l.table.Columns {
		columns[j] = c
		columns[j].Head = l.faces[bold].fit(c.Head)
	}
	rows := make([][]Entry, len(l.table.Rows))
	for i, row := range l.table.Rows {
		rows[i] = make([]Entry, len(row))
		for j, e := range row {
			rows[i][j] = e
			rows[i][j].Text = l.faces.of(e.Mono, e.Bold).fit(e.Text)
		}
	}
	l.table.Columns, l.table.Rows = columns, rows
}

// sizeOf is an entry's size of type: the typewriter face is a little smaller,
// so that it looks as large.
func sizeOf(e Entry) float64 {
	if e.Mono {
		return tableType.size * 0.92
	}
	return tableType.size
}

func (l *tableLayout) measure(e Entry) measure {
	return l.faces.of(e.Mono, e.Bold).measure(sizeOf(e))
}

// columns finds the columns' places and the header's lines. A header that
// would take more than a third of each page is cut.
func (l *tableLayout) columns() {
	head := l.faces[bold].measure(tableType.size)
	needs := make([]need, len(l.table.Columns))
	for j := range needs {
		needs[j] = needOf(l.table, j, longestWord, head, l.measure)
		needs[j].natural += 0.01 // so that rounding wraps nothing
		l.marks = append(l.marks, points(l.table, j, l.measure))
	}
	gap := min(columnGap, l.room()/float64(2*len(needs)))
	l.width = widths(needs, l.room()-gap*float64(len(needs)-1))
	x := float64(marginLeft)
	for j, w := range l.width {
		l.left = append(l.left, x)
		l.right = x + w
		x += w + gap
		lines := wrap(l.table.Columns[j].Head, w, head)
		if most := int((l.bottom() - marginTop) / 3 / tableType.lead); len(lines) > most {
			lines = append(lines[:most-1], "...")
		}
		l.head = append(l.head, lines)
	}
}

func (l *tableLayout) rule(y float64) Shape {
	return Line{X1: marginLeft, Y1: y, X2: l.right, Y2: y, Pen: Pen{Width: ruleWidth}}
}

func (l *tableLayout) headHeight() float64 { return height(l.head) + 3*rowGap }

// height is the room that wrapped cells take.
func height(cells [][]string) float64 {
	most := 1
	for _, lines := range cells {
		most = max(most, len(lines))
	}
	return float64(most)*tableType.lead + rowGap
}

// header draws the upper rule and the header, its lines standing on one foot.
func (l *tableLayout) header() {
	l.put(l.rule(l.y))
	l.y += rowGap
	total := height(l.head) - rowGap
	for j, lines := range l.head {
		top := l.y + total - float64(len(lines))*tableType.lead
		for k, s := range lines {
			e := Entry{Text: s, Bold: true}
			l.entry(j, top+float64(k)*tableType.lead, e)
		}
	}
	l.y += total + rowGap
}

// entry puts one line of a cell into its column.
func (l *tableLayout) entry(j int, top float64, e Entry) {
	m := l.measure(e)
	x, free := l.left[j], l.width[j]-m.of(e.Text)
	switch l.table.Columns[j].Align {
	case AlignMiddle:
		x += max(0, free/2)
	case AlignRight:
		x += max(0, free)
	case AlignPoint:
		x += max(0, free)
		if mark := l.marks[j]; e.number() && mark.whole+mark.part <= l.width[j] {
			whole, _ := split(e.Text)
			x = l.left[j] + l.width[j] - mark.part - m.of(whole)
		}
	}
	t := tableType
	t.size = sizeOf(e)
	l.word(x, top, e.Text, l.faces.of(e.Mono, e.Bold), t)
}

func (l *tableLayout) wrapped(row []Entry) [][]string {
	cells := make([][]string, len(row))
	for j, e := range row {
		cells[j] = wrap(e.Text, l.width[j], l.measure(e))
	}
	return cells
}

// row draws one row. One that would fit on a page of its own is not parted;
// any other goes on, line by line, on the next.
func (l *tableLayout) row(row []Entry) {
	cells := l.wrapped(row)
	whole := height(cells)
	if whole <= l.bottom()-marginTop-l.headHeight() {
		l.need(whole)
	}
	for k := 0; ; k++ {
		left := false
		for j, lines := range cells {
			if k < len(lines) {
				left = true
			} else {
				cells[j] = nil
			}
		}
		if !left {
			break
		}
		l.need(tableType.lead + rowGap)
		for j, e := range row {
			if lines := cells[j]; lines != nil {
				part := e
				part.Text = lines[k]
				part.Number = e.Number && len(lines) == 1
				l.entry(j, l.y, part)
			}
		}
		l.y += tableType.lead
	}
	l.y += rowGap
}
