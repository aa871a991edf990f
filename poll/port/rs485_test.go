package port

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"unsafe"

	"plumbline/regmap/line"
)

// board is a port's driver with what it can do: a pseudo-terminal has neither
// RTS nor direction control.
type board struct {
	rs485   rs485
	can     bool // turn by itself
	stays   bool // takes the call and leaves it off
	refuses error
	log     []string
}

var errNotHere = errors.New("inappropriate ioctl for device")

func (b *board) readRS485() (rs485, error) {
	if !b.can {
		return rs485{}, errNotHere
	}
	return b.rs485, nil
}

func (b *board) writeRS485(r rs485) error {
	if b.refuses != nil {
		return b.refuses
	}
	if !b.stays {
		b.rs485 = r
	}
	return nil
}

func (b *board) setRTS(on bool) error {
	b.log = append(b.log, fmt.Sprintf("rts %v", on))
	return b.refuses
}

// The layout and the flags are the kernel's. Source: Linux, linux/serial.h
// (struct serial_rs485: flags, delay_rts_before_send, delay_rts_after_send,
// padding to eight words of 32 bits).
func TestRS485Layout(t *testing.T) {
	if n := unsafe.Sizeof(rs485{}); n != 32 {
		t.Errorf("the structure has %d bytes, want 32", n)
	}
	if unsafe.Offsetof(rs485{}.DelayBefore) != 4 || unsafe.Offsetof(rs485{}.DelayAfter) != 8 {
		t.Error("the delays are not the second and third word")
	}
}

func TestKernelTurns(t *testing.T) {
	for _, v := range []struct {
		name  string
		board board
		want  uint32
		words string
	}{
		{"off", board{can: true}, 0b00011, ""},
		{"off, wrong way", board{can: true, rs485: rs485{Flags: 0b00100}}, 0b00011, ""},
		{"on, the board's own way", board{can: true, rs485: rs485{Flags: 0b00101}}, 0b00101, ""},
		{"on, hears itself", board{can: true, rs485: rs485{Flags: 0b10011}}, 0b00011, ""},
		{"no such driver", board{}, 0, "rs485: kernel asks for a driver that turns the line (inappropriate ioctl for device); take rs485: rts"},
		{"stays off", board{can: true, stays: true}, 0, "the port's driver leaves it off"},
		{"refused", board{can: true, refuses: errors.New("not permitted")}, 0, "is refused by the port's driver (not permitted)"},
	} {
		v.board.rs485.DelayBefore, v.board.rs485.DelayAfter = 1, 2
		words, err := arrange(&v.board, line.KernelTurns)
		if err != nil || !strings.Contains(words, v.words) || (words == "") != (v.words == "") {
			t.Errorf("%s: %q, %v; want %q", v.name, words, err, v.words)
		}
		got := v.board.rs485
		if words == "" && (got.Flags != v.want || got.DelayBefore != 1 || got.DelayAfter != 2) {
			t.Errorf("%s: %+v, want flags %b and the board's delays", v.name, got, v.want)
		}
		if len(v.board.log) != 0 {
			t.Errorf("%s: RTS was touched: %v", v.name, v.board.log)
		}
	}
}

// A line is left listening when its port is opened.
func TestArrange(t *testing.T) {
	for mode, want := range map[line.RS485]string{line.SelfTurning: "", line.RTSTurns: "rts false", line.RTSInverted: "rts true"} {
		b := new(board)
		words, err := arrange(b, mode)
		if got := strings.Join(b.log, ", "); got != want || words != "" || err != nil {
			t.Errorf("%v: %q, %q, %v; want %q", mode, got, words, err, want)
		}
		if turns := newTurner(mode, b.setRTS) != nil; turns != (want != "") {
			t.Errorf("%v: RTS turns the line at each write: %v", mode, turns)
		}
	}
	if words, _ := arrange(&board{refuses: errNotHere}, line.RTSTurns); words != "rs485: rts asks for a port with an RTS line (inappropriate ioctl for device)" {
		t.Errorf("no RTS: %q", words)
	}
	if words, _ := arrange(new(board), 9); !strings.Contains(words, "allowed is kernel, rts or rts-inverted") {
		t.Errorf("no such way: %q", words)
	}
}

// The order on the line: turned before the first bit, back after the last, and
// back also when something failed between.
func TestSendTurned(t *testing.T) {
	broken := errors.New("broken")
	for _, v := range []struct {
		name         string
		mode         line.RS485
		write, drain error
		rts          map[bool]error
		want         string
		err          error
	}{
		{"rts", line.RTSTurns, nil, nil, nil, "rts true, write 3, drain, rts false", nil},
		{"inverted", line.RTSInverted, nil, nil, nil, "rts false, write 3, drain, rts true", nil},
		{"write fails", line.RTSTurns, broken, nil, nil, "rts true, write 3, flush, rts false", broken},
		{"drain fails", line.RTSTurns, nil, broken, nil, "rts true, write 3, drain, flush, rts false", broken},
		{"does not turn", line.RTSTurns, nil, nil, map[bool]error{true: broken}, "rts true, rts false", broken},
		{"does not turn back", line.RTSTurns, nil, nil, map[bool]error{false: broken}, "rts true, write 3, drain, rts false", broken},
	} {
		var log []string
		note := func(what string, err error) error { log = append(log, what); return err }
		turn := newTurner(v.mode, func(on bool) error { return note(fmt.Sprintf("rts %v", on), v.rts[on]) })
		n, err := turn.send([]byte{1, 2, 3},
			func(b []byte) (int, error) { return len(b), note(fmt.Sprintf("write %d", len(b)), v.write) },
			func() error { return note("drain", v.drain) }, func() error { return note("flush", nil) })
		if got := strings.Join(log, ", "); got != v.want || !errors.Is(err, v.err) || err == nil && n != 3 {
			t.Errorf("%s: %s; %d, %v; want %s", v.name, got, n, err, v.want)
		}
	}
}

// Frames of several writers do not mix, and the line is turned for each.
func TestSendersTakeTurns(t *testing.T) {
	var sent bytes.Buffer
	var log []bool
	turn := newTurner(line.RTSTurns, func(on bool) error { log = append(log, on); return nil })
	nothing := func() error { return nil }
	done := make(chan error)
	for i := range 8 {
		go func() {
			_, err := turn.send(bytes.Repeat([]byte{byte(i)}, 4), sent.Write, nothing, nothing)
			done <- err
		}()
	}
	for range 8 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	for frame := range slices.Chunk(sent.Bytes(), 4) {
		if frame[0] != frame[3] {
			t.Errorf("frames are mixed: % x", sent.Bytes())
		}
	}
	for i, on := range log {
		if on != (i%2 == 0) {
			t.Fatalf("RTS went %v", log)
		}
	}
}
