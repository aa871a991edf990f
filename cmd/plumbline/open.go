package main

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"path/filepath"
	"strconv"
	"strings"
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
	tcp, udp, tls, serial, framing, parity string
	baud, stop, unit                       int
	keys                                   line.Keys // with tls
}

// addPlaceFlags gives a command the flags of a place.
func addPlaceFlags(cmd *cobra.Command, p *place) {
	f := cmd.Flags()
	f.StringVar(&p.tcp, "tcp", "", "with a map: the station's host:port")
	f.StringVar(&p.udp, "udp", "", "with a map: the station's host:port, in datagrams")
	f.StringVar(&p.tls, "tls", "", "with a map: the station's host:port, by Modbus/TCP Security; port 802 when left out")
	f.StringVar(&p.keys.CA, "ca", "", "with --tls: the authority's certificate, PEM")
	f.StringVar(&p.keys.Cert, "cert", "", "with --tls: our certificate, PEM")
	f.StringVar(&p.keys.Key, "key", "", "with --tls: our key, PEM")
	f.StringVar(&p.keys.CRL, "crl", "", "with --tls: the authority's list of withdrawn certificates, PEM; none: go without")
	f.StringVar(&p.serial, "serial", "", "with a map: the serial port")
	f.StringVar(&p.framing, "framing", "", "with a map: mbap, rtu or ascii")
	f.IntVar(&p.baud, "baud", 19200, "with --serial: bit/s")
	f.StringVar(&p.parity, "parity", "even", "with --serial: even, odd or none")
	f.IntVar(&p.stop, "stop", 0, "with --serial: stop bits; 1, or 2 without parity")
	f.IntVar(&p.unit, "unit", 1, "with a map: the station's unit number")
}

// given says whether the flags name a place.
func (p *place) given() bool { return len(p.flags()) > 0 }

// flags are the flags given that name a place.
func (p *place) flags() []string {
	var given []string
	for _, f := range []struct{ name, value string }{{"--tcp", p.tcp}, {"--udp", p.udp}, {"--tls", p.tls}, {"--serial", p.serial}} {
		if f.value != "" {
			given = append(given, f.name)
		}
	}
	return given
}

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
			return nil, notUnderstood("%s is a line file and says itself where the station is; leave out %s", arg, strings.Join(p.flags(), " and "))
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
	if f := p.flags(); len(f) > 1 {
		return nil, notUnderstood("%s are given together; a station is at one place", strings.Join(f, " and "))
	}
	var l line.Line
	var err error
	switch {
	case p.tcp != "":
		l.Medium, l.Framing = line.TCP, line.MBAP
		l.Host, l.Port, err = splitAddress(p.tcp, line.DefaultPort)
	case p.udp != "":
		l.Medium, l.Framing = line.UDP, line.MBAP
		l.Host, l.Port, err = splitAddress(p.udp, line.DefaultPort)
	case p.tls != "":
		l.Medium, l.Framing = line.TLS, line.MBAP
		if l.Host, l.Port, err = splitAddress(p.tls, line.DefaultPortTLS); err == nil {
			l.Keys, err = p.tlsKeys()
		}
	case p.serial != "":
		if p.unit < 1 || p.unit > 247 {
			return nil, notUnderstood("--unit %d: stations on a serial line have the numbers 1 to 247", p.unit)
		}
		l.Medium, l.Framing = line.SerialPort, line.RTU
		l.Serial, err = p.settings()
	default:
		return nil, notUnderstood("%s is a map and does not say where the station is; give a line file, or --tcp host:port, or --serial port", m.File)
	}
	if err != nil {
		return nil, err
	}
	if err := p.setFraming(&l); err != nil {
		return nil, err
	}
	return line.Single(l, m, regmap.Unit(p.unit)), nil
}

// tlsKeys are the files of the flags, from the folder where we are.
func (p *place) tlsKeys() (line.Keys, error) {
	keys := p.keys
	for _, f := range []struct {
		flag string
		name *string
	}{{"--ca", &keys.CA}, {"--cert", &keys.Cert}, {"--key", &keys.Key}, {"--crl", &keys.CRL}} {
		if *f.name == "" {
			return keys, notUnderstood("--tls needs --ca, --cert, --key and --crl; %s is missing (--crl %s goes without a list of withdrawn certificates)", f.flag, line.NoCRL)
		}
		if f.flag == "--crl" && *f.name == line.NoCRL {
			continue
		}
		whole, err := filepath.Abs(*f.name)
		if err != nil {
			return keys, notUnderstood("%s %q: %w", f.flag, *f.name, err)
		}
		*f.name = whole
	}
	return keys, nil
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
func splitAddress(s string, usual int) (host string, port int, err error) {
	host, number, err := net.SplitHostPort(s)
	if err != nil {
		return s, usual, nil
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
