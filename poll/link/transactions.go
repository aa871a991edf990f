package link

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
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
	open    map[uint16]*transaction
	ended   map[uint16]fate
	order   []uint16 // of ended, oldest first

	unasked, unaskedBytes int // since a request left
	silences              int

	later []func() // notes to tell when mu is free
}

// A transaction is a call that is open on a stream.
type transaction struct {
	call  *call
	tries map[uint16]try
	done  chan struct{} // closed when an answer came
	out   outcome
}

// A try is what one try sent, and when.
type try struct {
	sent []byte
	left decode.Stamp
}

// fate is what became of a transaction that is no longer open.
type fate uint8

const (
	unanswered fate = iota + 1
	wasAnswered
)

func newTransactions(l *Link) *transactions {
	return &transactions{
		link: l, conn: l.conn, count: &l.count, clock: l.config.Clock, notes: l.notes,
		open: map[uint16]*transaction{}, ended: map[uint16]fate{},
	}
}

// opened starts a new stream: identifiers of the old one mean nothing on it.
func (t *transactions) opened(s *session) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.session = s
	t.in.clear()
	clear(t.open)
	clear(t.ended)
	t.order = t.order[:0]
	t.unasked, t.unaskedBytes, t.silences = 0, 0, 0
}

// lost keeps what came last on a stream that is gone.
func (t *transactions) lost(s *session) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.session == s {
		s.tail = bytes.Clone(t.in.bytes)
		t.session = nil
	}
}

// try sends a call's frame once more and waits for an answer.
func (t *transactions) try(ctx context.Context, c *call, adu []byte) outcome {
	s, err := t.conn.get(ctx)
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return t.link.absent(ctx, err)
	}
	x, id, adu := t.begin(s, c, adu)
	posted, err := t.conn.write(s, adu, c.timing.Response)
	if err != nil && !posted {
		return unsent(regmap.PortGone, err.Error(), t.clock())
	}
	left := t.clock()
	t.mu.Lock()
	if !x.answered() {
		x.tries[id] = try{adu, left}
	}
	t.mu.Unlock()
	timer := time.NewTimer(c.limit())
	defer timer.Stop()
	var o outcome
	select {
	case <-x.done:
		o = t.ending(x, id, o)
	case <-timer.C:
		o = t.expired(s, x, id)
	case <-ctx.Done():
		o = t.ending(x, id, outcome{cause: regmap.Interrupted, detail: "stopped while waiting for the answer"})
	case <-s.dead:
		o = t.ending(x, id, x.lost(s))
	}
	o.posted = true
	return o
}

// begin opens a transaction, or another try of it, under a fresh identifier.
func (t *transactions) begin(s *session, c *call, adu []byte) (*transaction, uint16, []byte) {
	t.mu.Lock()
	defer t.mu.Unlock()
	x := c.open
	if x == nil || x.answered() {
		x = &transaction{call: c, tries: map[uint16]try{}, done: make(chan struct{})}
		c.open = x
	}
	for t.next++; t.open[t.next] != nil; t.next++ {
	}
	id := t.next
	adu = bytes.Clone(adu)
	binary.BigEndian.PutUint16(adu, id)
	x.tries[id] = try{adu, t.clock()}
	if t.session == s {
		t.open[id] = x
	}
	t.unasked, t.unaskedBytes = 0, 0
	return x, id, adu
}

// answered says whether an answer came, right or wrong.
func (x *transaction) answered() bool {
	select {
	case <-x.done:
		return true
	default:
		return false
	}
}

// finish closes a call's transaction: later answers to it are discarded.
func (t *transactions) finish(c *call) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if c.open == nil {
		return
	}
	for id := range c.open.tries {
		if t.open[id] == c.open {
			delete(t.open, id)
			t.remember(id, unanswered)
		}
	}
	c.open = nil
}

func (t *transactions) remember(id uint16, f fate) {
	if len(t.order) == rememberedIDs {
		delete(t.ended, t.order[0])
		t.order = append(t.order[:0], t.order[1:]...)
	}
	t.ended[id] = f
	t.order = append(t.order, id)
}

// take finds the frames in what was read and gives each to its transaction.
func (t *transactions) take(s *session, b []byte, at decode.Stamp) (rest bool) {
	t.mu.Lock()
	answered, why := t.sort(s, b, at)
	later := t.later
	t.later = nil
	t.mu.Unlock()
	for _, tell := range later {
		tell()
	}
	if answered {
		t.conn.heard(s)
	}
	if why != nil {
		t.conn.lose(s, *why)
	}
	return false
}

// sort does take's work; it says why the stream must be closed, if it must.
func (t *transactions) sort(s *session, b []byte, at decode.Stamp) (answered bool, why *loss) {
	if t.session != s {
		return false, nil
	}
	t.silences = 0
	t.in.add(b, at)
	codec := frame.Codec{Framing: line.MBAP}
	for {
		adu, skip, used, err := codec.Next(t.in.bytes)
		switch {
		case errors.Is(err, frame.ErrMore):
			return answered, otherProtocol(t.in.bytes)
		case err != nil:
			t.count.noise.Add(uint64(len(t.in.bytes)))
			return answered, &loss{regmap.Mismatch, "the stream lost its borders: " + err.Error()}
		}
		whole := bytes.Clone(t.in.bytes[skip:used])
		first := t.in.when(skip)
		if t.give(adu, whole, first, at) {
			answered = true
		}
		t.in.drop(used)
		if t.unasked > maxUnasked || t.unaskedBytes > maxUnaskedBytes {
			t.count.flooded.Add(1)
			return answered, &loss{regmap.Mismatch, fmt.Sprintf("%d frames (%d bytes) came that answer no open request", t.unasked, t.unaskedBytes)}
		}
	}
}

