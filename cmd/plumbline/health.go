package main

import (
	"fmt"
	"time"

	"plumbline/decode"
	"plumbline/decode/traffic"
	"plumbline/poll/link"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// A health follows how polled lines do and says it below the readings. The nil
// health does nothing.
type health struct {
	show  *pollPrinter
	lines []*healthOfLine
}

// healthOfLine is one line's statistics.
type healthOfLine struct {
	line  *line.Line
	link  *link.Link
	state *traffic.State
	said  time.Duration   // when it was shown last, steady
	given map[string]bool // JSON: what was given already
}

// healthEvery is how often a long run shows the health of its lines.
const healthEvery = time.Minute

// healthWidth is the width of what is shown, in characters.
const healthWidth = 100

// newHealth follows lines; nil where nobody asked for it.
func newHealth(show *pollPrinter, lines []*line.Line) *health {
	if !show.flags.health {
		return nil
	}
	h := &health{show: show}
	for _, l := range lines {
		h.lines = append(h.lines, &healthOfLine{line: l, state: traffic.New(traffic.ConfigOf(l, traffic.Client)), given: map[string]bool{}})
	}
	return h
}

// of is what is kept of a line.
func (h *health) of(l *line.Line) *healthOfLine {
	if h == nil {
		return nil
	}
	for _, o := range h.lines {
		if o.line == l {
			return o
		}
	}
	return nil
}

// linked notes the link of a line, which counts what is in no exchange.
func (h *health) linked(l *line.Line, k *link.Link) {
	if o := h.of(l); o != nil {
		o.link = k
	}
}

// event takes one event of a line; at the end of a cycle it may be time to say
// how the line does.
func (h *health) event(l *line.Line, e decode.Event) {
	o := h.of(l)
	if o == nil {
		return
	}
	o.state.Add(e)
	if e.Cycle == nil {
		return
	}
	if o.said == 0 {
		o.said = e.Cycle.Began.Steady
	}
	if e.At.Steady-o.said >= healthEvery {
		o.said = e.At.Steady
		h.say(o, false)
	}
}

// say shows how a line does. JSON gives on the way only what is new.
func (h *health) say(o *healthOfLine, last bool) {
	o.count()
	out := h.show.out
	if !h.show.flags.asJSON {
		h.show.keep(paper.WriteText(out, traffic.Health(o.state), healthWidth))
		fmt.Fprintln(out)
		h.show.keep(out.Flush())
		return
	}
	var fresh []traffic.Finding
	for _, f := range o.state.Findings() {
		key := f.Code + " " + f.Subject + " " + f.Claim.String()
		if last || !o.given[key] {
			fresh = append(fresh, f)
		}
		o.given[key] = true
	}
	h.show.keep(o.state.WriteJSON(out, fresh))
	h.show.keep(out.Flush())
}

// count takes over what the link counted.
func (o *healthOfLine) count() {
	if o.link == nil {
		return
	}
	c := o.link.Statistics()
	o.state.Count(traffic.Counts{
		Unasked: c.Foreign + c.Refused, Noise: c.Noise, Late: c.Late, Twice: c.Duplicates, Reconnects: c.Reconnects,
	})
}

// finish shows all lines at the end. The exit code is that of the readings
// unless those are well and a line is not.
func (h *health) finish(readings func() error) error {
	if h == nil {
		return readings()
	}
	trouble := false
	for _, o := range h.lines {
		h.say(o, true)
		trouble = trouble || traffic.Trouble(o.state.Findings())
	}
	err := readings()
	if err == nil && trouble {
		return errSeen
	}
	return err
}
