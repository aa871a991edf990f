package link

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/nap"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// How long after the last byte a frame that is not whole is given up. Adapters
// hand bytes on in pieces with gaps of 16 ms (common practice), so 3.5
// characters never end a frame here; ASCII frames may pause for a second.
// Source of the latter: serial guide V1.02, 2.5.2.1. The former is ours.
const (
	staleRTU   = 50 * time.Millisecond
	staleASCII = time.Second
)

// Turns carry one call after another on a stream whose frames do not say what
// they answer. Source: serial guide V1.02, 2.4.1 (one request at a time).
type turns struct {
	link    *Link
	conn    *connection
	count   *counters
	clock   decode.Clock
	notes   *notes
	framing line.Framing
	serial  bool          // a serial line, not a network
	gap     time.Duration // silence between frames
	stale   time.Duration
	changed chan struct{} // a debt was paid
	fine    atomic.Bool   // silences are waited out to the point

	mu      sync.Mutex
	session *session
	wait    *waiting // the try that waits for its answer, or nil
	ledger  ledger
	hearing
	later []func() // notes to tell when mu is free
}

// waiting is a try that waits for its answer.
type waiting struct {
	call   *call
	adu    []byte
	began  time.Duration // steady: when it was given to the stream
	repeat bool          // answers to the same request are owed already
	done   chan struct{} // closed when out holds
	out    outcome

	raw      []byte // what came and was no answer, as far as a frame may be long
	noise    int    // bytes that made no frame
	frames   int    // frames discarded ...
	frameLen int    // ... and their bytes
	other    regmap.Unit
	others   int   // frames of other units
	refused  error // why a frame of the right unit is no answer
	damage   error // why a frame was damaged
}

func newTurns(l *Link) *turns {
	t := &turns{
		link: l, conn: l.conn, count: &l.count, clock: l.config.Clock, notes: l.notes,
		framing: l.config.Framing, serial: l.config.Serial.Baud > 0,
		stale: staleRTU, changed: make(chan struct{}, 1),
	}
	if t.framing == line.ASCII {
		t.stale = staleASCII
	} else {
		t.gap = frame.Gap35(l.config.Serial)
	}
	return t
}

// opened starts a new stream: what was heard on the old one is forgotten. What
// is owed is not, because a serial line and a gateway keep it; a connection to
// the station itself takes its answers along. Source: serial guide V1.02, 2.5.1.1
// (one silence after start-up).
func (t *turns) opened(s *session) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.session, t.wait = s, nil; !t.serial && t.link.config.Direct {
		t.ledger.settle(t.clock().Steady)
	}
	_, drains := s.stream.(drainer)
	t.fine.Store(drains && t.serial)
	t.hearing = hearing{last: t.clock().Steady, damaged: damagedSoFar(s.stream)}
}

// lost keeps what came last on a stream that is gone.
func (t *turns) lost(s *session, _ loss) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.session == s {
		s.tail = append([]byte(nil), t.in.bytes...)
		t.session = nil
	}
	return false
}

// refused has nothing to do: there are no datagrams here.
func (t *turns) refused(*session, error) {}

// finish has nothing to do: what is owed stays owed.
func (t *turns) finish(*call) {}

// try sends a call's frame once and waits for its answer.
func (t *turns) try(ctx context.Context, c *call, adu []byte) outcome {
	s, err := t.conn.get(ctx)
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return t.link.absent(ctx, err)
	}
	if t.mustLearn(c) {
		if o, known := t.learn(ctx, c); !known {
			return o
		}
	}
	w, o := t.turn(ctx, s, c, adu)
	if w == nil {
		return o
	}
	return t.send(ctx, s, w)
}

// send gives the request to the stream and waits.
func (t *turns) send(ctx context.Context, s *session, w *waiting) outcome {
	c := w.call
	onLine := time.Duration(len(w.adu)) * frame.CharTime(t.link.config.Serial, t.framing)
	began := t.clock()
	posted, err := t.conn.write(s, w.adu, c.timing.Response+onLine)
	if err != nil && !posted {
		t.mu.Lock()
		t.ledger.forgive()
		t.wait = nil
		t.mu.Unlock()
		return unsent(regmap.PortGone, err.Error(), t.clock())
	}
	left := t.leave(s, w, began, onLine)
	if c.broadcast(t.framing) {
		return outcome{cause: regmap.Silent, detail: "a broadcast is never answered", sent: w.adu, left: left, done: left, posted: true}
	}
	timer := time.NewTimer(left.Sub(t.clock()) + c.limit())
	defer timer.Stop()
	var o outcome
	select {
	case <-w.done:
	case <-timer.C:
		o = t.verdict(w)
	case <-ctx.Done():
		o = outcome{cause: regmap.Interrupted, detail: "stopped while waiting for the answer"}
	case <-s.dead:
		o = t.gone(s, w)
	}
	return t.ending(w, o)
}

