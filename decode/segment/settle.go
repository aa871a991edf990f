package segment

import (
	"bytes"
	"slices"

	"plumbline/decode/frame"
)

// Margins in points.
const (
	sure    = 6 // by which a path must lead to be told before the window ends
	decided = 4 // by which a direction must lead to be told at all
)

// settle tells what can be told by now; everything when last is set.
func (s *Segmenter) settle(last bool) {
	if s.changed {
		s.rescore(nil)
		s.changed = false
	}
	for s.settleFirst(last) {
		s.rescore(nil)
	}
}

// settleFirst tells the first frame of the best path, or noise that nothing can
// come of; false when more bytes are needed.
func (s *Segmenter) settleFirst(last bool) bool {
	now := s.w.end()
	c := s.choose()
	if c.f == nil {
		if n := len(s.nodes); n > maxNodes {
			s.nodes = slices.Delete(s.nodes, 0, n-maxNodes/2)
		}
		s.recheck = s.w.base + s.limit.noise
		if now >= s.recheck && now > s.w.base {
			s.tellNoise(now - s.limit.look)
			s.recheck = s.w.base + s.limit.noise
		}
		return false
	}
	deadline := c.f.end + s.limit.look
	if last || now >= deadline || len(s.nodes) > maxNodes {
		s.tell(c)
		return true
	}
	s.recheck = deadline
	if c.way < sure || c.rest < sure || s.certainty(c) != Certain {
		return false
	}
	if due := s.enclosing(c.f); due > 0 {
		s.recheck = min(deadline, due)
		return false
	}
	s.tell(c)
	return true
}

// tellNoise gives up the bytes before an offset.
func (s *Segmenter) tellNoise(to int64) {
	if s.colon >= s.w.base && s.colon < to && s.w.end()-s.colon <= s.limit.frame {
		to = s.colon
	}
	s.tellGap(to, nil)
	s.nodes = slices.DeleteFunc(s.nodes, func(n *node) bool { return n.start < to })
}

// certainty: a frame is certain when it answers or is answered, when it touches
// another frame, or when it fills the bytes between two silences.
func (s *Segmenter) certainty(c choice) Certainty {
	f := c.f
	switch {
	case f.answers, f.framed, !s.root.none && s.root.end == f.start,
		c.next != nil && (c.next.answers || c.next.start == f.end):
		return Certain
	}
	return Possible
}

// tell lets out the bytes in front of a frame and the frame.
func (s *Segmenter) tell(c choice) {
	f := c.f
	if f.start > s.w.base {
		s.tellGap(f.start, f)
	}
	s.number++
	f.number = s.number
	p := Piece{Kind: Frame, Framing: s.set.Framing, Direction: way(f.answer), Certainty: s.certainty(c),
		Offset: f.start, Bytes: f.bytes, First: s.w.stamp(f.start), Last: s.w.stamp(f.end - 1), Number: f.number,
		ADU: f.adu, Request: f.q, Response: f.r, Err: f.err}
	switch {
	case c.way < decided:
		p.Direction = 0
		s.readBothWays(&p, f)
	case f.answers:
		p.Answers = f.prev.number
	case f.repeats:
		p.Repeats = f.prev.number
	}
	s.learnEcho(f)
	s.follow(f)
	s.emit(p)
}

// readBothWays adds the other reading of a frame whose direction is not decided.
func (s *Segmenter) readBothWays(p *Piece, f *node) {
	for _, o := range s.nodes {
		if o == f || !o.samePlace(f) {
			continue
		}
		if o.answer {
			p.Response = o.r
		} else {
			p.Request = o.q
		}
		if p.Err != nil {
			p.Err = o.err
		}
	}
}

// learnEcho counts read requests that came twice before they were answered, and
// those that came once.
func (s *Segmenter) learnEcho(f *node) {
	q := f.prev
	if !f.answers || f.exception() || bytes.Equal(q.adu.PDU, f.adu.PDU) {
		return
	}
	if q.repeats {
		s.echoes = min(s.echoes+1, 8)
	} else {
		s.echoes = max(s.echoes-2, 0)
	}
}

// follow makes f the frame that the rest follows.
func (s *Segmenter) follow(f *node) {
	f.prev, f.head, f.score, f.reach = nil, nil, 0, 0
	s.root = f
	s.nodes = slices.DeleteFunc(s.nodes, func(n *node) bool { return n.start < f.end })
	s.w.drop(f.end)
}

// tellGap lets out the bytes before an offset, which are no frame; next is the
// frame behind them, nil for none.
func (s *Segmenter) tellGap(to int64, next *node) {
	g := gap{s: s, from: s.w.base, to: to, next: next, bytes: s.w.span(s.w.base, to)}
	if s.root.end == s.w.base || s.quiet == s.w.base {
		g.touches = true
	}
	g.tell()
	if s.w.base < to {
		s.w.drop(to)
	}
}

// piece makes the piece of a stretch that is no node.
func (s *Segmenter) piece(kind Kind, d frame.Direction, from, to int64) Piece {
	return Piece{Kind: kind, Framing: s.set.Framing, Direction: d, Offset: from,
		Bytes: bytes.Clone(s.w.span(from, to)), First: s.w.stamp(from), Last: s.w.stamp(to - 1)}
}
