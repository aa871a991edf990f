package main

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// sections are the blocks of map files that higher floors own.
func sections() []regmap.Section { return []regmap.Section{simdevice.Simulate()} }

// place is where a map's station is, when a map is given instead of a line
// file.
type place struct {
	tcp, serial, framing, parity string
	baud, stop, unit             int
}

// addPlaceFlags gives a command the flags of a place.
func addPlaceFlags(cmd *cobra.Command, p *place) {
	f := cmd.Flags()
	f.StringVar(&p.tcp, "tcp", "", "with a map: the station's host:port")
	f.StringVar(&p.serial, "serial", "", "with a map: the serial port")
	f.StringVar(&p.framing, "framing", "", "with a map: mbap, rtu or ascii")
	f.IntVar(&p.baud, "baud", 19200, "with --serial: bit/s")
	f.StringVar(&p.parity, "parity", "even", "with --serial: even, odd or none")
	f.IntVar(&p.stop, "stop", 0, "with --serial: stop bits; 1, or 2 without parity")
	f.IntVar(&p.unit, "unit", 1, "with a map: the station's unit number")
}

// given says whether the flags name a place.
func (p *place) given() bool { return p.tcp != "" || p.serial != "" }

// openLines reads line files, or one map with a place. All faults of all files
// come back as one error.
func openLines(args []string, p *place) ([]*line.Line, error) {
	var lines []*line.Line
	rep := new(doc.Report)
	for _, arg := range args {
		text, err := doc.ReadFile(arg)
		if err != nil {
			return nil, unreadable(err)
		}
		isLine := line.IsLine(text)
		switch {
		case isLine && p.given():
			return nil, notUnderstood("%s is a line file and says itself where the station is; leave out --tcp and --serial", arg)
		case isLine:
			l, err := line.Parse(arg, text, rep, sections()...)
			if err != nil {
				return nil, unreadable(err)
			}
			lines = append(lines, l)
		default:
			m := regmap.Load(arg, text, rep, sections()...)
			if m == nil {
				continue
			}
			l, err := p.line(m)
			if err != nil {
				return nil, err
			}
			lines = append(lines, l)
		}
	}
	if rep.Bad() {
		return nil, verdict{exitUsage, rep.Err()}
	}
	return lines, nil
}

// unreadable is a file that cannot be read.
func unreadable(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return notUnderstood("%w; is the path right", err)
	}
	return verdict{exitUsage, err}
}

// line is the one-station line of a map and a place.
func (p *place) line(m *regmap.Map) (*line.Line, error) {
	if p.unit < 0 || p.unit > 255 {
		return nil, notUnderstood("--unit %d is outside 0 to 255", p.unit)
	}
	var l line.Line
	switch {
	case p.tcp != "" && p.serial != "":
		return nil, notUnderstood("--tcp and --serial are given together; a station is at one place")
	case p.tcp != "":
		host, port, err := splitAddress(p.tcp)
		if err != nil {
			return nil, err
		}
		l.Medium, l.Framing, l.Host, l.Port = line.TCP, line.MBAP, host, port
	case p.serial != "":
		s, err := p.settings()
		if err != nil {
			return nil, err
		}
		if p.unit < 1 || p.unit > 247 {
			return nil, notUnderstood("--unit %d: stations on a serial line have the numbers 1 to 247", p.unit)
		}
		l.Medium, l.Framing, l.Serial = line.SerialPort, line.RTU, s
	default:
		return nil, notUnderstood("%s is a map and does not say where the station is; give a line file, or --tcp host:port, or --serial port", m.File)
	}
	if err := p.setFraming(&l); err != nil {
		return nil, err
	}
	return line.Single(l, m, regmap.Unit(p.unit)), nil
}

func (p *place) setFraming(l *line.Line) error {
	if p.framing == "" {
		return nil
	}
	f, ok := line.ParseFraming(p.framing)
	switch {
	case !ok:
		return notUnderstood("--framing %q is none of mbap, rtu, ascii", p.framing)
	case f == line.MBAP && l.Medium == line.SerialPort:
		return notUnderstood("--framing mbap is the framing of networks; rtu or ascii on a serial port")
	}
	l.Framing = f
	return nil
}

// settings are the serial settings of the flags.
func (p *place) settings() (line.Serial, error) {
	s := line.DefaultSerial(p.serial)
	s.Baud = p.baud
	switch p.parity {
	case "even":
		s.Parity = line.Even
	case "odd":
		s.Parity = line.Odd
	case "none":
		s.Parity, s.Stop = line.None, 2
	default:
		return s, notUnderstood("--parity %q is none of even, odd, none", p.parity)
	}
	if p.stop != 0 {
		s.Stop = p.stop
	}
	if s.Stop < 1 || s.Stop > 2 {
		return s, notUnderstood("--stop %d: 1 or 2 stop bits", p.stop)
	}
	if s.Baud < 50 || s.Baud > 4_000_000 {
		return s, notUnderstood("--baud %d is outside 50 to 4000000", s.Baud)
	}
	return s, nil
}

// splitAddress reads host:port; the port may be left out.
func splitAddress(s string) (host string, port int, err error) {
	host, number, err := net.SplitHostPort(s)
	if err != nil {
		return s, line.DefaultPort, nil
	}
	port, err = strconv.Atoi(number)
	if err != nil || port < 1 || port > 65535 {
		return "", 0, notUnderstood("%q: a port is 1 to 65535", s)
	}
	return host, port, nil
}

// period reads a flag that is a time with its unit.
func period(flag, s string) (time.Duration, error) {
	d, err := time.ParseDuration(s)
	if err != nil || d < 0 {
		return 0, notUnderstood("--%s %q is no time; write a number and its unit, such as 500ms or 5s", flag, s)
	}
	return d, nil
}

// count writes a number and its noun: "1 fault", "2 faults".
func count(n int, noun string) string {
	if n == 1 {
		return fmt.Sprintf("1 %s", noun)
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
