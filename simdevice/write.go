package simdevice

import (
	"errors"
	"math/big"
	"slices"

	"plumbline/regmap"
)

// ErrPoint is wrapped where a point is asked for that the map does not have,
// or that has no registers.
var ErrPoint = errors.New("not a point")

// limited is a point whose value has limits. Only numbers have them, and a
// number takes whole registers.
type limited struct {
	point *regmap.Point
	low   []uint16 // contents that stand for the smallest value; nil: not limited
	high  []uint16 // the same for the largest
}

// allow notes what the map lets clients write of a point.
func (b *Bank) allow(p *regmap.Point) {
	if p.Write == nil || !p.Table.Writable() {
		return
	}
	t := &b.tables[p.Table]
	first := t.cell(int(p.Address))
	for i, m := range maskOf(p) {
		t.writable[first+i] |= m
	}
	w := p.Write
	if w.Min == nil && w.Max == nil {
		return
	}
	l := limited{point: p}
	if w.Min != nil {
		l.low = edge(p, w.Min, 1)
	}
	if w.Max != nil {
		l.high = edge(p, w.Max, -1)
	}
	t.limited = append(t.limited, l)
}

// maskOf is the bits of a point in its registers: all of them, but for a bool
// that is one bit of a register.
func maskOf(p *regmap.Point) []uint16 {
	mask := make([]uint16, p.Count)
	if inside(p) {
		all := regmap.UintValue(1<<p.Part.Width - 1)
		if p.Type == regmap.TypeBool {
			all = regmap.BoolValue(!p.Inverse)
		}
		if raw, err := p.AppendRaw(nil, all, mask); err == nil {
			return raw
		}
	}
	for i := range mask {
		mask[i] = 0xFFFF
	}
	return mask
}

// edge is the contents that stand for a limit: the nearest that the type can
// hold, for whole numbers the nearest within; inward is 1 for the smallest
// value and -1 for the largest. It is nil where the type cannot go so far.
func edge(p *regmap.Point, limit *big.Rat, inward int) []uint16 {
	raw, err := p.AppendRaw(nil, regmap.ExactValue(limit), nil)
	if err != nil {
		return nil
	}
	n := p.ValueOf(raw).Rat()
	if p.Type == regmap.TypeFloat32 || p.Type == regmap.TypeFloat64 || n == nil || n.Cmp(limit)*inward >= 0 {
		return raw
	}
	step, _ := p.Scale.TimesPlus()
	n.Add(n, new(big.Rat).Mul(new(big.Rat).Abs(step), big.NewRat(int64(inward), 1)))
	if within, err := p.AppendRaw(nil, regmap.ExactValue(n), nil); err == nil {
		return within
	}
	return raw
}

// mayWrite says whether every address of the span belongs to a point that the
// map lets clients write.
func (b *Bank) mayWrite(s regmap.Span) bool {
	t := &b.tables[s.Table]
	if !s.Table.Writable() || s.Count <= 0 || t.span(s) == nil {
		return false
	}
	first := t.cell(int(s.First))
	for _, m := range t.writable[first : first+s.Count] {
		if m == 0 {
			return false
		}
	}
	return true
}

// write stores what a client sends, bits that the map does not let it write
// left as they are, and values beyond their limits met as the map says. It is
// false, with nothing stored, when a value is to be refused. The caller has
// asked mayWrite and holds mu. outside is for all points; nil: as the map says.
func (b *Bank) write(s regmap.Span, raw []uint16, outside *regmap.Outside) bool {
	t := &b.tables[s.Table]
	cells := t.span(s)
	first := t.cell(int(s.First))
	b.staged = b.staged[:0]
	for i, w := range raw {
		m := t.writable[first+i]
		b.staged = append(b.staged, cells[i]&^m|w&m)
	}
	for i := range t.limited {
		l := &t.limited[i]
		how := l.point.Write.Outside
		if outside != nil {
			how = *outside
		}
		if how != regmap.OutsideAccept && l.point.Span().Overlaps(s) && !l.meet(t, s, b.staged, how) {
			return false
		}
	}
	copy(cells, b.staged)
	return true
}

// meet judges the value that a write would give the point and meets it as how
// says, within the written registers; it is false when the write is to be
// refused. Where registers of the point stay unwritten there is no whole value
// yet, so half a point is stored as it comes: a client that writes a wide
// value one register at a time passes through values that it does not mean.
func (l *limited) meet(t *table, s regmap.Span, staged []uint16, how regmap.Outside) bool {
	p := l.point
	offset := int(p.Address) - int(s.First)
	if offset < 0 || offset+p.Count > s.Count {
		return true
	}
	now := staged[offset : offset+p.Count]
	limit, out := l.beyond(now)
	switch {
	case !out:
		return true
	case how == regmap.OutsideRefuse:
		return false
	case limit == nil || how == regmap.OutsideIgnore:
		limit = t.span(p.Span())
	}
	copy(now, limit)
	return true
}

// beyond says whether contents lie outside the limits, and which limit is the
// nearest; nil for contents that hold no number. The contents of a limit
// itself are never outside, however the type rounds it.
func (l *limited) beyond(now []uint16) (limit []uint16, out bool) {
	n := l.point.ValueOf(now).Rat()
	switch w := l.point.Write; {
	case n == nil:
		return nil, true
	case w.Min != nil && n.Cmp(w.Min) < 0:
		return l.low, !slices.Equal(now, l.low)
	case w.Max != nil && n.Cmp(w.Max) > 0:
		return l.high, !slices.Equal(now, l.high)
	}
	return nil, false
}
