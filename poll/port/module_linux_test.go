package port

import (
	"errors"
	"os"
	"testing"
	"time"

	"go.bug.st/serial"
)

// TestPumpOnTheModule: the module that opens ports on Windows and macOS, under
// the same pump, here on a pseudo-terminal: bytes both ways, a deadline, a
// hang-up, and a close under a waiting read.
func TestPumpOnTheModule(t *testing.T) {
	open := func() (*Pair, *pump) {
		pair, err := OpenPair()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { pair.Close() })
		m, err := serial.Open(pair.Path(), &serial.Mode{BaudRate: 19200, DataBits: 8, Parity: serial.EvenParity})
		if err != nil {
			t.Fatal(err)
		}
		p, err := newPump(m, pair.Path())
		if err != nil {
			t.Fatal(err)
		}
		pair.SetDeadline(time.Now().Add(limit))
		p.readDeadline.set(time.Now().Add(limit))
		return pair, p
	}
	pair, p := open()
	carry(t, p, pair, every())
	carry(t, pair, p, every())
	if err := p.Drain(t.Context()); err != nil {
		t.Error(err)
	}
	p.readDeadline.set(time.Now().Add(time.Millisecond))
	if _, err := p.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("deadline: %v", err)
	}
	p.readDeadline.set(time.Time{})
	ended := make(chan error, 1)
	go func() { _, err := p.Read(make([]byte, 1)); ended <- err }()
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	if err := <-ended; !errors.Is(err, os.ErrClosed) {
		t.Errorf("closed under a read: %v", err)
	}
	pair, p = open()
	defer p.Close()
	pair.Close()
	if _, err := p.Read(make([]byte, 1)); !errors.Is(err, ErrGone) {
		t.Errorf("hang-up: %v", err)
	}
}
