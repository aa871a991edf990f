package main

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// item shows one thing found in a capture or in raw bytes.
func (d *decoder) item(i capture.Item) error {
	switch {
	case i.Note != nil:
		d.refused = d.refused || i.Note.Kind == capture.BrokenBorder || i.Note.Kind == capture.HalfFrame
		return d.note(i.Stream, i.Note)
	case i.Piece == nil:
		return nil
	case i.Piece.Kind == segment.Noise:
		return d.noise(i.Stream, i.Piece)
	}
	return d.show(frameOf(i))
}

// errCut is why a frame is refused whose end is missing.
var errCut = errors.New("cut off: the frame ends before what it promises")

// frameOf is a piece as a frame to show.
func frameOf(i capture.Item) *shownFrame {
	p := i.Piece
	m := &decode.Message{Bytes: p.Bytes, Framing: p.Framing, ADU: p.ADU, Direction: p.Direction, Request: p.Request, Response: p.Response, Err: p.Err}
	if i.Asked != nil {
		m.Asked = &i.Asked.Request
	}
	if p.Framing != line.MBAP && p.Kind != segment.Cut {
		m.CheckOK = ptr(p.Kind == segment.Frame)
	}
	if p.Kind == segment.Cut && m.Err == nil {
		m.Err = errCut
	}
	if p.Kind == segment.Spoiled && m.Err == nil {
		m.Err = frame.ErrChecksum
	}
	return &shownFrame{m: m, offset: p.Offset, exchange: i.Exchange, at: p.Last, stream: i.Stream,
		possible: p.Kind == segment.Frame && p.Certainty == segment.Possible, kind: p.Kind.String()}
}

// noise shows bytes that belong to no frame.
func (d *decoder) noise(s *capture.Stream, p *segment.Piece) error {
	words := fmt.Sprintf("%s that belong to no frame", count(len(p.Bytes), "byte"))
	row := noteRow{stream: s, at: p.First, offset: p.Offset, kind: p.Kind.String(), words: words, bytes: p.Bytes, fromClient: true}
	return d.beside(&row)
}

// note shows what is told of a stream.
func (d *decoder) note(s *capture.Stream, n *capture.Note) error {
	return d.beside(&noteRow{stream: s, at: n.At, kind: n.Kind.String(), words: noteWords(n), bytes: n.Bytes, fromClient: n.FromClient})
}

// noteWords is a note for people.
func noteWords(n *capture.Note) string {
	words := n.Kind.Words()
	switch {
	case n.Kind == capture.BytesLost && n.Lost > 0:
		words = fmt.Sprintf("the capture misses %s of this stream", count(n.Lost, "byte"))
	case n.Kind == capture.NotModbus:
		if name := protocolName(n.Bytes); name != "" {
			words += "; it begins like " + name
		}
	}
	return words
}

// protocolName says what other protocols begin so; "" for none known. Sources:
// RFC 9112, 3 and 4 (HTTP); RFC 4253, 4.2 (SSH); V1.1b3 and the serial guide,
// 2.5.1 and 2.5.2, for frames of a serial line.
func protocolName(b []byte) string {
	for _, p := range []struct{ begins, name string }{
		{"GET ", "HTTP"}, {"POST ", "HTTP"}, {"PUT ", "HTTP"}, {"HEAD ", "HTTP"}, {"OPTIONS ", "HTTP"}, {"HTTP/", "HTTP"}, {"SSH-", "SSH"},
		{":", "ASCII frames; say --framing ascii"},
	} {
		if bytes.HasPrefix(b, []byte(p.begins)) {
			return p.name
		}
	}
	for n := 4; n <= len(b); n++ {
		if _, err := frame.ParseADU(line.RTU, b[:n]); err == nil {
			return "RTU frames inside TCP; say --framing rtu"
		}
	}
	return ""
}

// A noteRow is something shown that is no frame.
type noteRow struct {
	stream      *capture.Stream
	at          decode.Stamp
	offset      int64
	kind, words string
	bytes       []byte
	fromClient  bool
}

// beside shows what is no frame.
func (d *decoder) beside(n *noteRow) error {
	d.told++
	if d.asJSON {
		return d.jsonNote(n)
	}
	if d.shown+d.told > 1 {
		fmt.Fprintln(d.out)
	}
	where := fmt.Sprintf("byte %d", n.offset)
	if !n.at.IsZero() {
		where = instant(n.at.Wall)
	}
	if way := way(n.stream, n.fromClient); way != "" {
		where += "  " + way
	}
	if len(n.bytes) > 0 {
		n.words += ": " + hexBytes(n.bytes, 0, 0)
	}
	fmt.Fprintf(d.out, "%s  %s\n", where, paper.Text(n.words))
	return nil
}

// ends says what else a capture held.
func (d *decoder) ends(name string, sum *capture.Summary, _ error) error {
	if sum == nil || d.asJSON {
		return nil
	}
	if d.shown+d.told > 0 {
		fmt.Fprintln(d.out)
	}
	fmt.Fprintf(d.out, "%s: %s\n", paper.Text(name), summaryWords(sum))
	return nil
}

// summaryWords is what a capture held, in a sentence.
func summaryWords(sum *capture.Summary) string {
	parts := []string{count(sum.Packets, "packet"), count(sum.Streams, "stream")}
	for _, p := range []struct {
		n    int
		what string
	}{
		{sum.Other, "of other protocols and ports"}, {sum.Fragments, "parts of IP packets, which are not put together"},
		{sum.Nested, "with headers stacked too high"}, {sum.Malformed, "with headers that do not fit"}, {sum.Cut, "not held whole by the file"},
	} {
		if p.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", p.n, p.what))
		}
	}
	return strings.Join(parts, ", ")
}
