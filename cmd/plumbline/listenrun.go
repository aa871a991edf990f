package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/decode/segment"
	"plumbline/decode/traffic"
	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// A listenJob is one run of listen.
type listenJob struct {
	streams *streams
	flags   listenFlags
	line    *line.Line
	clock   decode.Clock
	source  decode.Source
	open    func(context.Context, *line.Line) (link.Stream, error)
	book    stationBook

	show   *listenShow
	wire   *wire
	tape   *tape
	state  *traffic.State // with what the line's speed tells
	plain  *traffic.State // without: for ears that do not part frames
	counts traffic.Counts
	stop   context.CancelFunc
	failed bool // the recording broke off
	began  decode.Stamp
	floods int           // how often the line was never silent
	pause  time.Duration // before the port is opened again
}

func newListening(s *streams, l *line.Line, book stationBook, f listenFlags) *listenJob {
	return &listenJob{streams: s, flags: f, line: l, book: book, clock: decode.NewClock(), source: decode.NewSource(), open: openListening}
}

// Pauses between tries to open a port that is gone. Ours.
const (
	firstAgain = 200 * time.Millisecond
	mostAgain  = 5 * time.Second
)

// run listens until ctx ends, through losses of the port, and says how it went.
func (j *listenJob) run(ctx context.Context) error {
	ctx, j.stop = context.WithCancel(ctx)
	defer j.stop()
	stream, err := j.open(ctx, j.line)
	if err != nil {
		return verdict{exitNoReply, err}
	}
	if j.flags.write != "" {
		if err := j.record(); err != nil {
			stream.Close()
			return err
		}
	}
	j.line.Serial.Port = j.stableName()
	j.begin()
	j.began = j.clock()
	for {
		before := j.wire.heard.bytes
		err := j.wire.listen(ctx, stream)
		stream.Close()
		if j.pause = max(j.pause, firstAgain); j.wire.heard.bytes > before {
			j.pause = firstAgain // else it comes and goes
		}
		if ctx.Err() != nil {
			break
		}
		if stream = j.again(ctx, err); stream == nil {
			break
		}
	}
	return j.end(j.clock().Sub(j.began))
}

// stableName is the name under which the adapter is found again after it was
// unplugged; the name that was given is shown.
func (j *listenJob) stableName() string { return port.Stable(j.line.Serial.Port) }

// begin makes everything ready that hears.
func (j *listenJob) begin() {
	j.show = newListenShow(j.streams.out, j.line, j.book, j.flags.asJSON)
	config := traffic.ConfigOf(j.line, traffic.Between)
	j.state = traffic.New(config)
	config.Serial = line.Serial{}
	j.plain = traffic.New(config)
	j.wire = newWire(j.line, j.clock, j.source, hears{
		chunk: j.chunk, exchange: j.exchange, settled: j.settled, quiet: j.quiet, flood: j.flood,
		piece: j.show.piece,
	})
	j.show.begin()
}

// event gives an event to the statistics.
func (j *listenJob) event(e decode.Event) {
	j.state.Add(e)
	j.plain.Add(e)
}

func (j *listenJob) chunk(b []byte, at decode.Stamp, damaged int) {
	comments := []string(nil)
	if damaged > 0 {
		comments = append(comments, count(damaged, "character")+" with a parity or framing error")
	}
	j.taped(j.tape.add(b, at, comments...))
}

// taped notes that the recording broke off, and says so once.
func (j *listenJob) taped(err error) {
	if err != nil && !j.failed {
		j.failed = true
		fmt.Fprintf(j.streams.err, "%s cannot be written on: %s; listening goes on without it\n", paper.Text(j.flags.write), paper.Text(err.Error()))
	}
}

func (j *listenJob) exchange(h segment.Heard) {
	if h.Outcome == segment.Unasked || h.Outcome == segment.Undecided {
		j.counts.Unasked++
	} else {
		j.event(decode.Event{At: h.Done, Exchange: h.Exchange})
	}
	j.show.exchange(h)
}

func (j *listenJob) settled(waiting bool) {
	j.show.settled(waiting)
	if j.show.failed != nil && j.tape == nil {
		j.stop() // nobody reads on, and nothing is kept
	}
}

func (j *listenJob) quiet(now decode.Stamp) {
	silent := now.Sub(j.wire.last)
	if j.wire.heard.bytes == 0 {
		silent = now.Sub(j.began)
	}
	j.show.quiet(silent)
	j.taped(j.tape.flush(now))
}

// flood says that a line is never silent, or is silent again.
func (j *listenJob) flood(f flood, over bool, at decode.Stamp) {
	words := fmt.Sprintf("%02X without end: the line is never silent; an open line without bias, a driver that stays on, or a break. Its bytes are counted, not looked at", f.value)
	if over {
		words = fmt.Sprintf("silent again after %d times %02X in %s", f.run, f.value, waited(at.Sub(f.since)))
	} else {
		j.floods++
		j.event(decode.Event{At: at, Finding: &decode.Finding{Code: "never-silent", Subject: "line " + j.line.Name, Claim: decode.Settled,
			Words: fmt.Sprintf("%02X came without end, from %s", f.value, instant(f.since.Wall)),
			Do:    "look for a driver that stays on, a wire that is open, and the bias: 200 mV at least between the wires when idle"}})
	}
	j.tell(at, words)
}

