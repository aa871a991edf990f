package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Bounds of what is remembered of a stream's requests; ours. A client may have
// 16 open (TCP guide V1.0b, 4.4.1.2); some have more.
const (
	mostOpen   = 64
	mostWaits  = 30 * time.Second
	mostStrays = 8 // chunks in a row that begin like no frame, on a stream without any right one
)

// headerLength is what stands before the PDU, mostLength the largest value of
// its length field. Source: TCP guide V1.0b, 3.1.3; V1.1b3, 4.1.
const (
	headerLength = 7
	mostLength   = 254
)

// parser finds the frames of an MBAP stream and pairs them.
type parser struct {
	stream *Stream
	source decode.Source
	number *uint64 // of exchanges, counted over the file
	emit   func(Item)
	up     side
	down   side
	frames uint64
	strays int
	paired bool // a pair was seen since the last hole
	deaf   bool // the stream is not for us
	open   []*question
	last   decode.Stamp // of the last chunk
}

// side is one direction.
type side struct {
	in     []byte
	marks  []mark // where chunks begin in it
	offset int64
	lost   bool // the borders are not known
	begun  bool
}

// mark says when the bytes from a place on came.
type mark struct {
	at     int
	stamp  decode.Stamp
	packet int
}

// question is a request that waits for its answer.
type question struct {
	id    uint16
	piece *segment.Piece
}

func newParser(s *Stream, source decode.Source, number *uint64, emit func(Item)) *parser {
	p := &parser{stream: s, source: source, number: number, emit: emit}
	p.up.lost, p.down.lost = s.Midway, s.Midway
	return p
}

// take finds the frames that a chunk completes.
func (p *parser) take(c Chunk) {
	d := &p.down
	if c.FromClient {
		d = &p.up
	}
	if !c.At.IsZero() {
		p.last = c.At
	}
	if c.Conflict {
		p.note(c, Conflict, nil, 0)
	}
	if c.Lost != 0 {
		p.note(c, BytesLost, nil, c.Lost)
		p.drop(d)
		d.lost, p.paired = true, false
	}
	if p.deaf {
		return
	}
	if len(c.Bytes) > 0 {
		p.add(d, c)
		p.parse(d, c)
	}
	if c.Ends || c.Whole {
		if len(d.in) > 0 && !d.lost {
			p.note(c, HalfFrame, d.in, 0)
		}
		p.drop(d)
	}
}

// finish ends the requests that still wait: the stream is over.
func (p *parser) finish() {
	for _, q := range p.open {
		p.unanswered(q, p.last)
	}
	p.open = nil
}

// add appends a chunk, unless what it begins with shows that the stream is for
// others.
func (p *parser) add(d *side, c Chunk) {
	if d.lost {
		p.drop(d)
		if !plausible(c.Bytes) {
			if p.strays++; p.frames == 0 && p.strays >= mostStrays {
				p.giveUp(c, c.Bytes)
			}
			d.offset += int64(len(c.Bytes))
			return
		}
		d.lost = false
	}
	if !d.begun && len(c.Bytes) >= 3 && secured(c.Bytes) {
		p.deaf = true
		p.note(c, Secured, nil, 0)
		return
	}
	d.begun = true
	d.marks = append(d.marks, mark{len(d.in), c.At, c.Packet})
	d.in = append(d.in, c.Bytes...)
}

// plausible says whether bytes begin like a frame: a header whose protocol and
// length can be, and with it the next one, where it is there.
func plausible(b []byte) bool {
	if len(b) < headerLength+1 || b[2] != 0 || b[3] != 0 {
		return false
	}
	n := int(binary.BigEndian.Uint16(b[4:]))
	if n < 2 || n > mostLength || !frame.Function(b[headerLength]&0x7F).Known() {
		return false
	}
	rest := b[min(6+n, len(b)):]
	return len(rest) < 6 || rest[2] == 0 && rest[3] == 0 && rest[4] == 0 && rest[5] >= 2
}

// parse takes the whole frames out of a side's bytes.
func (p *parser) parse(d *side, c Chunk) {
	if p.deaf {
		return
	}
	codec := frame.Codec{Framing: line.MBAP}
	at := 0
	defer func() { p.keep(d, at) }()
	for !p.deaf {
		adu, _, used, err := codec.Next(d.in[at:])
		switch {
		case err == nil:
			p.frame(d, c.FromClient, adu, at, at+used)
			at += used
			continue
		case errors.Is(err, frame.ErrMore) && !impossible(d.in[at:]):
			return
		case p.frames == 0:
			p.giveUp(c, d.in[at:])
		default:
			p.note(c, BrokenBorder, d.in[at:], 0)
		}
		d.lost, p.paired = true, false
		at = len(d.in)
		return
	}
}

// impossible says whether the bytes that are there already rule a header out.
func impossible(b []byte) bool {
	return len(b) >= 4 && (b[2] != 0 || b[3] != 0) || len(b) >= 6 && (b[4] != 0 || b[5] < 2 || b[5] > mostLength)
}

// giveUp says once that a stream is not Modbus.
func (p *parser) giveUp(c Chunk, b []byte) {
	p.deaf = true
	p.note(c, NotModbus, b, 0)
}

func (p *parser) note(c Chunk, k Kind, b []byte, lost int) {
	p.emit(Item{Stream: p.stream, Packet: c.Packet, Note: &Note{Kind: k, FromClient: c.FromClient, At: c.At, Bytes: bytes.Clone(b[:min(len(b), 32)]), Lost: lost}})
}

