package link

import (
	"context"
	"errors"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"
)

// stuck is a stream that takes no byte and gives none.
type stuck struct {
	mu     sync.Mutex
	until  time.Time
	closed chan struct{}
	once   sync.Once
}

func (s *stuck) Read([]byte) (int, error) {
	<-s.closed
	return 0, io.EOF
}

func (s *stuck) Write([]byte) (int, error) {
	s.mu.Lock()
	wait := time.Until(s.until)
	s.mu.Unlock()
	select {
	case <-time.After(wait):
		return 0, os.ErrDeadlineExceeded
	case <-s.closed:
		return 0, os.ErrClosed
	}
}

func (s *stuck) Close() error {
	s.once.Do(func() { close(s.closed) })
	return nil
}

func (s *stuck) SetReadDeadline(time.Time) error { return nil }

func (s *stuck) SetWriteDeadline(t time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.until = t
	return nil
}

// endless is a stream that gives zeros without end and without pause.
type endless struct {
	reads  atomic.Int64
	closed chan struct{}
	once   sync.Once
}

func (s *endless) Read(b []byte) (int, error) {
	select {
	case <-s.closed:
		return 0, io.EOF
	default:
	}
	s.reads.Add(1)
	clear(b)
	return len(b), nil
}

func (s *endless) Write(b []byte) (int, error) { return len(b), nil }

func (s *endless) Close() error {
	s.once.Do(func() { close(s.closed) })
	return nil
}

func (s *endless) SetReadDeadline(time.Time) error  { return nil }
func (s *endless) SetWriteDeadline(time.Time) error { return nil }

// damaging counts characters that came damaged.
type damaging struct {
	Stream
	damaged atomic.Int64
}

func (s *damaging) Damaged() int { return int(s.damaged.Load()) }

// draining needs its time until the last bit has left.
type draining struct {
	Stream
	takes time.Duration
}

func (s *draining) Drain(ctx context.Context) error {
	if !sleep(ctx, s.takes) {
		return ctx.Err()
	}
	return nil
}

// emptying counts how often what was received is thrown away.
type emptying struct {
	Stream
	emptied   int
	onDiscard func()
	err       error
}

func (s *emptying) Discard() error {
	s.emptied++
	if s.onDiscard != nil {
		s.onDiscard()
	}
	return s.err
}

// deaf is a stream that takes nothing.
type deaf struct{ Stream }

func (*deaf) Write([]byte) (int, error) { return 0, errors.New("nothing is taken") }

// halfDeaf is a stream that takes half of what it is given.
type halfDeaf struct{ Stream }

func (s *halfDeaf) Write(b []byte) (int, error) { return s.Stream.Write(b[:len(b)/2]) }

// stuttering is a stream of which four reads in five are empty.
type stuttering struct {
	Stream
	n int
}

func (s *stuttering) Read(b []byte) (int, error) {
	if s.n++; s.n%5 != 0 {
		return 0, nil
	}
	return s.Stream.Read(b)
}

// hollow is a stream whose reads return without bytes.
type hollow struct {
	read  func() (int, error)
	reads atomic.Int64
}

var errDeadline = os.ErrDeadlineExceeded

func (s *hollow) Read([]byte) (int, error) {
	s.reads.Add(1)
	return s.read()
}

func (s *hollow) Write(b []byte) (int, error)      { return len(b), nil }
func (s *hollow) Close() error                     { return nil }
func (s *hollow) SetReadDeadline(time.Time) error  { return nil }
func (s *hollow) SetWriteDeadline(time.Time) error { return nil }