// tell shows a remark, and keeps it with the bytes.
func (j *listenJob) tell(at decode.Stamp, words string) {
	if j.flags.asJSON {
		fmt.Fprintln(j.streams.err, paper.Text(words))
	}
	j.show.note(at, words)
	j.tape.comment(words)
}

// again opens a port that is gone, with growing pauses; nil when ctx ended.
func (j *listenJob) again(ctx context.Context, err error) link.Stream {
	now := j.clock()
	why := "the port is gone"
	if !isGone(err) {
		why = "the port cannot be read: " + err.Error()
	}
	j.tell(now, why+"; it is opened again when it is back")
	j.event(decode.Event{At: now, Line: &decode.LineState{Line: j.line.Name, Why: why}})
	for {
		if !waitFor(ctx, j.pause) {
			return nil
		}
		j.pause = min(2*j.pause, mostAgain)
		stream, err := j.open(ctx, j.line)
		if err != nil {
			continue
		}
		now := j.clock()
		j.tell(now, "the port is back")
		j.event(decode.Event{At: now, Line: &decode.LineState{Line: j.line.Name, Up: true}})
		return stream
	}
}

// waitFor waits, and says false when ctx ended before.
func waitFor(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// partedShare is the share of frames that came in one chunk with the one before
// from which on the pauses between frames are not judged. Ours.
const partedShare = 0.01

// judged is the statistics that hold: pauses are judged only where the adapter
// lets them be heard.
func (j *listenJob) judged() *traffic.State {
	if h := j.wire.heard; float64(h.joined) > partedShare*float64(h.frames) {
		return j.plain
	}
	return j.state
}

// end says how it went: the summary, the report, and the exit code.
func (j *listenJob) end(lasted time.Duration) error {
	j.taped(j.tape.close())
	state := j.judged()
	j.counts.Noise = uint64(j.wire.heard.noise)
	state.Count(j.counts)
	found := state.Findings()
	summary := j.out()
	fmt.Fprintln(summary, paper.Block(j.summary(lasted, found)))
	if err := j.report(state); err != nil {
		return err
	}
	if j.show.failed != nil {
		return verdict{code: exitDone} // nobody reads on
	}
	h := j.wire.heard
	switch {
	case h.bytes == 0:
		return nothingHeard(j.line, lasted)
	case h.certain == 0 && h.noise > h.bytes/2 || h.frames == 0:
		return verdict{exitWrong, fmt.Errorf("%s came and make no frame as %s; --find tries other settings", count(int(h.bytes), "byte"), settingsOf(j.line))}
	case traffic.Trouble(found) || j.failed || j.floods > 0:
		return errSeen
	}
	return nil
}

// out is where the summary goes: beside JSON lines it would be a stranger.
func (j *listenJob) out() io.Writer {
	if j.flags.asJSON {
		return j.streams.err
	}
	j.show.over()
	j.show.showLoose()
	fmt.Fprintln(j.show.out)
	j.show.flush()
	return j.streams.out
}

// summary is the whole run in a few lines.
func (j *listenJob) summary(lasted time.Duration, found []traffic.Finding) string {
	h := j.wire.heard
	text := fmt.Sprintf("%s and %s in %s", count(h.frames, "frame"), count(int(h.noise), "byte")+" in no frame", waited(lasted))
	if h.possible > 0 {
		text += fmt.Sprintf("; %d of the frames only possible", h.possible)
	}
	if h.spoiled > 0 {
		text += fmt.Sprintf("; %d more damaged or cut", h.spoiled)
	}
	if h.damaged > 0 {
		text += fmt.Sprintf("; %s with parity or framing errors", count(h.damaged, "character"))
	}
	if j.floods > 0 {
		text += fmt.Sprintf("; %s without a silence", count(j.floods, "time"))
	}
	trouble := slices.DeleteFunc(slices.Clone(found), func(f traffic.Finding) bool { return !f.Trouble() })
	if len(trouble) > 0 {
		text += fmt.Sprintf("\n%s, the worst: %s", count(len(trouble), "thing")+" wrong", trouble[0].Words)
		if !j.flags.report {
			text += "\n--report says more"
		}
	}
	return text
}

// report writes what the traffic shows, where it was asked for.
func (j *listenJob) report(state *traffic.State) error {
	if !j.flags.report {
		return nil
	}
	if !j.flags.asJSON && j.flags.output == "" {
		fmt.Fprintln(j.streams.out)
	}
	r := trafficReport{names: []string{j.line.Where()}, lines: []*trafficLine{{name: j.line.Name, state: state, counts: j.counts, timed: true}}}
	return r.write(j.streams.out, decodeFlags{asJSON: j.flags.asJSON, output: j.flags.output})
}
