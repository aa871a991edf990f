package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbline/poll/seek"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// listenFlags are the flags of listen.
type listenFlags struct {
	at                             place
	mapFile, during, write, output string
	find, report, asJSON           bool
	given                          func(flag string) bool // whether a flag was given
}

// settingFlags are the flags that say how a port is set.
var settingFlags = []string{"baud", "parity", "stop", "framing"}

// newListenCommand builds "listen".
func newListenCommand(s *streams) *cobra.Command {
	var f listenFlags
	cmd := &cobra.Command{
		Use:   "listen PORT|LINE",
		Short: "Hear what panel and station say to each other on a serial line; sends nothing",
		Long: "Shows every exchange on a serial line as it comes, and with a map or line file the points and\n" +
			"values in it. The port is opened for reading only: not a byte is sent, and DTR and RTS are not\n" +
			"switched. Opening a port raises both on Linux before any program can stop it, and closing it\n" +
			"leaves them as they are: so the tapping adapter's driver must be off by its hardware, with its\n" +
			"transmit pair not connected, or an adapter that turns by itself.\n\n" +
			"--find goes through the usual settings, some seconds each, and believes those at which three\n" +
			"requests with their answers came. --write keeps the raw bytes as a capture for evidence; such a\n" +
			"recording goes on when nobody reads the output any more or the terminal is closed, and a file\n" +
			"that exists is never written over. --report says at the end what the traffic shows.\n\n" +
			"A line that carries 00 or FF without end is said to be never silent; its bytes are counted and\n" +
			"kept, and not looked at, which bounds the work.\n\n" +
			"Exit code: 0 frames were heard and nothing is wrong; 1 something is wrong, or bytes came and no\n" +
			"frame; 2 not understood; 3 the port could not be opened, or nothing was heard at all.",
		Example: "  plumbline listen /dev/ttyUSB0 --baud 9600\n" +
			"  plumbline listen pump-house.yaml --for 10m --write heard.pcapng --report -o traffic.html\n" +
			"  plumbline listen /dev/ttyUSB0 --find --map cistern.yaml",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			f.given = cmd.Flags().Changed
			return runListen(cmd.Context(), s, args[0], f)
		},
	}
	flags := cmd.Flags()
	flags.IntVar(&f.at.baud, "baud", 19200, "with a port: bit/s")
	flags.StringVar(&f.at.parity, "parity", "even", "with a port: even, odd or none")
	flags.IntVar(&f.at.stop, "stop", 0, "with a port: stop bits; 1, or 2 without parity")
	flags.StringVar(&f.at.framing, "framing", "", "with a port: rtu or ascii; rtu when left out")
	flags.BoolVar(&f.find, "find", false, "find the settings by trying; those given are kept to")
	flags.StringVar(&f.mapFile, "map", "", "with a port: a map or line file, adds points and values")
	flags.IntVar(&f.at.unit, "unit", 0, "with --map MAP: the unit that the map is of; every unit when left out")
	flags.StringVar(&f.during, "for", "", "stop after this time, such as 10m")
	flags.StringVar(&f.write, "write", "", "keep the raw bytes as a capture, FILE.pcapng")
	flags.BoolVar(&f.report, "report", false, "at the end: what the traffic shows, with its frames")
	flags.StringVarP(&f.output, "output", "o", "", "with --report: file to write; its ending chooses .txt, .md, .csv, .html, .xlsx or .pdf")
	flags.BoolVar(&f.asJSON, "json", false, "JSON lines: one a frame, one a reading, and with --report one a finding")
	return cmd
}

// check refuses flags that do not go together.
func (f *listenFlags) check() error {
	switch {
	case f.output != "" && !f.report:
		return notUnderstood("-o goes with --report; --write keeps the bytes")
	case f.output != "" && f.asJSON:
		return notUnderstood("--json goes to standard output; leave out -o, or --json")
	case f.given("unit") && f.mapFile == "":
		return notUnderstood("--unit goes with --map MAP")
	case f.write != "" && !strings.HasSuffix(f.write, ".pcapng"):
		return notUnderstood("--write %s: a capture's name ends in .pcapng", f.write)
	}
	if _, err := os.Lstat(f.write); f.write != "" && err == nil {
		return writtenAlready(f.write)
	}
	return nil
}

// A stationBook finds the station with a unit number; nil for none.
type stationBook func(regmap.Unit) *line.Station

