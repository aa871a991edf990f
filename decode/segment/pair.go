package segment

import (
	"errors"
	"fmt"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// Outcome says how the frames of an exchange belong together. The zero Outcome
// is not valid.
type Outcome uint8

// The outcomes.
const (
	Answered   Outcome = iota + 1 // a request with its answer, its exception, or what is left of it
	Unanswered                    // a request, and then something else
	Again                         // a request, and then the same once more: a repeat, or an adapter's echo
	Unasked                       // an answer that no request was heard for
	Undecided                     // a frame that reads both ways, with nothing that decides
)

// String is "answered", "unanswered", "again", "unasked" or "undecided".
func (o Outcome) String() string {
	if o < Answered || o > Undecided {
		return fmt.Sprintf("outcome(%d)", uint8(o))
	}
	return [...]string{"answered", "unanswered", "again", "unasked", "undecided"}[o-Answered]
}

// Heard is an exchange as it was heard on a line.
type Heard struct {
	*decode.Exchange
	Outcome Outcome
	Asked   *Piece // the request; nil when it was not heard
	Answer  *Piece // what answers it, whole or damaged; nil for none
}

// A Pairer turns the pieces of one line into exchanges, in the order in which
// their requests came. Each request on the line is one exchange:
//
//   - with the frame that answers it, even when noise lies between;
//   - with a spoiled or cut answer in the answer's place (Cause checksum or
//     cut-off), unless the right answer follows;
//   - silent when another request, an unknown frame or the end comes first; a
//     broadcast is silent too. Tries counts the same request sent again: 1, 2 ...
//
// An answer without a request is an exchange of its own, without a request and
// with Cause mismatch. So is a frame that may be either; its Request is filled
// in as far as it reads as one. Damaged requests make no exchange.
type Pairer struct {
	source decode.Source
	number uint64
	emit   func(Heard)

	asked   *Piece // waits for its answer
	damaged *Piece
	tries   int
}

// NewPairer numbers the exchanges from 1 within a source.
func NewPairer(source decode.Source, emit func(Heard)) *Pairer {
	return &Pairer{source: source, emit: emit}
}

// Take takes the next piece of the line.
func (p *Pairer) Take(piece Piece) {
	switch {
	case piece.Kind != Frame:
		if piece.Direction == frame.Answering && p.asked != nil && p.damaged == nil {
			p.damaged = &piece
		}
	case piece.Direction == frame.Asking:
		if p.asked != nil && piece.Repeats == p.asked.Number {
			p.close(Again, piece.First)
			p.tries++
		} else {
			p.close(Unanswered, piece.First)
			p.tries = 1
		}
		p.asked = &piece
	case piece.Direction == frame.Answering && p.asked != nil && piece.Answers == p.asked.Number:
		p.answered(&piece)
	default:
		p.close(Unanswered, piece.First)
		p.alone(&piece)
	}
}

// Flush ends the request that still waits; at is when the wait ended.
func (p *Pairer) Flush(at decode.Stamp) { p.close(Unanswered, at) }

// exchange begins an exchange from its request; nil for none.
func (p *Pairer) exchange(of, asked *Piece) *decode.Exchange {
	p.number++
	x := &decode.Exchange{ID: decode.ID{Source: p.source, Number: p.number}, Framing: of.Framing, Unit: of.ADU.Unit}
	if asked != nil {
		x.Request, x.Sent, x.Tries = asked.Request, asked.Bytes, p.tries
		x.Asked, x.Left = asked.First, asked.Last
	}
	return x
}

func (p *Pairer) answered(a *Piece) {
	x := p.exchange(p.asked, p.asked)
	x.Cause, x.Response, x.Received = regmap.NoCause, a.Response, a.Bytes
	if a.Response.Exception != 0 {
		x.Cause = regmap.Excepted
	}
	x.First, x.Done = a.First, a.Last
	p.end(Heard{Exchange: x, Outcome: Answered, Asked: p.asked, Answer: a})
}

// close ends the request that waits, without an answer.
func (p *Pairer) close(o Outcome, at decode.Stamp) {
	if p.asked == nil {
		return
	}
	x := p.exchange(p.asked, p.asked)
	x.Cause, x.Done = regmap.Silent, at
	if d := p.damaged; d != nil {
		o, x.Received, x.First, x.Done = Answered, d.Bytes, d.First, d.Last
		x.Cause = regmap.CutOff
		x.Detail = fmt.Sprintf("%d bytes came", len(d.Bytes))
		if d.Kind == Spoiled {
			x.Cause = regmap.Checksum
			if d.Err != nil {
				x.Detail = d.Err.Error()
			}
		}
	}
	p.end(Heard{Exchange: x, Outcome: o, Asked: p.asked, Answer: p.damaged})
}

// alone is a frame that belongs to no request.
func (p *Pairer) alone(piece *Piece) {
	x := p.exchange(piece, nil)
	x.Cause, x.First, x.Done = regmap.Mismatch, piece.First, piece.Last
	x.Received, x.Response = piece.Bytes, piece.Response
	h := Heard{Exchange: x, Outcome: Unasked, Answer: piece}
	x.Detail = "an answer, and no request for it was heard"
	if piece.Direction == 0 {
		h.Outcome, x.Request = Undecided, piece.Request
		x.Detail = "reads as a request and as an answer"
	}
	if errors.Is(piece.Err, frame.ErrMalformed) {
		x.Detail = piece.Err.Error()
	}
	p.end(h)
}

func (p *Pairer) end(h Heard) {
	if h.Asked != nil {
		p.asked, p.damaged = nil, nil
	}
	p.emit(h)
}
