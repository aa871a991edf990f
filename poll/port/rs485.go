package port

import (
	"errors"
	"fmt"
	"sync"

	"plumbline/regmap/line"
)

// A driver is what turning a two-wire line from listening to talking asks of a
// port.
type driver interface {
	readRS485() (rs485, error)
	writeRS485(rs485) error
	setRTS(on bool) error
}

// rs485 is the kernel's struct serial_rs485. Source: Linux, linux/serial.h.
type rs485 struct {
	Flags       uint32
	DelayBefore uint32 // ms between turning and the first bit
	DelayAfter  uint32 // ms between the last bit and turning back
	_           [5]uint32
}

// Flags of rs485. Source: Linux, linux/serial.h.
const (
	rs485Enabled   = 1 << 0
	rs485OnSend    = 1 << 1 // RTS is on while sending
	rs485AfterSend = 1 << 2 // RTS is on else
	rs485Hear      = 1 << 4 // the port hears itself
)

// arrange makes a port turn as mode says and leaves it listening. words are
// what the port cannot do, "" for nothing. The delays are the board's own, as
// its maker or administrator has set them.
func arrange(d driver, mode line.RS485) (words string, err error) {
	switch mode {
	case line.SelfTurning:
		return "", nil
	case line.KernelTurns:
		return arrangeKernel(d)
	case line.RTSTurns, line.RTSInverted:
		if err := d.setRTS(mode == line.RTSInverted); err != nil {
			return fmt.Sprintf("rs485: %s asks for a port with an RTS line (%v)", mode, err), nil
		}
		return "", nil
	}
	return fmt.Sprintf("rs485 %d; allowed is kernel, rts or rts-inverted", mode), nil
}

func arrangeKernel(d driver) (words string, err error) {
	const cure = "take rs485: rts where RTS turns the adapter, or leave rs485 out where it turns by itself"
	r, err := d.readRS485()
	if err != nil {
		return fmt.Sprintf("rs485: kernel asks for a driver that turns the line (%v); %s", err, cure), nil
	}
	if r.Flags&rs485Enabled == 0 {
		r.Flags |= rs485Enabled | rs485OnSend
		r.Flags &^= rs485AfterSend
	}
	r.Flags &^= rs485Hear
	if err := d.writeRS485(r); err != nil {
		return fmt.Sprintf("rs485: kernel is refused by the port's driver (%v); %s", err, cure), nil
	}
	r, err = d.readRS485()
	if err == nil && r.Flags&rs485Enabled == 0 {
		words = "rs485: kernel was asked for, and the port's driver leaves it off; " + cure
	}
	return words, err
}

// A turner has RTS turn the line around each write.
type turner struct {
	mu     sync.Mutex
	setRTS func(on bool) error
	talk   bool // RTS while we talk
}

// newTurner is nil where RTS does not turn the line.
func newTurner(mode line.RS485, setRTS func(on bool) error) *turner {
	if mode != line.RTSTurns && mode != line.RTSInverted {
		return nil
	}
	return &turner{setRTS: setRTS, talk: mode == line.RTSTurns}
}

// send turns the line, writes b, waits until the last bit has left and turns
// back, whatever happened between: a driver left talking silences everybody.
// What was not sent in time is thrown away by flush.
func (t *turner) send(b []byte, write func([]byte) (int, error), drain, flush func() error) (n int, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.setRTS(t.talk); err != nil {
		return 0, errors.Join(err, t.setRTS(!t.talk))
	}
	n, err = write(b)
	if err == nil {
		err = drain()
	}
	if err != nil {
		_ = flush() // the failure before is the news
	}
	if back := t.setRTS(!t.talk); err == nil {
		err = back
	}
	return n, err
}
