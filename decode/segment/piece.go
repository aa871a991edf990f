package segment

import (
	"fmt"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// Kind says what a piece of the stream is. The zero Kind is not valid.
type Kind uint8

// The kinds.
const (
	Noise   Kind = iota + 1 // belongs to no frame
	Frame                   // a frame whose check is right
	Spoiled                 // a frame that the neighbours imply, with a wrong check
	Cut                     // the beginning of a frame that the neighbours imply
)

// String is "noise", "frame", "spoiled" or "cut".
func (k Kind) String() string {
	if k < Noise || k > Cut {
		return fmt.Sprintf("kind(%d)", uint8(k))
	}
	return [...]string{"noise", "frame", "spoiled", "cut"}[k-Noise]
}

// Certainty says how sure it is that a frame was sent as such. The zero
// Certainty is Possible.
type Certainty uint8

// The certainties.
const (
	Possible Certainty = iota // its check fits, and nothing beside it says more
	Certain                   // it answers or is answered, or touches another frame or a silence
)

// String is "possible" or "certain".
func (c Certainty) String() string {
	if c == Certain {
		return "certain"
	}
	return "possible"
}

// A Piece is one stretch of the stream. The pieces of a stream follow each other
// without holes. Nothing in it changes, and its memory is its own.
type Piece struct {
	Kind      Kind
	Framing   line.Framing
	Direction frame.Direction // of frames, spoiled and cut ones; 0 when nothing decides
	Certainty Certainty       // of frames

	Offset      int64 // of the first byte, from 0 where the stream began
	Bytes       []byte
	First, Last decode.Stamp // of the first and last byte as they were fed; zero when not known

	Number  uint64 // of frames, from 1
	Answers uint64 // the number of the request that this answers; 0 for none
	Repeats uint64 // the number of the unanswered request that this repeats byte for byte; 0 for none

	ADU      frame.ADU
	Request  frame.Request  // when it reads as a request and goes that way, or may
	Response frame.Response // when it reads as an answer and goes that way, or may
	Err      error          // why it is refused: the check, or a PDU against its own rules
}

// End is the offset behind the last byte.
func (p *Piece) End() int64 { return p.Offset + int64(len(p.Bytes)) }
