package port

import (
	"context"
	"errors"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"

	"plumbline/regmap/line"
)

// A Port is an open serial port, or one end of a pseudo-terminal pair. Its
// methods may be used from several goroutines; reads follow one another.
type Port struct {
	file *os.File
	name string
	char time.Duration // time of one character on the line

	reading sync.Mutex
	marked  bool // damaged characters arrive marked

	readOnly   bool
	turn       *turner // nil: RTS does not turn the line
	writeUntil atomic.Pointer[time.Time]

	counting sync.Mutex
	unmark   unmarker
	errors   LineErrors

	closing sync.Once
	closed  atomic.Bool
	onClose func() error
}

// Name is the port's path as given to Open.
func (p *Port) Name() string { return p.name }

// Read reads what has arrived and waits when nothing has. Errors: an *IOError
// in which errors.Is finds os.ErrDeadlineExceeded, os.ErrClosed or ErrGone; a
// port that is gone gives ErrGone again at each call and never zero bytes
// without an error.
func (p *Port) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	p.reading.Lock()
	defer p.reading.Unlock()
	for {
		n, err := p.file.Read(b)
		if err != nil {
			return 0, p.fail("read", err)
		}
		if !p.marked {
			return n, nil
		}
		if n = p.clean(b[:n]); n > 0 {
			return n, nil
		}
	}
}

// Write writes all of b, or says how much of it was taken. The bytes may still
// be on their way when it returns; see Drain. Where RTS turns the line they
// have left, and the line is turned back. Errors as Read.
func (p *Port) Write(b []byte) (int, error) {
	if p.readOnly {
		return 0, p.fail("write", ErrReadOnly)
	}
	write := p.file.Write
	if p.turn != nil {
		write = p.writeTurned
	}
	n, err := write(b)
	if err != nil {
		return n, p.fail("write", err)
	}
	return n, nil
}

// SetReadDeadline ends reads at t, also one that is blocked now; the zero time
// is none.
func (p *Port) SetReadDeadline(t time.Time) error {
	return p.fail("set deadline", p.file.SetReadDeadline(t))
}

// SetWriteDeadline ends writes at t, also one that is blocked now.
func (p *Port) SetWriteDeadline(t time.Time) error {
	p.keepDeadline(t)
	return p.fail("set deadline", p.file.SetWriteDeadline(t))
}

// SetDeadline sets both deadlines.
func (p *Port) SetDeadline(t time.Time) error {
	p.keepDeadline(t)
	return p.fail("set deadline", p.file.SetDeadline(t))
}

// Damaged is how many characters came damaged since the port was opened; a
// link refuses a frame during which it rose.
func (p *Port) Damaged() int {
	e := p.LineErrors()
	return e.Characters + e.Breaks
}

// LineErrors counts the damaged characters read so far.
func (p *Port) LineErrors() LineErrors {
	p.counting.Lock()
	defer p.counting.Unlock()
	return p.errors
}

// clean takes the marks out of b and counts them.
func (p *Port) clean(b []byte) int {
	p.counting.Lock()
	defer p.counting.Unlock()
	n, seen := p.unmark.clean(b)
	p.errors.Characters += seen.Characters
	p.errors.Breaks += seen.Breaks
	return n
}

// Discard throws away what has arrived and was not read, the rest of a mark
// too.
func (p *Port) Discard() error {
	return p.control("discard", func(fd int) error {
		p.counting.Lock()
		defer p.counting.Unlock()
		p.unmark = unmarker{}
		return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIFLUSH)
	})
}

// Drain waits until the last bit written has left, or until ctx ends, whose
// error it then returns. A pseudo-terminal is drained when the other side's
// queue has the bytes.
func (p *Port) Drain(ctx context.Context) error {
	if err := drain(ctx, p.char, p.queued); err != nil {
		return err
	}
	// What is left is the adapter's own small buffer; the driver bounds this wait.
	return p.control("drain", func(fd int) error { return unix.IoctlSetInt(fd, unix.TCSBRK, 1) })
}

// queued is the number of bytes the driver has yet to send.
func (p *Port) queued() (n int, err error) {
	err = p.control("drain", func(fd int) (e error) {
		n, e = unix.IoctlGetInt(fd, unix.TIOCOUTQ)
		return e
	})
	return n, err
}

// Settings reads back what the port is set to; Port is the name given.
func (p *Port) Settings() (s line.Serial, o Options, err error) {
	err = p.control("settings", func(fd int) error {
		t, err := unix.IoctlGetTermios(fd, getTermios)
		if err == nil {
			s, o = settingsOf(t)
			s.Port = p.name
		}
		return err
	})
	return s, o, err
}

// Close gives the port back to other programs. Its settings stay as they are:
// changing them now would garble what is still leaving. A blocked Read or
// Write ends. Closing twice gives os.ErrClosed.
func (p *Port) Close() error {
	err := error(&IOError{"close", p.name, os.ErrClosed})
	p.closing.Do(func() {
		err = nil
		// The mark would outlive this descriptor where another one is open. On a
		// port that is gone this fails, and need not succeed.
		_ = p.control("close", func(fd int) error { return unix.IoctlSetInt(fd, unix.TIOCNXCL, 0) })
		p.closed.Store(true)
		if e := p.file.Close(); e != nil {
			err = &IOError{"close", p.name, e}
		}
		if p.onClose != nil {
			err = errors.Join(err, p.onClose())
		}
	})
	return err
}

// control runs f on the descriptor, which stays open meanwhile and stays out
// of blocking mode.
func (p *Port) control(op string, f func(fd int) error) error {
	raw, err := p.file.SyscallConn()
	if err == nil {
		var inner error
		err = raw.Control(func(fd uintptr) { inner = f(int(fd)) })
		if err == nil {
			err = inner
		}
	}
	return p.fail(op, err)
}

// fail wraps err, if any, with the port's name and tells a hang-up and a close.
// A tty that hung up reads as the end of a file and writes as an input/output
// error. Of a closed file the system's package tells only some calls so that
// os.ErrClosed is found.
func (p *Port) fail(op string, err error) error {
	var told *IOError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &told):
		return err
	case p.closed.Load():
		return &IOError{op, p.name, os.ErrClosed}
	}
	for _, gone := range []error{io.EOF, unix.EIO, unix.ENXIO, unix.ENODEV} {
		if errors.Is(err, gone) {
			return &IOError{op, p.name, ErrGone}
		}
	}
	var path *os.PathError
	if errors.As(err, &path) {
		err = path.Err
	}
	return &IOError{op, p.name, err}
}
