package main

import (
	"context"
	"sync"

	"github.com/spf13/cobra"

	"plumbline/decode"
	"plumbline/poll"
	"plumbline/poll/link"
	"plumbline/regmap/line"
)

// pollFlags are the flags of poll.
type pollFlags struct {
	at                          place
	once, frames, asJSON, asCSV bool
	every, during, units        string
}

// newPollCommand builds "poll".
func newPollCommand(s *streams) *cobra.Command {
	var f pollFlags
	cmd := &cobra.Command{
		Use:   "poll LINE...",
		Short: "Read all points as the panel would, in engineering units with quality and cause",
		Long: "Polls the stations of one or more lines and shows each point's value, quality and cause.\n" +
			"It only reads. Even reads load a line: ask its owner first.\n\n" +
			"Exit code: 0 every point is good or uncertain; 1 a reading is bad; 2 a file was not\n" +
			"understood; 3 a port or host could not be opened, or nothing answered at all.",
		Example: "  plumbline poll pump-house.yaml --once\n" +
			"  plumbline poll cistern.yaml --tcp 192.0.2.10 --unit 17 --once --frames\n" +
			"  plumbline poll pump-house.yaml --for 10m --json > readings.jsonl",
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return runPoll(cmd.Context(), s, args, f) },
	}
	addPlaceFlags(cmd, &f.at)
	flags := cmd.Flags()
	flags.BoolVar(&f.once, "once", false, "one cycle, then stop")
	flags.StringVar(&f.every, "every", "", "how often, instead of what the line file says; 0s: without pause")
	flags.StringVar(&f.during, "for", "", "stop after this time, such as 10m")
	flags.StringVar(&f.units, "units", "", "show values in these units where they measure the same: UCUM codes parted by commas")
	flags.BoolVar(&f.frames, "frames", false, "show each value's way from bytes to number")
	flags.BoolVar(&f.asJSON, "json", false, "JSON lines, one a reading")
	flags.BoolVar(&f.asCSV, "csv", false, "CSV, one row a reading")
	return cmd
}

// runPoll opens the lines, polls them side by side and prints what comes.
func runPoll(ctx context.Context, s *streams, args []string, f pollFlags) error {
	lines, err := openLines(args, &f.at)
	if err != nil {
		return err
	}
	if f.asJSON && f.asCSV {
		return notUnderstood("--json and --csv are given together; choose one")
	}
	if err := f.apply(lines); err != nil {
		return err
	}
	if f.during != "" {
		d, err := period("for", f.during)
		if err != nil {
			return err
		}
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, d)
		defer cancel()
	}
	cycles := 0
	if f.once {
		cycles = 1
	}
	units, err := newDisplay(f.units)
	if err != nil {
		return err
	}
	show := newPollPrinter(s.out, lines, f, units)
	if err := pollLines(ctx, lines, cycles, show.event); err != nil {
		return err
	}
	return show.finish()
}

// apply puts the period of the command line in place of the files'.
func (f *pollFlags) apply(lines []*line.Line) error {
	if f.every == "" {
		return nil
	}
	d, err := period("every", f.every)
	if err != nil {
		return err
	}
	for _, l := range lines {
		l.Every = d
		for i := range l.Stations {
			l.Stations[i].Every = d
		}
	}
	return nil
}

// pollLines polls lines side by side into one sink, which gets one event at a
// time.
func pollLines(ctx context.Context, lines []*line.Line, cycles int, sink decode.Sink) error {
	var mu sync.Mutex
	one := func(e decode.Event) {
		mu.Lock()
		defer mu.Unlock()
		sink(e)
	}
	clock := decode.NewClock()
	var running sync.WaitGroup
	defer running.Wait()
	ctx, cancel := context.WithCancel(ctx)
	for _, l := range lines {
		dial, err := dialer(l)
		if err != nil {
			cancel()
			return err
		}
		if err := pollLine(ctx, &running, l, dial, cycles, clock, one); err != nil {
			cancel()
			return err
		}
	}
	running.Wait()
	cancel()
	return nil
}

// pollLine starts polling one line.
func pollLine(ctx context.Context, running *sync.WaitGroup, l *line.Line, dial link.Dialer, cycles int, clock decode.Clock, sink decode.Sink) error {
	var p *poll.Poller
	k, err := link.New(link.Config{
		Name: l.Name, Dial: dial, Framing: l.Framing, Serial: l.Serial, Timing: l.Timing, Clock: clock, Sink: sink,
		Doubt: func(d link.Doubt) { p.Doubt(d) },
	})
	if err != nil {
		return err
	}
	p = poll.New(poll.Config{Line: l, Link: k, Clock: clock, Sink: sink})
	running.Go(func() {
		defer k.Close()
		p.Run(ctx, cycles)
	})
	return nil
}
