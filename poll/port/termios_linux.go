package port

import (
	"fmt"

	"golang.org/x/sys/unix"

	"plumbline/regmap/line"
)

// rawSettings is t for s and o: no translation of any byte, no flow control,
// no modem lines, any speed. A read waits for one byte (VMIN 1): with VMIN 0
// a non-blocking read of a silent line would look like a hang-up. Damaged
// characters and breaks are marked in the input (INPCK, PARMRK; POSIX
// termios, 11.2.2), see unmarker.
func rawSettings(t unix.Termios, s line.Serial, o Options) unix.Termios {
	t.Iflag = unix.INPCK | unix.PARMRK
	t.Oflag = 0
	t.Lflag = 0
	t.Cflag &^= unix.CSIZE | unix.PARENB | unix.PARODD | unix.CMSPAR | unix.CSTOPB |
		unix.CRTSCTS | unix.HUPCL | unix.CBAUD | unix.CBAUD<<unix.IBSHIFT
	t.Cflag |= unix.CREAD | unix.CLOCAL | unix.BOTHER
	t.Cflag |= unix.BOTHER << unix.IBSHIFT
	if o.DataBits == 7 {
		t.Cflag |= unix.CS7
	} else {
		t.Cflag |= unix.CS8
	}
	switch s.Parity {
	case line.Even:
		t.Cflag |= unix.PARENB
	case line.Odd:
		t.Cflag |= unix.PARENB | unix.PARODD
	}
	if s.Stop == 2 {
		t.Cflag |= unix.CSTOPB
	}
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	t.Ispeed, t.Ospeed = uint32(s.Baud), uint32(s.Baud)
	return t
}

// settingsOf is the inverse of rawSettings, as far as a line file goes.
func settingsOf(t *unix.Termios) (line.Serial, Options) {
	s, o := line.Serial{Baud: int(t.Ospeed), Parity: line.None, Stop: 1}, Options{DataBits: 8}
	switch t.Cflag & (unix.PARENB | unix.PARODD) {
	case unix.PARENB:
		s.Parity = line.Even
	case unix.PARENB | unix.PARODD:
		s.Parity = line.Odd
	}
	if t.Cflag&unix.CSTOPB != 0 {
		s.Stop = 2
	}
	if t.Cflag&unix.CSIZE == unix.CS7 {
		o.DataBits = 7
	}
	return s, o
}

// apply sets fd and reads the settings back, because a driver that cannot do
// a part of them leaves that part out without an error. The words are what it
// did instead, "" for nothing. A pseudo-terminal has no characters and takes
// neither parity nor data bits; there only the call itself can fail.
func apply(fd int, want unix.Termios, pseudo bool) (words string, err error) {
	if err := unix.IoctlSetTermios(fd, setTermios, &want); err != nil {
		return "", err
	}
	got, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil || pseudo {
		return "", err
	}
	return differ(&want, got), nil
}

// differ is what got has instead of want, "" when the line works with it. The
// speed may be off by 1 %.
// Source: Modbus over Serial Line V1.02, 3.2.
func differ(want, got *unix.Termios) string {
	ws, wo := settingsOf(want)
	gs, g := settingsOf(got)
	off := ws.Baud - gs.Baud
	switch {
	case max(off, -off)*100 > ws.Baud:
		return fmt.Sprintf("asked for %d bit/s, the port does %d", ws.Baud, gs.Baud)
	case ws.Parity != gs.Parity:
		return fmt.Sprintf("asked for parity %v, the port does %v", ws.Parity, gs.Parity)
	case ws.Stop != gs.Stop:
		return fmt.Sprintf("asked for %d stop bits, the port does %d", ws.Stop, gs.Stop)
	case wo.DataBits != g.DataBits:
		return fmt.Sprintf("asked for %d data bits, the port does %d", wo.DataBits, g.DataBits)
	}
	return ""
}

// release undoes what a refused Open did to fd.
func release(fd int, was *unix.Termios) error {
	_ = unix.IoctlSetInt(fd, unix.TIOCNXCL, 0)
	return unix.IoctlSetTermios(fd, setTermios, was)
}
