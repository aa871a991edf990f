package simdevice

import (
	"context"
	"os"
	"sync"
	"time"

	"plumbline/decode/frame"
	"plumbline/decode/nap"
	"plumbline/regmap/line"
)

// A wire is the serial line that a paced station lies on: one thing at a time
// passes, and no faster than its characters do. Times come from the standard's
// arithmetic: serial guide V1.02, 2.5.1 and 2.5.2 (bits a character), 2.5.1.1
// (3.5 characters of silence).
type wire struct {
	char, gap time.Duration

	mu   sync.Mutex
	free time.Time // when what passes now has passed
}

func newWire(s line.Serial, f line.Framing) *wire {
	w := &wire{char: frame.CharTime(s, f)}
	if f == line.RTU {
		w.gap = frame.Gap35(s)
	}
	return w
}

// onTime is how late something may come without being late: a machine wakes its
// programs after their time, and the line would not have waited. Ours; timers
// here overshoot by up to 1.3 ms.
const onTime = 3 * time.Millisecond

// pass keeps the line for so many characters, as soon as it is free but not
// before now, and says when the first begins and the last has passed.
func (w *wire) pass(now time.Time, characters int) (begins, ends time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.keep(now, w.free, characters)
}

// answer is pass for an answer, behind the silence that follows its request.
// Being late by no more than onTime does not count, so that small delays of
// this machine do not add up to a slow station.
func (w *wire) answer(now time.Time, characters int) (begins, ends time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	due := w.free.Add(w.gap)
	if late := now.Sub(due); late > 0 && late <= onTime {
		now = due
	}
	return w.keep(now, due, characters)
}

func (w *wire) keep(now, due time.Time, characters int) (begins, ends time.Time) {
	if begins = now; due.After(now) {
		begins = due
	}
	ends = begins.Add(time.Duration(characters) * w.char)
	w.free = ends
	return begins, ends
}

// exchange keeps the line for a request and its answer as RTU frames, each with
// its silence, and says when they have passed: what a gateway's client waits.
func (w *wire) exchange(now time.Time, request, answer int) time.Time {
	characters := frame.ADULength(line.RTU, request)
	silences := w.gap
	if answer > 0 {
		characters += frame.ADULength(line.RTU, answer)
		silences += w.gap
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.free.Before(now) {
		w.free = now
	}
	w.free = w.free.Add(time.Duration(characters)*w.char + silences)
	return w.free
}

// pieceTime is how much of a frame a paced stream hands on at a time, as
// adapters do. Ours; common ones collect for 1 to 16 ms.
const pieceTime = 4 * time.Millisecond

// A paced stream carries bytes as slowly as its wire.
type paced struct {
	Stream
	wire   *wire
	ctx    context.Context // ends with the connection
	before time.Duration   // how long a write may take beyond its line time
}

// Read gives what has arrived once its last character would have passed.
func (p *paced) Read(b []byte) (int, error) {
	n, err := p.Stream.Read(b)
	if n > 0 {
		_, ends := p.wire.pass(time.Now(), n)
		waitUntil(p.ctx, ends)
	}
	return n, err
}

// SetWriteDeadline keeps how much time there is; the line's own is added.
func (p *paced) SetWriteDeadline(t time.Time) error {
	p.before = time.Until(t)
	return nil
}

// Write hands the bytes on piece by piece, each when its last character would
// have passed.
func (p *paced) Write(b []byte) (int, error) {
	begins, _ := p.wire.answer(time.Now(), len(b))
	size := max(1, int(pieceTime/p.wire.char))
	for done := 0; done < len(b); {
		end := min(done+size, len(b))
		waitUntil(p.ctx, begins.Add(time.Duration(end)*p.wire.char))
		if p.ctx.Err() != nil {
			return done, os.ErrClosed
		}
		if err := p.Stream.SetWriteDeadline(time.Now().Add(p.before)); err != nil {
			return done, err
		}
		n, err := p.Stream.Write(b[done:end])
		if done += n; err != nil {
			return done, err
		}
	}
	return len(b), nil
}

// waitUntil pauses to the point of a moment, unless ctx ends first.
func waitUntil(ctx context.Context, end time.Time) {
	wait(ctx, nap.Coarse(time.Until(end)))
	began := time.Now()
	if ctx.Err() == nil && !nap.Until(func() time.Duration { return time.Since(began) }, end.Sub(began)) {
		wait(ctx, time.Until(end))
	}
}
