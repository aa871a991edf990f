package port

import (
	"errors"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plumbline/regmap/line"
)

// A pseudo-terminal has neither RTS nor direction control: the port says so
// instead of leaving the line unturned, and is free again.
func TestPseudoTerminalCannotTurn(t *testing.T) {
	pair, client := openBoth(t)
	client.Close()
	for mode, words := range map[line.RS485]string{
		line.KernelTurns: "rs485: kernel asks for a driver that turns the line (inappropriate ioctl for device)",
		line.RTSTurns:    "rs485: rts asks for a port with an RTS line (inappropriate ioctl for device)",
		line.RTSInverted: "rs485: rts-inverted asks for a port with an RTS line",
	} {
		s := rtu(pair.Path())
		s.RS485 = mode
		p, err := Open(s, Options{})
		if p != nil || !errors.Is(err, ErrSetting) || !strings.Contains(err.Error(), words) {
			t.Errorf("%v: %v, want %q", mode, err, words)
		}
	}
	again, err := Open(rtu(pair.Path()), Options{})
	if err != nil {
		t.Fatalf("after the refusals: %v", err)
	}
	again.Close()
}

// What a port does around a write, with RTS in a log: on a pseudo-terminal all
// but RTS itself is real.
func TestWriteTurned(t *testing.T) {
	pair, client := openBoth(t)
	var log []bool
	client.turn = newTurner(line.RTSTurns, func(on bool) error { log = append(log, on); return nil })
	client.SetWriteDeadline(time.Now().Add(limit))
	carry(t, client, pair, every())
	if len(log) != 2 || !log[0] || log[1] {
		t.Errorf("RTS went %v, want on and off", log)
	}
	// A driver that fails tells it as the port's own error.
	client.turn = newTurner(line.RTSTurns, client.setRTS)
	n, err := client.Write([]byte{1})
	var io *IOError
	if n != 0 || !errors.Is(err, unix.ENOTTY) || !errors.As(err, &io) || io.Op != "write" {
		t.Errorf("write without RTS: %d, %v", n, err)
	}
}

// A write that cannot leave ends at its deadline, is thrown away, and the line
// is turned back.
func TestWriteTurnedEndsAtItsDeadline(t *testing.T) {
	_, client := openBoth(t)
	var log []bool
	client.turn = newTurner(line.RTSTurns, func(on bool) error { log = append(log, on); return nil })
	client.SetDeadline(time.Now().Add(50 * time.Millisecond))
	_, err := client.Write(make([]byte, 1<<20)) // nobody reads: far more than the queues hold
	var io *IOError
	if err == nil || !errors.As(err, &io) || !io.Timeout() {
		t.Errorf("%v, want a deadline", err)
	}
	if len(log) != 2 || log[1] {
		t.Errorf("RTS went %v, want on and off", log)
	}
}
