package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
)

// ErrClosed is what a closed link answers to every call.
var ErrClosed = errors.New("the link is closed")

// Redial says how long to pause before a stream is opened again: First after
// the first failure, then doubling up to Most, each pause shortened at random
// by up to half, so that many clients do not come back together. The zero
// Redial is 100 ms to 10 s; ours.
type Redial struct {
	First, Most time.Duration
	Random      func() float64 // 0 to below 1; nil: the runtime's
}

func (r Redial) pause(failures int) time.Duration {
	if failures == 0 {
		return 0
	}
	whole := math.Min(float64(r.First)*math.Pow(2, float64(failures-1)), float64(r.Most))
	return time.Duration(whole * (1 - r.Random()/2))
}

// Bounds on reading that gives nothing or never ends; all ours.
const (
	maxEmptyReads = 100                   // reads in a row that give no byte and no error
	emptyRest     = 10 * time.Millisecond // after each of them
	noiseRest     = 50 * time.Millisecond // after much noise
)

// errEmptyReads ends a stream whose reads keep returning nothing: an unplugged
// serial adapter may do so for ever.
var errEmptyReads = fmt.Errorf("%d reads in a row gave neither bytes nor an error", maxEmptyReads)

// A receiver is given what a session reads. take says whether reading should
// rest, because nothing but noise comes.
type receiver interface {
	opened(s *session)
	lost(s *session, why loss) (crowded bool) // before s.dead is closed; crowded: it was asked too much at once
	refused(s *session, err error)            // told by a datagram stream of what was sent before
	take(s *session, b []byte, at decode.Stamp) (rest bool)
	handsOver(s *session) bool // whether somebody else reads from now on; see reader
}

// A session is one opened stream until it is lost.
type session struct {
	stream Stream
	number uint64        // 1 for the first of a link
	dead   chan struct{} // closed when the stream was lost
	why    loss          // why, and ...
	tail   []byte        // ... the bytes that came last and made no frame; to be read after dead was closed
	heard  atomic.Bool   // an answer came

	deadline  time.Duration // steady: that of writes as it was set last
	datagrams bool          // each read gives one, and a frame never spans two
	box       *outbox       // MBAP: requests that are to leave; under transactions.mu
	crowded   bool          // more requests were open than the station may take; under transactions.mu

	buf    []byte      // of who reads
	empty  int         // reads in a row that gave nothing
	reader reader      // MBAP: who that is; under transactions.mu
	nudged atomic.Bool // the reader is to look at what has changed
}

// A loss is why a stream is gone.
type loss struct {
	cause regmap.Cause // of the exchanges that were open
	words string
}

// A connection keeps a link's stream: opens it when it is wanted and not
// there, pauses after failures, reads it without end.
type connection struct {
	dial     Dialer
	limit    time.Duration // for one attempt to open
	redial   Redial
	clock    decode.Clock
	count    *counters
	state    func(up bool, why string)
	receiver receiver
	mbap     bool      // frames may come as datagrams
	life     *lifetime // of the link

	mu       sync.Mutex
	current  *session
	attempt  *attempt
	opened   uint64
	failures int           // attempts and short-lived streams in a row
	again    time.Duration // steady: not tried again before
	last     error         // why the last attempt failed
}

// An attempt is one try to open the stream; all who want it wait for the same.
type attempt struct {
	done    chan struct{}
	session *session
	err     error
}

