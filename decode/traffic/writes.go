package traffic

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// A Write is a request that changes a station, as it was seen.
type Write struct {
	At    decode.Stamp
	Unit  regmap.Unit
	What  string // "lead-start" or "40033 (address 32)"
	From  string // what was there when it was read last; "" where it was not read
	To    string // "" where the request does not say
	Taken bool   // the station confirmed it
	How   string // what became of it, where it did not
	From0 *decode.Exchange
}

// Bounds on writes: the first and the latest are kept.
const (
	firstWrites  = 16
	latestWrites = 48
	mostItems    = 8 // registers of one write that are shown
)

// writeLog keeps the first and the latest writes.
type writeLog struct {
	count  uint64
	first  []Write
	latest []Write // a ring
}

func (l *writeLog) add(w Write) {
	switch {
	case len(l.first) < firstWrites:
		l.first = append(l.first, w)
	case len(l.latest) < latestWrites:
		l.latest = append(l.latest, w)
	default:
		l.latest[int(l.count-firstWrites)%latestWrites] = w
	}
	l.count++
}

// list is those kept, in their order.
func (l *writeLog) list() []Write {
	out := slices.Clone(l.first)
	if len(l.latest) < latestWrites {
		return append(out, l.latest...)
	}
	at := int(l.count-firstWrites) % latestWrites
	return append(append(out, l.latest[at:]...), l.latest[:at]...)
}

// note keeps a write with what was there before.
func (s *State) note(x *decode.Exchange) {
	w := Write{At: began(x), Unit: x.Unit, Taken: x.Answered(), From0: x}
	if !w.Taken {
		w.How = decode.Why(x)
	}
	if x.Unit == regmap.Broadcast && s.config.Framing != frameMBAP {
		w.Taken, w.How = false, "broadcast, nobody confirms it"
	}
	m := decode.Message{Direction: frame.Asking, Request: x.Request}
	contents, span, ok := m.Contents()
	if q, is := x.Request.Writes(); is {
		span = q
	} else if !ok {
		w.What = strings.ToLower(x.Request.Function.String())
		if x.Request.Function == frame.Diagnostics {
			w.What += ", " + strings.ToLower(x.Request.SubFunction.String())
		}
		s.writes.add(w)
		return
	}
	before := s.remembered(x.Unit, span)
	w.What, w.From, w.To = s.writeWords(x, span, before, contents)
	s.writes.add(w)
}

// remembered is the latest contents read that hold the span; nil for none.
func (s *State) remembered(u regmap.Unit, span regmap.Span) regmap.Contents {
	var best *memory
	for _, r := range s.rowsOf(u) {
		m := &r.memory
		if m.reads == 0 || m.span.Table != span.Table || span.First < m.span.First || span.End() > m.span.End() {
			continue
		}
		if best == nil || m.at > best.at || m.at == best.at && m.span.Count < best.span.Count {
			best = m
		}
	}
	if best == nil {
		return nil
	}
	return best
}

// writeWords names what is written by the map's points, else by registers.
func (s *State) writeWords(x *decode.Exchange, span regmap.Span, before, after regmap.Contents) (what, from, to string) {
	if x.Request.Function == frame.MaskWriteRegister {
		return span.String(), rawText(before, span), fmt.Sprintf("AND %04X OR %04X", x.Request.And, x.Request.Or)
	}
	if points := s.pointsIn(x.Unit, span); len(points) == 1 && points[0].Span() == span {
		p := points[0]
		show := func(c regmap.Contents) string {
			if c == nil {
				return ""
			}
			v := p.Value(c)
			if v.Kind() == regmap.None {
				return rawText(c, span)
			}
			return strings.TrimSpace(p.Shown(v) + " " + p.Units)
		}
		return p.Name, show(before), show(after)
	} else if len(points) > 0 {
		names := make([]string, 0, mostItems)
		for _, p := range points[:min(len(points), mostItems)] {
			names = append(names, p.Name)
		}
		return strings.Join(names, ", "), rawText(before, span), rawText(after, span)
	}
	return span.String(), rawText(before, span), rawText(after, span)
}

// pointsIn are the map's points that share an address with the span.
func (s *State) pointsIn(u regmap.Unit, span regmap.Span) (out []*regmap.Point) {
	m := s.config.deviceMap(u)
	if m == nil {
		return nil
	}
	for i := range m.Points {
		if p := &m.Points[i]; !p.Derived() && p.Span().Overlaps(span) {
			out = append(out, p)
		}
	}
	return out
}

// rawText is contents as hex, cut where they are long.
func rawText(c regmap.Contents, span regmap.Span) string {
	if c == nil {
		return ""
	}
	raw, ok := c.AppendRaw(nil, regmap.Span{Table: span.Table, First: span.First, Count: min(span.Count, mostItems)})
	if !ok {
		return ""
	}
	more := ""
	if span.Count > mostItems {
		more = " ..."
	}
	if span.Table.Bits() {
		return strings.Trim(fmt.Sprint(raw), "[]") + more
	}
	return decode.Hex16(raw) + more
}
