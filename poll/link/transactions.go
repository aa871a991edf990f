package link

import (
	"bytes"
	"context"
	"encoding/binary"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
)

// Bounds on what an MBAP connection may send unasked, and on its silence.
// The first two are B12 of the abuse table; all are ours.
const (
	maxUnasked      = 64       // frames discarded since a request left ...
	maxUnaskedBytes = 16 << 10 // ... or their bytes, then the stream is closed
	maxSilences     = 6        // requests in a row after which nothing came: open anew
	rememberedIDs   = 1024     // transactions remembered, to tell late answers from unasked ones
)

// Transactions carry up to 16 calls at once on an MBAP stream; the transaction
// identifier says which of them an answer belongs to. Each try has an
// identifier of its own, and an answer to an earlier try of the same call is as
// good as one to the last. Source: TCP guide V1.0b, 4.4.1.2 and 4.4.1.3.
type transactions struct {
	link  *Link
	conn  *connection
	count *counters
	clock decode.Clock
	notes *notes

	mu      sync.Mutex
	session *session
	in      inbox
	next    uint16
	open    []openTry
	calls   int          // transactions that wait for an answer
	waiting atomic.Int32 // the same, to be read without mu
	issued  int          // identifiers on this stream, up to rememberedIDs
	givenUp []uint16     // those of them that were given up unanswered
	timer   *time.Timer
	armed   time.Duration // steady: when the timer goes off; 0 when it is not set

	unasked, unaskedBytes int // since a request left
	silences              int
	silent                time.Duration // steady: when the request of the last of them left

	apart    bool                          // each request leaves in a write of its own
	heardAt  map[regmap.Unit]time.Duration // when a unit answered last while others waited
	busyUnit regmap.Unit                   // the unit that refused for want of time ...
	busyAt   time.Duration                 // ... when

	later []func() // notes to tell when mu is free

	answered time.Duration // steady: when the last answer came
	closely  bool          // what is open was asked for soon after that
	shy      bool          // the reading is not lent; see reader
	lending  bool          // lent is set
	lent     *time.Timer
	heeded   <-chan struct{} // of the context whose end nudges
	forget   func() bool     // it
}

// An openTry is an identifier whose answer is waited for.
type openTry struct {
	id uint16
	x  *transaction
}

// A transaction is a call that is open on a stream. All of it is under mu.
type transaction struct {
	call     *call
	bell     bell          // rung when something below has changed
	party    *party        // with which it is waited for; nil: alone
	awaited  bool          // its caller waits
	writer   bool          // its caller is to empty the outbox
	finished bool          // an answer came, right or wrong, and out holds
	lost     bool          // the stream is gone
	overdue  bool          // its time limit has passed
	due      time.Duration // steady: when it will have; 0 before the request left
	beside   int           // as the how manieth open request its last try left
	behind   bool          // ... behind another in the same write
	alone    bool          // ... and whether no other of them was for the same unit
	refused  string        // why a datagram with its identifier was refused
	silent   string        // what the network told instead of an answer
	tries    []try
	out      outcome
}

// A try is what one try sent, and when.
type try struct {
	id    uint16
	stage stage
	sent  []byte
	left  decode.Stamp
}

// A stage is how far a request is on its way.
type stage uint8

const (
	queued    stage = iota // in the outbox
	writing                // being given to the stream
	left                   // at least a part of it left
	unsentYet              // the stream was lost before it left
)

// fate is what became of a transaction that is no longer open.
type fate uint8

const (
	unanswered fate = iota + 1
	wasAnswered
)

func newTransactions(l *Link) *transactions {
	return &transactions{link: l, conn: l.conn, count: &l.count, clock: l.config.Clock, notes: l.notes}
}

// opened starts a new stream: identifiers of the old one mean nothing on it.
func (t *transactions) opened(s *session) {
	t.mu.Lock()
	defer t.mu.Unlock()
	s.box = &outbox{}
	t.session = s
	t.in.clear()
	t.issued, t.givenUp = 0, nil
	t.unasked, t.unaskedBytes, t.silences = 0, 0, 0
}

