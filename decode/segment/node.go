package segment

import (
	"bytes"
	"errors"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A node is one reading of a stretch whose check is right: as a request or as an
// answer.
type node struct {
	none       bool // stands for the beginning of the stream
	start, end int64
	answer     bool
	open       bool // its length was found by trying
	bytes      []byte
	adu        frame.ADU
	q          frame.Request
	r          frame.Response
	err        error // why the PDU is refused in this direction
	framed     bool  // it fills the bytes between two silences
	number     uint64
	both       bool // it reads as a request and as an answer
	awaits     bool // an answer to it may come
	worth      int  // what it is worth by itself

	pause, inside time.Duration // before it and inside; 0: none or not known

	// The enclosing right stretch that begins last.
	hullStart, hullEnd int64

	// The best path that ends here.
	score   int
	prev    *node
	head    *node // the first node of the path
	reach   int64 // the path lies inside a right stretch up to here
	answers bool  // it answers prev
	repeats bool  // it is prev again
}

func (n *node) unit() regmap.Unit { return n.adu.Unit }

// function is the code on the wire without the exception bit.
func (n *node) function() byte { return n.adu.PDU[0] & 0x7F }

func (n *node) exception() bool { return n.adu.PDU[0]&0x80 != 0 }

func (n *node) samePlace(o *node) bool { return n.start == o.start && n.end == o.end }

// mayBeAnswered says whether an answer to it may come: a request that is no
// broadcast and not of the kind that is never answered. Source: serial guide
// 2.1, V1.1b3 6.8.1.
func (n *node) mayBeAnswered() bool {
	if n.answer || n.unit() == regmap.Broadcast {
		return false
	}
	if n.err == nil {
		if length, exact := frame.AnswerLength(n.q); length == 0 && exact {
			return false
		}
	}
	return true
}

// asksFor says whether it awaits an RTU answer of just this length.
func (n *node) asksFor(unit regmap.Unit, function byte, length int64) bool {
	if !n.awaits || n.err != nil || n.unit() != unit || n.function() != function {
		return false
	}
	want, exact := frame.AnswerLength(n.q)
	return exact && int64(frame.ADULength(line.RTU, want)) == length
}

// isAnsweredBy says whether a frame is the answer to a request.
func (n *node) isAnsweredBy(a *node) bool {
	if !n.awaits || n.unit() != a.unit() || n.function() != a.function() || a.err != nil {
		return false
	}
	if a.exception() {
		return true
	}
	if n.err != nil {
		return false
	}
	if want, exact := frame.AnswerLength(n.q); exact && want != len(a.adu.PDU) {
		return false
	}
	_, err := frame.Match(n.q, a.adu.PDU)
	return err == nil
}

func (n *node) isRepeatedBy(b *node) bool { return bytes.Equal(n.bytes, b.bytes) }

// addNode notes an RTU stretch whose check is right.
func (s *Segmenter) addNode(start, end int64, answer, open bool) {
	n := &node{start: start, end: end, answer: answer, open: open}
	for _, o := range s.nodes {
		if o.samePlace(n) {
			n.bytes, n.adu = o.bytes, o.adu
		}
	}
	if n.bytes == nil {
		n.bytes = bytes.Clone(s.w.span(start, end))
		n.adu, _ = frame.ParseADU(line.RTU, n.bytes)
	}
	s.add(n)
}

// addReadings notes an ASCII frame whose check is right, in each direction that
// its function byte allows.
func (s *Segmenter) addReadings(start, end int64, adu frame.ADU) {
	text := bytes.Clone(s.w.span(start, end))
	if adu.PDU[0]&0x80 == 0 {
		s.add(&node{start: start, end: end, bytes: text, adu: adu})
	}
	s.add(&node{start: start, end: end, bytes: text, adu: adu, answer: true})
}

func (s *Segmenter) add(n *node) {
	if n.answer {
		n.r, n.err = frame.ParseResponse(n.adu.PDU)
	} else {
		n.q, n.err = frame.ParseRequest(n.adu.PDU)
	}
	n.pause, n.inside = s.w.pauses(n.start, n.end)
	if s.set.Framing == line.ASCII {
		n.pause, n.inside = max(0, n.pause-textPause), max(0, n.inside-textPause)
	}
	n.awaits, n.worth = n.mayBeAnswered(), n.judge(s.set.Framing)
	n.hullStart = -1
	for _, o := range s.nodes {
		if o.samePlace(n) && o.err == nil && n.err == nil {
			o.both, n.both = true, true
		}
		o.within(n)
		n.within(o)
	}
	s.nodes = append(s.nodes, n)
	s.changed = true
}

// within notes that a longer stretch encloses n.
func (n *node) within(hull *node) {
	if hull.start > n.start || hull.end < n.end || hull.samePlace(n) {
		return
	}
	if hull.start > n.hullStart || hull.start == n.hullStart && hull.end > n.hullEnd {
		n.hullStart, n.hullEnd = hull.start, hull.end
	}
}

// strange says whether a PDU is refused by the rules of a function that the
// standard has.
func (n *node) strange() bool { return n.err != nil && !errors.Is(n.err, frame.ErrFunction) }
