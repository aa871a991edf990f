package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"os"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/segment"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// A hearer is what the input of decode goes to.
type hearer interface {
	message(m *decode.Message, offset int64) error          // one frame of hex text
	item(i capture.Item) error                              // of captures and raw bytes
	ends(name string, sum *capture.Summary, at error) error // an input is over; sum is of captures, at is why one cannot be read further
	wants() capture.Settings
}

// decodeInput is what decode is given to read.
type decodeInput struct {
	stdin io.Reader
	args  []string
	flags decodeFlags
	known decode.Known

	before   *decode.Message
	captures int   // read so far
	fault    error // of an input that could be read in part
}

// each gives all input to h. What an input cannot give is told at the end.
func (in *decodeInput) each(h hearer) error {
	in.before, in.captures, in.fault = nil, 0, nil
	if len(in.args) == 0 {
		if err := in.read(h, "standard input", in.stdin, decode.NewSource()); err != nil {
			return err
		}
		return in.fault
	}
	for i, arg := range in.args {
		info, err := os.Stat(arg)
		switch {
		case err == nil && !info.Mode().IsRegular():
			return notUnderstood("%s: %w", arg, doc.ErrNotRegular)
		case err == nil:
			err = in.file(h, arg, info.Size())
		default:
			if err = in.hex(h, arg, 0); errors.As(err, new(*decode.HexError)) {
				err = notUnderstood("argument %d: %w; it is no file either", i+1, err)
			}
		}
		if err != nil {
			return err
		}
	}
	return in.fault
}

// nothing says that there is nothing of a kind in the input.
func (in *decodeInput) nothing(what string) error {
	if in.captures > 0 {
		return notUnderstood("there is no Modbus %s in the capture; servers on other ports than 502 and 802 are named by --port, RTU inside TCP by --framing rtu", what)
	}
	return notUnderstood("there is no %s in the input; give hex text, such as 1183 02C1 34", what)
}

func (in *decodeInput) file(h hearer, name string, size int64) error {
	f, err := os.Open(name)
	if err != nil {
		return unreadable(err)
	}
	defer f.Close()
	return in.read(h, name, f, sourceOf(f, size))
}

// headLooked is how much of an input is looked at to tell what it is.
const headLooked = 64 << 10

// sourceOf is the identity of a file's evidence: the beginning of the digest of
// its first 64 KiB and its size, so that the same file has the same one.
func sourceOf(f *os.File, size int64) decode.Source {
	head := make([]byte, headLooked)
	n, _ := f.ReadAt(head, 0)
	sum := sha256.Sum256(binary.BigEndian.AppendUint64(head[:n], uint64(size)))
	return decode.Source(binary.BigEndian.Uint32(sum[:]))
}

// read tells what an input is by how it begins, and reads it.
func (in *decodeInput) read(h hearer, name string, r io.Reader, source decode.Source) error {
	b := bufio.NewReaderSize(r, headLooked)
	b.Peek(1)
	head, _ := b.Peek(b.Buffered())
	settings := h.wants()
	settings.Source, settings.Framing, settings.Ports = source, in.known.Framing, in.flags.ports
	switch {
	case capture.Compressed(head):
		return notUnderstood("%s: %w", name, capture.ErrCompressed)
	case capture.Is(head):
		return in.capture(h, name, b, settings)
	case in.raw(head):
		return in.bytes(h, name, b, head, settings)
	}
	if err := in.lines(h, name, b); err != nil {
		return err
	}
	return h.ends(name, nil, nil)
}

// capture reads a capture file.
func (in *decodeInput) capture(h hearer, name string, r io.Reader, s capture.Settings) error {
	if in.known.Bare || in.known.Direction != 0 {
		return notUnderstood("%s is a capture: its frames have a framing and a direction; leave out --framing pdu and --direction", name)
	}
	in.captures++
	stop := &stopper{h: h}
	sum, err := capture.Read(r, s, stop.item)
	if stop.err != nil {
		return stop.err
	}
	if err != nil && in.fault == nil {
		in.fault = notUnderstood("%s: %w", name, err)
	}
	return h.ends(name, &sum, err)
}

// bytes reads raw bytes of a serial line.
func (in *decodeInput) bytes(h hearer, name string, r io.Reader, head []byte, s capture.Settings) error {
	switch s.Framing {
	case line.RTU, line.ASCII:
	case line.MBAP:
		return notUnderstood("%s holds raw bytes; those of a serial line are rtu or ascii, those of a network come in a capture", name)
	default:
		if in.known.Bare {
			return notUnderstood("%s holds raw bytes, and --framing pdu reads hex text", name)
		}
		best := segment.Guess(head)[0]
		if best.Frames < 2 || best.Part < 0.5 {
			at := bytes.IndexFunc(head, binaryRune)
			return notUnderstood("%s is no hex text (byte %d is %02X), no capture, and not plainly RTU or ASCII; for raw bytes of a serial line say --framing rtu or ascii", name, at, head[at])
		}
		s.Framing = best.Framing
	}
	stop := &stopper{h: h}
	err := capture.ReadBytes(r, s, stop.item)
	switch {
	case stop.err != nil:
		return stop.err
	case err != nil:
		return notUnderstood("%s: %w", name, err)
	}
	return h.ends(name, nil, nil)
}

// raw says whether an input is bytes of a line and no text. ASCII frames with
// noise between them are bytes too, where --framing ascii says what to look for.
func (in *decodeInput) raw(head []byte) bool {
	if bytes.ContainsFunc(head, binaryRune) {
		return true
	}
	if in.known.Framing != line.ASCII {
		return false
	}
	for text := range bytes.Lines(head) {
		if text = bytes.TrimSpace(text); len(text) > 0 && text[0] != '#' && text[0] != ':' {
			if _, err := decode.Hex(string(text)); err != nil {
				return true
			}
		}
	}
	return false
}

// binaryRune says whether a character stands in no text. Broken UTF-8 counts.
func binaryRune(r rune) bool {
	return r < 0x20 && r != '\t' && r != '\r' && r != '\n' && r != '\f' || r == 0x7F || r == '\uFFFD'
}

// stopper passes items on until one of them cannot be taken.
type stopper struct {
	h   hearer
	err error
}

func (s *stopper) item(i capture.Item) {
	if s.err == nil {
		s.err = s.h.item(i)
	}
}
