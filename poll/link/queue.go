package link

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/decode"
	"plumbline/regmap/line"
)

// Urgent calls go first, but after so many in a row an ordinary one that waits
// has its turn, so that nothing starves. Ours.
const maxUrgentRun = 4

// A queue hands out the slots of a link: as many at once as its room allows, to
// urgent calls first, else in the order of asking.
type queue struct {
	framing line.Framing
	clock   decode.Clock
	limited atomic.Bool // the room is less than it may be

	busy atomic.Int32 // slots taken, to be read without mu

	idle atomic.Bool // nothing follows closely: what ends is not kept for the next

	mu      sync.Mutex
	free    []*slot
	calls   []*call // that ended, on MBAP: nothing points to them any more
	taken   int
	room    room
	waiting [2][]*waiter // by level: urgent, ordinary
	run     int          // urgent ones in a row while an ordinary one waited
}

// The levels of waiting.
const (
	urgent = iota
	ordinary
)

// A waiter is a call that waits for a slot. Which slot is under queue.mu until
// ready is closed.
type waiter struct {
	ready chan struct{}
	slot  *slot
}

// take waits for a slot; nil when ctx or life ended before. again puts a call
// that was crowded out before those that wait.
func (q *queue) take(ctx context.Context, life <-chan struct{}, level int, again bool) *slot {
	q.mu.Lock()
	if q.taken < q.room.limit && len(q.waiting[urgent])+len(q.waiting[ordinary]) == 0 {
		s := q.pick()
		q.mu.Unlock()
		return s
	}
	w := &waiter{ready: make(chan struct{})}
	if again {
		q.waiting[level] = slices.Insert(q.waiting[level], 0, w)
	} else {
		q.waiting[level] = append(q.waiting[level], w)
	}
	q.mu.Unlock()
	select {
	case <-w.ready:
		return w.slot
	case <-ctx.Done():
	case <-life:
	}
	q.leave(w, level)
	return nil
}

// several takes one slot, and up to so many more as nobody waits for; none when
// ctx or life ended before.
func (q *queue) several(ctx context.Context, life <-chan struct{}, level, n int) []*slot {
	first := q.take(ctx, life, level, false)
	if first == nil {
		return nil
	}
	slots := append(make([]*slot, 0, n), first)
	q.mu.Lock()
	defer q.mu.Unlock()
	for len(slots) < n && q.taken < q.room.limit && len(q.waiting[urgent])+len(q.waiting[ordinary]) == 0 {
		slots = append(slots, q.pick())
	}
	return slots
}

// pick takes a slot that is free, or makes one.
func (q *queue) pick() *slot {
	q.taken++
	q.busy.Store(int32(q.taken))
	n := len(q.free)
	if n == 0 {
		return newSlot(q.framing)
	}
	s := q.free[n-1]
	q.free = q.free[:n-1]
	return s
}

// leave gives up waiting, and the slot that may have come meanwhile.
func (q *queue) leave(w *waiter, level int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if w.slot != nil {
		q.back(w.slot)
	} else if i := slices.Index(q.waiting[level], w); i >= 0 {
		q.waiting[level] = slices.Delete(q.waiting[level], i, i+1)
	}
}

// give gives a slot back.
func (q *queue) give(s *slot) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.back(s)
}

func (q *queue) back(s *slot) {
	q.taken--
	q.busy.Store(int32(q.taken))
	if !q.idle.Load() || s.free > 0 {
		q.free = append(q.free, s)
	}
	q.serve()
}

// serve gives the slots there are to those who wait.
func (q *queue) serve() {
	for q.taken < q.room.limit {
		w := q.next()
		if w == nil {
			return
		}
		w.slot = q.pick()
		close(w.ready)
	}
}

// next is who comes now.
func (q *queue) next() *waiter {
	level := urgent
	switch waits := len(q.waiting[ordinary]) > 0; {
	case len(q.waiting[urgent]) == 0 || waits && q.run >= maxUrgentRun:
		level, q.run = ordinary, 0
	case waits:
		q.run++
	default:
		q.run = 0
	}
	if len(q.waiting[level]) == 0 {
		return nil
	}
	w := q.waiting[level][0]
	q.waiting[level][0] = nil
	q.waiting[level] = q.waiting[level][1:]
	return w
}

// crowded notes that a station did not take a request beside so many others.
func (q *queue) crowded(fits int, sure bool, left time.Duration) {
	now := q.clock().Steady
	q.mu.Lock()
	defer q.mu.Unlock()
	q.room.lower(fits, sure, left, now)
	q.limited.Store(q.room.limit < q.room.most)
}

// size is how many slots there are now, and how often they became fewer.
func (q *queue) size() (limit int, lowered uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.room.limit, q.room.lowered
}

// served notes that a request was answered that had left as one of so many.
func (q *queue) served(beside int, now time.Duration) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.room.raise(beside, now) {
		q.limited.Store(q.room.limit < q.room.most)
		q.serve()
	}
}

// call is memory for a call.
func (q *queue) call() *call {
	q.mu.Lock()
	defer q.mu.Unlock()
	n := len(q.calls)
	if n == 0 {
		return new(call)
	}
	c := q.calls[n-1]
	q.calls = q.calls[:n-1]
	return c
}

// done lets a call's memory be used again.
func (q *queue) done(c *call) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if !q.idle.Load() && len(q.calls) < MaxSlots {
		q.calls = append(q.calls, c)
	}
}

// rest gives up the memory that is not in use, but for slots with a pause to
// keep, until exchanges follow closely again: a process may have thousands of links that ask once a second.
func (q *queue) rest() {
	q.idle.Store(true)
	q.mu.Lock()
	defer q.mu.Unlock()
	q.free = slices.DeleteFunc(q.free, func(s *slot) bool { return s.free == 0 })
	q.calls = nil
}
