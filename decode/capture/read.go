package capture

import (
	"encoding/binary"
	"io"

	"github.com/gopacket/gopacket/layers"

	"plumbline/decode"
	"plumbline/regmap/line"
)

// The link types of serial captures: one with a head of twelve bytes before the
// data of each packet, and the first of those left to users, taken as data
// alone. Source: the IANA registry of link types (draft-ietf-opsawg-pcaplinktype),
// from memory.
const (
	linkSerial     layers.LinkType = 250
	linkUser       layers.LinkType = 147
	serialHeader                   = 12
	serialDataLost                 = 0x05 // kind of event
)

// Settings say how a capture is read.
type Settings struct {
	Options
	Serial line.Serial // of a serial line; zero: not known
	Source decode.Source

	// ExchangesOnly leaves the pieces out that are frames, which saves most of the
	// memory taken; noise and damaged ones still come. Heard may then come without Asked and
	// Answer: the exchange has their bytes.
	ExchangesOnly bool
}

// Read reads a capture to its end and gives what it finds to emit. The error is
// Open's, or says where the file cannot be read further; the summary, and what
// was given by then, are good all the same.
func Read(r io.Reader, s Settings, emit func(Item)) (Summary, error) {
	var sum Summary
	f, err := Open(r)
	if err != nil {
		return sum, err
	}
	c := collector{settings: s, emit: emit}
	c.table = newTable(s.Options, c.chunk)
	var u unwrapper
	for {
		p, err := f.Next()
		if err != nil {
			c.finish()
			sum.Streams = c.table.number
			if err == io.EOF {
				err = nil
			}
			return sum, err
		}
		sum.Packets++
		if p.Cut > 0 {
			sum.Cut++
		}
		if p.Link == linkSerial || p.Link == linkUser {
			c.serial(&p)
			continue
		}
		verdict := u.unwrap(&p)
		if verdict == used && !c.table.wanted(&u.found) {
			verdict = other
		}
		if sum.count(verdict); verdict == used {
			c.table.take(&u.found, p.At, p.Number)
		}
	}
}

// count counts a packet that carries nothing for us.
func (s *Summary) count(w why) {
	switch w {
	case other:
		s.Other++
	case fragment:
		s.Fragments++
	case nested:
		s.Nested++
	case malformed:
		s.Malformed++
	}
}

// collector gives the chunks of streams to their readers.
type collector struct {
	settings Settings
	emit     func(Item)
	table    *table
	numbers  uint64
	wire     *Stream // the serial line of the file, if there is one
}

// chunk gives a chunk to its stream's reader.
func (c *collector) chunk(k *Chunk) {
	s := k.Stream
	if s.reader == nil {
		s.reader = c.reader(s)
	}
	s.reader.take(k)
}

// reader makes the reader of a stream.
func (c *collector) reader(s *Stream) reader {
	switch f := c.settings.Framing; f {
	case line.RTU, line.ASCII:
		return newTurns(s, f, c.settings, &c.numbers, c.emit)
	}
	return newParser(s, c.settings, &c.numbers, c.emit)
}

// serial gives the data of a serial line's packet to its reader.
func (c *collector) serial(p *Packet) {
	if c.wire == nil {
		c.table.number++
		c.wire = &Stream{Number: c.table.number, Medium: line.SerialPort, Began: p.At, Midway: true}
		f := c.settings.Framing
		if f != line.ASCII {
			f = line.RTU
		}
		c.wire.reader = newTurns(c.wire, f, c.settings, &c.numbers, c.emit)
	}
	k := &Chunk{Stream: c.wire, Bytes: p.Data, At: p.At, Packet: p.Number}
	if p.At.Wall.Equal(NoTime.Wall) {
		k.At = decode.Stamp{}
	}
	if p.Link == linkSerial {
		if len(p.Data) < serialHeader {
			return
		}
		if p.Data[8] == serialDataLost {
			k.Lost = -1
		}
		k.Bytes = p.Data[serialHeader:]
	}
	if p.Cut > 0 {
		k.Lost = -1
	}
	c.wire.reader.take(k)
}

// finish ends all streams.
func (c *collector) finish() {
	c.table.finish()
	if c.wire != nil {
		c.wire.reader.finish()
	}
}

// appendSerial wraps bytes of a serial line for a packet: their time again, the
// kind of event (data received), the state of the control lines, and two bytes
// kept for later.
func appendSerial(dst []byte, at decode.Stamp, b []byte) []byte {
	dst = binary.BigEndian.AppendUint32(dst, uint32(at.Wall.Unix()))
	dst = binary.BigEndian.AppendUint32(dst, uint32(at.Wall.Nanosecond()/1000))
	dst = append(dst, serialReceived, 0, 0, 0)
	return append(dst, b...)
}

// serialReceived is the kind of event of received data.
const serialReceived = 0x02

// ReadBytes reads the raw bytes of a serial line to their end, RTU unless the
// settings say ASCII, and gives what it finds to emit. They carry no times. The
// error is the reader's.
func ReadBytes(r io.Reader, s Settings, emit func(Item)) error {
	framing := line.RTU
	if s.Framing == line.ASCII {
		framing = line.ASCII
	}
	var numbers uint64
	wire := &Stream{Number: 1, Medium: line.SerialPort, Midway: true}
	t := newTurns(wire, framing, s, &numbers, emit)
	wire.reader = t
	b := make([]byte, 32<<10)
	for {
		n, err := r.Read(b)
		t.take(&Chunk{Stream: wire, Bytes: b[:n]})
		if err != nil {
			t.finish()
			if err == io.EOF {
				return nil
			}
			return err
		}
	}
}
