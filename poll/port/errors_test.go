package port

import (
	"errors"
	"io/fs"
	"os"
	"strings"
	"testing"

	"plumbline/regmap/line"
)

func TestOpenErrorWords(t *testing.T) {
	for _, c := range []struct {
		err  OpenError
		want string
	}{
		{OpenError{Port: "/dev/ttyUSB7", Kind: ErrNotFound},
			`open serial port "/dev/ttyUSB7": there is no such port; this machine shows no serial port; is the adapter plugged in`},
		{OpenError{Port: "/dev/ttyUSB7", Kind: ErrNotFound, Ports: []string{"/dev/ttyS0", "/dev/ttyUSB0"}},
			`open serial port "/dev/ttyUSB7": there is no such port; the ports there are: "/dev/ttyS0", "/dev/ttyUSB0"`},
		{OpenError{Port: "/dev/ttyUSB0", Kind: ErrNoPermission, Owner: "root", Group: "dialout"},
			`open serial port "/dev/ttyUSB0": no permission to use the port; it belongs to group "dialout"; ` +
				`let the administrator add you to it (usermod -a -G dialout YOU), then log in again`},
		{OpenError{Port: "/dev/ttyUSB0", Kind: ErrNoPermission, Owner: "pump"},
			`open serial port "/dev/ttyUSB0": no permission to use the port; only user "pump" may use it; ` +
				`run as that user, or let the administrator give the device a group`},
		{OpenError{Port: "/locked/port", Kind: ErrNoPermission},
			`open serial port "/locked/port": no permission to use the port; the folder it lies in may not be entered`},
		{OpenError{Port: "/dev/ttyUSB0", Kind: ErrHeld},
			`open serial port "/dev/ttyUSB0": the port is held by another program; ` +
				`which one cannot be read here; end it, or ask the administrator who holds it`},
		{OpenError{Port: "/dev/ttyUSB0", Kind: ErrHeld, Holders: []Holder{{4711, "panel \x1b[2J", false}, {4712, "x", true}}},
			`open serial port "/dev/ttyUSB0": the port is held by another program; ` +
				`"panel \x1b[2J" (process 4711), this program itself (process 4712); end it first`},
		{OpenError{Port: "/etc", Kind: ErrNotSerial, Found: "it is a directory"},
			`open serial port "/etc": this is not a serial port: it is a directory`},
		{OpenError{Port: "COM3", Kind: ErrUnsupported},
			`open serial port "COM3": serial ports are not supported on this system; use a network line, or Linux`},
		{OpenError{Port: "/dev/ttyUSB0", Err: errors.New("too many open files")},
			`open serial port "/dev/ttyUSB0": too many open files`},
	} {
		if got := c.err.Error(); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
		if c.err.Kind != nil && !errors.Is(&c.err, c.err.Kind) {
			t.Errorf("%v: errors.Is does not find its kind", &c.err)
		}
	}
	both := &OpenError{Kind: ErrNotFound, Err: fs.ErrNotExist}
	if !errors.Is(both, ErrNotFound) || !errors.Is(both, fs.ErrNotExist) || errors.Is(both, ErrHeld) {
		t.Error("errors.Is does not tell kind and cause")
	}
}

func TestIOErrorTimeout(t *testing.T) {
	late := &IOError{"read", "/dev/ttyUSB0", os.ErrDeadlineExceeded}
	gone := &IOError{"read", "/dev/ttyUSB0", ErrGone}
	if !late.Timeout() || gone.Timeout() {
		t.Errorf("Timeout: %v for a deadline, %v for a port that is gone", late.Timeout(), gone.Timeout())
	}
	if want := `read serial port "/dev/ttyUSB0": the port is gone`; gone.Error() != want {
		t.Errorf("got %s, want %s", gone, want)
	}
}

func TestSettingsAreCheckedFirst(t *testing.T) {
	good := line.DefaultSerial("/no/such/port")
	for name, c := range map[string]struct {
		change func(s *line.Serial, o *Options)
		words  string
	}{
		"speed 0":         {func(s *line.Serial, o *Options) { s.Baud = 0 }, "baud 0; allowed is 50 to 12000000"},
		"speed below":     {func(s *line.Serial, o *Options) { s.Baud = 49 }, "baud 49"},
		"speed above":     {func(s *line.Serial, o *Options) { s.Baud = MostBaud + 1 }, "baud 12000001"},
		"no parity given": {func(s *line.Serial, o *Options) { s.Parity = 0 }, "allowed is even, odd or none"},
		"no stop bits":    {func(s *line.Serial, o *Options) { s.Stop = 0 }, "stop bits 0; allowed is 1 or 2"},
		"9 data bits":     {func(s *line.Serial, o *Options) { o.DataBits = 9 }, "data bits 9; allowed is 7 or 8"},
	} {
		s, o := good, Options{}
		c.change(&s, &o)
		if words := settingsFault(s, o); !strings.Contains(words, c.words) {
			t.Errorf("%s: %q, want it to contain %q", name, words, c.words)
		}
	}
	for _, baud := range []int{50, 300, 9600, 76800, MostBaud} {
		s := good
		s.Baud = baud
		if words := settingsFault(s, Options{DataBits: 7}); words != "" {
			t.Errorf("%d bit/s refused: %s", baud, words)
		}
	}
}