// leave notes when the request's last bit left: when the stream says that it
// was sent, and not before its line time has passed.
func (t *turns) leave(s *session, w *waiting, began decode.Stamp, onLine time.Duration) decode.Stamp {
	left := t.clock()
	if _, drains := s.stream.(drainer); !drains && left.Sub(began) < onLine {
		left = decode.Stamp{Wall: began.Wall.Add(onLine), Steady: began.Steady + onLine}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ledger.left(left.Steady)
	w.call.lefts = append(w.call.lefts, left)
	if w.call.broadcast(t.framing) {
		t.ledger.forgive()
		t.ledger.hold = max(t.ledger.hold, left.Steady+w.call.timing.Turnaround)
		t.wait = nil
	}
	return left
}

// ending gives the answer if one came after all, else o.
func (t *turns) ending(w *waiting, o outcome) outcome {
	now := t.clock()
	t.mu.Lock()
	defer t.mu.Unlock()
	select {
	case <-w.done:
		o = w.out
	default:
		if t.wait == w {
			t.wait = nil
		}
		o.done = now
		if o.received == nil && len(w.raw) > 0 {
			o.received = w.raw
		}
	}
	o.sent, o.posted = w.adu, true
	o.left = w.call.lefts[len(w.call.lefts)-1]
	if o.answered() {
		o.left = w.call.leftBefore(o.first)
	}
	return o
}

// gone is the outcome of a try whose stream is gone.
func (t *turns) gone(s *session, w *waiting) outcome {
	if !t.serial && s.why.cause == regmap.PortGone && len(s.tail) > 0 {
		return outcome{cause: regmap.CutOff, received: s.tail,
			detail: fmt.Sprintf("answer cut off after %d bytes: %s", len(s.tail), s.why.words)}
	}
	return outcome{cause: s.why.cause, detail: s.why.words}
}

// turn waits until the request may leave: the line silent, the pause over, no
// answer owed to another request. Then the try has begun. Without a try the
// outcome says why.
//
// Before a debt is given up it listens a moment: a program that was stopped, or
// a machine that slept, wakes with the horizon passed and the answer not read.
func (t *turns) turn(ctx context.Context, s *session, c *call, adu []byte) (*waiting, outcome) {
	noisy := time.Duration(-1) // since when only noise is in the way
	listened := false
	for {
		t.mu.Lock()
		now := t.clock().Steady
		debt, noise, pause := t.obstacles(now, c, adu)
		free := debt <= 0 && noise <= 0 && pause <= 0
		if free && (listened || !t.ledger.givesUp(now, adu)) {
			w := t.begin(now, c, adu)
			t.mu.Unlock()
			return w, outcome{}
		}
		t.mu.Unlock()
		switch {
		case noise <= 0 || debt > 0:
			noisy = -1
		case noisy < 0:
			noisy = now
		case now-noisy >= c.timing.Response:
			t.count.flooded.Add(1)
			return nil, unsent(regmap.NeverQuiet, fmt.Sprintf("not silent for %s at any time within %s",
				decode.Seconds(max(t.gap, time.Millisecond)), decode.Seconds(c.timing.Response)), t.clock())
		}
		if free {
			debt = t.stale
		}
		if !t.rest(ctx, s, max(debt, noise, pause)) {
			return nil, t.stopped(ctx, s)
		}
		listened = free && t.clock().Steady-now <= 2*t.stale
	}
}

// obstacles are how long each of the things in the way of a request lasts from
// now on.
func (t *turns) obstacles(now time.Duration, c *call, adu []byte) (debt, noise, pause time.Duration) {
	debt = t.ledger.due(now, adu)
	noise = max(t.last+t.gap, t.restUntil) - now
	if len(t.ledger.past) > 0 {
		pause = max(t.last, t.ledger.last) + t.gap + c.timing.Pause - now
	}
	return debt, noise, pause
}

// rest waits for d, less when a debt was paid; false when there is no more
// point in it. On a line with an end of its own, whose silences count, it ends
// to the point.
func (t *turns) rest(ctx context.Context, s *session, d time.Duration) bool {
	end, whole := t.clock().Steady+d, d
	if t.fine.Load() {
		d = nap.Coarse(d)
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-t.changed:
		return true
	case <-ctx.Done():
		return false
	case <-s.dead:
		return false
	}
	if d < whole && !t.toThePoint(end) {
		t.fine.Store(false)
		return t.rest(ctx, s, end-t.clock().Steady)
	}
	return true
}

// stopped is the outcome of a request that did not get its turn.
func (t *turns) stopped(ctx context.Context, s *session) outcome {
	if ctx.Err() != nil {
		return unsent(regmap.Interrupted, "stopped before the line was free", t.clock())
	}
	return unsent(s.why.cause, s.why.words, t.clock())
}

// begin makes the try that waits from now on.
func (t *turns) begin(now time.Duration, c *call, adu []byte) *waiting {
	if now-t.last >= t.stale {
		t.discard(t.in.bytes)
		t.in.clear()
	}
	w := &waiting{
		call: c, adu: adu, began: now, done: make(chan struct{}),
		repeat: t.ledger.owed > 0 && t.ledger.request == string(adu),
	}
	t.ledger.post(posted{unit: c.unit, request: c.request, number: c.number, left: now, limit: c.limit()}, adu, c.horizon())
	t.wait, t.copy, t.mirrors, t.ear = w, adu, mirrors(c), nil
	return w
}

// told runs what was to be told while mu was held.
func (t *turns) told() {
	t.mu.Lock()
	later := t.later
	t.later = nil
	t.mu.Unlock()
	for _, tell := range later {
		tell()
	}
}
