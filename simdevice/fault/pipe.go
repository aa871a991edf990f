package fault

import (
	"io"
	"net"
	"os"
	"sync"
	"syscall"
	"time"
)

// Window is how many bytes may be on their way in one direction, unread bytes
// included, before a Write waits. It is the bound on memory of a direction: a
// single chunk may exceed it only when nothing else is on its way, and a
// filter may multiply one chunk. 64 KiB, the classic TCP window; ours.
const Window = 64 << 10

// ErrReset is what an end gets after the link was reset; errors.Is also finds
// syscall.ECONNRESET in it.
var ErrReset error = resetError{}

type resetError struct{}

func (resetError) Error() string { return "connection reset by peer" }
func (resetError) Unwrap() error { return syscall.ECONNRESET }

// ErrRefused is what an end of a link of datagrams gets once when it is told
// that nobody listens at the other; errors.Is also finds syscall.ECONNREFUSED
// in it.
var ErrRefused error = refusedError{}

type refusedError struct{}

func (refusedError) Error() string { return "connection refused" }
func (refusedError) Unwrap() error { return syscall.ECONNREFUSED }

// An End is one end of an in-memory link. It is a net.Conn; its methods may be
// used from several goroutines. A Read gives bytes of one delivery at most, so
// that what a script splits or joins is seen so by the reader.
type End struct {
	link *link
	in   *flow // what this end reads
	out  *flow // what this end writes
	name string
	gone chan struct{} // closed when this end is closed or the link reset
	once sync.Once
}

func (e *End) leave() { e.once.Do(func() { close(e.gone) }) }

// link is the state both ends share, under one lock.
type link struct {
	mu     sync.Mutex
	broken error // what both ends answer, ErrReset or a wrapped stream's error; nil while the link is whole
	cut    bool  // half-open: what is written vanishes, nothing arrives
	apart  bool  // each delivery is a datagram; see PacketPipe
	flows  [2]*flow
	ends   [2]*End
}

// Pipe makes a link and returns its two ends. Made in a synctest bubble it
// belongs to that bubble.
func Pipe() (a, b *End) {
	l := &link{}
	ab, ba := newFlow(l), newFlow(l)
	l.flows = [2]*flow{ab, ba}
	a = &End{link: l, in: ba, out: ab, name: "a", gone: make(chan struct{})}
	b = &End{link: l, in: ab, out: ba, name: "b", gone: make(chan struct{})}
	l.ends = [2]*End{a, b}
	return a, b
}

// PacketPipe makes a link of datagrams and returns its two ends. Each Write is
// one datagram and each Read gives one; what of it does not fit is lost, as with
// UDP. Nobody is told that an end was closed, until it is written to: then, and
// where a script resets the link, an end gets ErrRefused once and goes on.
// Source: RFC 768 (no connection); RFC 1122, 4.1.3.3 (an error is told).
func PacketPipe() (a, b *End) {
	a, b = Pipe()
	a.link.apart = true
	return a, b
}

// Datagrams says whether each Read gives one datagram; see PacketPipe.
func (e *End) Datagrams() bool { return e.link.apart }

// SetFilter makes what this end writes from now on pass through f; nil is a
// plain link. Chunks that the old filter holds back are lost with it.
func (e *End) SetFilter(f Filter) {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.out.filter = f
}

// Read reads what has arrived, of one delivery at most, and waits when nothing
// has. Errors: io.EOF after the other end closed, ErrReset, net.ErrClosed
// after Close of this end, os.ErrDeadlineExceeded.
func (e *End) Read(p []byte) (int, error) {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	for {
		switch f := e.in; {
		case f.readerGone:
			return 0, net.ErrClosed
		case e.link.broken != nil && f.unread() == 0:
			return 0, e.link.broken
		case f.refused:
			f.refused = false
			return 0, ErrRefused
		case f.readBy.expired():
			return 0, os.ErrDeadlineExceeded
		case len(p) == 0:
			return 0, nil
		case f.unread() > 0:
			return f.take(p), nil
		case f.fin:
			return 0, io.EOF
		}
		e.in.readable.Wait()
	}
}

// Write sends p as one chunk, whole or not at all. It waits while Window is
// full. Errors: ErrReset, net.ErrClosed after Close or CloseWrite of this end,
// os.ErrDeadlineExceeded. As on TCP the first Write after the other end is
// closed is accepted and answered with a reset.
func (e *End) Write(p []byte) (int, error) {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	for {
		switch f := e.out; {
		case f.writerGone:
			return 0, net.ErrClosed
		case e.link.broken != nil:
			return 0, e.link.broken
		case f.writeBy.expired():
			return 0, os.ErrDeadlineExceeded
		case len(p) == 0 || e.link.cut:
			return len(p), nil
		case f.readerGone && e.link.apart:
			e.in.refuse()
			return len(p), nil
		case f.readerGone:
			e.link.breakLocked(ErrReset)
			return len(p), nil
		case len(f.courier.queue) < MaxParcels && (f.load == 0 || f.load+len(p) <= Window):
			f.send(p)
			return len(p), nil
		}
		e.out.writable.Wait()
	}
}

// Close ends this end in order: the other end reads what is on its way, then
// io.EOF. Blocked calls of this end return net.ErrClosed. Closing twice is
// allowed and does nothing; the error is always nil.
func (e *End) Close() error {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.leave()
	e.in.readerGone = true
	e.in.discard()
	e.out.finish()
	e.in.wake()
	e.out.wake()
	return nil
}

// CloseWrite says that this end writes no more and goes on reading.
func (e *End) CloseWrite() error {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.out.finish()
	e.out.wake()
	return nil
}

// Reset ends the link abruptly: what is on its way is lost, and both ends get
// ErrReset once they have read what had arrived. Of a TCP RST some systems also
// throw away what had arrived; keeping it shows more of a frame that was cut.
func (e *End) Reset() { e.fail(ErrReset) }

// fail is Reset with another error.
func (e *End) fail(err error) {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.link.breakLocked(err)
}

// HalfOpen cuts the link without telling either end: what is written vanishes
// without error, what is on its way is lost, reads wait. So it looks when a
// cable is pulled behind a switch or a peer loses its power.
func (e *End) HalfOpen() {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.link.cutLocked()
}

// Discard throws away what has arrived and was not read, as the input flush of
// a serial port.
func (e *End) Discard() error {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.in.forget()
	return nil
}

// SetDeadline sets both deadlines; the zero time is none.
func (e *End) SetDeadline(t time.Time) error {
	e.SetReadDeadline(t)
	return e.SetWriteDeadline(t)
}

// SetReadDeadline ends reads at t with os.ErrDeadlineExceeded, also one that
// is blocked now.
func (e *End) SetReadDeadline(t time.Time) error {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.in.readBy.set(t)
	return nil
}

// SetWriteDeadline ends writes at t with os.ErrDeadlineExceeded, also one that
// is blocked now.
func (e *End) SetWriteDeadline(t time.Time) error {
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.out.writeBy.set(t)
	return nil
}

// LocalAddr is the name of this end: "a" or "b".
func (e *End) LocalAddr() net.Addr { return Addr(e.name) }

// RemoteAddr is the name of the other end.
func (e *End) RemoteAddr() net.Addr {
	if e.name == "a" {
		return Addr("b")
	}
	return Addr("a")
}

// Addr is the address of an end.
type Addr string

// Network is "memory".
func (Addr) Network() string { return "memory" }

// String is the end's name.
func (a Addr) String() string { return string(a) }
