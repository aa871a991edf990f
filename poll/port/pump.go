package port

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"
)

// A raw is an open port as the serial module gives it: a read ends after a set
// time with nothing and no error, and nothing else ends one.
type raw interface {
	Read(b []byte) (int, error)
	Write(b []byte) (int, error)
	Drain() error
	ResetInputBuffer() error
	ResetOutputBuffer() error
	SetReadTimeout(time.Duration) error
	SetRTS(on bool) error
	Close() error
}

// Bounds of a pump; all ours.
const (
	pumpTick   = 50 * time.Millisecond // one read; Close waits as long
	pumpRoom   = 64 << 10              // bytes read and not taken; more stay in the driver
	pumpEmpty  = 20                    // reads in a row that return at once with nothing: an unplugged adapter
	closeLimit = time.Second           // for a driver that does not come back from a read
)

// A pump reads a raw port without end, so that a Read of ours can have a
// deadline, and Close can end it, where the system's own read knows neither.
type pump struct {
	raw  raw
	name string

	mu     sync.Mutex
	in     []byte
	why    error         // why reading ended
	news   chan struct{} // closed and replaced when in or why changed
	taken  chan struct{} // closed and replaced when in became shorter
	closed bool

	ended                     chan struct{} // closed when the reader has ended
	readDeadline, writeBefore *deadline
	writes                    chan struct{} // holds a token while nobody writes
}

func newPump(r raw, name string) (*pump, error) {
	if err := r.SetReadTimeout(pumpTick); err != nil {
		return nil, err
	}
	p := &pump{raw: r, name: name, news: make(chan struct{}), taken: make(chan struct{}), ended: make(chan struct{}),
		readDeadline: newDeadline(), writeBefore: newDeadline(), writes: make(chan struct{}, 1)}
	p.writes <- struct{}{}
	go p.run()
	return p, nil
}

// run reads until the port is closed or gone.
func (p *pump) run() {
	defer close(p.ended)
	buf := make([]byte, 4096)
	empty := 0
	for p.wait() {
		began := time.Now()
		n, err := p.raw.Read(buf)
		switch {
		case err != nil:
			p.end(fmt.Errorf("%w (%v)", ErrGone, err))
			return
		case n > 0 || time.Since(began) >= pumpTick/2:
			empty = 0
		default:
			if empty++; empty == pumpEmpty {
				p.end(ErrGone)
				return
			}
			time.Sleep(pumpTick - time.Since(began))
		}
		p.put(buf[:n])
	}
}

// wait waits for room and says whether to go on.
func (p *pump) wait() bool {
	for {
		p.mu.Lock()
		full, taken, closed := len(p.in) >= pumpRoom, p.taken, p.closed
		p.mu.Unlock()
		if closed || !full {
			return !closed
		}
		<-taken
	}
}

func (p *pump) put(b []byte) {
	if len(b) == 0 {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.in = append(p.in, b...)
	p.tell()
}

// end notes why reading ended; the first reason counts.
func (p *pump) end(why error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.why == nil {
		p.why = why
	}
	p.tell()
}

// tell wakes who waits for news; with mu held.
func (p *pump) tell() {
	close(p.news)
	p.news = make(chan struct{})
}

// took wakes the reader; with mu held.
func (p *pump) took() {
	close(p.taken)
	p.taken = make(chan struct{})
}

// Read is Port.Read.
func (p *pump) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	for {
		p.mu.Lock()
		if p.closed {
			p.mu.Unlock()
			return 0, p.fail("read", os.ErrClosed)
		}
		passed := p.readDeadline.passed()
		select {
		case <-passed:
			p.mu.Unlock()
			return 0, p.fail("read", os.ErrDeadlineExceeded)
		default:
		}
		if n := copy(b, p.in); n > 0 {
			p.in = append(p.in[:0], p.in[n:]...)
			p.took()
			p.mu.Unlock()
			return n, nil
		}
		why, news := p.why, p.news
		p.mu.Unlock()
		if why != nil {
			return 0, p.fail("read", why)
		}
		select {
		case <-news:
		case <-passed:
		}
	}
}

// Write is Port.Write. What did not leave before the deadline is thrown away.
func (p *pump) Write(b []byte) (int, error) {
	type result struct {
		n   int
		err error
	}
	passed := p.writeBefore.passed()
	select {
	case <-passed:
		return 0, p.fail("write", os.ErrDeadlineExceeded)
	case <-p.writes:
	}
	if err := p.state(); err != nil {
		p.writes <- struct{}{}
		return 0, p.fail("write", err)
	}
	done := make(chan result, 1)
	data := append([]byte(nil), b...)
	go func() {
		n, err := 0, error(nil)
		for n < len(data) && err == nil {
			var m int
			if m, err = p.raw.Write(data[n:]); m == 0 && err == nil {
				err = errors.New("the driver takes nothing")
			}
			n += m
		}
		p.writes <- struct{}{}
		done <- result{n, err}
	}()
	select {
	case r := <-done:
		if r.err != nil {
			r.err = p.gone(r.err)
		}
		return r.n, p.fail("write", r.err)
	case <-passed:
		_ = p.raw.ResetOutputBuffer() // ends the write under way
		return 0, p.fail("write", os.ErrDeadlineExceeded)
	}
}

// state is why the port cannot be used, nil when it can.
func (p *pump) state() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return os.ErrClosed
	}
	return p.why
}

// gone is what a failed call of the module means.
func (p *pump) gone(err error) error {
	if why := p.state(); why != nil {
		return why
	}
	return fmt.Errorf("%w (%v)", ErrGone, err)
}

// Discard is Port.Discard.
func (p *pump) Discard() error {
	if err := p.state(); err != nil {
		return p.fail("discard", err)
	}
	err := p.raw.ResetInputBuffer()
	p.mu.Lock()
	p.in = p.in[:0]
	p.took()
	p.mu.Unlock()
	if err != nil {
		err = p.gone(err)
	}
	return p.fail("discard", err)
}

// Drain is Port.Drain.
func (p *pump) Drain(ctx context.Context) error {
	if stopped, err := p.drain(ctx.Done()); !stopped {
		return err
	}
	return ctx.Err()
}

// drainInTime drains within the write deadline.
func (p *pump) drainInTime() error {
	if stopped, err := p.drain(p.writeBefore.passed()); !stopped {
		return err
	}
	return p.fail("drain", os.ErrDeadlineExceeded)
}

// drain waits until all has left, or until stop is closed.
func (p *pump) drain(stop <-chan struct{}) (stopped bool, err error) {
	if err := p.state(); err != nil {
		return false, p.fail("drain", err)
	}
	done := make(chan error, 1)
	go func() { done <- p.raw.Drain() }()
	select {
	case err := <-done:
		if err != nil {
			err = p.gone(err)
		}
		return false, p.fail("drain", err)
	case <-stop:
		return true, nil
	}
}

// Close is Port.Close.
func (p *pump) Close() error {
	p.mu.Lock()
	if p.closed {
		p.mu.Unlock()
		return p.fail("close", os.ErrClosed)
	}
	p.closed = true
	p.took()
	p.tell()
	p.mu.Unlock()
	late := time.NewTimer(closeLimit)
	defer late.Stop()
	select {
	case <-p.ended: // the module's own Close is not safe under a read
	case <-late.C:
	}
	if err := p.raw.Close(); err != nil {
		return p.fail("close", err)
	}
	return nil
}

func (p *pump) fail(op string, err error) error {
	if err == nil {
		return nil
	}
	return &IOError{op, p.name, err}
}
