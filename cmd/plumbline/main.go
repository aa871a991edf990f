// Command plumbline proves a Modbus link true: from one register map it polls
// a station as the panel would, reads frames, and is the station in software.
//
// Each command is one small file: flags and wiring only. The work is done on
// the floors below; this is the only place where poll and simdevice meet.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"plumbline/regmap/paper"
)

func main() {
	s := &streams{in: os.Stdin, out: os.Stdout, err: os.Stderr}
	os.Exit(run(context.Background(), s, os.Args[1:]))
}

// streams are the program's three ends; tests put buffers there.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

// The exit codes; each command's help lists its own.
const (
	exitDone    = 0 // done and right
	exitWrong   = 1 // done, and something is wrong
	exitUsage   = 2 // not understood: usage, or input that cannot be read
	exitNoReply = 3 // a port or host could not be opened, or nothing answered at all
)

// A verdict ends a command with an exit code. With an error it is printed;
// without, what was found is already on standard output.
type verdict struct {
	code int
	err  error
}

func (v verdict) Error() string {
	if v.err == nil {
		return fmt.Sprintf("exit code %d", v.code)
	}
	return v.err.Error()
}

func (v verdict) Unwrap() error { return v.err }

// errSeen reports that something is wrong and already shown.
var errSeen = verdict{code: exitWrong}

// notUnderstood is a usage fault or unreadable input.
func notUnderstood(format string, args ...any) error {
	return verdict{exitUsage, fmt.Errorf(format, args...)}
}

// run is the program: arguments in, exit code out. It is the only place that
// prints errors and turns them into exit codes.
func run(ctx context.Context, s *streams, args []string) int {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // a second signal ends the program at once
	root := newRootCommand(s)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	var v verdict
	if !errors.As(err, &v) {
		v = verdict{exitUsage, err}
	}
	if v.err != nil {
		fmt.Fprintln(s.err, "plumbline: "+paper.Block(v.err.Error()))
	}
	return v.code
}

// newRootCommand builds the command tree.
func newRootCommand(s *streams) *cobra.Command {
	root := &cobra.Command{
		Use:   "plumbline",
		Short: "Prove a Modbus link true: poll it, read it, be the station, from one register map",
		Long: "Plumbline takes one register map and each place on the line: it polls a station as the\n" +
			"operator panel would, it says what frames mean, and it is the station in software.\n" +
			"Reads are the default everywhere; nothing is written to a plant without being asked.",
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetIn(s.in)
	root.SetOut(s.out)
	root.SetErr(s.err)
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(
		newDemoCommand(s),
		newCheckCommand(s),
		newPlanCommand(s),
		newPollCommand(s),
		newSetCommand(s),
		newDecodeCommand(s),
		newListenCommand(s),
		newSeekCommand(s),
		newSimulateCommand(s),
		newImportCommand(s),
		newCompareCommand(s),
		newSheetCommand(s),
	)
	return root
}