// lost ends what is open on a stream that is gone, and keeps what came last on
// it. Where several were open they may have been too many for the station: then
// crowded is true.
func (t *transactions) lost(s *session, why loss) (crowded bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.session != s {
		return false
	}
	s.tail = bytes.Clone(t.in.bytes)
	t.session = nil
	crowded = why.cause == regmap.PortGone && t.calls > 1
	if crowded {
		t.link.queue.crowded(t.calls/2, true, t.clock().Steady)
	}
	s.crowded = crowded
	t.parted(s, why)
	for _, o := range t.open {
		o.x.lost = true
		for i := range o.x.tries {
			if o.x.tries[i].stage == queued {
				o.x.tries[i].stage = unsentYet
			}
		}
		o.x.wake()
	}
	clear(t.open)
	t.open, t.calls = t.open[:0], 0
	t.waiting.Store(0)
	s.box.entries, s.box.frames = s.box.entries[:0], s.box.frames[:0]
	return crowded
}

// wake tells the caller to look again; of a party whose answers come one after
// another only when the last is there.
func (x *transaction) wake() {
	bell := &x.bell
	if p := x.party; p != nil {
		if bell = &p.bell; x.finished {
			if p.missing--; p.missing > 0 {
				return
			}
		}
	}
	bell.ring()
}

// at notes how far a try is; false when the transaction is no longer about it.
func (x *transaction) at(id uint16, s stage, when decode.Stamp) bool {
	for i := range x.tries {
		if x.tries[i].id == id {
			x.tries[i].stage, x.tries[i].left = s, when
			return true
		}
	}
	return false
}

// tried is the try with an identifier.
func (x *transaction) tried(id uint16) *try {
	for i := range x.tries {
		if x.tries[i].id == id {
			return &x.tries[i]
		}
	}
	return nil
}

// try sends a call's frame once more and waits for an answer.
func (t *transactions) try(ctx context.Context, c *call, adu []byte) outcome {
	t.mu.Lock()
	s := t.session
	if s == nil || ctx.Err() != nil {
		t.mu.Unlock()
		var err error
		if s, err = t.conn.get(ctx); err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return t.link.absent(ctx, err)
		}
		t.mu.Lock()
		if t.session != s {
			t.mu.Unlock()
			return t.missed(ctx, s, nil)
		}
	}
	x := t.begin(s, c, adu)
	first := !s.box.writing
	s.box.writing = true
	t.mu.Unlock()
	if first {
		t.flush(s)
	}
	return t.await(ctx, s, x)
}

// begin opens a transaction, or another try of it, under a fresh identifier,
// and puts its request into the outbox. The frame is the caller's to give away.
func (t *transactions) begin(s *session, c *call, adu []byte) *transaction {
	x := c.open
	if x == nil || x.finished || x.lost {
		x = c.transaction()
		if t.calls == 0 {
			t.follows(c.asked.Steady)
		}
		t.calls++
		t.waiting.Store(int32(t.calls))
	}
	for t.next++; t.waits(t.next) != nil; t.next++ {
	}
	t.issued = min(t.issued+1, rememberedIDs)
	id := t.next
	sent := adu
	if c.tries > 0 || c.crowdings > 0 {
		sent = bytes.Clone(adu) // the evidence of the try before
	}
	binary.BigEndian.PutUint16(sent, id)
	x.alone = true
	for _, o := range t.open {
		x.alone = x.alone && (o.x == x || o.x.call.unit != c.unit)
	}
	x.beside, x.awaited, x.overdue, x.due = t.calls, true, false, 0
	x.tries = append(x.tries, try{id: id, sent: sent})
	t.open = append(t.open, openTry{id, x})
	t.unasked, t.unaskedBytes = 0, 0
	box := s.box
	box.frames = append(box.frames, sent...)
	box.entries = append(box.entries, entry{end: len(box.frames), x: x, id: id, limit: c.timing.Response})
	box.ready.Store(int32(len(box.entries)))
	return x
}

// transaction makes a call's transaction anew, in its slot's memory. Nothing
// that still points there from before knows one of its identifiers.
func (c *call) transaction() *transaction {
	var x *transaction
	if c.slot != nil {
		x = &c.slot.transaction
	} else {
		x = new(transaction)
	}
	if x.bell.sound == nil {
		x.bell.sound = make(chan struct{}, 1)
	}
	clear(x.tries[:cap(x.tries)])
	x.call, x.party, x.tries = c, nil, x.tries[:0]
	x.awaited, x.writer, x.finished, x.lost, x.overdue = false, false, false, false, false
	x.refused, x.silent = "", ""
	c.open = x
	return x
}

// waits is the transaction that waits for an identifier; nil when none does.
func (t *transactions) waits(id uint16) *transaction {
	for _, o := range t.open {
		if o.id == id {
			return o.x
		}
	}
	return nil
}

