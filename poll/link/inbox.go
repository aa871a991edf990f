package link

import (
	"plumbline/decode"
	"plumbline/decode/frame"
)

// An inbox holds the bytes that arrived and are not used yet, with the moment
// at which each piece came.
type inbox struct {
	bytes []byte
	marks []mark
}

// A mark is where a piece begins and when it came.
type mark struct {
	at   int
	when decode.Stamp
}

// add takes a piece.
func (b *inbox) add(piece []byte, when decode.Stamp) {
	b.marks = append(b.marks, mark{len(b.bytes), when})
	b.bytes = append(b.bytes, piece...)
}

// room drops the oldest bytes when more are held than any frame needs.
func (b *inbox) room() (dropped []byte) {
	if over := len(b.bytes) - frame.MaxBuffer; over > 0 {
		dropped = append(dropped, b.bytes[:over]...)
		b.drop(over)
	}
	return dropped
}

// drop forgets the first n bytes.
func (b *inbox) drop(n int) {
	rest := copy(b.bytes, b.bytes[n:])
	b.bytes = b.bytes[:rest]
	if rest == 0 {
		b.marks = b.marks[:0]
		return
	}
	first := 0 // the piece in which the byte at n lies
	for first+1 < len(b.marks) && b.marks[first+1].at <= n {
		first++
	}
	b.marks = b.marks[:copy(b.marks, b.marks[first:])]
	for i := range b.marks {
		b.marks[i].at = max(b.marks[i].at-n, 0)
	}
}

// when is the moment at which the byte at an offset came.
func (b *inbox) when(offset int) decode.Stamp {
	var s decode.Stamp
	for _, m := range b.marks {
		if m.at > offset {
			break
		}
		s = m.when
	}
	return s
}

// clear forgets everything.
func (b *inbox) clear() { b.bytes, b.marks = b.bytes[:0], b.marks[:0] }
