package traffic

import (
	"encoding/binary"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
)

// memory is what a range held at last and which of its bits ever changed. It
// is at most 250 bytes and as many marks.
type memory struct {
	span    regmap.Span
	last    []byte // as the answer carried them
	changed []byte
	moves   []uint32 // how often each register changed; nil for bits
	reads   uint64
	since   time.Duration // of the first read
	at      time.Duration // of the last
}

func (m *memory) add(x *decode.Exchange, span regmap.Span) {
	data := x.Response.Data
	m.at = x.Done.Steady
	if m.reads == 0 || len(m.last) != len(data) {
		m.span, m.reads, m.since = span, 1, m.at
		m.last = append(m.last[:0], data...)
		m.changed = make([]byte, len(data))
		if !span.Table.Bits() {
			m.moves = make([]uint32, len(data)/2)
		}
		return
	}
	m.reads++
	for i, b := range data {
		m.changed[i] |= b ^ m.last[i]
	}
	for i := range m.moves {
		if data[2*i] != m.last[2*i] || data[2*i+1] != m.last[2*i+1] {
			m.moves[i]++
		}
	}
	copy(m.last, data)
}

// register is the marks of a register: the bits that changed, how often it
// did; ok is false where it was not read.
func (m *memory) register(t regmap.Table, a regmap.Address) (changed uint16, moves uint32, ok bool) {
	i := int(a) - int(m.span.First)
	if t != m.span.Table || i < 0 || i >= len(m.moves) {
		return 0, 0, false
	}
	return binary.BigEndian.Uint16(m.changed[2*i:]), m.moves[i], true
}

// AppendRaw makes the last contents Contents.
func (m *memory) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	if m.reads == 0 || s.Table != m.span.Table || s.First < m.span.First || s.End() > m.span.End() {
		return dst, false
	}
	start := len(dst)
	for i := int(s.First) - int(m.span.First); i < s.End()-int(m.span.First); i++ {
		switch {
		case s.Table.Bits() && i/8 < len(m.last):
			dst = append(dst, uint16(m.last[i/8]>>(i%8)&1))
		case !s.Table.Bits() && 2*i+1 < len(m.last):
			dst = append(dst, binary.BigEndian.Uint16(m.last[2*i:]))
		default:
			return dst[:start], false
		}
	}
	return dst, true
}

var _ regmap.Contents = (*memory)(nil)
