package segment

import (
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// Settings say what is known of a line beforehand.
type Settings struct {
	Framing   line.Framing // RTU or ASCII; anything else finds nothing but noise
	Delimiter byte         // replaces LF at the end of ASCII frames; 0: LF. Source: V1.1b3 6.8.1

	// Serial lets the time that a piece of bytes was on the line be taken off the
	// pause before it; only with stamps. The zero Serial leaves the pause as it is.
	Serial line.Serial
}

// A Segmenter finds frames in a stream fed piece by piece. However the bytes are
// cut, the same pieces come out, as long as no stamps are given. A frame comes
// out at its last byte where what was told before decides about it. A lone one,
// and what may still lie inside a longer frame, waits for two longest frames of
// bytes behind it, or for Flush: call that when a line has been silent for long.
// Memory is bounded, however long the stream is. It is for one goroutine.
type Segmenter struct {
	set   Settings
	emit  func(Piece)
	limit limits
	char  time.Duration

	w     window
	open  opened // RTU: frames that may have begun
	colon int64  // ASCII: where the last colon stands; -1 for none
	nodes []*node
	root  *node // the last frame told, or one that stands for the beginning
	quiet int64 // where the line was last said to be silent

	recheck int64 // no frame can be told before this offset unless a node comes
	changed bool
	number  uint64
	echoes  int // how often a read request came twice before its answer, less how often once

	steps int // work done, for the tests
}

// limits are the bounds of the window in bytes.
type limits struct {
	frame int64 // the longest frame
	look  int64 // how far behind a frame is looked for what decides about it
	noise int64 // most noise held back
}

// maxNodes is the most readings of frames held at a time. More make the first
// one come out with what is known.
const maxNodes = 96

// New is a segmenter that gives its pieces to emit, in the order of the stream.
func New(s Settings, emit func(Piece)) *Segmenter {
	longest := int64(frame.MaxRTU)
	if s.Framing == line.ASCII {
		longest = frame.MaxASCII
	}
	return &Segmenter{
		set: s, emit: emit, colon: -1, quiet: -1,
		limit: limits{frame: longest, look: 2 * longest, noise: 3 * longest},
		char:  frame.CharTime(s.Serial, s.Framing),
		root:  &node{none: true},
	}
}

// Feed takes the next bytes of the stream, with the moment when they came; the
// zero Stamp is not known. It keeps nothing of b.
func (s *Segmenter) Feed(b []byte, at decode.Stamp) {
	if len(b) == 0 {
		return
	}
	s.w.mark(at, time.Duration(min(len(b), int(s.limit.frame)))*s.char)
	for _, c := range b {
		s.w.bytes = append(s.w.bytes, c)
		s.steps++
		switch s.set.Framing {
		case line.RTU:
			s.nextRTU()
		case line.ASCII:
			s.nextASCII(c)
		}
		if s.changed || s.w.end() >= s.recheck {
			s.settle(false)
		}
	}
}

// Flush lets out everything that is held, because the stream ends or because
// what is known must be known now. The stream may go on afterwards: an answer
// still finds its request.
func (s *Segmenter) Flush() {
	s.settle(true)
	if s.w.end() > s.w.base {
		s.tellGap(s.w.end(), nil)
	}
	s.open.forget()
	s.nodes, s.colon, s.recheck = s.nodes[:0], -1, 0
}

// Silence is Flush where the line fell silent for 3.5 characters or more behind
// the last byte. A frame that fills the bytes between two silences is certain.
// Only who reads the line without an adapter's delays can say so.
// Source: serial guide 2.5.1.1.
func (s *Segmenter) Silence() {
	if end := s.w.end(); s.quiet == s.w.base && end > s.w.base {
		for _, n := range s.nodes {
			n.framed = n.framed || n.start == s.w.base && n.end == end
		}
	}
	s.Flush()
	s.quiet = s.w.end()
}
