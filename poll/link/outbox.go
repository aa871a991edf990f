package link

import (
	"errors"
	"io"
	"os"
	"runtime"
	"sync/atomic"
	"time"

	"plumbline/decode"
)

// An outbox holds the requests that are to leave on a stream. Those that are
// ready together leave in one write, which one of the callers makes for all. Each
// leaves in one of its own on a stream of datagrams, and where a station was seen
// to answer only the first of several. Source: TCP guide V1.0b, 3.1.2 and 4.2.1.1
// (one frame in a segment is advised, borders come from the length).
type outbox struct {
	frames  []byte
	entries []entry
	spare   []byte
	sparing []entry
	writing bool

	ready    atomic.Int32 // how many entries there are, to be read without mu
	together int32        // how many left together last; of who has the turn
}

// An entry is a request in the outbox: how far its frame reaches and whose try
// it is.
type entry struct {
	end   int
	x     *transaction
	id    uint16
	limit time.Duration // for the write
}

// company is how often one who is to write lets others run first, as long as
// fewer are ready than left together the last time, or others have a slot and
// may be about to send. Ours.
const company = 8

// flush writes what the outbox holds. The caller has the outbox's turn and gives
// it to the owner of the next request when one round is done, because its own
// answer may be there by then.
func (t *transactions) flush(s *session) {
	for range company {
		if s.box.ready.Load() >= s.box.together && t.waiting.Load() >= t.link.queue.busy.Load() {
			break
		}
		runtime.Gosched()
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	box := s.box
	if t.session != s || len(box.entries) == 0 {
		box.writing = false
		return
	}
	frames, entries := box.frames, box.entries
	box.together = int32(len(entries))
	box.ready.Store(0)
	box.frames, box.entries = box.spare[:0], box.sparing[:0]
	var limit time.Duration
	apart := t.apart
	for i, e := range entries {
		limit = max(limit, e.limit)
		if e.x.at(e.id, writing, decode.Stamp{}) {
			e.x.behind = i > 0 && !apart
		}
	}
	t.mu.Unlock()
	n, err := t.put(s, frames, entries, apart, limit)
	at := t.clock()
	t.mu.Lock()
	t.posted(s, entries, n, at)
	clear(entries)
	box.spare, box.sparing = frames, entries
	if err != nil {
		t.mu.Unlock()
		t.conn.lose(s, putLoss(err, limit))
		t.mu.Lock()
	}
	box.writing = t.session == s && t.handOn(box)
}

// handOn gives the outbox's turn to a caller that waits for the answer to one of
// its requests; where none does, the requests leave with the next one's.
func (t *transactions) handOn(box *outbox) bool {
	for _, e := range box.entries {
		if e.x.awaited {
			e.x.writer = true
			e.x.wake()
			return true
		}
	}
	return false
}

// put gives frames to the stream and says how many bytes left.
func (t *transactions) put(s *session, frames []byte, entries []entry, apart bool, limit time.Duration) (int, error) {
	if !apart && !s.datagrams {
		return t.conn.put(s, frames, limit)
	}
	begin := 0
	for _, e := range entries {
		n, err := t.conn.put(s, frames[begin:e.end], limit)
		if err != nil && s.datagrams && passing(err) {
			// A refusal of an earlier datagram is told to the next write, which it keeps
			// from leaving.
			t.refused(s, err)
			n, err = t.conn.put(s, frames[begin:e.end], limit)
		}
		if err != nil && !(s.datagrams && passing(err)) {
			return begin + n, err
		}
		begin = e.end
	}
	return len(frames), nil
}

// posted notes which of the requests left, and from when their answers are
// waited for.
func (t *transactions) posted(s *session, entries []entry, n int, at decode.Stamp) {
	begin := 0
	for _, e := range entries {
		now := unsentYet
		if begin < n {
			now = left
		}
		begin = e.end
		switch known := e.x.at(e.id, now, at); {
		case !known:
		case now == left && t.session == s:
			e.x.due = at.Steady + e.x.call.limit()
			t.arm(e.x.due, at.Steady)
		default:
			e.x.wake()
		}
	}
}

// passing says whether an error of a datagram stream is about a datagram that
// was sent, so that the stream goes on: a refusal, a network that cannot be
// reached.
func passing(err error) bool {
	for _, end := range []error{io.EOF, io.ErrClosedPipe, io.ErrShortWrite, os.ErrClosed, os.ErrDeadlineExceeded} {
		if errors.Is(err, end) {
			return false
		}
	}
	return true
}
