package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// simulateFlags are the flags of simulate.
type simulateFlags struct {
	at                place
	listen            string
	pty, asJSON, pace bool
	share             bool
	seed              uint64
	faults, output    string
	report            bool
	time              simulatedTime
}

// defaultListen is where the station listens when nothing is said: this
// machine only, and a port that needs no privilege.
const defaultListen = "127.0.0.1:1502"

// newSimulateCommand builds "simulate".
func newSimulateCommand(s *streams) *cobra.Command {
	var f simulateFlags
	cmd := &cobra.Command{
		Use:   "simulate LINE",
		Short: "Be the station: answer as the map says the device does",
		Long: "Runs the stations of a line file, or of one map, in software, so that a panel can be\n" +
			"tested before the hardware exists. It never listens where the line file points: that is\n" +
			"the real device. Its device identification says that it is simulated. It runs until it is\n" +
			"interrupted.\n\n" +
			"A process behind it makes levels rise and pumps take turns: `simulate: process:` in the map, or\n" +
			"--process FILE. The panel changes its set-points by writing their registers.\n\n" +
			"Lines on its input put faults on and take them off while it runs: `level = 2.70`, `freeze level`,\n" +
			"`silence 17 for 30s`, `release all`; `help` lists them all, and each is answered with what the panel\n" +
			"asked next. The end of the input ends the console, not the station. --faults does a file of such\n" +
			"lines at the start.\n\n" +
			"--report says at the end what the panel asked: every range it reads or writes, how often, and where\n" +
			"that and the map disagree; `report` on the console says it at any time.\n\n" +
			"On a serial port it listens first and does not begin where a client is heard; --share lets in the\n" +
			"panel that is to be tried out. Then it asks each of its numbers once.\n\n" +
			"Exit code: 0 ended by interruption; 1 a client is heard on the serial line; 2 a file was not\n" +
			"understood; 3 the port or address could not be opened, or a unit number is already taken there.",
		Example: "  plumbline simulate cistern.yaml --unit 17\n  plumbline simulate pump-house.yaml --pty\n  plumbline simulate cistern.yaml --unit 17 --speed 60",
		Args:    cobra.ExactArgs(1),
		RunE:    func(cmd *cobra.Command, args []string) error { return runSimulate(cmd.Context(), s, args[0], f) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.listen, "listen", "", "address:port to listen on; 127.0.0.1:1502 when nothing else is given, port 0 picks a free one")
	flags.StringVar(&f.at.serial, "serial", "", "serial port to answer on")
	flags.BoolVar(&f.pty, "pty", false, "answer on a new pseudo-terminal")
	flags.BoolVar(&f.pace, "pace", false, "answer no sooner than the serial line's speed would let it, on TCP and pseudo-terminals too")
	flags.StringVar(&f.at.framing, "framing", "", "mbap, rtu or ascii instead of the usual one")
	flags.IntVar(&f.at.baud, "baud", 19200, "with --serial or --pace: bit/s")
	flags.StringVar(&f.at.parity, "parity", "even", "with --serial or --pace: even, odd or none")
	flags.IntVar(&f.at.stop, "stop", 0, "with --serial or --pace: stop bits; 1, or 2 without parity")
	flags.IntVar(&f.at.unit, "unit", 1, "with a map: the station's unit number")
	addShareFlag(cmd, &f.share)
	f.time.flags(cmd)
	flags.BoolVar(&f.report, "report", false, "at the end: what the panel asked, and where that and the map disagree")
	flags.StringVarP(&f.output, "output", "o", "", "with --report: file to write; its ending chooses .txt, .md, .csv, .html, .xlsx or .pdf")
	flags.StringVar(&f.faults, "faults", "", "do the lines of this file at the start, as on the console")
	flags.Uint64Var(&f.seed, "seed", 0, "fixes the random choices of faults; 0 chooses one")
	flags.BoolVar(&f.asJSON, "json", false, "JSON lines for the places it listens on")
	return cmd
}

// A listening is one place where the station answers.
type listening struct {
	Listening string `json:"listening"`
	Address   string `json:"address"`
	Units     []int  `json:"units"`

	serve func(context.Context) error
	close func() error
}

// runSimulate opens the places, says where they are, and serves until the
// context ends.
func runSimulate(ctx context.Context, s *streams, file string, f simulateFlags) error {
	if f.output != "" && !f.report {
		return notUnderstood("-o goes with --report")
	}
	if err := f.time.check(); err != nil {
		return err
	}
	l, err := stationLine(file, f.at)
	if err != nil {
		return err
	}
	pace, err := f.pacing(l)
	if err != nil {
		return err
	}
	c := newConsole(s.out, f.asJSON)
	c.panel = newPanelReport(l)
	station, err := newStation(l, pace, c.observe)
	if err != nil {
		return err
	}
	c.attach(station, f.seed)
	defer c.faults.Stop()
	if err := f.schedule(c); err != nil {
		return err
	}
	if err := f.time.attach(l, station); err != nil {
		return err
	}
	places, err := f.open(ctx, s.err, l, station)
	if err != nil {
		return err
	}
	for _, p := range places {
		for _, u := range station.Units() {
			p.Units = append(p.Units, int(u))
		}
		if err := p.print(s.out, f.asJSON); err != nil {
			return err
		}
	}
	if s.in != nil {
		go c.read(s.in)
	}
	err = f.serve(ctx, station, places)
	if f.report {
		err = errors.Join(err, c.panel.write(s.out, f.asJSON, f.output))
	}
	return err
}

// schedule does the lines of the faults file. Each that is wrong is told with
// its place, and nothing is served then.
func (f *simulateFlags) schedule(c *console) error {
	if f.faults == "" {
		return nil
	}
	text, err := doc.ReadFile(f.faults)
	if err != nil {
		return unreadable(err)
	}
	var faults []string
	n := 0
	for row := range strings.Lines(string(text)) {
		n++
		if row = strings.TrimSpace(row); row == "" || row[0] == '#' {
			continue
		}
		if _, err := c.faults.Do(row); err != nil {
			faults = append(faults, fmt.Sprintf("%s:%d  %v", f.faults, n, err))
		}
	}
	if len(faults) > 0 {
		return notUnderstood("%s", strings.Join(faults, "\n"))
	}
	return nil
}

// stationLine is the line file's stations, or the one of a map.
func stationLine(file string, at place) (*line.Line, error) {
	text, err := doc.ReadFile(file)
	if err != nil {
		return nil, unreadable(err)
	}
	if !line.IsLine(text) && at.serial == "" {
		at.tcp = defaultListen // where the map's station is does not matter here
		if f, ok := line.ParseFraming(at.framing); !ok || f != line.MBAP {
			at.framing = ""
		}
	} else if line.IsLine(text) {
		at = place{}
	}
	lines, err := openLines([]string{file}, &at)
	if err != nil {
		return nil, err
	}
	return lines[0], nil
}

// pacing is the serial line whose speed the station keeps to: the line file's,
// or that of the flags; none without --pace.
func (f *simulateFlags) pacing(l *line.Line) (line.Serial, error) {
	switch {
	case !f.pace:
		return line.Serial{}, nil
	case l.Medium == line.SerialPort:
		return l.Serial, nil
	}
	return f.at.settings()
}

// newStation makes the station of a line: a bank for each unit.
func newStation(l *line.Line, pace line.Serial, observe func(*decode.Exchange)) (*simdevice.Station, error) {
	banks := map[regmap.Unit]*simdevice.Bank{}
	for _, s := range l.Stations {
		b, err := simdevice.NewBank(s.Map)
		if err != nil {
			return nil, notUnderstood("%s: %w", s.MapFile, err)
		}
		banks[s.Unit] = b
	}
	station, err := simdevice.New(banks, simdevice.Options{Gap: gap(l, pace), Pace: pace, Observe: observe})
	if err != nil {
		return nil, notUnderstood("%s: %w", l.File, err)
	}
	return station, nil
}

// gap is the silence a station keeps before it answers on a serial line.
func gap(l *line.Line, pace line.Serial) time.Duration {
	if pace.Baud > 0 {
		return frame.Gap35(pace)
	}
	if l.Medium == line.SerialPort {
		return frame.Gap35(l.Serial)
	}
	return 0
}

// open opens every place that the flags name.
func (f *simulateFlags) open(ctx context.Context, say io.Writer, l *line.Line, s *simdevice.Station) (places []*listening, err error) {
	defer func() {
		if err != nil {
			for _, p := range places {
				p.close()
			}
			places = nil
		}
	}()
	serialFraming, netFraming := line.RTU, line.MBAP
	if l.Medium == line.SerialPort {
		serialFraming = l.Framing
	}
	if f.at.framing != "" {
		given, ok := line.ParseFraming(f.at.framing)
		if !ok {
			return nil, notUnderstood("--framing %q is none of mbap, rtu, ascii", f.at.framing)
		}
		if given == line.MBAP && (f.pty || f.at.serial != "") {
			return nil, notUnderstood("--framing mbap is the framing of networks; rtu or ascii on a serial port")
		}
		serialFraming, netFraming = given, given
	}
	if f.listen != "" || !f.pty && f.at.serial == "" {
		p, err := f.openListener(s, netFraming)
		if err != nil {
			return places, err
		}
		places = append(places, p)
	}
	if f.pty {
		p, err := openPair(s, serialFraming)
		if err != nil {
			return places, err
		}
		places = append(places, p)
	}
	if f.at.serial != "" {
		p, err := f.openSerial(ctx, say, l, s, serialFraming)
		if err != nil {
			return places, err
		}
		places = append(places, p)
	}
	return places, nil
}

func (f *simulateFlags) openListener(s *simdevice.Station, framing line.Framing) (*listening, error) {
	where := f.listen
	if where == "" {
		where = defaultListen
	}
	n, err := net.Listen("tcp", where)
	if err != nil {
		return nil, verdict{exitNoReply, fmt.Errorf("cannot listen on %s: %w", where, plainNet(err))}
	}
	return &listening{Listening: "tcp", Address: n.Addr().String(), close: n.Close,
		serve: func(ctx context.Context) error { return s.ServeListener(ctx, n, framing) }}, nil
}

func openPair(s *simdevice.Station, framing line.Framing) (*listening, error) {
	pair, err := port.OpenPair()
	if err != nil {
		return nil, verdict{exitNoReply, fmt.Errorf("no pseudo-terminal can be made: %w", err)}
	}
	return &listening{Listening: "pty", Address: pair.Path(), close: pair.Close,
		serve: func(ctx context.Context) error { return s.ServeStream(ctx, pair, framing) }}, nil
}

// openSerial opens a serial port. On a real line each of the station's numbers
// is asked once first: two stations with one number spoil each other.
func (f *simulateFlags) openSerial(ctx context.Context, say io.Writer, of *line.Line, s *simdevice.Station, framing line.Framing) (*listening, error) {
	settings, err := f.at.settings()
	if err != nil {
		return nil, err
	}
	if of.Medium == line.SerialPort { // a serial line's own settings, on the port named here
		settings = of.Serial
		settings.Port = f.at.serial
	}
	l := &line.Line{Medium: line.SerialPort, Framing: framing, Serial: settings}
	if isReal(settings.Port) {
		if err := (courtesy{share: f.share, say: say}).before(ctx, l); err != nil {
			return nil, err
		}
		if err := refuseTaken(ctx, l, s.Units()); err != nil {
			return nil, err
		}
	}
	p, err := port.Open(settings, portOptions(l))
	if err != nil {
		return nil, verdict{exitNoReply, err}
	}
	return &listening{Listening: "serial", Address: settings.Port, close: p.Close,
		serve: func(ctx context.Context) error { return s.ServeStream(ctx, p, framing) }}, nil
}

// refuseTaken asks each number for one register; any answer, an exception too,
// means that a station has it.
func refuseTaken(ctx context.Context, l *line.Line, units []regmap.Unit) error {
	dial, err := dialer(l)
	if err != nil {
		return err
	}
	timing := line.DefaultTiming
	timing.Retries = 0
	k, err := link.New(link.Config{Dial: dial, Framing: l.Framing, Serial: l.Serial, Timing: timing})
	if err != nil {
		return err
	}
	defer k.Close()
	if err := k.Open(ctx); err != nil {
		return verdict{exitNoReply, err}
	}
	for _, u := range units {
		x, err := k.Ask(ctx, u, frame.Read(regmap.HoldingRegister, 0, 1))
		if err != nil {
			return err
		}
		if x.Cause != regmap.Silent {
			return verdict{exitNoReply, fmt.Errorf("unit %d is already there on %s (%s); give the simulated station another number", u, l.Serial.Port, l.Serial)}
		}
	}
	return nil
}

// print says where the station listens.
func (p *listening) print(out io.Writer, asJSON bool) error {
	if asJSON {
		text, err := json.Marshal(p)
		if err == nil {
			_, err = fmt.Fprintln(out, string(text))
		}
		return err
	}
	var units []string
	for _, u := range p.Units {
		units = append(units, fmt.Sprint(u))
	}
	_, err := fmt.Fprintf(out, "listening %s %s unit %s\n", p.Listening, p.Address, strings.Join(units, ", "))
	return err
}

// serve runs the places and the station's own changes until the context ends
// or a place fails.
func (f *simulateFlags) serve(ctx context.Context, s *simdevice.Station, places []*listening) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	done := make(chan error, len(places)+1)
	for _, p := range places {
		go func() {
			err := p.serve(ctx)
			if err == nil && ctx.Err() == nil {
				err = fmt.Errorf("%s %s was closed", p.Listening, p.Address)
			}
			done <- err
		}()
	}
	go func() { done <- f.time.step(ctx, s) }()
	var first error
	for range len(places) + 1 {
		if err := <-done; err != nil && first == nil && !errors.Is(err, context.Canceled) {
			first = verdict{exitNoReply, err}
		}
		cancel()
	}
	return first
}

// portOptions are the options of a port for a framing: ASCII characters have
// seven data bits (serial guide V1.02, 2.5.2).
func portOptions(l *line.Line) port.Options {
	if l.Framing == line.ASCII {
		return port.Options{DataBits: 7}
	}
	return port.Options{}
}

// plainNet is a network error without the call's own words.
func plainNet(err error) error {
	var number syscall.Errno
	var name *net.DNSError
	switch {
	case errors.As(err, &number):
		return number
	case errors.As(err, &name):
		return fmt.Errorf("no such host %q", name.Name)
	}
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err
	}
	return err
}
