package capture

import (
	"bytes"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// question is a request that waits for its answer. The memory of an exchange is
// made at once; pieces, which are large, only where they are wanted.
type question struct {
	id       uint16
	next     decode.Stamp // when the client asked for something else
	exchange decode.Exchange
	heard    segment.Heard
	pieces   *struct{ asked, answer segment.Piece } // nil where pieces are not wanted
}

// memory gives bytes a place of their own. Who keeps one frame keeps its slab.
type memory struct{ slab []byte }

// slabSize is small, because who keeps a few frames of many keeps their slabs.
const slabSize = 1 << 10

func (m *memory) clone(b []byte) []byte {
	if len(b) > len(m.slab) {
		m.slab = make([]byte, max(slabSize, len(b)))
	}
	n := copy(m.slab, b)
	out := m.slab[:n:n]
	m.slab = m.slab[n:]
	return out
}

// finish ends the requests that still wait: the stream is over.
func (p *parser) finish() {
	for _, q := range p.open {
		p.unanswered(q, p.last)
	}
	p.open = nil
}

// frameFound is a frame in a stream.
type frameFound struct {
	fromClient  bool
	transaction uint16
	unit        regmap.Unit
	bytes       []byte // a place of their own
	offset      int64
	first, last decode.Stamp
	number      uint64
	packet      int
}

func (f *frameFound) pdu() []byte { return f.bytes[headerLength:] }

// piece is the frame as a piece of its stream.
func (p *parser) piece(f *frameFound) segment.Piece {
	piece := segment.Piece{
		Kind: segment.Frame, Framing: line.MBAP, Direction: frame.Answering, Offset: f.offset, Bytes: f.bytes,
		First: f.first, Last: f.last, Number: f.number,
		ADU: frame.ADU{Framing: line.MBAP, Transaction: f.transaction, Unit: f.unit, PDU: f.pdu()},
	}
	if f.fromClient {
		piece.Direction = frame.Asking
	}
	if p.paired || !p.stream.Midway {
		piece.Certainty = segment.Certain
	}
	return piece
}

// frame pairs a frame and gives it on.
func (p *parser) frame(d *side, fromClient bool, adu *frame.ADU, b []byte, begin, end int) {
	p.frames++
	first, last := d.when(begin), d.when(end-1)
	f := frameFound{
		fromClient: fromClient, transaction: adu.Transaction, unit: adu.Unit, bytes: p.memory.clone(b[begin:end]),
		offset: d.offset + int64(begin), first: first.stamp, last: last.stamp, number: p.frames, packet: last.packet,
	}
	if fromClient {
		p.ask(&f)
		return
	}
	for i, q := range p.open {
		if q.id == f.transaction {
			p.paired = true
			p.remove(i)
			p.passedOver(q, i)
			p.answered(q, &f)
			return
		}
	}
	p.unasked(&f)
}

// ask gives a request on and notes it; one with the same transaction that waits
// still, or that waits for too long, was not answered.
func (p *parser) ask(f *frameFound) {
	request, err := frame.ParseRequest(f.pdu())
	if err != nil {
		if !p.quiet {
			piece := p.piece(f)
			piece.Err = err
			p.emit(Item{Stream: p.stream, Packet: f.packet, Piece: &piece})
		}
		return
	}
	p.makeRoom(f)
	if n := len(p.open); n > 0 && p.open[n-1].next.IsZero() {
		p.open[n-1].next = f.first
	}
	*p.number++
	q := &question{id: f.transaction}
	x := &q.exchange
	x.ID = decode.ID{Source: p.source, Number: *p.number}
	x.Framing, x.Unit, x.Request, x.Sent, x.Tries = line.MBAP, f.unit, request, f.bytes, 1
	x.Asked, x.Left = f.first, f.last
	p.open = append(p.open, q)
	if !p.quiet {
		q.pieces = new(struct{ asked, answer segment.Piece })
		q.pieces.asked = p.piece(f)
		q.pieces.asked.Request = request
		p.emit(Item{Stream: p.stream, Packet: f.packet, Piece: &q.pieces.asked, Exchange: x.ID})
	}
}

// makeRoom ends the requests that can wait no longer once another one comes.
func (p *parser) makeRoom(next *frameFound) {
	for len(p.open) > 0 && (next.last.Sub(p.open[0].exchange.Left) >= mostWaits || len(p.open) >= mostOpen) {
		p.unanswered(p.remove(0), next.first)
	}
	for i, other := range p.open {
		if other.id == next.transaction {
			p.unanswered(p.remove(i), next.first)
			return
		}
	}
}

// passedOver ends the earlier ones of the open requests that asked for the same
// as one that is answered now: it repeats them.
func (p *parser) passedOver(answered *question, before int) {
	same := answered.exchange.Sent[headerLength-1:]
	for i := 0; i < before; {
		if !bytes.Equal(p.open[i].exchange.Sent[headerLength-1:], same) {
			i++
			continue
		}
		p.unanswered(p.remove(i), answered.exchange.Asked)
		before--
	}
}

// remove takes the i-th open request out.
func (p *parser) remove(i int) *question {
	q := p.open[i]
	n := copy(p.open[i:], p.open[i+1:])
	p.open[i+n] = nil
	p.open = p.open[:i+n]
	return q
}

// unasked is an answer that belongs to no request.
func (p *parser) unasked(f *frameFound) {
	response, err := frame.ParseResponse(f.pdu())
	*p.number++
	x := &decode.Exchange{ID: decode.ID{Source: p.source, Number: *p.number}, Framing: line.MBAP, Unit: f.unit,
		Cause: regmap.Mismatch, Detail: "no request with this transaction was seen", Received: f.bytes,
		Asked: f.first, First: f.first, Done: f.last, Response: response}
	heard := &segment.Heard{Exchange: x, Outcome: segment.Unasked}
	if !p.quiet {
		piece := p.piece(f)
		piece.Response, piece.Err = response, err
		heard.Answer = &piece
		p.emit(Item{Stream: p.stream, Packet: f.packet, Piece: &piece, Exchange: x.ID})
	}
	p.emit(Item{Stream: p.stream, Packet: f.packet, Heard: heard})
}

// answered completes an exchange.
func (p *parser) answered(q *question, f *frameFound) {
	x := &q.exchange
	x.Cause, x.First, x.Done, x.Received = regmap.Mismatch, f.first, f.last, f.bytes
	response, err := frame.Match(x.Request, f.pdu())
	switch {
	case err != nil:
		x.Detail = err.Error()
	case response.Exception != 0:
		x.Cause, x.Response = regmap.Excepted, response
	default:
		x.Cause, x.Response = regmap.NoCause, response
	}
	q.heard.Exchange, q.heard.Outcome = x, segment.Answered
	if both := q.pieces; both != nil {
		both.answer = p.piece(f)
		item := Item{Stream: p.stream, Packet: f.packet, Piece: &both.answer, Exchange: x.ID}
		if both.answer.Response = response; err == nil {
			item.Asked = &both.asked
		} else {
			both.answer.Response, both.answer.Err = frame.ParseResponse(f.pdu())
		}
		both.answer.Answers, both.answer.Certainty = both.asked.Number, segment.Certain
		q.heard.Asked, q.heard.Answer = &both.asked, &both.answer
		p.emit(item)
	}
	p.emit(Item{Stream: p.stream, Packet: f.packet, Heard: &q.heard})
}

// unanswered ends an exchange without an answer. The client's wait was over when
// it went on, at the latest at a moment; that is when the exchange is done.
func (p *parser) unanswered(q *question, at decode.Stamp) {
	if !q.next.IsZero() {
		at = q.next
	}
	q.exchange.Cause, q.exchange.Done = regmap.Silent, at
	q.heard = segment.Heard{Exchange: &q.exchange, Outcome: segment.Unanswered}
	if q.pieces != nil {
		q.heard.Asked = &q.pieces.asked
	}
	p.emit(Item{Stream: p.stream, Heard: &q.heard})
}
