package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/poll/seek"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// shareHelp is the help of --share, which every command that transmits has.
const shareHelp = "serial lines: send although another client is heard on the line"

// addShareFlag gives a command --share.
func addShareFlag(cmd *cobra.Command, share *bool) {
	cmd.Flags().BoolVar(share, "share", false, shareHelp)
}

// mostLoose is the most bytes that make no frame and are taken for a spike; more
// are somebody's talk at other settings. Ours.
const mostLoose = 8

// A courtesy listens on a serial line before a command sends anything on it: two
// clients on one pair destroy each other's frames.
type courtesy struct {
	share bool      // go on all the same, and say so
	say   io.Writer // where remarks go

	// open opens a line to listen; nil: the port itself, which then cannot be
	// written to. waits says whether a port needs it; nil: every port but a
	// pseudo-terminal, behind which no line is.
	open  func(context.Context, *line.Line) (link.Stream, error)
	waits func(path string) bool
}

// isReal says whether a line may lie behind a port: a pseudo-terminal has none.
func isReal(path string) bool { return !strings.HasPrefix(path, "/dev/pts/") }

// before listens on the serial lines among lines, all at the same time, each for
// 3 s or three of its cycles, whichever is longer. The error is for the first
// line that cannot be opened or on which somebody else asks; nothing was sent
// then, and nothing must be.
func (c courtesy) before(ctx context.Context, lines ...*line.Line) error {
	waits := c.waits
	if waits == nil {
		waits = isReal
	}
	errs := make([]error, len(lines))
	var all sync.WaitGroup
	var saying sync.Mutex
	for i, l := range lines {
		if l.Medium == line.SerialPort && waits(l.Serial.Port) {
			all.Go(func() {
				h, err := c.listen(ctx, l)
				saying.Lock()
				defer saying.Unlock()
				errs[i] = c.judge(ctx, l, h, err)
			})
		}
	}
	all.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// listen listens on one line.
func (c courtesy) listen(ctx context.Context, l *line.Line) (seek.Heard, error) {
	open := c.open
	if open == nil {
		open = openListening
	}
	stream, err := open(ctx, l)
	if err != nil {
		return seek.Heard{}, err
	}
	defer stream.Close()
	d := seek.ListenTime(l.Every)
	if isTerminalOut(c.say) {
		fmt.Fprintf(c.say, "listening on %s for %.0f s before anything is sent\n", paper.Text(l.Serial.Port), d.Seconds())
	}
	return seek.Listen(ctx, stream, seek.Settings{Framing: l.Framing, Serial: l.Serial}, d, nil)
}

// judge says whether a command may send after what was heard.
func (c courtesy) judge(ctx context.Context, l *line.Line, h seek.Heard, err error) error {
	where := paper.Text(l.Serial.Port)
	h.Lasted = h.Lasted.Round(100 * time.Millisecond)
	switch {
	case ctx.Err() != nil:
		return verdict{exitNoReply, fmt.Errorf("ended while listening on %s; nothing was sent", where)}
	case err != nil:
		return verdict{exitNoReply, err}
	case !h.Client() && h.Bytes == 0:
		return nil
	case !h.Client() && h.Bytes <= mostLoose:
		fmt.Fprintf(c.say, "%s: %s; going on\n", where, h.Words())
		return nil
	case c.share:
		fmt.Fprintf(c.say, "%s: %s; going on beside it, because of --share\n", where, h.Words())
		return nil
	}
	why := "two clients on one line destroy each other's frames"
	if !h.Client() {
		why = "somebody may talk here at other settings"
	}
	return verdict{exitWrong, fmt.Errorf("nothing was sent on %s: %s; %s.\nplumbline listen %s shows what is said there; --share sends all the same", where, h.Words(), why, where)}
}

// openListening opens a line's port to listen only.
func openListening(_ context.Context, l *line.Line) (link.Stream, error) {
	o := portOptions(l)
	o.ReadOnly = true
	p, err := port.Open(l.Serial, o)
	if err != nil {
		return nil, err
	}
	return p, nil
}

// isTerminalOut says whether somebody may watch what is written.
func isTerminalOut(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// isGone says whether a stream ended because its port went.
func isGone(err error) bool { return errors.Is(err, port.ErrGone) || errors.Is(err, io.EOF) }
