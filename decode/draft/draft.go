package draft

import (
	"cmp"
	"slices"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// Bounds of what is kept; ours. A cell is a register or bit that was asked for.
const (
	mostCells  = 1 << 19 // of all units
	mostRanges = 256     // of one unit
	samples    = 3       // contents of a cell that are kept
)

// A Draft gathers what was asked. Make one with New. It is for one goroutine.
type Draft struct {
	units  [256]*unit
	cells  int
	beyond uint64 // items not kept
}

// New is an empty draft.
func New() *Draft { return new(Draft) }

// unit is what was seen of one station.
type unit struct {
	pages  [regmap.HoldingRegister + 1]map[regmap.Address]*page // by the address of their first cell
	ranges []*asked
	reads  [2]int // the longest read answered: of registers, of bits
	more   uint64 // ranges not kept
}

// page is cells that lie together.
type page [pageCells]cell

const pageCells = 64

// cell is one register or bit.
type cell struct {
	seen    bool // read or written with success
	read    bool
	written bool
	begins  bool // a request begins here, or the one before ended just before
	pair    bool // a request was for this register and the next one, and no more
	count   uint8
	held    [samples]uint16 // different contents, in order of appearance
	more    bool            // there were more
	last    uint16
}

// asked is one range as it was asked for.
type asked struct {
	function       frame.Function
	span           regmap.Span
	count, refused uint64
	why            frame.Exception // the last
}

// Add takes one exchange. What was not answered says nothing of what a station
// holds and is passed over; what was refused is noted.
func (d *Draft) Add(x *decode.Exchange) {
	if !x.Answered() && x.Response.Exception == 0 {
		return
	}
	u := d.units[x.Unit]
	if u == nil {
		u = new(unit)
		d.units[x.Unit] = u
	}
	if span, ok := x.Request.Reads(); ok && span.End() <= 1<<16 {
		u.note(x, span)
		if x.Answered() {
			d.reads(u, x, span)
		}
	}
	if span, ok := x.Request.Writes(); ok && span.End() <= 1<<16 {
		u.note(x, span)
		if x.Answered() {
			d.writes(u, &x.Request, span)
		}
	}
}

// note counts a range.
func (u *unit) note(x *decode.Exchange, span regmap.Span) {
	i := slices.IndexFunc(u.ranges, func(a *asked) bool { return a.function == x.Request.Function && a.span == span })
	if i < 0 {
		if len(u.ranges) == mostRanges {
			u.more++
			return
		}
		i = len(u.ranges)
		u.ranges = append(u.ranges, &asked{function: x.Request.Function, span: span})
	}
	a := u.ranges[i]
	a.count++
	if e := x.Response.Exception; e != 0 {
		a.refused++
		a.why = e
	}
}

func (d *Draft) reads(u *unit, x *decode.Exchange, span regmap.Span) {
	kind := 0
	if span.Table.Bits() {
		kind = 1
	}
	u.reads[kind] = max(u.reads[kind], span.Count)
	for i := range span.Count {
		c := d.cell(u, span.Table, int(span.First)+i)
		if c == nil {
			continue
		}
		c.seen, c.read = true, true
		c.hold(x.Response.Item(i, span.Table.Bits()))
	}
	d.borders(u, span)
}

func (d *Draft) writes(u *unit, q *frame.Request, span regmap.Span) {
	words := q.Registers(nil)
	for i := range span.Count {
		c := d.cell(u, span.Table, int(span.First)+i)
		if c == nil {
			continue
		}
		c.seen, c.written = true, true
		switch {
		case q.Function == frame.MaskWriteRegister: // the result is known to the station alone
		case span.Table.Bits() && q.Bit(i):
			c.hold(1)
		case span.Table.Bits():
			c.hold(0)
		case i < len(words):
			c.hold(words[i])
		}
	}
	d.borders(u, span)
}

// borders marks where a request begins, and behind its end.
func (d *Draft) borders(u *unit, span regmap.Span) {
	for _, at := range []int{int(span.First), span.End()} {
		if at > 0xFFFF {
			continue
		}
		if c := d.cell(u, span.Table, at); c != nil {
			c.begins = true
			c.pair = c.pair || at == int(span.First) && span.Count == 2
		}
	}
}

// hold keeps a sample.
func (c *cell) hold(v uint16) {
	c.last = v
	switch {
	case slices.Contains(c.held[:c.count], v):
	case int(c.count) == len(c.held):
		c.more = true
	default:
		c.held[c.count] = v
		c.count++
	}
}

// cell finds or makes a cell; nil beyond the bounds.
func (d *Draft) cell(u *unit, t regmap.Table, at int) *cell {
	first := regmap.Address(at - at%pageCells)
	p := u.pages[t][first]
	if p == nil {
		if d.cells+pageCells > mostCells {
			d.beyond++
			return nil
		}
		d.cells += pageCells
		if u.pages[t] == nil {
			u.pages[t] = map[regmap.Address]*page{}
		}
		p = new(page)
		u.pages[t][first] = p
	}
	return &p[at%pageCells]
}

// Units are the units that something is known of, by number.
func (d *Draft) Units() (out []regmap.Unit) {
	for n, u := range d.units {
		if u != nil && len(u.items()) > 0 {
			out = append(out, regmap.Unit(n))
		}
	}
	return out
}

// item is what becomes one point: a register, a bit, or two registers that were
// asked for together and never apart.
type item struct {
	span  regmap.Span
	cells []*cell
}

// items are a unit's, by table and address.
func (u *unit) items() (out []item) {
	for _, t := range []regmap.Table{regmap.Coil, regmap.DiscreteInput, regmap.InputRegister, regmap.HoldingRegister} {
		out = append(out, u.itemsOf(t)...)
	}
	return out
}

func (u *unit) itemsOf(t regmap.Table) (out []item) {
	var firsts []regmap.Address
	for first := range u.pages[t] {
		firsts = append(firsts, first)
	}
	slices.SortFunc(firsts, func(a, b regmap.Address) int { return cmp.Compare(a, b) })
	var run item // of registers between two borders
	end := func() {
		if run.span.Count == 2 && run.cells[0].pair {
			out = append(out, run)
		} else {
			for i, c := range run.cells {
				out = append(out, item{regmap.Span{Table: t, First: run.span.First + regmap.Address(i), Count: 1}, []*cell{c}})
			}
		}
		run = item{}
	}
	for _, first := range firsts {
		p := u.pages[t][first]
		for i := range p {
			c, at := &p[i], first+regmap.Address(i)
			if !c.seen {
				continue
			}
			if len(run.cells) > 0 && (c.begins || t.Bits() || run.span.End() != int(at)) {
				end()
			}
			if len(run.cells) == 0 {
				run.span = regmap.Span{Table: t, First: at}
			}
			run.span.Count++
			run.cells = append(run.cells, c)
		}
	}
	end()
	return out
}
