package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// Bounds of what is remembered of a stream's requests; ours. A client may have
// 16 open (TCP guide V1.0b, 4.4.1.2); some have more.
const (
	mostOpen   = 64
	mostWaits  = 30 * time.Second
	mostOfNote = 32 // bytes that a note shows
	mostStrays = 8  // chunks in a row that begin like no frame, on a stream without any right one
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
	quiet  bool // pieces are not wanted
	up     side
	down   side
	frames uint64
	strays int
	paired bool // a pair was seen since the last hole
	deaf   bool // the stream is not for us
	open   []*question
	last   decode.Stamp // of the last chunk
	memory memory
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

func newParser(s *Stream, settings Settings, number *uint64, emit func(Item)) *parser {
	p := &parser{stream: s, source: settings.Source, quiet: settings.ExchangesOnly, number: number, emit: emit}
	p.up.lost, p.down.lost = s.Midway, s.Midway
	return p
}

// take finds the frames that a chunk completes.
func (p *parser) take(c *Chunk) {
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
	if len(c.Bytes) > 0 && p.begins(d, c) {
		p.parse(d, c)
	}
	if c.Ends || c.Whole {
		if len(d.in) > 0 && !d.lost {
			p.note(c, HalfFrame, d.in, 0)
		}
		p.drop(d)
	}
}

// begins says whether a chunk may go to the frames of a side, or shows by how it
// begins that it is none of ours.
func (p *parser) begins(d *side, c *Chunk) bool {
	if d.lost {
		p.drop(d)
		if !plausible(c.Bytes) {
			if p.strays++; p.frames == 0 && p.strays >= mostStrays {
				p.giveUp(c, c.Bytes)
			}
			d.offset += int64(len(c.Bytes))
			return false
		}
		d.lost = false
	}
	if !d.begun && len(c.Bytes) >= 3 && secured(c.Bytes) {
		p.deaf = true
		p.note(c, Secured, c.Bytes, 0)
		return false
	}
	d.begun = true
	return true
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

// parse takes the whole frames out of a chunk, behind what a side still held.
func (p *parser) parse(d *side, c *Chunk) {
	d.marks = append(d.marks, mark{len(d.in), c.At, c.Packet})
	if len(d.in) > 0 {
		d.in = append(d.in, c.Bytes...)
		p.keep(d, p.framesOf(d, c, d.in))
		return
	}
	// Most chunks are whole frames, which need not be kept here first.
	used := p.framesOf(d, c, c.Bytes)
	d.offset += int64(used)
	d.in = append(d.in, c.Bytes[used:]...)
	if d.marks = d.marks[:0]; len(d.in) > 0 {
		d.marks = append(d.marks, mark{0, c.At, c.Packet})
	}
}

// framesOf gives the whole frames at the front of a side's bytes on; used bytes
// are done with.
func (p *parser) framesOf(d *side, c *Chunk, b []byte) (used int) {
	codec := frame.Codec{Framing: line.MBAP}
	for !p.deaf {
		if used == len(b) {
			return used
		}
		adu, _, n, err := codec.Next(b[used:])
		switch {
		case err == nil:
			p.frame(d, c.FromClient, &adu, b, used, used+n)
			used += n
			continue
		case errors.Is(err, frame.ErrMore) && !impossible(b[used:]):
			return used
		case p.frames == 0:
			p.giveUp(c, b[used:])
		default:
			p.note(c, BrokenBorder, b[used:], 0)
		}
		d.lost, p.paired = true, false
		return len(b)
	}
	return len(b)
}

// impossible says whether the bytes that are there already rule a header out.
func impossible(b []byte) bool {
	return len(b) >= 4 && (b[2] != 0 || b[3] != 0) || len(b) >= 6 && (b[4] != 0 || b[5] < 2 || b[5] > mostLength)
}

// giveUp says once that a stream is not Modbus.
func (p *parser) giveUp(c *Chunk, b []byte) {
	p.deaf = true
	p.note(c, NotModbus, b, 0)
}

func (p *parser) note(c *Chunk, k Kind, b []byte, lost int) {
	p.emit(Item{Stream: p.stream, Packet: c.Packet, Note: &Note{Kind: k, FromClient: c.FromClient, At: c.At, Bytes: bytes.Clone(b[:min(len(b), mostOfNote)]), Lost: lost}})
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
