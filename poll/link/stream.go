package link

import (
	"context"
	"io"
	"sync"
	"time"
)

// A Stream carries the bytes of one line: a serial port, a network connection,
// one end of a link in memory. Close ends a Read that is waiting.
//
// A stream that offers Discard() error has it called once after opening, to
// throw away what was received before; one that offers Drain(context.Context)
// error has it called after each request, to wait until the last bit has left;
// one that offers Damaged() int, the characters so far that came with a parity
// or framing error, makes every frame refused during which the number rose; one
// that offers Datagrams() bool and says true gives one datagram with each Read
// and sends one with each Write. There a frame is a whole datagram (MBAP only),
// and an error of Read or Write that is about a datagram, such as a refusal by
// the other machine, does not end the stream.
//
// An error of Read whose chain offers Refusal() string is a station's refusal of
// our certificate, and Refusal its reason.
type Stream interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

// A Dialer opens a stream. It is called again, after growing pauses, when the
// stream was lost, and gives up when its context ends.
type Dialer func(ctx context.Context) (Stream, error)

type discarder interface{ Discard() error }

type drainer interface {
	Drain(ctx context.Context) error
}

type damager interface{ Damaged() int }

type datagrammer interface{ Datagrams() bool }

func isDatagrams(s Stream) bool {
	d, ok := s.(datagrammer)
	return ok && d.Datagrams()
}

// sleep waits for d and says whether it waited it out: false when ctx ended or
// one of the others closed before. No wait at all counts as waited out.
func sleep(ctx context.Context, d time.Duration, others ...<-chan struct{}) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	var other [2]<-chan struct{}
	copy(other[:], others)
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
	case <-other[0]:
	case <-other[1]:
	}
	return false
}

// A lifetime is the context of all that ends with a link. It is lighter than the
// library's, which keeps whatever ever hung on it: a process may have thousands.
type lifetime struct {
	done  chan struct{}
	ended sync.Once
}

func newLifetime() *lifetime { return &lifetime{done: make(chan struct{})} }

func (l *lifetime) end() { l.ended.Do(func() { close(l.done) }) }

func (l *lifetime) Deadline() (time.Time, bool) { return time.Time{}, false }

func (l *lifetime) Done() <-chan struct{} { return l.done }

func (l *lifetime) Err() error {
	select {
	case <-l.done:
		return context.Canceled
	default:
		return nil
	}
}

func (l *lifetime) Value(any) any { return nil }
