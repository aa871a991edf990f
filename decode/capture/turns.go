package capture

import (
	"bytes"

	"plumbline/decode"
	"plumbline/decode/segment"
	"plumbline/regmap/line"
)

// turns finds RTU and ASCII frames, in a TCP stream or on a serial line. On TCP
// the side that sends is known, and where it changes a frame is over.
type turns struct {
	stream     *Stream
	emit       func(Item)
	segmenter  *segment.Segmenter
	pairer     *segment.Pairer
	packet     int
	fromClient bool
	deaf       bool
	begun      bool
	last       decode.Stamp
}

func newTurns(s *Stream, f line.Framing, serial line.Serial, source decode.Source, number *uint64, emit func(Item)) *turns {
	t := &turns{stream: s, emit: emit}
	t.pairer = segment.NewPairer(source, func(h segment.Heard) {
		*number++
		h.ID.Number = *number // counted over all streams of the file
		t.emit(Item{Stream: s, Packet: t.packet, Heard: &h})
	})
	t.segmenter = segment.New(segment.Settings{Framing: f, Serial: serial}, func(p segment.Piece) {
		t.emit(Item{Stream: s, Packet: t.packet, Piece: &p})
		t.pairer.Take(p)
	})
	return t
}

func (t *turns) take(c Chunk) {
	if !c.At.IsZero() {
		t.last = c.At
	}
	note := func(k Kind, b []byte) {
		t.emit(Item{Stream: t.stream, Packet: c.Packet, Note: &Note{Kind: k, FromClient: c.FromClient, At: c.At, Bytes: bytes.Clone(b), Lost: c.Lost}})
	}
	if c.Conflict {
		note(Conflict, nil)
	}
	if c.Lost != 0 {
		note(BytesLost, nil)
		t.segmenter.Flush()
	}
	if t.deaf || len(c.Bytes) == 0 {
		return
	}
	if !t.begun && t.stream.Medium != line.SerialPort && len(c.Bytes) >= 3 && secured(c.Bytes) {
		t.deaf = true
		note(Secured, nil)
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
}

// secured says whether bytes begin like a TLS record: type, version 3.x. Source:
// RFC 8446, 5.1.
func secured(b []byte) bool { return b[0] >= 0x14 && b[0] <= 0x17 && b[1] == 3 }