// await waits until a try has ended, and writes and reads for others when it is
// its turn.
func (t *transactions) await(ctx context.Context, s *session, x *transaction) outcome {
	gone := false
	for {
		t.mu.Lock()
		finished := x.finished
		o, over := t.outcome(s, x, gone)
		x.awaited = !over
		writer := x.writer
		x.writer = false
		switch {
		case !over:
			t.lead(ctx, s, &x.bell, x.hasLeft())
		case finished:
			t.stop(s, &x.bell, 0)
		default:
			t.stop(s, &x.bell, 1)
		}
		t.mu.Unlock()
		if writer {
			t.flush(s)
		}
		switch {
		case over && o.loss != nil:
			t.conn.lose(s, *o.loss)
			return o
		case over:
			return o
		case !writer:
			gone = t.hear(ctx, s, &x.bell, gone)
		}
	}
}

// hasLeft says whether the last try has left.
func (x *transaction) hasLeft() bool { return x.tries[len(x.tries)-1].stage == left }

// outcome is that of a try if it has ended.
func (t *transactions) outcome(s *session, x *transaction, gone bool) (o outcome, over bool) {
	last := &x.tries[len(x.tries)-1]
	switch {
	case x.finished:
		o = x.out
		o.posted = true
		x.leave()
		return o, true
	case x.lost && last.stage == writing:
		return o, false // until it is known whether it left
	case x.lost && last.stage == unsentYet:
		o = unsent(s.why.cause, s.why.words, t.clock())
		o.crowded = s.crowded
		return o, true
	case x.lost:
		o = x.gone(s)
		o.crowded = s.crowded
	case gone:
		o = outcome{cause: regmap.Interrupted, detail: "stopped while waiting for the answer"}
	case x.overdue:
		o = t.expired(s, x)
	default:
		return o, false
	}
	o.sent, o.left, o.done, o.posted = last.sent, last.left, t.clock(), true
	return o, true
}

// finish closes a call's transaction: later answers to it are discarded.
func (t *transactions) finish(c *call) {
	x := c.open
	if x == nil {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if !x.finished && !x.lost {
		t.close(x, nil)
	}
	x.leave()
}

// leave parts a transaction from its call.
func (x *transaction) leave() {
	x.call.open = nil
	x.call, x.tries = nil, x.tries[:0]
}

// close takes a transaction out of those that wait; one of its tries may have
// been answered.
func (t *transactions) close(x *transaction, answered *try) {
	t.calls--
	t.waiting.Store(int32(t.calls))
	kept := t.open[:0]
	for _, o := range t.open {
		switch {
		case o.x != x:
			kept = append(kept, o)
		case answered == nil || o.id != answered.id:
			t.giveUp(o.id)
		}
	}
	clear(t.open[len(kept):])
	t.open = kept
}

// forgotten says whether an identifier is too old, or was not issued on this
// stream, so that nothing is known of it.
func (t *transactions) forgotten(id uint16) bool { return int(t.next-id) >= t.issued }

// giveUp remembers an identifier that was not answered, for as long as it is not
// forgotten; one of the others that is not open was answered.
func (t *transactions) giveUp(id uint16) {
	if !t.forgotten(id) {
		t.givenUp = append(slices.DeleteFunc(t.givenUp, t.forgotten), id)
	}
}

// fateOf is what became of an identifier that is not open, if it is known.
func (t *transactions) fateOf(id uint16) fate {
	switch {
	case t.forgotten(id):
		return 0
	case slices.Contains(t.givenUp, id):
		return unanswered
	}
	return wasAnswered
}

// arm sees to it that the timer goes off at a moment, or before.
func (t *transactions) arm(due, now time.Duration) {
	if t.armed != 0 && t.armed <= due {
		return
	}
	t.armed = due
	if t.timer == nil {
		t.timer = time.AfterFunc(due-now, t.ring)
	} else {
		t.timer.Reset(due - now)
	}
}

// disarm keeps the timer from going off when nothing is open for a while.
func (t *transactions) disarm() {
	if t.armed != 0 && t.timer.Stop() {
		t.armed = 0
	}
}

// ring tells those whose time limit has passed, and sets the timer for the
// next.
func (t *transactions) ring() {
	t.mu.Lock()
	defer t.mu.Unlock()
	now, next := t.clock().Steady, time.Duration(0)
	for _, o := range t.open {
		switch x := o.x; {
		case x.due == 0 || x.overdue:
		case x.due <= now:
			x.overdue = true
			x.wake()
			t.nudge()
		case next == 0 || x.due < next:
			next = x.due
		}
	}
	t.armed = 0
	if next != 0 {
		t.arm(next, now)
	}
}