// listenLine is the line to listen to, and the stations that are known on it.
func (f *listenFlags) listenLine(arg string) (*line.Line, stationBook, error) {
	info, err := os.Stat(arg)
	if err == nil && info.Mode().IsRegular() {
		return f.fromFile(arg)
	}
	if err != nil && (strings.HasSuffix(arg, ".yaml") || strings.HasSuffix(arg, ".yml")) {
		return nil, nil, notUnderstood("%s: there is no such file; is the path right", arg)
	}
	at := f.at
	at.serial = arg
	l := &line.Line{Name: arg, File: arg, Medium: line.SerialPort, Framing: line.RTU}
	if l.Serial, err = at.settings(); err != nil {
		return nil, nil, err
	}
	if err := at.setFraming(l); err != nil {
		return nil, nil, err
	}
	book, err := f.book(l)
	return l, book, err
}

// fromFile is a line file's line.
func (f *listenFlags) fromFile(file string) (*line.Line, stationBook, error) {
	text, err := doc.ReadFile(file)
	if err != nil {
		return nil, nil, unreadable(err)
	}
	if !line.IsLine(text) {
		return nil, nil, notUnderstood("%s is no line file; listen takes a serial port or a line file, and a map with --map %s", file, file)
	}
	for _, name := range settingFlags {
		if f.given(name) {
			return nil, nil, notUnderstood("%s is a line file and says itself how the line is set; leave out --%s", file, name)
		}
	}
	if f.mapFile != "" {
		return nil, nil, notUnderstood("%s is a line file and names the maps of its stations; leave out --map", file)
	}
	lines, err := openLines([]string{file}, &place{})
	if err != nil {
		return nil, nil, err
	}
	l := lines[0]
	if l.Medium != line.SerialPort {
		return nil, nil, notUnderstood("%s is about a line over %s, and listen hears serial ports; capture the network's packets and give them to decode", file, l.Medium)
	}
	return l, l.Station, nil
}

// book is the stations that --map tells of, which l gets too.
func (f *listenFlags) book(l *line.Line) (stationBook, error) {
	if f.mapFile == "" {
		return nil, nil
	}
	if f.at.unit < 0 || f.at.unit > 247 {
		return nil, notUnderstood("--unit %d: stations on a serial line have the numbers 1 to 247", f.at.unit)
	}
	text, err := doc.ReadFile(f.mapFile)
	if err != nil {
		return nil, unreadable(err)
	}
	if line.IsLine(text) {
		if f.given("unit") {
			return nil, notUnderstood("%s is a line file and numbers its stations itself; leave out --unit", f.mapFile)
		}
		lines, err := openLines([]string{f.mapFile}, &place{})
		if err != nil {
			return nil, err
		}
		l.Stations, l.Timing, l.Every = lines[0].Stations, lines[0].Timing, lines[0].Every
		return l.Station, nil
	}
	m, err := loadMap(f.mapFile)
	if err != nil {
		return nil, err
	}
	name := strings.TrimSuffix(filepath.Base(f.mapFile), filepath.Ext(f.mapFile))
	first, last := regmap.Unit(1), regmap.Unit(247)
	if f.at.unit > 0 {
		first, last = regmap.Unit(f.at.unit), regmap.Unit(f.at.unit)
	}
	for u := first; u <= last; u++ {
		l.Stations = append(l.Stations, line.Station{Unit: u, Name: name, MapFile: f.mapFile, Map: m})
	}
	return l.Station, nil
}

// runListen listens and shows what is heard.
func runListen(ctx context.Context, s *streams, arg string, f listenFlags) error {
	if err := f.check(); err != nil {
		return err
	}
	l, book, err := f.listenLine(arg)
	if err != nil {
		return err
	}
	var during time.Duration
	if f.during != "" {
		if during, err = period("for", f.during); err != nil {
			return err
		}
	}
	job := newListening(s, l, book, f)
	if f.find {
		if err := job.find(ctx, seek.SerialOrder(l.Serial.Port, f.known(l))); err != nil {
			return err
		}
	}
	if during > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, during)
		defer cancel()
	}
	if f.write != "" {
		defer outlive()()
	}
	return job.run(ctx)
}

// known is what is known of a line whose settings are to be found.
func (f *listenFlags) known(l *line.Line) seek.Known {
	k := seek.Known{RS485: l.Serial.RS485}
	if l.File != l.Serial.Port { // a line file: probably right, else nobody would look
		k.First = &seek.Settings{Framing: l.Framing, Serial: l.Serial}
		return k
	}
	if f.given("baud") {
		k.Baud = l.Serial.Baud
	}
	if f.given("parity") {
		k.Parity = l.Serial.Parity
	}
	if f.given("stop") {
		k.Stop = l.Serial.Stop
	}
	if f.given("framing") {
		k.Framing = l.Framing
	}
	return k
}

// nothingHeard says that a line was silent all the time.
func nothingHeard(l *line.Line, lasted time.Duration) error {
	return verdict{exitNoReply, fmt.Errorf("nothing was heard on %s in %s: is anybody asking, is the pair connected (both wires and the common one), is it the right port; settings do not matter for that, at wrong ones garbage comes",
		l.Serial.Port, waited(lasted))}
}
