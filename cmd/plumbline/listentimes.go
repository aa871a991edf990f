package main

import (
	"context"
	"time"

	"plumbline/decode"
	"plumbline/decode/segment"
)

// chunkTimes works out when the characters inside a chunk were on the line: a
// chunk is stamped when its last character was there, and each character before
// it is one character time older, but no older than the chunk before.
type chunkTimes struct {
	char   time.Duration // 0: not known
	chunks []chunk       // those that frames may still lie in, oldest first
	end    int64         // offset behind the last one
	told   int64         // end of the latest piece
}

// A chunk is bytes that came together.
type chunk struct {
	from, to int64
	at       decode.Stamp
	damaged  bool
}

// mostChunks bounds what is kept: frames and noise that a segmenter holds are
// no more bytes. Ours.
const mostChunks = 4096

func (t *chunkTimes) add(n int, at decode.Stamp, damaged bool) {
	if len(t.chunks) >= mostChunks {
		t.chunks = t.chunks[:copy(t.chunks, t.chunks[mostChunks/2:])]
	}
	t.chunks = append(t.chunks, chunk{t.end, t.end + int64(n), at, damaged})
	t.end += int64(n)
}

// set puts the times of a piece right. It says whether a damaged character may
// lie in it, and whether its beginning came in one chunk with the end of the
// piece before, so that the pause between them is not known.
func (t *chunkTimes) set(p *segment.Piece) (damaged, joined bool) {
	keep := 0 // one in front stays: nothing is older than its end
	for keep+1 < len(t.chunks) && t.chunks[keep+1].to <= p.Offset {
		keep++
	}
	t.chunks = t.chunks[:copy(t.chunks, t.chunks[keep:])]
	first, last := -1, -1
	for i, c := range t.chunks {
		if c.to <= p.Offset {
			continue
		}
		if c.from >= p.End() {
			break
		}
		if first < 0 {
			first = i
		}
		last = i
		damaged = damaged || c.damaged
	}
	if first < 0 {
		return false, false
	}
	joined = t.chunks[first].from < p.Offset && p.Offset == t.told && p.Offset > 0
	t.told = p.End()
	p.First = t.at(first, p.Offset)
	p.Last = t.at(last, p.End())
	return damaged, joined
}

// at is when the line was at an offset inside a chunk.
func (t *chunkTimes) at(i int, offset int64) decode.Stamp {
	c := t.chunks[i]
	back := time.Duration(c.to-offset) * t.char
	if i > 0 {
		back = min(back, c.at.Sub(t.chunks[i-1].at))
	}
	back = max(back, 0)
	return decode.Stamp{Wall: c.at.Wall.Add(-back), Steady: c.at.Steady - back}
}

// A flood is one value without end, 00 or FF: an open line, a driver that stays
// on, a break. It is not looked for frames, which bounds the work.
type flood struct {
	value byte
	run   int64 // so many in a row
	since decode.Stamp
	on    bool
}

// floodFrom is how many in a row are no frame any more: the longest one has 513
// characters (serial guide V1.02, 2.5.2). Ours.
const floodFrom = 1024

// floodRest is the pause between reads of a flood: at 115200 bit/s about 115
// bytes come meanwhile, at 4 Mbit/s about as many as a driver keeps. Ours.
const floodRest = 10 * time.Millisecond

// take counts.
func (f *flood) take(b []byte, at decode.Stamp) {
	n := len(b)
	value := b[n-1]
	same := 0
	for same < n && b[n-1-same] == value {
		same++
	}
	if same < n || value != f.value || f.run == 0 {
		*f = flood{value: value, since: at}
	}
	f.run += int64(same)
	f.on = f.run >= floodFrom && (value == 0x00 || value == 0xFF)
}

// rest waits a moment, so that a flood costs few reads.
func (flood) rest(ctx context.Context) {
	timer := time.NewTimer(floodRest)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}
