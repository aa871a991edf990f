package main

import (
	"context"
	"errors"
	"os"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/poll/link"
	"plumbline/regmap/line"
)

// Bounds of hearing; ours where no source stands.
const (
	heardChunk = 4096                   // bytes of one read
	wakeEvery  = 250 * time.Millisecond // how often a silent line is looked at

	// A frame that waits for what follows comes out after a silence that no frame
	// has inside: adapters hold characters back for 16 ms (usual), busy machines for
	// several times that.
	longRTU = 120 * time.Millisecond
	// Between the characters of an ASCII frame a second may pass. Source: serial
	// guide V1.02, 2.5.2.1.
	longASCII = 1100 * time.Millisecond
	longChars = 20 // characters, where these take longer

	// noAnswer is how long a request waits for its answer before it is called
	// unanswered, unless the next request says so sooner.
	noAnswer = 2 * time.Second
)

// A wire turns what is heard on a serial line into frames and exchanges, with
// the best times that the line's speed allows. It only reads. It is for one
// goroutine.
type wire struct {
	line  *line.Line
	clock decode.Clock
	to    hears

	segmenter *segment.Segmenter
	pairer    *segment.Pairer
	times     chunkTimes
	flood     flood
	skipped   int64 // bytes of floods, which the segmenter was not given

	long    time.Duration // silence after which all is told
	last    decode.Stamp  // of the latest byte
	held    bool          // the segmenter may hold something
	waiting bool          // a request waits for its answer

	heard heardCounts
}

// hears is what a wire tells; any of it may be nil.
type hears struct {
	chunk    func(b []byte, at decode.Stamp, damaged int)
	piece    func(p segment.Piece, doubtful bool)
	exchange func(h segment.Heard)
	settled  func(waiting bool)     // after each piece: whether a request waits for its answer
	quiet    func(now decode.Stamp) // nothing came for a moment
	flood    func(f flood, over bool, at decode.Stamp)
}

// heardCounts is what came.
type heardCounts struct {
	bytes, noise      int64
	frames, spoiled   int
	certain, possible int // frames
	damaged           int // characters
	joined            int // frames whose beginning was not heard apart from the end of the one before
}

func newWire(l *line.Line, clock decode.Clock, source decode.Source, to hears) *wire {
	char := frame.CharTime(l.Serial, l.Framing)
	w := &wire{line: l, clock: clock, to: to, long: max(longRTU, longChars*char)}
	if l.Framing == line.ASCII {
		w.long = max(longASCII, longChars*char)
	}
	w.times.char = char
	w.pairer = segment.NewPairer(source, func(h segment.Heard) {
		w.waiting = w.waiting && h.Asked == nil
		w.support(h)
		if to.exchange != nil {
			to.exchange(h)
		}
	})
	w.segmenter = segment.New(segment.Settings{Framing: l.Framing, Serial: l.Serial}, w.piece)
	return w
}

// support makes a request certain that came out before its answer, because a
// station took its time: the answer says that it was sent.
func (w *wire) support(h segment.Heard) {
	if h.Asked == nil || h.Answer == nil || h.Asked.Certainty != segment.Possible || h.Answer.Kind != segment.Frame || h.Answer.Certainty != segment.Certain {
		return
	}
	h.Asked.Certainty = segment.Certain
	w.heard.possible--
	w.heard.certain++
}

// listen hears a stream until its error, which it returns, or until ctx ends:
// then nil. What is held comes out in both cases.
func (w *wire) listen(ctx context.Context, stream link.Stream) error {
	defer w.finish()
	stop := context.AfterFunc(ctx, func() { stream.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	b := make([]byte, heardChunk)
	damaged := damagedIn(stream)
	for {
		if err := stream.SetReadDeadline(time.Now().Add(min(w.long, wakeEvery))); err != nil {
			return err
		}
		if ctx.Err() != nil { // looked at after the deadline was set, which may have undone the other
			return nil
		}
		n, err := stream.Read(b)
		now := w.clock()
		if n > 0 {
			total := damagedIn(stream)
			w.take(b[:n], now, total-damaged)
			damaged = total
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, os.ErrDeadlineExceeded):
			w.idle(now)
		case err != nil:
			return err
		}
		if w.flood.on && n > 0 {
			w.flood.rest(ctx)
		}
	}
}

// damagedIn is the damaged characters that a stream has counted.
func damagedIn(s link.Stream) int {
	if d, ok := s.(interface{ Damaged() int }); ok {
		return d.Damaged()
	}
	return 0
}

// take takes bytes that came together.
func (w *wire) take(b []byte, at decode.Stamp, damaged int) {
	w.last, w.heard.bytes, w.heard.damaged = at, w.heard.bytes+int64(len(b)), w.heard.damaged+damaged
	if w.to.chunk != nil {
		w.to.chunk(b, at, damaged)
	}
	was := w.flood
	w.flood.take(b, at)
	switch {
	case w.flood.on && was.on:
		w.skipped += int64(len(b))
		w.heard.noise += int64(len(b))
		return
	case was.on:
		w.flooded(was, true, at)
	}
	w.times.add(len(b), at, damaged > 0)
	w.segmenter.Feed(b, at)
	w.held = true
	if w.flood.on {
		w.segmenter.Flush()
		w.held = false
		w.flooded(w.flood, false, at)
	}
}

func (w *wire) flooded(f flood, over bool, at decode.Stamp) {
	if w.to.flood != nil {
		w.to.flood(f, over, at)
	}
}

// idle is a moment in which nothing came.
func (w *wire) idle(now decode.Stamp) {
	silent := now.Sub(w.last)
	if w.flood.on && silent >= w.long {
		was := w.flood
		w.flood = flood{}
		w.flooded(was, true, now)
	}
	if w.held && silent >= w.long {
		w.segmenter.Flush()
		w.held = false
	}
	if w.waiting && silent >= max(noAnswer, w.line.Timing.LateHorizon(0)) {
		w.endWait(now)
	}
	if w.to.quiet != nil {
		w.to.quiet(now)
	}
}

// endWait ends the request that waits, if any.
func (w *wire) endWait(now decode.Stamp) {
	w.pairer.Flush(now)
	w.waiting = false
	w.settle()
}

// finish lets out what is held.
func (w *wire) finish() {
	w.segmenter.Flush()
	w.held = false
	w.endWait(w.clock())
	if w.flood.on {
		was := w.flood
		w.flood = flood{}
		w.flooded(was, true, w.clock())
	}
}

// piece takes a piece of the stream.
func (w *wire) piece(p segment.Piece) {
	doubtful, joined := w.times.set(&p)
	p.Offset += w.skipped
	switch p.Kind {
	case segment.Noise:
		w.heard.noise += int64(len(p.Bytes))
	case segment.Frame:
		w.heard.frames++
		if joined {
			w.heard.joined++
		}
	default:
		w.heard.spoiled++
	}
	if doubtful { // a frame with damaged characters in it is not to be trusted, whatever its check says
		p.Certainty = segment.Possible
	}
	if p.Kind == segment.Frame && p.Certainty == segment.Certain {
		w.heard.certain++
	} else if p.Kind == segment.Frame {
		w.heard.possible++
	}
	if w.to.piece != nil {
		w.to.piece(p, doubtful)
	}
	w.pairer.Take(p) // ends the wait of the request before
	w.waiting = w.waiting || p.Kind == segment.Frame && p.Direction == frame.Asking
	w.settle()
}

// settle says whether a request waits.
func (w *wire) settle() {
	if w.to.settled != nil {
		w.to.settled(w.waiting)
	}
}
