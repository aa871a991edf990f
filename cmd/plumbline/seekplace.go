package main

import (
	"context"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/poll/link"
	"plumbline/poll/seek"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// A seekPlace is where seek looks: a line of which framing and serial settings
// may be unknown.
type seekPlace struct {
	line  *line.Line
	known seek.Known
	file  bool // it stands in a line file
}

// where names the place without settings, for people.
func (p *seekPlace) where() string {
	if p.line.Medium == line.SerialPort {
		return "serial " + p.line.Serial.Port
	}
	return p.line.Medium.String() + " " + p.line.Address()
}

// open is a search's opener: the same line at other settings.
func (p *seekPlace) open(ctx context.Context, at seek.Settings) (link.Stream, error) {
	dial, err := dialer(p.at(at))
	if err != nil {
		return nil, err
	}
	return dial(ctx)
}

// at is the line at settings.
func (p *seekPlace) at(s seek.Settings) *line.Line {
	l := *p.line
	l.Framing, l.Serial = s.Framing, s.Serial
	return &l
}

// place is the line that the flags or a line file name.
func (f *seekFlags) place(args []string) (*seekPlace, error) {
	given := 0
	for _, is := range []bool{len(args) > 0, f.serial != "", f.tcp != ""} {
		if is {
			given++
		}
	}
	if given != 1 {
		return nil, notUnderstood("seek looks at one place: --serial PORT, --tcp host:port, or a line file")
	}
	p := &seekPlace{line: &line.Line{}}
	switch {
	case f.serial != "":
		p.line.Medium, p.line.Serial.Port = line.SerialPort, f.serial
	case f.tcp != "":
		var err error
		p.line.Medium = line.TCP
		if p.line.Host, p.line.Port, err = splitAddress(f.tcp, line.DefaultPort); err != nil {
			return nil, err
		}
	default:
		text, err := doc.ReadFile(args[0])
		if err != nil {
			return nil, unreadable(err)
		}
		if !line.IsLine(text) {
			return nil, notUnderstood("%s says nothing of a line; give --serial PORT or --tcp host:port, or a line file", args[0])
		}
		lines, err := openLines(args, &place{})
		if err != nil {
			return nil, err
		}
		p.line, p.file = lines[0], true
	}
	return p, f.learn(p)
}

// learn takes what the flags and the line file say of the settings.
func (f *seekFlags) learn(p *seekPlace) error {
	k := &p.known
	serial := p.line.Medium == line.SerialPort
	if f.framing != "" {
		framing, ok := line.ParseFraming(f.framing)
		switch {
		case !ok:
			return notUnderstood("--framing %q is none of mbap, rtu, ascii", f.framing)
		case serial && framing == line.MBAP:
			return notUnderstood("--framing mbap is the framing of networks; rtu or ascii on a serial port")
		}
		k.Framing = framing
	}
	if !serial && (f.baud != 0 || f.parity != "" || f.stop != 0) {
		return notUnderstood("--baud, --parity and --stop are of serial ports; %s has none", p.where())
	}
	if f.parity != "" {
		parity := slices.IndexFunc([]line.Parity{line.Even, line.Odd, line.None}, func(p line.Parity) bool { return p.String() == f.parity })
		if parity < 0 {
			return notUnderstood("--parity %q is none of even, odd, none", f.parity)
		}
		k.Parity = []line.Parity{line.Even, line.Odd, line.None}[parity]
	}
	if f.stop != 0 && f.stop != 1 && f.stop != 2 {
		return notUnderstood("--stop %d: 1 or 2 stop bits", f.stop)
	}
	if f.baud != 0 && (f.baud < 50 || f.baud > 4_000_000) {
		return notUnderstood("--baud %d is outside 50 to 4000000", f.baud)
	}
	k.Baud, k.Stop, k.RS485 = f.baud, f.stop, p.line.Serial.RS485
	if p.file && serial {
		k.First = &seek.Settings{Framing: p.line.Framing, Serial: p.line.Serial}
	}
	return nil
}

// order is the settings to try.
func (f *seekFlags) order(p *seekPlace) []seek.Settings {
	switch {
	case p.line.Medium == line.SerialPort:
		return seek.SerialOrder(p.line.Serial.Port, p.known)
	case p.line.Medium != line.TCP:
		return []seek.Settings{{Framing: line.MBAP}} // TLS and datagrams carry nothing else here
	}
	order := seek.NetworkOrder(p.known.Framing)
	if p.file && p.known.Framing == 0 { // the file's framing first
		slices.SortStableFunc(order, func(a, b seek.Settings) int {
			return btoi(b.Framing == p.line.Framing) - btoi(a.Framing == p.line.Framing)
		})
	}
	return order
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// config is the search that the flags describe.
func (f *seekFlags) config(p *seekPlace) (seek.Config, error) {
	c := seek.Config{Open: p.open, Order: f.order(p), Share: f.share, GoOn: f.goOn, All: f.all}
	var err error
	if c.Units, err = f.unitNumbers(p.line.Medium == line.SerialPort); err != nil {
		return c, err
	}
	if c.Response, err = period("response", f.response); err != nil {
		return c, err
	}
	if c.Response < time.Millisecond {
		return c, notUnderstood("--response %s; at least 1ms", f.response)
	}
	if c.Pause, err = period("pause", f.pause); err != nil {
		return c, err
	}
	if !(f.rate >= 0.01 && f.rate <= 100) {
		return c, notUnderstood("--rate %v is outside 0.01 to 100 requests a second", f.rate)
	}
	c.Interval = time.Duration(float64(time.Second) / f.rate)
	for _, s := range p.line.Stations {
		c.First = append(c.First, s.Unit)
	}
	if !isPseudoTerminal(p.line.Serial.Port) {
		c.Quiet = seek.ListenTime(p.line.Every)
	}
	c.Scan, err = f.scan()
	return c, err
}

// isPseudoTerminal says whether nobody else can be on a port: there is no line
// behind it.
func isPseudoTerminal(port string) bool {
	if real, err := filepath.EvalSymlinks(port); err == nil {
		port = real
	}
	return strings.HasPrefix(port, "/dev/pts/")
}

// scan is where addresses are looked for; nil for nowhere.
func (f *seekFlags) scan() (*seek.Scan, error) {
	if f.addresses == "" {
		return nil, nil
	}
	first, last, ok := span(f.addresses, 0, 65535)
	if !ok {
		return nil, notUnderstood("--addresses=%s is no range of addresses; write it as 0-999, within 0 to 65535", f.addresses)
	}
	if f.requests < 1 || f.requests > 100_000 {
		return nil, notUnderstood("--requests %d is outside 1 to 100000", f.requests)
	}
	return &seek.Scan{First: regmap.Address(first), Last: regmap.Address(last), Requests: f.requests}, nil
}

// unitNumbers are the units that may be asked. Source of the ranges: serial
// guide V1.02, 2.2; TCP guide V1.0b, 4.4.1.2 (255 is the device itself).
func (f *seekFlags) unitNumbers(serial bool) ([]regmap.Unit, error) {
	most, text := 247, f.units
	if !serial {
		most = 255
	}
	switch {
	case f.unit != 0 && f.units != "":
		return nil, notUnderstood("--unit and --units are given together; choose one")
	case f.unit != 0:
		text = strconv.Itoa(f.unit)
	case f.units == "":
		text = "1-247"
		if !serial {
			text = "1-247,255"
		}
	}
	var units []regmap.Unit
	for _, part := range strings.Split(text, ",") {
		first, last, ok := span(strings.TrimSpace(part), 1, most)
		if !ok {
			return nil, notUnderstood("%q names no units; write numbers and ranges from 1 to %d, such as 1-32 or 1,5,17-20", part, most)
		}
		for u := first; u <= last; u++ {
			if !slices.Contains(units, regmap.Unit(u)) {
				units = append(units, regmap.Unit(u))
			}
		}
	}
	return units, nil
}

// span reads "5" or "5-9" within limits.
func span(text string, least, most int) (first, last int, ok bool) {
	from, to, isRange := strings.Cut(text, "-")
	if !isRange {
		to = from
	}
	first, err := strconv.Atoi(from)
	if err != nil {
		return 0, 0, false
	}
	last, err = strconv.Atoi(to)
	return first, last, err == nil && least <= first && first <= last && last <= most
}
