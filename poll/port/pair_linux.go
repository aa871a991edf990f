package port

import (
	"errors"
	"fmt"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// A Pair is a pseudo-terminal pair: the Port in it is the station's side, Path
// the serial port that a client opens. There is no line between them, so a
// speed or parity that does not fit is not noticed. What is written while no
// client has the path open waits, about 4 KiB of it; a client that flushes its
// input on opening, as Open does, never sees it.
type Pair struct {
	*Port
	path string
}

// Path is the serial port for the client, "/dev/pts/4".
func (p *Pair) Path() string { return p.path }

// OpenPair makes a pair. The client's side is kept open, so that the station
// sees no hang-up before a client opens it, between two, and after the last.
// Close ends both sides; a client then gets ErrGone.
func OpenPair() (*Pair, error) {
	first, client, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("make a pseudo-terminal pair: %w", err)
	}
	path := client.Name()
	master, err := pollable(first, path)
	if err == nil {
		err = makeRaw(client)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("make a pseudo-terminal pair: %w", err), client.Close())
	}
	return &Pair{Port: &Port{file: master, name: path, onClose: client.Close}, path: path}, nil
}

// pollable gives f's descriptor to the runtime's poller under another number
// and closes f: the library has left f in blocking mode, without deadlines.
func pollable(f *os.File, name string) (*os.File, error) {
	defer f.Close()
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return os.NewFile(uintptr(fd), name), nil
}

// makeRaw turns off everything that would change a byte.
func makeRaw(f *os.File) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	err = raw.Control(func(fd uintptr) {
		t, err := unix.IoctlGetTermios(int(fd), getTermios)
		if err != nil {
			inner = err
			return
		}
		t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
		t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
		inner = unix.IoctlSetTermios(int(fd), setTermios, t)
	})
	return errors.Join(err, inner)
}
