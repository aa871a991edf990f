package capture

import (
	"bytes"
	"sort"

	"plumbline/decode"
)

// Bounds of what is kept of a direction; ours. E5 of the abuse table asks for at
// most 1 MiB a stream.
const (
	mostHeld   = 512 << 10 // bytes that wait behind a hole, of one direction
	mostPieces = 1 << 12   // pieces they may be in
	remembered = 4 << 10   // bytes kept to hold repetitions against
	farAhead   = 8 << 20   // a sequence number so far off begins anew; 128 windows of 64 KiB
)

// held is a piece that waits behind a hole.
type held struct {
	seq    uint32
	bytes  []byte
	at     decode.Stamp
	packet int
}

// half puts the bytes of one direction of a connection in order. Sequence
// numbers wrap, so all comparing is of signed differences. Source: RFC 9293,
// 3.4.
type half struct {
	known   bool
	next    uint32 // the sequence number wanted next
	pending []held // in order, not overlapping
	waiting int    // bytes of them
	past    []byte // the last bytes given on, up to next
	ended   bool   // FIN or RST
}

func ahead(a, b uint32) int { return int(int32(a - b)) }

// given is what a half gives on.
type given struct {
	bytes  []byte
	at     decode.Stamp
	packet int
	lost   int // bytes missing before; -1: nobody knows how many
}

// take puts a segment's bytes in their place and gives on what is in order now.
// conflict says that a repetition differs from what came first.
func (h *half) take(s parcel, at decode.Stamp, packet int, give func(given)) (conflict bool) {
	seq, b := s.seq, s.payload
	if s.syn {
		seq++ // a SYN counts as one; RFC 9293, 3.4
	}
	if !h.known {
		h.known, h.next = true, seq
	}
	if d := ahead(seq, h.next); d > farAhead || d < -farAhead {
		h.flush(give)
		h.next, h.past = seq, nil
		give(given{at: at, packet: packet, lost: -1})
	}
	if s.rst || s.fin {
		h.ended = true
	}
	if len(b) == 0 {
		return false
	}
	if d := ahead(h.next, seq); d > 0 { // a repetition
		n := min(d, len(b))
		conflict = h.differs(b[:n], d)
		seq, b = seq+uint32(n), b[n:]
	}
	switch {
	case len(b) == 0:
	case seq == h.next:
		h.give(given{bytes: b, at: at, packet: packet}, give)
		conflict = h.drain(give) || conflict
	default:
		conflict = h.hold(held{seq, b, at, packet}) || conflict
		if h.waiting > mostHeld || len(h.pending) > mostPieces {
			h.skip(give)
		}
	}
	return conflict
}

// give gives bytes on that begin at next.
func (h *half) give(g given, give func(given)) {
	h.pass(g.bytes)
	give(g)
}

// pass notes bytes that are given on.
func (h *half) pass(b []byte) {
	h.next += uint32(len(b))
	h.past = append(h.past, b[max(0, len(b)-remembered):]...)
	if n := len(h.past) - remembered; n > remembered {
		h.past = append(h.past[:0], h.past[n:]...)
	}
}

// differs holds repeated bytes, the first of which lies back before next,
// against what was given on, as far as that is remembered.
func (h *half) differs(b []byte, back int) bool {
	from := len(h.past) - back
	if from < 0 {
		if len(b) <= -from {
			return false
		}
		b, from = b[-from:], 0
	}
	n := min(len(b), len(h.past)-from)
	return !bytes.Equal(b[:n], h.past[from:from+n])
}

// hold keeps a piece that lies behind a hole; where it overlaps what is held
// already, the first copy stays.
func (h *half) hold(p held) (conflict bool) {
	p.bytes = bytes.Clone(p.bytes)
	i := sort.Search(len(h.pending), func(i int) bool { return ahead(h.pending[i].seq, p.seq) > 0 })
	if i > 0 {
		before := h.pending[i-1]
		if over := ahead(before.seq+uint32(len(before.bytes)), p.seq); over > 0 {
			n := min(over, len(p.bytes))
			at := len(before.bytes) - over
			conflict = !bytes.Equal(p.bytes[:n], before.bytes[at:at+n])
			p.seq, p.bytes = p.seq+uint32(n), p.bytes[n:]
		}
	}
	for len(p.bytes) > 0 {
		if i == len(h.pending) || ahead(h.pending[i].seq, p.seq) >= len(p.bytes) {
			h.insert(i, p)
			break
		}
		behind := h.pending[i]
		free := ahead(behind.seq, p.seq)
		if free > 0 {
			h.insert(i, held{p.seq, p.bytes[:free:free], p.at, p.packet})
			i++
		}
		n := min(len(p.bytes)-free, len(behind.bytes))
		conflict = conflict || !bytes.Equal(p.bytes[free:free+n], behind.bytes[:n])
		p.seq, p.bytes = p.seq+uint32(free+n), p.bytes[free+n:]
		i++
	}
	return conflict
}

func (h *half) insert(i int, p held) {
	h.pending = append(h.pending, held{})
	copy(h.pending[i+1:], h.pending[i:])
	h.pending[i] = p
	h.waiting += len(p.bytes)
}

// drain gives on what is no longer behind a hole.
func (h *half) drain(give func(given)) (conflict bool) {
	for len(h.pending) > 0 {
		p := h.pending[0]
		d := ahead(p.seq, h.next)
		if d > 0 {
			break
		}
		h.pending = h.pending[1:]
		h.waiting -= len(p.bytes)
		n := min(-d, len(p.bytes))
		conflict = conflict || h.differs(p.bytes[:n], -d)
		if n < len(p.bytes) {
			h.give(given{bytes: p.bytes[n:], at: p.at, packet: p.packet}, give)
		}
	}
	if len(h.pending) == 0 {
		h.pending = nil
	}
	return conflict
}

// skip gives the first hole up: what is behind it comes, with what is missing
// told.
func (h *half) skip(give func(given)) {
	if len(h.pending) == 0 {
		return
	}
	p := h.pending[0]
	give(given{at: p.at, packet: p.packet, lost: ahead(p.seq, h.next)})
	h.next, h.past = p.seq, nil
	h.drain(give)
}

// flush gives up all holes.
func (h *half) flush(give func(given)) {
	for len(h.pending) > 0 {
		h.skip(give)
	}
}

// acknowledged gives up the holes before what the other side has received: the
// capture missed it, the line did not.
func (h *half) acknowledged(ack uint32, give func(given)) {
	for len(h.pending) > 0 && ahead(ack, h.pending[0].seq) >= 0 && ahead(ack, h.next) > 0 {
		h.skip(give)
	}
}