// otherProtocol says as soon as it can be seen that a frame is not ours; waiting
// for all that its header promises could take for ever.
func otherProtocol(b []byte) *loss {
	if len(b) < 4 || b[2] == 0 && b[3] == 0 {
		return nil
	}
	return &loss{regmap.Mismatch, fmt.Sprintf("the stream lost its borders: protocol identifier %d; Modbus is 0 (TCP guide 3.1.3)", binary.BigEndian.Uint16(b[2:]))}
}

// give hands a frame to the transaction it belongs to, and counts what
// belongs to none.
func (t *transactions) give(adu frame.ADU, whole []byte, first, done decode.Stamp) bool {
	id := adu.Transaction
	x := t.open[id]
	if x == nil {
		t.stray(id, len(whole))
		return false
	}
	sent := x.tries[id]
	x.out = t.judge(x.call, adu.Unit, whole)
	x.out.sent, x.out.left, x.out.received = sent.sent, sent.left, whole
	x.out.first, x.out.done = first, done
	for other := range x.tries {
		if t.open[other] == x {
			delete(t.open, other)
			t.remember(other, unanswered)
		}
	}
	t.ended[id] = wasAnswered
	close(x.done)
	return x.out.answered()
}

// judge says what a frame with the right identifier is to its request.
func (t *transactions) judge(c *call, unit regmap.Unit, whole []byte) (o outcome) {
	adu, err := frame.ParseADU(line.MBAP, whole)
	var answer frame.Response
	if err == nil {
		answer, err = frame.Match(c.request, adu.PDU)
	}
	switch {
	case err == nil && unit != c.unit && t.link.config.Gateway:
		t.count.refused.Add(1)
		return outcome{cause: regmap.Mismatch, detail: fmt.Sprintf("unit %d answered, unit %d was asked", unit, c.unit)}
	case err != nil:
		t.count.refused.Add(1)
		return outcome{cause: regmap.Mismatch, detail: err.Error()}
	case unit != c.unit:
		asked, number := c.unit, c.number
		t.later = append(t.later, func() { t.notes.otherUnit(asked, unit, number) })
	}
	o.settle(answer)
	return o
}

// stray counts a frame whose identifier is not open.
func (t *transactions) stray(id uint16, n int) {
	switch t.ended[id] {
	case unanswered:
		t.count.late.Add(1)
		t.ended[id] = wasAnswered
		return
	case wasAnswered:
		t.count.duplicates.Add(1)
	default:
		t.count.foreign.Add(1)
	}
	t.unasked++
	t.unaskedBytes += n
}

// ending gives the answer if one came after all, else the outcome o of the try.
func (t *transactions) ending(x *transaction, id uint16, o outcome) outcome {
	now := t.clock()
	t.mu.Lock()
	defer t.mu.Unlock()
	if x.answered() {
		return x.out
	}
	sent := x.tries[id]
	o.sent, o.left, o.done = sent.sent, sent.left, now
	return o
}

// expired ends a try at its deadline. Half a frame means that the borders of
// the stream are lost; several silences with nothing else heard, that the
// other end may be gone without a word: both need a new stream.
func (t *transactions) expired(s *session, x *transaction, id uint16) outcome {
	t.mu.Lock()
	o := outcome{cause: regmap.Silent, detail: fmt.Sprintf("no answer within %s", decode.Seconds(x.call.limit()))}
	var why *loss
	if t.session == s {
		if half := x.half(t.in.bytes); half != "" {
			o = outcome{cause: regmap.CutOff, detail: half, received: bytes.Clone(t.in.bytes)}
			why = &loss{regmap.CutOff, half}
		} else if why = t.stalled(x.call.limit()); why == nil {
			if t.silences++; t.silences >= maxSilences {
				why = &loss{regmap.Silent, fmt.Sprintf("nothing was heard after %d requests", maxSilences)}
			}
		}
	}
	t.mu.Unlock()
	if o = t.ending(x, id, o); o.cause != regmap.Silent && o.cause != regmap.CutOff {
		return o
	}
	if why != nil {
		t.conn.lose(s, *why)
	}
	return o
}

// stalled says whether a part of some other frame has been there for as long as
// a whole answer may take: no border behind it can be found any more.
func (t *transactions) stalled(limit time.Duration) *loss {
	n := len(t.in.bytes)
	if n == 0 || t.clock().Sub(t.in.when(0)) < limit {
		return nil
	}
	return &loss{regmap.CutOff, fmt.Sprintf("%d bytes of a frame came, and for %s no more", n, decode.Seconds(limit))}
}

// half describes a frame that began to arrive and did not end, if it belongs
// to the transaction or may belong to it.
func (x *transaction) half(b []byte) string {
	n := len(b)
	if n == 0 {
		return ""
	}
	if n >= 2 {
		if _, mine := x.tries[binary.BigEndian.Uint16(b)]; !mine {
			return ""
		}
	}
	if n < 6 {
		return fmt.Sprintf("answer cut off after %d bytes", n)
	}
	return fmt.Sprintf("answer cut off after %d of %d bytes", n, 6+int(binary.BigEndian.Uint16(b[4:])))
}

// lost is the outcome of a try whose stream is gone.
func (x *transaction) lost(s *session) outcome {
	half := x.half(s.tail)
	if half != "" && s.why.cause == regmap.PortGone {
		return outcome{cause: regmap.CutOff, detail: half + ": " + s.why.words, received: s.tail}
	}
	return outcome{cause: s.why.cause, detail: s.why.words}
}
