package link

import (
	"context"
	"sync/atomic"
	"time"

	"plumbline/regmap"
)

// Who reads an MBAP stream. By default a goroutine of its own does, the watch, so
// that hang-ups and unasked frames are seen while nobody asks. Where exchanges
// follow each other closely the watch lends the reading: a caller that waits for
// its answer reads by itself, gives others theirs, and saves being woken by
// another goroutine in each exchange. All of it is under transactions.mu, and
// while a caller waits somebody reads:
//
//   - a caller reads only after all its requests left, when nobody else reads;
//   - when it stops, and others still wait, the watch begins anew;
//   - when nobody waits the reading stays lent for lentFor at most;
//   - a time limit or the end of a context ends a caller's read by a deadline.
//
// A stream that was lost while it was lent may belong to a station that hangs up
// after its answers. That must be seen before the next request leaves, so such a
// link lends no more.
type reader uint8

const (
	watch  reader = iota // a goroutine of its own
	nobody               // lent, and not taken
	caller               // one that waits for its own answer
)

// lentFor is how long after an exchange the next counts as following closely,
// and nobody reads. Ours.
const lentFor = 5 * time.Millisecond

// A bell tells a caller that waits to look at its transactions again.
type bell struct {
	sound chan struct{}
	reads bool        // its caller reads, and ...
	rung  atomic.Bool // ... looks at this after each read
}

func (b *bell) ring() {
	if b.reads {
		b.rung.Store(true)
		return
	}
	select {
	case b.sound <- struct{}{}:
	default:
	}
}

// follows notes, when nothing is open, whether a request was asked for closely
// after the exchange before. Only then is memory kept for the next.
func (t *transactions) follows(asked time.Duration) {
	t.closely = t.answered > 0 && asked-t.answered < lentFor
	switch q := &t.link.queue; {
	case t.closely:
		q.idle.Store(false)
	case !q.idle.Load():
		q.rest()
	}
}

// handsOver says whether the goroutine that reads is to end after a read: the
// callers read from now on, or another goroutine does. That one begins with a
// small stack, which matters where thousands sleep.
func (t *transactions) handsOver(s *session) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case t.session != s || t.calls > 0:
		return false
	case t.closely && !t.shy:
		t.leaveTo(s, nobody)
	default:
		t.disarm()
		go t.conn.read(s)
	}
	return true
}

// lead makes a caller the reader if nobody else is and its requests have left;
// else it sees to it that somebody reads.
func (t *transactions) lead(ctx context.Context, s *session, b *bell, left bool) {
	switch {
	case t.session != s || s.reader != nobody:
	case !left:
		t.leaveTo(s, watch)
	default:
		s.reader, b.reads = caller, true
		b.rung.Store(false)
		t.heed(ctx)
	}
}

// stop ends a caller's reading if it reads. So many transactions of its own are
// still open and not waited for.
func (t *transactions) stop(s *session, b *bell, own int) {
	if !b.reads {
		return
	}
	b.reads = false
	switch {
	case t.session != s:
	case t.calls > own:
		t.leaveTo(s, watch)
	default:
		t.leaveTo(s, nobody)
	}
}

// leaveTo leaves the reading to the watch, or lends it until the time is over.
func (t *transactions) leaveTo(s *session, r reader) {
	s.reader = r
	switch {
	case r == watch:
		t.closely = false
		go t.conn.read(s)
	case t.lending:
	case t.lent == nil:
		t.lending, t.lent = true, time.AfterFunc(lentFor, t.takeBack)
	default:
		t.lending = true
		t.lent.Reset(lentFor)
	}
}

// takeBack begins the watch anew when nothing was asked for a while.
func (t *transactions) takeBack() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.lending = false
	s := t.session
	if s == nil || s.reader != nobody {
		return
	}
	if rest := t.answered + lentFor - t.clock().Steady; rest > 0 {
		t.lending = true
		t.lent.Reset(rest)
		return
	}
	t.leaveTo(s, watch)
	t.link.queue.rest()
}

// hear waits until a caller's bell rings, or reads until it does; true when ctx
// has ended.
func (t *transactions) hear(ctx context.Context, s *session, b *bell, gone bool) bool {
	done := ctx.Done()
	switch {
	case b.reads:
		return t.readFor(ctx, s, b)
	case done == nil || gone:
		<-b.sound
		return gone
	}
	select {
	case <-b.sound:
		return false
	case <-done:
		return true
	}
}

func (t *transactions) readFor(ctx context.Context, s *session, b *bell) (gone bool) {
	for {
		if ctx.Err() != nil {
			return true
		}
		if !t.conn.readOnce(s) {
			t.mu.Lock()
			b.reads = false
			t.mu.Unlock()
			return false
		}
		if b.rung.Swap(false) {
			return false
		}
	}
}

// nudge ends a caller's read, so that it looks at what has changed.
func (t *transactions) nudge() {
	if s := t.session; s != nil && s.reader == caller {
		s.nudged.Store(true)
		s.stream.SetReadDeadline(time.Unix(1, 0))
	}
}

// heed has the end of a context nudge the caller that reads. Callers tend to
// bring the same context each time, so it is watched on until another comes.
func (t *transactions) heed(ctx context.Context) {
	done := ctx.Done()
	if done == nil || done == t.heeded {
		return
	}
	t.unheed()
	t.heeded, t.forget = done, context.AfterFunc(ctx, func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		t.nudge()
	})
}

// unheed forgets the context.
func (t *transactions) unheed() {
	if t.forget != nil {
		t.forget()
		t.heeded, t.forget = nil, nil
	}
}

// parted ends all reading of a stream that is lost.
func (t *transactions) parted(s *session, why loss) {
	t.shy = t.shy || s.reader != watch && why.cause == regmap.PortGone
	t.unheed()
}
