package segment

import (
	"bytes"

	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// A gap is a stretch between two frames that holds no frame of the standard.
type gap struct {
	s        *Segmenter
	from, to int64
	bytes    []byte // what is left of the stretch, from from on
	next     *node  // behind it; nil for none
	touches  bool   // a frame or a silence stands right in front of it
}

// tell lets out the pieces of a gap: frames that the neighbours imply, and
// noise.
func (g *gap) tell() {
	if g.s.set.Framing == line.ASCII {
		g.tellASCII()
		return
	}
	if g.touches && (g.next != nil || g.s.quiet >= 0 && g.s.quiet == g.from) && g.foreign() {
		return
	}
	g.lostAnswer()
	request := g.lostRequestLength()
	g.lostExchange(request)
	if n := len(g.bytes) - request; n > 0 {
		g.take(Noise, 0, n)
	}
	if request > 0 {
		kind := Spoiled
		if im := frame.Imply(g.bytes[min(1, len(g.bytes)):], frame.Asking); im.Length == 0 || frame.ADULength(line.RTU, im.Length) > len(g.bytes) {
			kind = Cut
		}
		g.take(kind, frame.Asking, request)
	}
}

// take lets out the first n bytes.
func (g *gap) take(kind Kind, d frame.Direction, n int) {
	n = min(n, len(g.bytes))
	if n == 0 {
		return
	}
	p := g.s.piece(kind, d, g.from, g.from+int64(n))
	if kind == Spoiled {
		p.ADU, p.Err = frame.ParseADU(p.Framing, p.Bytes)
	}
	g.from += int64(n)
	g.bytes = g.bytes[n:]
	g.s.emit(p)
}

// awaits says whether the answer to the request in front is missing.
func (g *gap) awaits() bool {
	return g.touches && g.s.root.end == g.from && g.s.root.awaits && (g.next == nil || !g.next.answers)
}

// lostAnswer takes what must be the answer to the request in front: as long as
// the answer and in its place, or beginning as it.
func (g *gap) lostAnswer() {
	if !g.awaits() {
		return
	}
	q := g.s.root
	n, b := answerLength(q, g.bytes), g.bytes
	switch {
	case len(b) >= 2 && b[0] == byte(q.unit()) && b[1] == q.function()|0x80:
		g.takeUpTo(5, frame.Answering)
	case len(b) >= 2 && b[0] == byte(q.unit()) && b[1] == q.function():
		g.takeUpTo(n, frame.Answering)
	case len(b) == n:
		g.take(Spoiled, frame.Answering, n)
	}
}

// takeUpTo takes a frame of a length, which is cut when that many bytes are not
// there or the length cannot be told.
func (g *gap) takeUpTo(n int, d frame.Direction) {
	if n == 0 || n > len(g.bytes) {
		g.take(Cut, d, len(g.bytes))
		return
	}
	g.take(Spoiled, d, n)
}

// answerLength is the bytes of the RTU answer to a request; 0 when not known.
func answerLength(q *node, b []byte) int {
	if q.err == nil {
		if n, exact := frame.AnswerLength(q.q); exact {
			return frame.ADULength(line.RTU, n)
		}
	}
	return impliedLength(b, frame.Answering)
}

// impliedLength is the bytes of an RTU frame by its first ones; 0 when not
// known.
func impliedLength(b []byte, d frame.Direction) int {
	if len(b) < 2 {
		return 0
	}
	if im := frame.Imply(b[1:], d); im.Length > 0 && im.Step == 0 {
		return frame.ADULength(line.RTU, im.Length)
	}
	return 0
}

// lostRequestLength is how many bytes at the end are what must be the request
// that the next frame answers; 0 for none.
func (g *gap) lostRequestLength() int {
	a := g.next
	if a == nil || !a.answer || a.answers {
		return 0
	}
	like := func(b []byte) bool { return len(b) >= 2 && b[0] == byte(a.unit()) && b[1] == a.function() }
	n := 0
	if im := frame.Imply([]byte{a.function()}, frame.Asking); im.Length > 0 {
		n = frame.ADULength(line.RTU, im.Length)
	}
	switch b := g.bytes; {
	case n > 0 && len(b) >= n && like(b[len(b)-n:]), n > 0 && len(b) == n:
		return n
	case like(b) && (n == 0 || len(b) < n) && len(b) <= frame.MaxRTU:
		return len(b)
	}
	return 0
}

// lostExchange takes a request with a wrong check and what is left of its
// answer, where both stand alone between whole exchanges; the last keep bytes
// are not looked at.
func (g *gap) lostExchange(keep int) {
	if !g.touches || g.s.root.awaits && g.s.root.end == g.from || keep > 0 || g.next != nil && g.next.answers {
		return
	}
	b := g.bytes
	n := impliedLength(b, frame.Asking)
	if n == 0 || b[0] > maxUnit {
		return
	}
	rest := b[min(n, len(b)):]
	switch {
	case n > len(b):
		g.take(Cut, frame.Asking, len(b))
	case len(rest) == 0:
		g.take(Spoiled, frame.Asking, n)
	case len(rest) >= 2 && rest[0] == b[0] && rest[1]&0x7F == b[1]:
		g.take(Spoiled, frame.Asking, n)
		g.takeUpTo(impliedLength(rest, frame.Answering), frame.Answering)
	}
}

// foreign tells frames of functions that the standard does not have: their
// length cannot be implied, but one or two right frames that just fill the bytes
// between two frames are no accident.
func (g *gap) foreign() bool {
	b := g.bytes
	if rightRTU(b) {
		g.takeForeign(len(b))
		return true
	}
	for n := minRTU; n <= min(len(b)-minRTU, frame.MaxRTU); n++ {
		g.s.steps += 1 + n/16
		if rightRTU(b[:n]) && rightRTU(b[n:]) {
			g.takeForeign(n)
			g.takeForeign(len(b) - n)
			return true
		}
	}
	return false
}

const minRTU = 4 // Source: serial guide 2.5.1

func rightRTU(b []byte) bool {
	n := len(b) - 2
	return n >= minRTU-2 && len(b) <= frame.MaxRTU && b[0] <= maxUnit &&
		frame.CRC(b[:n]) == uint16(b[n])|uint16(b[n+1])<<8
}

// takeForeign tells a whole frame of any function.
func (g *gap) takeForeign(n int) {
	q, end := g.s.root, g.from+int64(n)
	f := &node{start: g.from, end: end, bytes: bytes.Clone(g.s.w.span(g.from, end)), framed: true, prev: q}
	f.adu, _ = frame.ParseADU(line.RTU, f.bytes)
	asked := q.awaits && q.unit() == f.unit() && q.function() == f.function()
	f.answer = f.exception() || asked
	if f.answer {
		f.r, f.err = frame.ParseResponse(f.adu.PDU)
	} else {
		f.q, f.err = frame.ParseRequest(f.adu.PDU)
	}
	f.answers, f.awaits = asked && f.answer, f.mayBeAnswered()
	g.from = end
	g.s.tell(choice{f: f, way: decided})
}

// tellASCII tells frames by their colon and end: spoiled with both, cut without
// an end, noise elsewhere.
func (g *gap) tellASCII() {
	for len(g.bytes) > 0 {
		if g.bytes[0] != ':' {
			n := bytes.IndexByte(g.bytes, ':')
			if n < 0 {
				n = len(g.bytes)
			}
			g.take(Noise, 0, n)
			continue
		}
		n := 1
		for n < len(g.bytes) && g.bytes[n] != ':' && g.bytes[n-1] != g.delimiter() {
			n++
		}
		kind := Cut
		if g.bytes[n-1] == g.delimiter() {
			kind = Spoiled
		}
		g.take(kind, 0, n)
	}
}

func (g *gap) delimiter() byte {
	if g.s.set.Delimiter != 0 {
		return g.s.set.Delimiter
	}
	return '\n'
}
