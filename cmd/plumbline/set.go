package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/decode"
	"plumbline/poll/gate"
	"plumbline/poll/link"
	"plumbline/poll/safefile"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// setFlags are the flags of set.
type setFlags struct {
	yes                               []string
	audit                             string
	dryRun, broadcast, asJSON, repair bool
	share                             bool
}

// newSetCommand builds "set". It parses its flags itself, because a negative
// number is a value and no flag.
func newSetCommand(s *streams) *cobra.Command {
	var f setFlags
	cmd := &cobra.Command{
		Use:   "set LINE POINT VALUE [POINT VALUE ...]",
		Short: "Write a value, guarded: shown, confirmed by name, logged, sent once, read back",
		Long: "Writes points of a line's stations, in the order given; the first that fails stops the rest.\n" +
			"The map must say `write` of the point and the line file `write: true` of the station. What\n" +
			"proves the device, the interlocks and the value that stands there are read first; then all is\n" +
			"shown, and the point's name must be typed, or given with --yes. Each write is noted in an audit\n" +
			"log before it leaves, is sent once, and is read back. On a serial port it listens first, and sends\n" +
			"nothing where another client is heard.\n\n" +
			"VALUE is a number in the point's units, on or off, the name of a named value, or text. Where\n" +
			"several stations have the point, write STATION/POINT.\n\n" +
			"It can start, stop or move machinery: read the caution that it prints.\n\n" +
			"Exit code: 0 done, and it reads back right; 1 refused, failed, or not known whether it was done;\n" +
			"2 not understood; 3 a port or host could not be opened, or nothing answered at all.",
		Example: "  plumbline set pump-house.yaml lead-start 1.65\n" +
			"  plumbline set pump-house.yaml cistern/mode hand --dry-run\n" +
			"  plumbline set pump-house.yaml lead-start 1.65 lag-start 2.10 --yes lead-start --yes lag-start --json",
		DisableFlagParsing: true,
		RunE: func(cmd *cobra.Command, args []string) error {
			args, help, err := parseWithNegatives(cmd, args)
			switch {
			case err != nil:
				return err
			case help:
				return cmd.Help()
			case f.repair:
				return repairAudit(s, args, f)
			}
			return runSet(cmd.Context(), s, args, f)
		},
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&f.yes, "yes", nil, "confirm this point, instead of typing its name; for each point one (a station's name confirms that it is the right device)")
	flags.BoolVar(&f.dryRun, "dry-run", false, "every step up to the log; nothing is sent that changes anything")
	flags.BoolVar(&f.broadcast, "broadcast", false, "one request that every station of a serial line obeys and none answers; each is read afterwards")
	flags.StringVar(&f.audit, "audit", "", "the audit log; left out, the line file's name with .audit.jsonl")
	flags.BoolVar(&f.repair, "repair-audit", false, "cut a last line off the audit log that a crash left torn, keep its bytes in the log, and write nothing else")
	addShareFlag(cmd, &f.share)
	flags.BoolVar(&f.asJSON, "json", false, "one JSON document on standard output")
	return cmd
}

var negative = regexp.MustCompile(`^-[0-9.]`)

// guard stands before a negative number while flags are parsed; no argument of
// a program can hold it.
const guard = "\x00"

// parseWithNegatives parses flags and takes negative numbers for values.
func parseWithNegatives(cmd *cobra.Command, args []string) (rest []string, help bool, err error) {
	guarded := slices.Clone(args)
	for i, a := range guarded {
		if negative.MatchString(a) {
			guarded[i] = guard + a
		}
	}
	if err := cmd.Flags().Parse(guarded); err != nil {
		return nil, false, notUnderstood("%w", err)
	}
	for _, a := range cmd.Flags().Args() {
		rest = append(rest, strings.TrimPrefix(a, guard))
	}
	help, err = cmd.Flags().GetBool("help")
	return rest, help, err
}

// runSet takes a job from the command line through the gate.
func runSet(ctx context.Context, s *streams, args []string, f setFlags) error {
	if len(args) < 3 || len(args)%2 == 0 {
		return notUnderstood("set takes a line file and then a value for each point: set LINE POINT VALUE")
	}
	l, err := lineFile(args[0])
	if err != nil {
		return err
	}
	job, err := jobOf(l, args[1:], f)
	if err != nil {
		return err
	}
	show := newSetPrinter(s, l, f)
	log, err := openAudit(l, f)
	if err != nil {
		return err
	}
	config := gate.Config{
		Line: l, Clock: decode.NewClock(), Show: show.shown, Confirm: show.confirm, Shout: show.shout,
		User: userName(), Program: "plumbline set",
	}
	if log != nil {
		defer log.Close()
		config.Log = log
	}
	return show.pass(ctx, config, job)
}

