package fault

import (
	"sync"
	"time"
)

// flow is one direction of a link: what is on its way and what has arrived.
// Everything in it is under the link's lock.
type flow struct {
	link     *link
	filter   Filter
	readable sync.Cond
	writable sync.Cond
	readBy   deadline
	writeBy  deadline

	buf   []byte // arrived bytes from off on
	off   int
	marks []int // ends of the deliveries in buf, ascending; each above off
	first int   // the first mark that counts

	fin        bool // the reader has been told that no more comes
	refused    bool // datagrams: the reader is to be told that nobody listens
	readerGone bool // the reading end is closed
	writerGone bool // the writing end is closed for writing
	load       int  // bytes on their way or unread

	courier courier
}

func newFlow(l *link) *flow {
	f := &flow{link: l}
	f.readable.L = &l.mu
	f.writable.L = &l.mu
	f.readBy = deadline{mu: &l.mu, cond: &f.readable}
	f.writeBy = deadline{mu: &l.mu, cond: &f.writable}
	f.courier = courier{mu: &l.mu, to: f}
	return f
}

func (f *flow) unread() int { return len(f.buf) - f.off }

// take moves bytes of the oldest delivery to p. A datagram is taken whole.
func (f *flow) take(p []byte) int {
	end := f.marks[f.first]
	n := copy(p, f.buf[f.off:end])
	used := n
	if f.link.apart {
		used = end - f.off
	}
	f.off += used
	f.load -= used
	if f.off == end {
		f.first++
	}
	if f.off == len(f.buf) {
		f.empty()
	}
	f.writable.Broadcast()
	return n
}

// empty starts the buffer again; a large one is given back.
func (f *flow) empty() {
	f.off, f.first = 0, 0
	if cap(f.buf) > Window || cap(f.marks) > Window {
		f.buf, f.marks = nil, nil
		return
	}
	f.buf, f.marks = f.buf[:0], f.marks[:0]
}

// forget throws the unread bytes away.
func (f *flow) forget() {
	f.load -= f.unread()
	f.empty()
	f.writable.Broadcast()
}

// discard throws away also what is on its way.
func (f *flow) discard() {
	f.forget()
	f.courier.clear()
	f.load = 0
}

// send takes one written chunk.
func (f *flow) send(p []byte) {
	if f.filter == nil {
		f.load += len(p)
		if f.courier.idle() {
			f.arrive(p)
			return
		}
		f.courier.put(Delivery{Bytes: append([]byte(nil), p...)})
		return
	}
	for _, d := range f.filter.Deliveries(p) {
		if d.Act == Pass {
			f.load += len(d.Bytes)
		}
		f.courier.put(d)
	}
	f.courier.run()
}

// finish closes the direction for its writer; the reader learns of it after
// what is on its way.
func (f *flow) finish() {
	if f.writerGone {
		return
	}
	f.writerGone = true
	if f.link.cut || f.link.apart {
		return
	}
	if f.courier.idle() {
		f.end()
		return
	}
	f.courier.put(Delivery{Act: Fin})
	f.courier.run()
}

func (f *flow) wake() {
	f.readable.Broadcast()
	f.writable.Broadcast()
}

// arrive, flood, end, abort, cut and moved are what the courier calls; see carrier.

func (f *flow) arrive(p []byte) {
	if f.readerGone || f.fin {
		f.load -= len(p)
		f.writable.Broadcast()
		return
	}
	if len(p) == 0 {
		return
	}
	if f.off > Window && f.off > len(f.buf)/2 {
		f.compact()
	}
	f.buf = append(f.buf, p...)
	f.marks = append(f.marks, len(f.buf))
	f.readable.Broadcast()
}

// compact moves the unread bytes to the front, so that a reader that is never
// quite done does not make the buffer grow.
func (f *flow) compact() {
	f.buf = f.buf[:copy(f.buf, f.buf[f.off:])]
	f.marks = f.marks[:copy(f.marks, f.marks[f.first:])]
	for i := range f.marks {
		f.marks[i] -= f.off
	}
	f.off, f.first = 0, 0
}

// flood is arrive for bytes nobody waits to write: beyond Window they are
// lost, as in the overrun of a receiver.
func (f *flow) flood(p []byte) {
	if f.unread()+len(p) > Window {
		return
	}
	f.load += len(p)
	f.arrive(p)
}

// end ends the direction; datagrams have no end.
func (f *flow) end() {
	if f.link.apart {
		return
	}
	f.fin = true
	f.readable.Broadcast()
}

// abort ends the link; of datagrams both ends are told that nobody listens.
func (f *flow) abort() {
	if !f.link.apart {
		f.link.breakLocked(ErrReset)
		return
	}
	for _, g := range f.link.flows {
		g.refuse()
	}
}

// refuse tells the reader once that nobody listens.
func (f *flow) refuse() {
	f.refused = true
	f.readable.Broadcast()
}

func (f *flow) cut()   { f.link.cutLocked() }
func (f *flow) moved() { f.writable.Broadcast() }

// breakLocked ends the link abruptly; the first error stays, and what has
// arrived can still be read.
func (l *link) breakLocked(err error) {
	if l.broken == nil {
		l.broken = err
	}
	for _, e := range l.ends {
		e.leave()
	}
	l.keepArrivedLocked()
}

func (l *link) cutLocked() {
	l.cut = true
	l.keepArrivedLocked()
}

// keepArrivedLocked loses what is on its way: what has arrived has arrived.
func (l *link) keepArrivedLocked() {
	for _, f := range l.flows {
		f.courier.clear()
		f.load = f.unread()
		f.wake()
	}
}

// deadline is a moment at which waiting ends. The zero time is never.
type deadline struct {
	mu    *sync.Mutex
	cond  *sync.Cond
	at    time.Time
	timer *time.Timer
}

func (d *deadline) expired() bool {
	return !d.at.IsZero() && !time.Now().Before(d.at)
}

func (d *deadline) set(t time.Time) {
	d.at = t
	if t.IsZero() {
		if d.timer != nil {
			d.timer.Stop()
		}
		return
	}
	wait := time.Until(t)
	switch {
	case wait <= 0:
		d.cond.Broadcast()
	case d.timer == nil:
		d.timer = time.AfterFunc(wait, d.fire)
	default:
		d.timer.Reset(wait)
	}
}

// fire wakes who waits. A timer that fires for a deadline since moved does
// nothing: moving it has set the timer anew.
func (d *deadline) fire() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.at.IsZero() {
		return
	}
	if wait := time.Until(d.at); wait > 0 { // the wall clock was set back
		d.timer.Reset(wait)
		return
	}
	d.cond.Broadcast()
}
