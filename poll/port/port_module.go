//go:build windows || darwin

package port

import (
	"errors"
	"strings"
	"time"

	"go.bug.st/serial"

	"plumbline/regmap/line"
)

// A Port is an open serial port. Its methods may be used from several
// goroutines; reads follow one another. Damaged characters are not told apart
// here: the system's module does not mark them, and the frame's own check is
// what remains.
type Port struct {
	*pump
	settings line.Serial
	options  Options
	turn     *turner
}

// Open opens a serial port for this program alone, with the settings of s. The
// error is an *OpenError; its kinds are ErrNotFound, ErrNoPermission, ErrHeld,
// ErrNotSerial and ErrSetting.
func Open(s line.Serial, o Options) (*Port, error) {
	if words := settingsFault(s, o); words != "" {
		return nil, &OpenError{Port: s.Port, Kind: ErrSetting, Found: words}
	}
	if s.RS485 == line.KernelTurns {
		return nil, &OpenError{Port: s.Port, Kind: ErrSetting, Found: "rs485: kernel is known on Linux alone; rts and rts-inverted are known here"}
	}
	opened, err := serial.Open(s.Port, mode(s, o))
	if err != nil {
		return nil, openError(s.Port, err)
	}
	words, err := arrange(module{opened}, s.RS485)
	if err == nil && words == "" {
		err = opened.ResetInputBuffer()
	}
	var p *pump
	if err == nil && words == "" {
		p, err = newPump(opened, s.Port)
	}
	if p == nil {
		opened.Close()
		if words != "" {
			return nil, &OpenError{Port: s.Port, Kind: ErrSetting, Found: words}
		}
		return nil, openError(s.Port, err)
	}
	return &Port{pump: p, settings: s, options: o, turn: newTurner(s.RS485, opened.SetRTS)}, nil
}

// module is the module's port as a driver that only knows RTS.
type module struct{ serial.Port }

func (module) readRS485() (rs485, error) { return rs485{}, errors.ErrUnsupported }
func (module) writeRS485(rs485) error    { return errors.ErrUnsupported }
func (m module) setRTS(on bool) error    { return m.SetRTS(on) }

// mode is the module's form of the settings.
func mode(s line.Serial, o Options) *serial.Mode {
	m := &serial.Mode{BaudRate: s.Baud, DataBits: 8, StopBits: serial.OneStopBit}
	if o.DataBits == 7 {
		m.DataBits = 7
	}
	if s.Stop == 2 {
		m.StopBits = serial.TwoStopBits
	}
	switch s.Parity {
	case line.Even:
		m.Parity = serial.EvenParity
	case line.Odd:
		m.Parity = serial.OddParity
	}
	if s.RS485 != line.SelfTurning { // listening from the first moment
		m.InitialStatusBits = &serial.ModemOutputBits{DTR: true, RTS: s.RS485 == line.RTSInverted}
	}
	return m
}

// openError finds the kind of err.
func openError(path string, err error) error {
	e := &OpenError{Port: path, Err: err}
	var told *serial.PortError
	if !errors.As(err, &told) {
		return e
	}
	switch told.Code() {
	case serial.PortNotFound:
		e.Kind = ErrNotFound
		for _, p := range List() {
			e.Ports = append(e.Ports, p.Name)
		}
	case serial.PortBusy:
		e.Kind = ErrHeld
	case serial.PermissionDenied:
		e.Kind, e.Found = ErrNoPermission, "let the administrator give you the right to it"
	case serial.InvalidSerialPort:
		e.Kind, e.Found = ErrNotSerial, "it is none, or it does not take these settings"
	case serial.InvalidSpeed, serial.InvalidDataBits, serial.InvalidParity, serial.InvalidStopBits:
		e.Kind, e.Found = ErrSetting, told.EncodedErrorString()
	}
	return e
}

// List finds the serial ports of this machine. Of a port with two names, the one
// that does not wait for a carrier counts ("/dev/cu.x" beside "/dev/tty.x").
func List() []Info {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil
	}
	have := map[string]bool{}
	for _, n := range names {
		have[n] = true
	}
	var ports []Info
	for _, n := range names {
		if rest, waits := strings.CutPrefix(n, "/dev/tty."); waits && have["/dev/cu."+rest] {
			continue
		}
		ports = append(ports, Info{Name: n, Device: n})
	}
	return ports
}

// Stable is path: the names of this system stay with the adapter as far as it
// has them so.
func Stable(path string) string { return path }

// Name is the port's name as given to Open.
func (p *Port) Name() string { return p.settings.Port }

// SetReadDeadline ends reads at t, also one that is blocked now; the zero time
// is none.
func (p *Port) SetReadDeadline(t time.Time) error { p.readDeadline.set(t); return nil }

// SetWriteDeadline ends writes at t, also one that is blocked now.
func (p *Port) SetWriteDeadline(t time.Time) error { p.writeBefore.set(t); return nil }

// SetDeadline sets both deadlines.
func (p *Port) SetDeadline(t time.Time) error {
	p.readDeadline.set(t)
	p.writeBefore.set(t)
	return nil
}

// Write writes all of b, or says how much of it was taken. Where RTS turns the
// line the bytes have left when it returns, and the line is turned back.
func (p *Port) Write(b []byte) (int, error) {
	if p.options.ReadOnly {
		return 0, p.fail("write", ErrReadOnly)
	}
	if p.turn == nil {
		return p.pump.Write(b)
	}
	n, err := p.turn.send(b, p.pump.Write, p.drainInTime, p.raw.ResetOutputBuffer)
	var told *IOError
	if err != nil && !errors.As(err, &told) {
		err = p.fail("write", err)
	}
	return n, err
}

// Damaged is 0: damaged characters are not told apart here.
func (*Port) Damaged() int { return 0 }

// LineErrors is zero, as Damaged.
func (*Port) LineErrors() LineErrors { return LineErrors{} }

// Settings are those that were set; the module cannot read them back.
func (p *Port) Settings() (line.Serial, Options, error) { return p.settings, p.options, nil }
