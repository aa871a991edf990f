package capture

import (
	"plumbline/decode"
	"plumbline/decode/segment"
)

// An Item is one thing found in a capture; exactly one of Piece, Heard and Note
// is set. Pieces come in the order of their stream's side, an exchange after
// its frames.
type Item struct {
	Stream *Stream
	Packet int // the packet in which it ended, or was seen
	Piece  *segment.Piece
	Heard  *segment.Heard
	Note   *Note

	// Of pieces that are frames: the exchange they are part of (zero for none),
	// and the request that this one answers as it was asked (nil for none).
	Exchange decode.ID
	Asked    *segment.Piece
}

// Kind says what a note is about. The zero Kind is not valid.
type Kind uint8

// The kinds of notes.
const (
	NotModbus    Kind = iota + 1 // the stream carries something else; Bytes are its first
	Secured                      // the stream is TLS: Modbus/TCP Security, or anything else inside
	BytesLost                    // the file misses bytes of the stream
	Conflict                     // a repetition differs from what came first; the first copy counts
	HalfFrame                    // the stream ended, or broke off, inside a frame
	BrokenBorder                 // a frame's header cannot be one, after right frames
)

// String is the kind's stable word.
func (k Kind) String() string {
	words := [...]string{"", "not-modbus", "secured", "bytes-lost", "conflicting-copies", "half-a-frame", "lost-borders"}
	if int(k) >= len(words) {
		return ""
	}
	return words[k]
}

// Words is the kind for people.
func (k Kind) Words() string {
	return [...]string{"",
		"this is not Modbus",
		"this is TLS; what it carries cannot be read here",
		"the capture misses bytes of this stream",
		"a repeated packet differs from its first copy; the first one counts",
		"the stream ends inside a frame",
		"what follows cannot be a frame's header",
	}[min(k, BrokenBorder)]
}

// A Note is something about a stream that is no frame.
type Note struct {
	Kind       Kind
	FromClient bool
	At         decode.Stamp
	Bytes      []byte // what it is about, as far as it helps
	Lost       int    // BytesLost: how many; -1 when nobody knows
}

// A Summary counts what a file held.
type Summary struct {
	Packets   int
	Streams   int
	Other     int // packets that are not IP with TCP or UDP, or of other ports
	Fragments int // parts of IP packets, which are not put together
	Nested    int // headers stacked too high
	Malformed int // headers that do not fit their packet
	Cut       int // packets that the file does not hold whole
}