// get is the open stream, opened now if need be. It waits for an attempt under
// way, but not out a long pause after failures: then the error says when the
// next attempt is due.
func (c *connection) get(ctx context.Context) (*session, error) {
	c.mu.Lock()
	if c.life.Err() != nil {
		c.mu.Unlock()
		return nil, ErrClosed
	}
	if s := c.current; s != nil {
		c.mu.Unlock()
		return s, nil
	}
	a := c.attempt
	if a == nil {
		a = &attempt{done: make(chan struct{})}
		c.attempt = a
		go c.open(a, c.again-c.clock().Steady, c.last)
	}
	c.mu.Unlock()
	select {
	case <-a.done:
		return a.session, a.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// open makes one attempt after the pause still due.
func (c *connection) open(a *attempt, pause time.Duration, last error) {
	stream, err := c.pauseAndDial(pause, last)
	c.mu.Lock()
	c.attempt = nil
	if err != nil {
		a.err = err
		c.mu.Unlock()
		close(a.done)
		return
	}
	if c.life.Err() != nil {
		a.err = ErrClosed
		c.mu.Unlock()
		stream.Close()
		close(a.done)
		return
	}
	c.opened++
	s := &session{stream: stream, number: c.opened, dead: make(chan struct{}), datagrams: isDatagrams(stream)}
	if c.opened > 1 {
		c.count.reconnects.Add(1)
	}
	c.receiver.opened(s)
	c.current, a.session = s, s
	c.mu.Unlock()
	c.state(true, "")
	go c.read(s)
	close(a.done)
}

// pauseAndDial waits out a short pause and opens the stream. Of a long pause
// it waits the first part only, so that callers neither hang nor spin.
func (c *connection) pauseAndDial(pause time.Duration, last error) (Stream, error) {
	if !sleep(c.life, min(pause, c.redial.First)) {
		return nil, ErrClosed
	}
	if rest := pause - c.redial.First; rest > 0 {
		return nil, fmt.Errorf("%w; tried again in %s", last, decode.Seconds(rest))
	}
	c.count.dials.Add(1)
	stream, err := c.dialWithin()
	if err == nil {
		err = c.prepare(stream)
	}
	if err == nil {
		return stream, nil
	}
	if c.life.Err() != nil {
		return nil, ErrClosed
	}
	c.failed(err)
	c.state(false, err.Error())
	return nil, err
}

// failed notes a failure and sets the pause after it.
func (c *connection) failed(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.failures++
	c.last = err
	c.again = c.clock().Steady + c.redial.pause(c.failures)
}

// dialWithin calls the dialer and leaves it alone when it overruns its limit; a
// stream that comes after that is closed again.
func (c *connection) dialWithin() (Stream, error) {
	type result struct {
		stream Stream
		err    error
	}
	ctx, cancel := context.WithTimeout(context.Background(), c.limit)
	defer cancel()
	opened := make(chan result) // taken while ctx lasts
	go func() {
		s, err := c.dial(ctx)
		select {
		case opened <- result{s, err}:
		case <-ctx.Done():
			if err == nil {
				s.Close() // too late
			}
		}
	}()
	var r result
	select {
	case r = <-opened:
	case <-ctx.Done():
		r.err = ctx.Err()
	case <-c.life.Done():
		r.err = ErrClosed
	}
	switch {
	case r.stream != nil && r.err == nil:
		return r.stream, nil
	case ctx.Err() == context.DeadlineExceeded:
		r.err = fmt.Errorf("not open within %s", decode.Seconds(c.limit))
	}
	return nil, r.err
}

// errDatagrams refuses a stream in which a frame would have no border.
var errDatagrams = errors.New("datagrams carry mbap only")

// prepare makes a fresh stream ready: no deadline left over, nothing waiting.
func (c *connection) prepare(stream Stream) error {
	err := stream.SetReadDeadline(time.Time{})
	if isDatagrams(stream) && !c.mbap {
		err = errDatagrams
	}
	if d, ok := stream.(discarder); ok && err == nil {
		err = d.Discard()
	}
	if err != nil {
		stream.Close()
	}
	return err
}

// Sizes of what is read at once: a short frame, and each time that was full more,
// up to all that a station may answer together.
const (
	readSize  = 128
	readWhole = 8 << 10
)

// read reads a session's stream until it ends or somebody else reads on.
func (c *connection) read(s *session) {
	for c.readOnce(s) && !c.receiver.handsOver(s) {
	}
}

// readOnce reads a session's stream and gives on what came; false when the
// session is lost.
func (c *connection) readOnce(s *session) bool {
	n, err := s.stream.Read(s.room())
	if n > 0 {
		s.empty = 0
		if c.receiver.take(s, s.buf[:n], c.clock()) {
			sleep(c.life, noiseRest, s.dead)
		}
		if n == len(s.buf) && n < readWhole {
			s.buf = make([]byte, 4*n)
		}
		if err == nil {
			return true
		}
	}
	if err = c.readAgain(s, n, err); err != nil {
		c.lose(s, loss{regmap.PortGone, goneWords(err)})
		return false
	}
	return true
}

// room is the memory to read into.
func (s *session) room() []byte {
	switch {
	case s.buf != nil:
	case s.datagrams:
		s.buf = make([]byte, readWhole) // a datagram is read whole or cut off
	default:
		s.buf = make([]byte, readSize)
	}
	return s.buf
}

// readAgain is why a stream must not be read again after a read that brought an
// error or nothing.
func (c *connection) readAgain(s *session, n int, err error) error {
	if errors.Is(err, os.ErrDeadlineExceeded) {
		nudged := s.nudged.Swap(false) // before the deadline goes, so that no later one is lost
		if err = s.stream.SetReadDeadline(time.Time{}); nudged {
			return err
		}
	} else if err != nil && s.datagrams && passing(err) {
		c.receiver.refused(s, err)
		err = nil
	}
	if err == nil && n == 0 {
		if s.empty++; s.empty >= maxEmptyReads {
			return errEmptyReads
		}
		sleep(c.life, emptyRest, s.dead)
	}
	return err
}

// goneWords says why a stream is gone. With TLS 1.3 a station judges our
// certificate after the handshake, so that its refusal is what the first read
// brings; such an error says so itself. Source: RFC 8446, 4.4.2 and 6.2.
func goneWords(err error) string {
	var refusal interface{ Refusal() string }
	switch {
	case errors.As(err, &refusal):
		return "the station refused our certificate (" + refusal.Refusal() + ")"
	case errors.Is(err, io.EOF):
		return "closed by the other end"
	}
	return err.Error()
}

// heard notes that an answer came on a session: opening it was worth while.
func (c *connection) heard(s *session) {
	if s.heard.Load() {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if !s.heard.Swap(true) {
		c.failures, c.again = 0, 0
	}
}

// lose closes a session's stream; the first reason counts. The next attempt
// comes at once after a stream that served, that was only silent, or that was
// asked too much at once, else after a growing pause.
func (c *connection) lose(s *session, why loss) {
	c.mu.Lock()
	if c.current != s {
		c.mu.Unlock()
		return
	}
	c.current = nil
	s.why = why
	crowded := c.receiver.lost(s, why)
	if !s.heard.Load() && why.cause != regmap.Silent && !crowded {
		c.failures++
	}
	c.last = errors.New(why.words)
	c.again = c.clock().Steady + c.redial.pause(c.failures)
	closed := c.life.Err() != nil
	c.mu.Unlock()
	c.count.losses.Add(1)
	s.stream.Close()
	close(s.dead)
	if !closed {
		c.state(false, why.words)
	}
}

// shut ends the session when the link is closed.
func (c *connection) shut() {
	c.mu.Lock()
	s := c.current
	c.mu.Unlock()
	if s != nil {
		c.lose(s, loss{regmap.Interrupted, ErrClosed.Error()})
	}
}

// write sends a whole request within a limit. A stream that took only a part
// of it is lost: what would follow has no border. A secure stream could not even
// go on after a write that was given up. posted says whether any of it may have
// left.
func (c *connection) write(s *session, adu []byte, limit time.Duration) (posted bool, err error) {
	n, err := c.put(s, adu, limit)
	if err == nil {
		return true, nil
	}
	c.lose(s, putLoss(err, limit))
	<-s.dead // lost now, or before by somebody else whose reason counts
	return n > 0, errors.New(s.why.words)
}

// put gives bytes to the stream within a limit and waits until they left. Only
// one may put at a time.
func (c *connection) put(s *session, b []byte, limit time.Duration) (n int, err error) {
	if now := c.clock().Steady; s.deadline-now < limit {
		s.deadline = now + limit + limit/4 // so that not each write has to set it
		err = s.stream.SetWriteDeadline(time.Now().Add(s.deadline - now))
	}
	if err == nil {
		if n, err = s.stream.Write(b); err == nil && n < len(b) {
			err = io.ErrShortWrite
		}
	}
	if d, ok := s.stream.(drainer); ok && err == nil {
		ctx, cancel := context.WithTimeout(c.life, limit)
		err = d.Drain(ctx)
		cancel()
	}
	return n, err
}

// putLoss is why a stream is lost that did not take what was put.
func putLoss(err error, limit time.Duration) loss {
	if errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, context.DeadlineExceeded) {
		err = fmt.Errorf("the request could not be sent within %s", decode.Seconds(limit))
	}
	return loss{regmap.PortGone, goneWords(err)}
}
