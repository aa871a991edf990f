package port

import (
	"errors"
	"testing"

	"golang.org/x/sys/unix"

	"plumbline/regmap/line"
)

// TestReadOnlyReceives: a port opened to listen hears what comes, sends nothing
// whatever is asked of it, and is held against others like any other.
func TestReadOnlyReceives(t *testing.T) {
	pair, err := OpenPair()
	if err != nil {
		t.Fatal(err)
	}
	defer pair.Close()
	s := rtu(pair.Path())
	s.RS485 = line.SelfTurning
	p, err := Open(s, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if _, err := pair.Write([]byte{0x11, 0x83, 0x02, 0xC1, 0x34}); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 16)
	if n, err := p.Read(b); n == 0 || err != nil || b[0] != 0x11 {
		t.Errorf("%d bytes, % X, %v", n, b, err)
	}
	if n, err := p.Write([]byte{1}); n != 0 || !errors.Is(err, ErrReadOnly) {
		t.Errorf("%d bytes were written, %v", n, err)
	}
	// The descriptor itself refuses too, whoever writes to it.
	if err := p.control("write", func(fd int) error { _, err := unix.Write(fd, []byte{1}); return err }); !errors.Is(err, unix.EBADF) {
		t.Errorf("%v, want %v", err, unix.EBADF)
	}
	if other, err := Open(s, Options{}); !errors.Is(err, ErrHeld) {
		t.Errorf("%v, %v; want %v", other, err, ErrHeld)
	}
}

// TestReadOnlyKeepsTheModemLines: the settings of a port that only listens hang
// nothing up when it is closed. Source: POSIX.1-2017, 11.2.4, HUPCL; the clause from memory.
func TestReadOnlyKeepsTheModemLines(t *testing.T) {
	pair, err := OpenPair()
	if err != nil {
		t.Fatal(err)
	}
	defer pair.Close()
	p, err := Open(rtu(pair.Path()), Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if err := p.control("settings", func(fd int) error {
		term, err := unix.IoctlGetTermios(fd, getTermios)
		if err == nil && term.Cflag&(unix.HUPCL|unix.CRTSCTS) != 0 {
			t.Errorf("control flags %#x", term.Cflag)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}
