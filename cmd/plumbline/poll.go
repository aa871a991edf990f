package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

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
	health, share               bool
	every, during, units        string
}

// newPollCommand builds "poll".
func newPollCommand(s *streams) *cobra.Command {
	var f pollFlags
	cmd := &cobra.Command{
		Use:   "poll LINE...",
		Short: "Read all points as the panel would, in engineering units with quality and cause",
		Long: "Polls the stations of one or more lines and shows each point's value, quality and cause.\n" +
			"It only reads. Even reads load a line: ask its owner first. On a serial port it listens first,\n" +
			"for 3 s or three of the line's cycles, and does not begin where another client is heard.\n\n" +
			"Exit code: 0 every point is good or uncertain; 1 a reading is bad, another client is heard, or\n" +
			"--health finds the line in trouble; 2 a file was not understood; 3 a port or host could not be opened, or\n" +
			"nothing answered at all.",
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
	flags.BoolVar(&f.health, "health", false, "also say how the line itself does, each minute and at the end, with advice")
	addShareFlag(cmd, &f.share)
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
	if f.health && f.asCSV {
		return notUnderstood("--health and --csv are given together; findings are no rows, use --json")
	}
	if err := f.apply(lines); err != nil {
		return err
	}
	if err := (courtesy{share: f.share, say: s.err}).before(ctx, lines...); err != nil {
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
	h := newHealth(show, lines)
	if err := pollWatched(ctx, lines, cycles, show.event, h); err != nil {
		return err
	}
	return h.finish(show.finish)
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
	return pollWatched(ctx, lines, cycles, sink, nil)
}

// pollWatched is pollLines with the health of the lines followed; h may be nil.
func pollWatched(ctx context.Context, lines []*line.Line, cycles int, sink decode.Sink, h *health) error {
	var mu sync.Mutex
	clock := decode.NewClock()
	var running sync.WaitGroup
	defer running.Wait()
	ctx, cancel := context.WithCancel(ctx)
	for i, l := range lines {
		dial, err := dialer(l)
		if err != nil {
			cancel()
			return err
		}
		one := func(e decode.Event) {
			mu.Lock()
			defer mu.Unlock()
			sink(e)
			h.event(l, e)
		}
		c := poll.Config{Line: l, Clock: clock, Sink: one, Offset: spread(i, lines), Fault: keepFault}
		if err := pollLine(ctx, &running, c, dial, cycles, h); err != nil {
			cancel()
			return err
		}
	}
	running.Wait()
	cancel()
	return nil
}

// pollLine starts polling one line.
func pollLine(ctx context.Context, running *sync.WaitGroup, c poll.Config, dial link.Dialer, cycles int, h *health) error {
	var p *poll.Poller
	l := c.Line
	k, err := link.New(link.Config{
		Name: l.Name, Dial: dial, Framing: l.Framing, Serial: l.Serial, Timing: l.Timing, Clock: c.Clock, Sink: c.Sink,
		Doubt: func(d link.Doubt) { p.Doubt(d) }, Gateway: behindGateway(l), Direct: connectedDirectly(l),
	})
	if err != nil {
		return err
	}
	c.Link = k
	h.linked(l, k)
	if l.Framing == line.MBAP {
		c.Width = link.MaxSlots
	}
	p = poll.New(c)
	running.Go(func() {
		defer k.Close()
		p.Run(ctx, cycles)
	})
	return nil
}

// spread is how much later than the first the cycles of a line begin, so that
// many lines do not all ask at the same moment.
func spread(i int, lines []*line.Line) time.Duration {
	return lines[i].Every * time.Duration(i) / time.Duration(len(lines))
}

// keepFault writes the report of a fault of the program into a file of its own
// and says where it is.
func keepFault(report string) {
	f, err := os.CreateTemp("", "plumbline-fault-*.txt")
	if err == nil {
		_, err = f.WriteString(report + "\n")
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		fmt.Fprintf(os.Stderr, "a fault of this program; its report could not be written: %v\n", err)
		return
	}
	fmt.Fprintf(os.Stderr, "a fault of this program; the report is in %s\n", f.Name())
}
