package segment

import (
	"time"

	"plumbline/decode"
)

// A window holds the bytes from the first one that is not yet told, with the
// stamps they came with.
type window struct {
	base  int64 // offset of bytes[0]
	bytes []byte
	marks []mark // of base and later, the last one before base first
}

// A mark says that the bytes from an offset on came with a stamp.
type mark struct {
	at    int64
	stamp decode.Stamp
	pause time.Duration // since the piece before it, less its own characters
}

func (w *window) end() int64 { return w.base + int64(len(w.bytes)) }

func (w *window) from(at int64) []byte { return w.bytes[at-w.base:] }

func (w *window) span(from, to int64) []byte { return w.bytes[from-w.base : to-w.base] }

// mark notes the stamp of the next bytes.
func (w *window) mark(at decode.Stamp, characters time.Duration) {
	m := mark{at: w.end(), stamp: at}
	if n := len(w.marks); n > 0 {
		last := w.marks[n-1]
		if last.stamp == at {
			return
		}
		if !at.IsZero() && !last.stamp.IsZero() {
			m.pause = max(0, at.Sub(last.stamp)-characters)
		}
		if last.at == m.at {
			w.marks = w.marks[:n-1]
		}
	} else if at.IsZero() {
		return
	}
	w.marks = append(w.marks, m)
}

// drop forgets the bytes before an offset.
func (w *window) drop(to int64) {
	w.bytes = w.bytes[:copy(w.bytes, w.from(to))]
	w.base = to
	keep := 0
	for keep+1 < len(w.marks) && w.marks[keep+1].at <= to {
		keep++
	}
	w.marks = w.marks[:copy(w.marks, w.marks[keep:])]
}

// stamp is the stamp of the byte at an offset.
func (w *window) stamp(at int64) decode.Stamp {
	for i := len(w.marks) - 1; i >= 0; i-- {
		if w.marks[i].at <= at {
			return w.marks[i].stamp
		}
	}
	return decode.Stamp{}
}

// pauses gives the pause in front of a stretch, and the longest inside; 0 for
// none or not known.
func (w *window) pauses(from, to int64) (before, inside time.Duration) {
	for i := len(w.marks) - 1; i >= 0 && w.marks[i].at >= from; i-- {
		switch m := w.marks[i]; {
		case m.at == from:
			before = m.pause
		case m.at < to:
			inside = max(inside, m.pause)
		}
	}
	return before, inside
}
