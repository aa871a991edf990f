package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"plumbline/poll/seek"
	"plumbline/regmap/line"
)

// seekFlags are the flags of seek.
type seekFlags struct {
	serial, tcp, framing, parity string
	baud, stop, unit, requests   int
	units, response, pause, out  string
	addresses                    string
	rate                         float64
	share, goOn, all, asJSON     bool
}

// usualAddresses is where --addresses alone looks: most maps begin there
// (common practice).
const usualAddresses = "0-999"

// newSeekCommand builds "seek".
func newSeekCommand(s *streams) *cobra.Command {
	var f seekFlags
	cmd := &cobra.Command{
		Use:   "seek [LINE]",
		Short: "Find a line's settings and the units that answer on it, with reads only",
		Long: "Finds the settings of a line that nobody knows, and which units answer on it. It listens first,\n" +
			"and goes no further when another client is heard. It sends reads only, slowly, the likely\n" +
			"settings and numbers first, says before it starts how long it may take, and believes nothing\n" +
			"that does not fit three times in different shapes. When a unit that had answered falls silent\n" +
			"it stops: some old stations suffer from being asked.\n\n" +
			"Even reads load a line: ask its owner first, and have someone at the equipment.\n\n" +
			"-o writes a line file, and beside it for each unit a first map of the raw registers that\n" +
			"answered, for names and meanings to be filled in. It overwrites nothing.\n\n" +
			"Exit code: 0 found; 1 nothing found, another client heard, or a unit fell silent; 2 not\n" +
			"understood; 3 a port or host could not be opened.",
		Example: "  plumbline seek --serial /dev/ttyUSB0 -o pump-house.yaml\n" +
			"  plumbline seek --serial /dev/ttyUSB0 --parity none --units 1-32\n" +
			"  plumbline seek --tcp 192.0.2.10 --unit 17 --addresses",
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return runSeek(cmd.Context(), s, args, f) },
	}
	addSeekFlags(cmd, &f)
	return cmd
}

func addSeekFlags(cmd *cobra.Command, f *seekFlags) {
	flags := cmd.Flags()
	flags.StringVar(&f.serial, "serial", "", "the serial port")
	flags.StringVar(&f.tcp, "tcp", "", "the station's or gateway's host:port")
	flags.StringVar(&f.framing, "framing", "", "known: mbap, rtu or ascii")
	flags.IntVar(&f.baud, "baud", 0, "known: bit/s")
	flags.StringVar(&f.parity, "parity", "", "known: even, odd or none")
	flags.IntVar(&f.stop, "stop", 0, "known: stop bits")
	flags.StringVar(&f.units, "units", "", "only these units, such as 1-32 or 1,5,17-20")
	flags.IntVar(&f.unit, "unit", 0, "only this unit")
	flags.StringVar(&f.response, "response", seek.DefaultResponse.String(), "how long an answer may take to begin")
	flags.StringVar(&f.pause, "pause", "0s", "extra silence between exchanges")
	flags.Float64Var(&f.rate, "rate", float64(time.Second)/float64(seek.DefaultInterval), "at most so many requests a second")
	flags.StringVar(&f.addresses, "addresses", "", "also find which addresses of each table answer, 0-999 or =FIRST-LAST")
	flags.Lookup("addresses").NoOptDefVal = usualAddresses
	flags.IntVar(&f.requests, "requests", seek.DefaultRequests, "with --addresses: at most so many for each table of a unit")
	flags.BoolVar(&f.all, "all", false, "ask every unit at every setting when the usual numbers are silent")
	flags.BoolVar(&f.share, "share", false, "ask though another client is heard")
	flags.BoolVar(&f.goOn, "go-on", false, "go on though a unit fell silent")
	flags.StringVarP(&f.out, "output", "o", "", "write a line file, and first maps beside it")
	flags.BoolVar(&f.asJSON, "json", false, "one JSON document on standard output")
}

// runSeek says what will be done, searches, and shows the card.
func runSeek(ctx context.Context, s *streams, args []string, f seekFlags) error {
	at, err := f.place(args)
	if err != nil {
		return err
	}
	c, err := f.config(at)
	if err != nil {
		return err
	}
	if err := f.canWrite(at); err != nil {
		return err
	}
	outlook, err := c.Outlook()
	if err != nil {
		return notUnderstood("%w", err)
	}
	talk := s.out
	if f.asJSON {
		talk = s.err
	}
	printOutlook(talk, at, c, outlook)
	progress := newSeekProgress(s.err)
	c.Progress = progress.show
	r, err := seek.Run(ctx, c)
	progress.clear()
	if err != nil {
		return verdict{exitNoReply, err}
	}
	return f.finish(s, at, r)
}

// finish writes what was found, to the screen and into files.
func (f *seekFlags) finish(s *streams, at *seekPlace, r *seek.Report) error {
	var files []string
	if f.out != "" && r.Found != nil {
		var err error
		if files, err = writeFound(f.out, at, r); err != nil {
			return err
		}
	}
	var err error
	if f.asJSON {
		err = writeJSON(s.out, seekDocument(at, r, files))
	} else {
		err = printCard(s.out, at, r, files)
	}
	if err == nil && (len(r.Units) == 0 || r.End != seek.Finished && r.End != seek.Interrupted) {
		err = errSeen
	}
	return err
}

// canWrite refuses before the search what could not be written after it.
func (f *seekFlags) canWrite(at *seekPlace) error {
	if f.out == "" {
		return nil
	}
	if at.line.Medium == line.TLS && filepath.Dir(f.out) != filepath.Dir(at.line.File) {
		return notUnderstood("%s must stand beside %s, whose certificates are named from there", f.out, at.line.File)
	}
	if _, err := os.Stat(f.out); err == nil {
		return notUnderstood("%s is there already; seek overwrites nothing, name another file", f.out)
	} else if !errors.Is(err, os.ErrNotExist) {
		return notUnderstood("%s cannot be written: %w", f.out, err)
	}
	return nil
}

// A seekProgress is one line on a terminal that is written over.
type seekProgress struct {
	out   io.Writer // nil where nobody looks
	width int
}

func newSeekProgress(out io.Writer) *seekProgress {
	if file, ok := out.(*os.File); ok {
		if info, err := file.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			return &seekProgress{out: out}
		}
	}
	return new(seekProgress)
}

func (p *seekProgress) show(at seek.Progress) {
	if p.out == nil {
		return
	}
	words := fmt.Sprintf("%s, %s", at.Settings, at.Words)
	if at.Unit != 0 {
		words += fmt.Sprintf(", unit %d", at.Unit)
	}
	p.write(fmt.Sprintf("%s: %s, at most %s left", words, count(at.Requests, "request"), minutes(at.Left)))
}

// write puts words where the last ones stood.
func (p *seekProgress) write(words string) {
	fmt.Fprintf(p.out, "\r%-*s", p.width, words)
	p.width = len(words)
}

func (p *seekProgress) clear() {
	if p.out != nil {
		p.write("")
		fmt.Fprint(p.out, "\r")
	}
}

// minutes is a time that nobody needs to the second: "40 s", "11 min 5 s".
func minutes(d time.Duration) string {
	d = (d + time.Second - 1).Truncate(time.Second)
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min %d s", d/time.Minute, d%time.Minute/time.Second)
	}
	return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
}