// pass opens the line, writes, and shows what became of it.
func (p *setPrinter) pass(ctx context.Context, config gate.Config, job gate.Job) error {
	if err := (courtesy{share: p.flags.share, say: p.streams.err}).before(ctx, config.Line); err != nil {
		return err
	}
	var g *gate.Gate
	k, err := openForWriting(ctx, config.Line, config.Clock, func(d link.Doubt) { g.Doubt(d) })
	if err != nil {
		return err
	}
	defer k.Close()
	config.Link = k
	if g, err = gate.New(config); err != nil {
		return err
	}
	printCaution(p.talk)
	stop := context.AfterFunc(ctx, p.stopping)
	rep := g.Write(ctx, job)
	stop()
	if err := p.report(rep); err != nil {
		return err
	}
	n := k.Statistics()
	switch {
	case rep.OK():
		return nil
	case n.Sent > 0 && n.Answered+n.Exceptions == 0:
		return verdict{exitNoReply, nil}
	}
	return errSeen
}

// openForWriting opens a line for set: the one place where that happens.
func openForWriting(ctx context.Context, l *line.Line, clock decode.Clock, doubt func(link.Doubt)) (*link.Link, error) {
	dial, err := dialer(l)
	if err != nil {
		return nil, err
	}
	k, err := link.New(link.Config{Name: l.Name, Dial: dial, Framing: l.Framing, Serial: l.Serial, Timing: l.Timing, Clock: clock, Doubt: doubt,
		Gateway: behindGateway(l), Direct: connectedDirectly(l)})
	if err != nil {
		return nil, err
	}
	if err := k.Open(ctx); err != nil {
		k.Close()
		return nil, verdict{exitNoReply, err}
	}
	return k, nil
}

// lineFile reads the line file: a map alone does not say what may be written.
func lineFile(name string) (*line.Line, error) {
	text, err := doc.ReadFile(name)
	if err != nil {
		return nil, unreadable(err)
	}
	if !line.IsLine(text) {
		return nil, notUnderstood("%s is no line file; set needs one, which says what may be written and proves the device", name)
	}
	lines, err := openLines([]string{name}, &place{})
	if err != nil {
		return nil, err
	}
	return lines[0], nil
}

// auditName is where the audit log of a line is.
func auditName(l *line.Line, f setFlags) string {
	if f.audit != "" {
		return f.audit
	}
	return l.File + ".audit.jsonl"
}

// openAudit opens the audit log; nil for a dry run. A log that cannot be used
// refuses the write.
func openAudit(l *line.Line, f setFlags) (*safefile.Log, error) {
	if f.dryRun {
		return nil, nil
	}
	name := auditName(l, f)
	log, err := safefile.OpenLog(safefile.OS{}, name)
	switch {
	case err == nil:
		return log, nil
	case errors.Is(err, safefile.ErrTorn):
		err = fmt.Errorf("%s: %w; see what it says, then cut it off with --repair-audit", name, err)
	case errors.Is(err, safefile.ErrBroken):
		err = fmt.Errorf("%s: %w; keep the file, find out who changed it, and name another with --audit", name, err)
	}
	return nil, verdict{exitWrong, fmt.Errorf("refused, because the audit log cannot be written: %w", err)}
}

// repairAudit cuts a torn line off the audit log.
func repairAudit(s *streams, args []string, f setFlags) error {
	if len(args) != 1 {
		return notUnderstood("--repair-audit takes the line file alone")
	}
	l, err := lineFile(args[0])
	if err != nil {
		return err
	}
	name := auditName(l, f)
	cut, err := safefile.Repair(safefile.OS{}, name)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return notUnderstood("%s: there is no such log", name)
	case err != nil:
		return verdict{exitWrong, fmt.Errorf("%s: %w", name, err)}
	case cut == (safefile.Cut{}):
		fmt.Fprintf(s.out, "%s is whole; nothing was changed\n", name)
	default:
		fmt.Fprintf(s.out, "%s: line %d was torn and is cut off; its %d bytes are kept in the line that stands there now\n", name, cut.Line, len(cut.Bytes)/2)
	}
	return nil
}

// userName is who runs the program, for the log.
func userName() string {
	name := fmt.Sprintf("user id %d", os.Getuid())
	if u, err := user.Current(); err == nil {
		name = u.Username
	}
	if real := os.Getenv("SUDO_USER"); real != "" {
		name += ", for " + real
	}
	return name
}