// keep drops what is used of a side's bytes.
func (p *parser) keep(d *side, used int) {
	if used == 0 {
		return
	}
	d.offset += int64(used)
	d.in = d.in[:copy(d.in, d.in[used:])]
	kept := d.marks[:0]
	for i, m := range d.marks {
		if i+1 < len(d.marks) && d.marks[i+1].at <= used {
			continue
		}
		m.at = max(0, m.at-used)
		kept = append(kept, m)
	}
	if d.marks = kept; len(d.in) == 0 {
		d.marks = d.marks[:0]
	}
}

func (p *parser) drop(d *side) { p.keep(d, len(d.in)) }

// when is the mark of the chunk that holds a byte.
func (d *side) when(at int) (m mark) {
	for _, m2 := range d.marks {
		if m2.at > at {
			break
		}
		m = m2
	}
	return m
}

// frame gives a frame on and pairs it.
func (p *parser) frame(d *side, fromClient bool, adu frame.ADU, begin, end int) {
	p.frames++
	first, last := d.when(begin), d.when(end-1)
	piece := &segment.Piece{
		Kind: segment.Frame, Framing: line.MBAP, Direction: frame.Answering, Offset: d.offset + int64(begin),
		Bytes: bytes.Clone(d.in[begin:end]), First: first.stamp, Last: last.stamp, Number: p.frames,
	}
	if p.paired || !p.stream.Midway {
		piece.Certainty = segment.Certain
	}
	piece.ADU, piece.Err = frame.ParseADU(line.MBAP, piece.Bytes)
	if fromClient {
		piece.Direction = frame.Asking
		if piece.Err == nil {
			piece.Request, piece.Err = frame.ParseRequest(piece.ADU.PDU)
		}
		p.emit(Item{Stream: p.stream, Packet: last.packet, Piece: piece})
		p.ask(&question{adu.Transaction, piece})
		return
	}
	if piece.Err == nil {
		piece.Response, piece.Err = frame.ParseResponse(piece.ADU.PDU)
	}
	p.answer(piece, adu.Transaction, last.packet)
}

// ask notes a request; one with the same transaction that waits still, or that
// waits for too long, was not answered.
func (p *parser) ask(q *question) {
	if q.piece.Err != nil {
		return
	}
	p.expire(q.piece.Last, mostWaits)
	for i, other := range p.open {
		if other.id == q.id {
			p.open = append(p.open[:i], p.open[i+1:]...)
			p.unanswered(other, q.piece.First)
			break
		}
	}
	if len(p.open) >= mostOpen {
		oldest := p.open[0]
		p.open = p.open[1:]
		p.unanswered(oldest, q.piece.First)
	}
	p.open = append(p.open, q)
}

// expire ends the requests that wait for longer than they may.
func (p *parser) expire(now decode.Stamp, after time.Duration) {
	for len(p.open) > 0 && now.Sub(p.open[0].piece.Last) >= after {
		q := p.open[0]
		p.open = p.open[1:]
		p.unanswered(q, now)
	}
}

// answer pairs an answer with its request.
func (p *parser) answer(piece *segment.Piece, id uint16, packet int) {
	for i, q := range p.open {
		if q.id != id {
			continue
		}
		p.open = append(p.open[:i], p.open[i+1:]...)
		p.paired = true
		piece.Answers, piece.Certainty = q.piece.Number, segment.Certain
		x := p.exchange(q)
		x.Cause, x.First, x.Done, x.Received = regmap.Mismatch, piece.First, piece.Last, piece.Bytes
		response, err := frame.Match(q.piece.Request, piece.ADU.PDU)
		switch {
		case err != nil:
			x.Detail = err.Error()
		case response.Exception != 0:
			x.Cause, x.Response = regmap.Excepted, response
		default:
			x.Cause, x.Response = regmap.NoCause, response
		}
		p.emit(Item{Stream: p.stream, Packet: packet, Piece: piece})
		p.emit(Item{Stream: p.stream, Packet: packet, Heard: &segment.Heard{Exchange: x, Outcome: segment.Answered, Asked: q.piece, Answer: piece}})
		return
	}
	*p.number++
	x := &decode.Exchange{ID: decode.ID{Source: p.source, Number: *p.number}, Framing: line.MBAP, Unit: piece.ADU.Unit,
		Cause: regmap.Mismatch, Detail: "no request with this transaction was seen", Received: piece.Bytes,
		Asked: piece.First, First: piece.First, Done: piece.Last, Response: piece.Response}
	p.emit(Item{Stream: p.stream, Packet: packet, Piece: piece})
	p.emit(Item{Stream: p.stream, Packet: packet, Heard: &segment.Heard{Exchange: x, Outcome: segment.Unasked, Answer: piece}})
}

// exchange begins the exchange of a request.
func (p *parser) exchange(q *question) *decode.Exchange {
	*p.number++
	return &decode.Exchange{
		ID: decode.ID{Source: p.source, Number: *p.number}, Framing: line.MBAP, Unit: q.piece.ADU.Unit,
		Request: q.piece.Request, Sent: q.piece.Bytes, Tries: 1, Asked: q.piece.First, Left: q.piece.Last,
	}
}

func (p *parser) unanswered(q *question, at decode.Stamp) {
	x := p.exchange(q)
	x.Cause, x.Done = regmap.Silent, at
	p.emit(Item{Stream: p.stream, Heard: &segment.Heard{Exchange: x, Outcome: segment.Unanswered, Asked: q.piece}})
}
