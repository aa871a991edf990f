package seek

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/poll/link"
	"plumbline/regmap"
)

// How long a line is listened to; the first two are ours.
const (
	listenLeast = 3 * time.Second
	listenMost  = 30 * time.Second
	listenTurns = 3 // of the line's cycles
)

// chanceNoise is so much noise that a lone frame in it may be an accident: a
// check fits one place in 65536. Ours.
const chanceNoise = 512

// ListenTime is how long to listen on a line before transmitting: 3 s or three
// of its cycles, whichever is longer, and never more than 30 s. every is the
// period of the line; 0 where none is known.
func ListenTime(every time.Duration) time.Duration {
	return min(max(listenLeast, listenTurns*every), listenMost)
}

// Heard is what was heard on a line while nothing was sent.
type Heard struct {
	Settings Settings
	Lasted   time.Duration
	Bytes    int
	Damaged  int     // characters with a parity or framing error
	Noise    int     // bytes that make no frame
	Asked    []Asked // requests of another client, in the order first heard
	Answers  int     // answers whose request was not heard
}

// Asked is one kind of request that another client makes.
type Asked struct {
	Unit     regmap.Unit
	Function frame.Function
	Times    int
	Every    time.Duration // the time from one to the next, on average; 0 when it came once

	first, last decode.Stamp
}

// Client says whether another client is at work on the line.
func (h *Heard) Client() bool { return len(h.Asked) > 0 || h.Answers > 0 }

// Silent says whether nothing came at all.
func (h *Heard) Silent() bool { return h.Bytes == 0 }

// Words is what was heard, as one sentence without a full stop: the units and
// functions asked by another client, bytes that make no frame, or silence.
func (h *Heard) Words() string {
	lasted := decode.Seconds(h.Lasted)
	switch {
	case len(h.Asked) > 0:
		var who []string
		for _, a := range h.Asked {
			who = append(who, a.String())
		}
		return fmt.Sprintf("another client is at work on this line; in %s it asked %s", lasted, strings.Join(who, "; "))
	case h.Answers > 0:
		return fmt.Sprintf("another client is at work on this line; answers to it were heard %d times in %s", h.Answers, lasted)
	case h.Bytes > 0:
		return fmt.Sprintf("%d bytes came in %s though nothing was sent, and they make no frame as %s", h.Bytes, lasted, h.Settings)
	}
	return fmt.Sprintf("silent for %s", lasted)
}

// String is "unit 17, read input registers (04), every 1 s".
func (a Asked) String() string {
	s := fmt.Sprintf("unit %d, %s (%02X)", a.Unit, strings.ToLower(a.Function.String()), uint8(a.Function))
	if a.Every > 0 {
		s += ", every " + decode.Seconds(a.Every.Round(10*time.Millisecond))
	}
	return s
}

// Listen listens to a stream that was opened with settings, for a time, and
// says who was heard. It sends nothing. What the stream received before is
// thrown away, where the stream can. The stream stays open. The error is the
// stream's, or that of ctx; what was heard until then is given with it.
// clock may be nil.
func Listen(ctx context.Context, stream link.Stream, s Settings, d time.Duration, clock decode.Clock) (Heard, error) {
	if clock == nil {
		clock = decode.NewClock()
	}
	if dis, ok := stream.(interface{ Discard() error }); ok {
		if err := dis.Discard(); err != nil {
			return Heard{Settings: s}, err
		}
	}
	e := newEar(s, clock)
	before := damagedOf(stream)
	err := e.listen(ctx, stream, d)
	e.segmenter.Flush()
	e.conclude()
	e.Damaged = damagedOf(stream) - before
	return e.Heard, err
}

// damagedOf is the damaged characters that a stream has counted.
func damagedOf(s link.Stream) int {
	if d, ok := s.(interface{ Damaged() int }); ok {
		return d.Damaged()
	}
	return 0
}

// An ear turns what comes into what was heard.
type ear struct {
	Heard
	clock     decode.Clock
	segmenter *segment.Segmenter
	certain   bool // a frame that is no accident was among them
}

func newEar(s Settings, clock decode.Clock) *ear {
	e := &ear{Heard: Heard{Settings: s}, clock: clock}
	e.segmenter = segment.New(segment.Settings{Framing: s.Framing, Serial: s.Serial}, e.piece)
	return e
}

// listen reads until the time is over.
func (e *ear) listen(ctx context.Context, stream link.Stream, d time.Duration) error {
	began := e.clock()
	defer func() { e.Lasted = e.clock().Sub(began) }()
	defer stream.SetReadDeadline(time.Time{})
	stop := context.AfterFunc(ctx, func() { stream.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	b := make([]byte, 512)
	for {
		left := d - e.clock().Sub(began)
		if left <= 0 || ctx.Err() != nil {
			return ctx.Err()
		}
		if err := stream.SetReadDeadline(time.Now().Add(left)); err != nil {
			return err
		}
		if ctx.Err() != nil { // it ended before the deadline was set
			return ctx.Err()
		}
		n, err := stream.Read(b)
		e.Bytes += n
		e.segmenter.Feed(b[:n], e.clock())
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			return err
		}
	}
}

// piece takes a piece of what was heard.
func (e *ear) piece(p segment.Piece) {
	if p.Kind != segment.Frame {
		e.Noise += len(p.Bytes)
		return
	}
	e.certain = e.certain || p.Certainty == segment.Certain
	if p.Direction == frame.Answering || p.Request.Function == 0 {
		if p.Answers == 0 {
			e.Answers++
		}
		return
	}
	for i := range e.Asked {
		if a := &e.Asked[i]; a.Unit == p.ADU.Unit && a.Function == p.Request.Function {
			a.Times++
			a.last = p.First
			return
		}
	}
	e.Asked = append(e.Asked, Asked{Unit: p.ADU.Unit, Function: p.Request.Function, Times: 1, first: p.First, last: p.First})
}

// conclude works out the periods, and drops what much noise may have made.
func (e *ear) conclude() {
	if !e.certain && e.Noise >= chanceNoise {
		e.Asked, e.Answers = nil, 0
	}
	for i := range e.Asked {
		if a := &e.Asked[i]; a.Times > 1 {
			a.Every = a.last.Sub(a.first) / time.Duration(a.Times-1)
		}
	}
}
