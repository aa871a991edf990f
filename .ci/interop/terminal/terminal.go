// Package terminal makes pseudo-terminals that change no byte, the nearest
// thing to a serial port without hardware. They have no speed and no parity.
package terminal

import (
	"errors"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// Open makes a pseudo-terminal: near is this program's side, path the serial
// port for another program. The far side is kept open until end is called, so
// that a program that closes it hangs nobody up.
func Open() (near *os.File, path string, end func() error, err error) {
	near, far, err := pty.Open()
	if err != nil {
		return nil, "", nil, err
	}
	end = func() error { return errors.Join(far.Close(), near.Close()) }
	settings, err := unix.IoctlGetTermios(int(far.Fd()), unix.TCGETS)
	if err == nil {
		settings.Iflag, settings.Oflag, settings.Lflag = 0, 0, 0
		err = unix.IoctlSetTermios(int(far.Fd()), unix.TCSETS, settings)
	}
	if err != nil {
		return nil, "", nil, errors.Join(err, end())
	}
	return near, far.Name(), end, nil
}
