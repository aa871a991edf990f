package frame

import (
	"errors"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A Codec finds frames in a stream of bytes, given what is awaited. It keeps
// nothing between calls; the bytes not used yet stay with the caller and need
// never be more than MaxBuffer. The same bytes give the same frames however
// they are cut.
type Codec struct {
	Framing line.Framing

	// Awaits is the request whose answer is awaited; nil finds requests, as a
	// station hears them. Only RTU needs it, where a frame's length follows from
	// what it is.
	Awaits *Request
	Unit   regmap.Unit // the station asked; only with Awaits

	// Silent says that the line fell silent after the bytes given. In RTU this
	// ends a frame whose length cannot be told from its first bytes, such as a
	// request of a function that the standard does not have, and gives up one that
	// is cut off: no bytes are kept then. Source: serial guide 2.5.1.1.
	Silent bool

	// Delimiter replaces LF at the end of ASCII frames; 0 means LF.
	// Source: V1.1b3 6.8.1 (sub-function 3).
	Delimiter byte

	// Scratch holds the PDU of an ASCII frame when it has room for 254 bytes;
	// otherwise each frame gets new memory.
	Scratch []byte
}

// MaxBuffer is the most bytes that have to be kept while a frame is incomplete.
const MaxBuffer = MaxASCII

// Next finds the first frame in b. The frame is b[skip:used]; what stood before
// it is noise. Drop b[:used] before the next call, whatever the error:
//
//	nil          a whole frame; its PDU aliases b (in ASCII Scratch)
//	ErrMore      no whole frame yet; used bytes are noise
//	ErrChecksum  a frame whose check is wrong (RTU, ASCII)
//	ErrProtocol  a frame of another protocol, dropped whole (MBAP)
//	ErrShort, ErrLong  RTU when Silent: bytes that are no frame
//	ErrLong, ErrShort, ErrCharacter  ASCII: a frame given up
//	ErrLength    MBAP: the stream is lost and must be closed; see Fatal
//
// In RTU an ErrChecksum uses only one byte, so that a frame behind noise is
// found: count one fault until the next frame or silence.
func (c Codec) Next(b []byte) (adu ADU, skip, used int, err error) {
	switch c.Framing {
	case line.MBAP:
		return nextMBAP(b)
	case line.RTU:
		return c.nextRTU(b)
	case line.ASCII:
		return c.nextASCII(b)
	}
	return ADU{}, 0, 0, reject(ErrFraming, 0, "%v; mbap, rtu and ascii are known", c.Framing)
}

// Fatal says whether an error of Next means that the stream must be closed,
// because no later border in it can be trusted.
func Fatal(err error) bool { return errors.Is(err, ErrLength) || errors.Is(err, ErrFraming) }

func nextMBAP(b []byte) (ADU, int, int, error) {
	n, err := mbapLength(b)
	switch {
	case err != nil:
		return ADU{}, 0, 0, err
	case n == 0 || len(b) < n:
		return ADU{}, 0, 0, ErrMore
	}
	adu, err := mbapADU(b[:n:n])
	return adu, 0, n, err
}

func (c Codec) delimiter() byte {
	if c.Delimiter == 0 {
		return '\n'
	}
	return c.Delimiter
}

// nextASCII looks for a colon and for CR and the delimiter behind it; another
// colon begins anew. Source: serial guide 2.5.2.1.
func (c Codec) nextASCII(b []byte) (ADU, int, int, error) {
	end := c.delimiter()
	start := -1
	for i, ch := range b {
		switch {
		case ch == ':':
			start = i
			continue
		case start < 0:
			continue
		case i-start >= MaxASCII:
			return ADU{}, start, i + 1, reject(ErrLong, MaxASCII, "more than %d characters without an end (serial guide 2.5.2.1)", MaxASCII)
		case ch == end && i > start+1 && b[i-1] == '\r':
			adu, err := parseASCII(c.Scratch, b[start:i+1], end)
			return adu, start, i + 1, err
		case ch == '\r' && b[i-1] != '\r':
			continue
		}
		if _, ok := hexValue(ch); !ok || b[i-1] == '\r' {
			return ADU{}, start, i + 1, reject(ErrCharacter, i-start, "%q; only 0-9 and A-F stand between colon and CR LF (serial guide 2.5.2.1)", ch)
		}
	}
	if start < 0 {
		start = len(b)
	}
	return ADU{}, start, start, ErrMore
}
