package port

import (
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"plumbline/regmap/line"
)

// cooked is a terminal as a login leaves it: everything is on that changes
// bytes, waits or steals them.
func cooked() unix.Termios {
	t := unix.Termios{
		Iflag: unix.ICRNL | unix.IXON | unix.ISTRIP | unix.IGNPAR | unix.BRKINT | unix.INLCR | unix.IGNCR | unix.IXOFF,
		Oflag: unix.OPOST | unix.ONLCR,
		Lflag: unix.ISIG | unix.ICANON | unix.ECHO | unix.IEXTEN,
		Cflag: unix.B38400 | unix.CS6 | unix.HUPCL | unix.CRTSCTS | unix.PARENB | unix.PARODD | unix.CMSPAR | unix.CSTOPB,
	}
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 0, 5
	return t
}

// The flags of each setting. Source: POSIX.1-2017, 11.2.4 (control modes);
// the settings: Modbus over Serial Line V1.02, 2.5.1 and 2.5.2.
func TestRawSettings(t *testing.T) {
	const of = unix.CSIZE | unix.PARENB | unix.PARODD | unix.CSTOPB
	for _, c := range []struct {
		name string
		s    line.Serial
		o    Options
		want uint32
	}{
		{"8E1", line.Serial{Baud: 19200, Parity: line.Even, Stop: 1}, Options{}, unix.CS8 | unix.PARENB},
		{"8O1", line.Serial{Baud: 19200, Parity: line.Odd, Stop: 1}, Options{DataBits: 8}, unix.CS8 | unix.PARENB | unix.PARODD},
		{"8N2", line.Serial{Baud: 19200, Parity: line.None, Stop: 2}, Options{}, unix.CS8 | unix.CSTOPB},
		{"8N1", line.Serial{Baud: 19200, Parity: line.None, Stop: 1}, Options{}, unix.CS8},
		{"7E1", line.Serial{Baud: 19200, Parity: line.Even, Stop: 1}, Options{DataBits: 7}, unix.CS7 | unix.PARENB},
		{"7N2", line.Serial{Baud: 76800, Parity: line.None, Stop: 2}, Options{DataBits: 7}, unix.CS7 | unix.CSTOPB},
	} {
		got := rawSettings(cooked(), c.s, c.o)
		if got.Cflag&of != c.want {
			t.Errorf("%s: control flags %#o, want %#o", c.name, got.Cflag&of, c.want)
		}
		if got.Ispeed != uint32(c.s.Baud) || got.Ospeed != uint32(c.s.Baud) {
			t.Errorf("%s: speeds %d and %d, want %d", c.name, got.Ispeed, got.Ospeed, c.s.Baud)
		}
		if got.Cflag&unix.CBAUD != unix.BOTHER || got.Cflag>>unix.IBSHIFT&unix.CBAUD != unix.BOTHER {
			t.Errorf("%s: the speed is not taken from its number: %#o", c.name, got.Cflag)
		}
		if off := got.Cflag & (unix.CRTSCTS | unix.CMSPAR | unix.HUPCL); off != 0 {
			t.Errorf("%s: flow control, mark parity or hang-up is on: %#o", c.name, off)
		}
		if on := got.Cflag & (unix.CREAD | unix.CLOCAL); on != unix.CREAD|unix.CLOCAL {
			t.Errorf("%s: the receiver is off or waits for a carrier: %#o", c.name, got.Cflag)
		}
		if got.Iflag != unix.INPCK|unix.PARMRK || got.Oflag != 0 || got.Lflag != 0 {
			t.Errorf("%s: something changes bytes: input %#o, output %#o, local %#o", c.name, got.Iflag, got.Oflag, got.Lflag)
		}
		if got.Cc[unix.VMIN] != 1 || got.Cc[unix.VTIME] != 0 {
			t.Errorf("%s: VMIN %d, VTIME %d; want 1, 0", c.name, got.Cc[unix.VMIN], got.Cc[unix.VTIME])
		}
		bits := 8
		if c.o.DataBits == 7 {
			bits = 7
		}
		s, o := settingsOf(&got)
		if s != c.s || o.DataBits != bits {
			t.Errorf("%s: reads back as %v, %+v", c.name, s, o)
		}
	}
}

// A driver that cannot do a part of the settings leaves it out in silence.
func TestDifferenceIsNoticed(t *testing.T) {
	ask := line.Serial{Baud: 19200, Parity: line.Even, Stop: 1}
	for _, c := range []struct {
		name  string
		got   line.Serial
		o     Options
		words string
	}{
		{"the same", ask, Options{}, ""},
		// Modbus over Serial Line V1.02, 3.2: the transmitter keeps its speed within 1 %.
		{"1 % slower", line.Serial{Baud: 19008, Parity: line.Even, Stop: 1}, Options{}, ""},
		{"1 % faster", line.Serial{Baud: 19392, Parity: line.Even, Stop: 1}, Options{}, ""},
		{"more than 1 % slower", line.Serial{Baud: 19007, Parity: line.Even, Stop: 1}, Options{},
			"asked for 19200 bit/s, the port does 19007"},
		{"more than 1 % faster", line.Serial{Baud: 19393, Parity: line.Even, Stop: 1}, Options{},
			"asked for 19200 bit/s, the port does 19393"},
		{"another parity", line.Serial{Baud: 19200, Parity: line.None, Stop: 1}, Options{},
			"asked for parity even, the port does none"},
		{"another stop", line.Serial{Baud: 19200, Parity: line.Even, Stop: 2}, Options{},
			"asked for 1 stop bits, the port does 2"},
		{"another size", ask, Options{DataBits: 7}, "asked for 8 data bits, the port does 7"},
	} {
		want, got := rawSettings(cooked(), ask, Options{}), rawSettings(cooked(), c.got, c.o)
		if words := differ(&want, &got); words != c.words {
			t.Errorf("%s: %q, want %q", c.name, words, c.words)
		}
	}
}

// Settings read back from the kernel. 76800 has no flag of its own (POSIX.1-2017,
// 11.2.5, and Linux), so it proves that any number is taken. A pseudo-terminal
// keeps speed and stop bits; it has no parity to keep.
func TestSettingsReadBack(t *testing.T) {
	pair, first := openBoth(t)
	first.Close()
	for _, baud := range []int{300, 9600, 76800, 123456, MostBaud} {
		s := line.Serial{Port: pair.Path(), Baud: baud, Parity: line.Odd, Stop: 2}
		p, err := Open(s, Options{})
		if err != nil {
			t.Fatal(err)
		}
		got, o, err := p.Settings()
		if err != nil || got.Baud != baud || got.Stop != 2 || got.Port != pair.Path() || o.DataBits != 8 {
			t.Errorf("set %v; read back %v, %+v, %v", s, got, o, err)
		}
		p.Close()
		if _, _, err := p.Settings(); err == nil || !strings.Contains(err.Error(), "settings serial port") {
			t.Errorf("settings of a closed port: %v", err)
		}
	}
	if _, err := Open(line.Serial{Port: pair.Path(), Baud: 9600, Parity: line.Even}, Options{}); err == nil {
		t.Error("opened without stop bits")
	}
}
