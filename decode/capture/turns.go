package capture

import (
	"bytes"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap/line"
)

// turns finds RTU and ASCII frames, in a TCP stream or on a serial line. On TCP
// the side that sends is known, and where it changes a frame is over.
type turns struct {
	stream     *Stream
	emit       func(Item)
	quiet      bool // frames are not wanted as pieces
	segmenter  *segment.Segmenter
	pairer     *segment.Pairer
	packet     int
	fromClient bool
	deaf       bool
	begun      bool
	last       decode.Stamp

	queue   []Item // what waits until the exchange of its frames is numbered
	waiting uint64 // the number of the request that has no exchange yet; 0 for none
	asked   *segment.Piece
}

// mostQueued is the most items that wait for a request's exchange; noise without
// end would make them many.
const mostQueued = 64

func newTurns(s *Stream, f line.Framing, settings Settings, number *uint64, emit func(Item)) *turns {
	t := &turns{stream: s, emit: emit, quiet: settings.ExchangesOnly}
	serial := settings.Serial
	if s.Medium != line.SerialPort {
		serial = line.Serial{}
	}
	t.pairer = segment.NewPairer(settings.Source, func(h segment.Heard) {
		*number++
		h.ID.Number = *number // counted over all streams of the file
		t.paired(&h)
	})
	t.segmenter = segment.New(segment.Settings{Framing: f, Serial: serial}, t.piece)
	return t
}

// piece takes the next piece of the stream.
func (t *turns) piece(p segment.Piece) {
	item := Item{Stream: t.stream, Packet: t.packet, Piece: &p}
	isFrame := p.Kind == segment.Frame
	if isFrame && p.Answers != 0 && t.asked != nil && t.asked.Number == p.Answers {
		item.Asked = t.asked
	}
	t.queue = append(t.queue, item)
	t.pairer.Take(p)
	if isFrame && p.Direction == frame.Asking {
		t.asked, t.waiting = &p, p.Number
	}
	t.release()
}

// paired gives the frames that wait their exchange's identity.
func (t *turns) paired(h *segment.Heard) {
	for i := range t.queue {
		p := t.queue[i].Piece
		if p == nil || t.queue[i].Exchange != (decode.ID{}) {
			continue
		}
		for _, of := range []*segment.Piece{h.Asked, h.Answer} {
			if of != nil && p.Kind == of.Kind && p.Offset == of.Offset {
				t.queue[i].Exchange = h.ID
			}
		}
	}
	if h.Asked != nil && h.Asked.Number == t.waiting {
		t.waiting = 0
	}
	t.queue = append(t.queue, Item{Stream: t.stream, Packet: t.packet, Heard: h})
}

// release gives on what waits for nothing.
func (t *turns) release() {
	if t.waiting != 0 && len(t.queue) < mostQueued {
		return
	}
	t.waiting = 0
	for _, i := range t.queue {
		if i.Piece == nil || !t.quiet || i.Piece.Kind != segment.Frame {
			t.emit(i)
		}
	}
	clear(t.queue)
	t.queue = t.queue[:0]
}

func (t *turns) take(c *Chunk) {
	if !c.At.IsZero() {
		t.last = c.At
	}
	note := func(k Kind, b []byte) {
		t.queue = append(t.queue, Item{Stream: t.stream, Packet: c.Packet, Note: &Note{Kind: k, FromClient: c.FromClient, At: c.At, Bytes: bytes.Clone(b), Lost: c.Lost}})
		t.release()
	}
	if c.Conflict {
		note(Conflict, nil)
	}
	if c.Lost != 0 {
		t.segmenter.Flush()
		note(BytesLost, nil)
	}
	if t.deaf || len(c.Bytes) == 0 {
		return
	}
	if !t.begun && t.stream.Medium != line.SerialPort && len(c.Bytes) >= 3 && secured(c.Bytes) {
		t.deaf = true
		note(Secured, c.Bytes[:min(len(c.Bytes), mostOfNote)])
		return
	}
	if t.begun && t.stream.Medium != line.SerialPort && c.FromClient != t.fromClient {
		t.segmenter.Silence()
	}
	t.begun, t.fromClient, t.packet = true, c.FromClient, c.Packet
	t.segmenter.Feed(c.Bytes, c.At)
}

// finish lets out what is held.
func (t *turns) finish() {
	t.segmenter.Flush()
	t.pairer.Flush(t.last)
	t.waiting = 0
	t.release()
}

// secured says whether bytes begin like a TLS record: type, version 3.x. Source:
// RFC 8446, 5.1.
func secured(b []byte) bool { return b[0] >= 0x14 && b[0] <= 0x17 && b[1] == 3 }
