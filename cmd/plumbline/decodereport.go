package main

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/decode/traffic"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// mostLines is how many pairs of client and server a report parts; what lies
// beyond is counted.
const mostLines = 32

// runReport says what the traffic shows.
func runReport(out io.Writer, in *decodeInput) error {
	r, err := newTrafficReport(in)
	if err != nil {
		return err
	}
	err = in.each(r)
	if err != nil && in.fault == nil {
		return err
	}
	r.finish()
	if len(r.lines) == 0 {
		if err == nil {
			err = in.nothing("exchange")
		}
		return err
	}
	if shown := r.write(out, in.flags); shown != nil {
		return shown
	}
	switch {
	case err != nil:
		return err
	case slices.ContainsFunc(r.lines, func(l *trafficLine) bool { return traffic.Trouble(l.state.Findings()) }):
		return errSeen
	}
	return nil
}

// A trafficReport gathers the exchanges of all input, those of each client and
// server apart. It is a hearer.
type trafficReport struct {
	config  traffic.Config
	names   []string
	lines   []*trafficLine
	byPair  map[string]*trafficLine
	beyond  map[string]bool // pairs that are not kept apart
	pairer  hexPairer
	notes   []string
	unnoted int
	sums    []string
}

// A trafficLine is one client's talk with one server, or a serial line.
type trafficLine struct {
	name   string
	state  *traffic.State
	counts traffic.Counts
	timed  bool
}

// newTrafficReport makes ready for the input; a bare map is held against each
// unit that the input speaks of, which takes reading it twice.
func newTrafficReport(in *decodeInput) (*trafficReport, error) {
	r := &trafficReport{byPair: map[string]*trafficLine{}, beyond: map[string]bool{}, names: in.args}
	r.config.Seen = traffic.Between
	maps, l, err := openMaps(in.flags.mapFile)
	switch {
	case err != nil || maps == nil:
		return r, err
	case l != nil:
		r.config = traffic.ConfigOf(l, traffic.Between)
		return r, nil
	case len(in.args) == 0:
		return nil, notUnderstood("--report with a map reads its input twice: give a file, or a line file in place of the map")
	}
	var units unitsSeen
	if err := in.each(&units); err != nil && in.fault == nil {
		return nil, err
	}
	for u, seen := range units.seen {
		if seen {
			r.config.Stations = append(r.config.Stations, line.Station{Unit: regmap.Unit(u), Map: maps(regmap.Unit(u))})
		}
	}
	return r, nil
}

func (r *trafficReport) wants() capture.Settings {
	return capture.Settings{Serial: r.config.Serial, ExchangesOnly: true}
}

// message takes one frame of hex text.
func (r *trafficReport) message(m *decode.Message, _ int64) error {
	for _, h := range r.pairer.take(m) {
		r.exchange(nil, &h)
	}
	return nil
}

// item takes one thing of a capture or of raw bytes.
func (r *trafficReport) item(i capture.Item) error {
	switch {
	case i.Heard != nil:
		r.exchange(i.Stream, i.Heard)
	case i.Note != nil:
		r.note(i.Stream, i.Note)
	case i.Piece != nil && (i.Piece.Kind == segment.Noise || i.Piece.Kind != segment.Frame && i.Piece.Direction != frame.Answering):
		// Damaged requests are part of no exchange; damaged answers are.
		if l := r.line(i.Stream, i.Piece.Framing); l != nil {
			l.counts.Noise += uint64(len(i.Piece.Bytes))
		}
	}
	return nil
}

// exchange takes one exchange.
func (r *trafficReport) exchange(s *capture.Stream, h *segment.Heard) {
	l := r.line(s, h.Framing)
	if l == nil {
		return
	}
	l.timed = l.timed || !h.Done.IsZero()
	switch h.Outcome {
	case segment.Unasked, segment.Undecided:
		l.counts.Unasked++
	default:
		l.state.Add(decode.Event{At: h.Done, Exchange: h.Exchange})
	}
}

// line is the line of a stream; nil beyond the bounds.
func (r *trafficReport) line(s *capture.Stream, f line.Framing) *trafficLine {
	name, where := "", f.String()
	switch {
	case s == nil:
		if f == 0 {
			where = "PDUs without framing"
		}
	case s.Medium == line.SerialPort:
		where = "serial " + where
	default:
		name = s.Client.Addr().String() + " to " + s.Server.String()
		where = fmt.Sprintf("%s %s %s", s.Medium, s.Server, f)
	}
	if l := r.byPair[name]; l != nil {
		return l
	}
	if len(r.lines) == mostLines {
		if len(r.beyond) < 1<<16 {
			r.beyond[name] = true
		}
		return nil
	}
	c := r.config
	c.Framing, c.Where = f, where
	if c.Name == "" {
		c.Name = name
	}
	l := &trafficLine{name: name, state: traffic.New(c)}
	r.lines, r.byPair[name] = append(r.lines, l), l
	return l
}

// mostNotes is how many notes a report shows.
const mostNotes = 100

func (r *trafficReport) note(s *capture.Stream, n *capture.Note) {
	if len(r.notes) == mostNotes {
		r.unnoted++
		return
	}
	words := noteWords(n)
	if len(n.Bytes) > 0 {
		words += ": " + hexBytes(n.Bytes, 0, 0)
	}
	if w := way(s, n.FromClient); w != "" {
		words = w + "  " + words
	}
	if !n.At.IsZero() {
		words = instant(n.At.Wall) + "  " + words
	}
	r.notes = append(r.notes, words)
}

func (r *trafficReport) ends(name string, sum *capture.Summary, err error) error {
	if sum == nil {
		return nil
	}
	r.sums = append(r.sums, name+": "+summaryWords(sum))
	if err != nil {
		r.sums = append(r.sums, name+": "+err.Error())
	}
	return nil
}

// finish ends what still waits.
func (r *trafficReport) finish() {
	for _, h := range r.pairer.flush() {
		r.exchange(nil, &h)
	}
	for _, l := range r.lines {
		l.state.Count(l.counts)
	}
}

// write gives the findings as JSON lines, or the report.
func (r *trafficReport) write(out io.Writer, f decodeFlags) error {
	if !f.asJSON {
		return writeDocument(out, r.document(), f.output)
	}
	for _, l := range r.lines {
		var text bytes.Buffer
		if err := l.state.WriteJSON(&text, l.state.Findings()); err != nil {
			return err
		}
		lines := plainJSON(text.Bytes())
		if !l.timed {
			lines = []byte(timeWords.Replace(string(lines)))
		}
		if _, err := out.Write(lines); err != nil {
			return verdict{code: exitDone} // nobody reads on
		}
	}
	return nil
}

// document is the report: that of the one line, or of each below its name.
func (r *trafficReport) document() paper.Document {
	d := r.lines[0].document()
	if len(r.lines) > 1 {
		d.Title, d.Subtitle = "Traffic of "+count(len(r.lines), "line"), ""
		var blocks []paper.Piece
		for i, l := range r.lines {
			part := l.document()
			if i > 0 {
				blocks = append(blocks, paper.PageBreak{})
			}
			blocks = append(blocks, paper.Heading{Level: 1, Text: part.Title}, paper.Paragraph{Text: part.Subtitle})
			for _, b := range part.Blocks {
				if h, ok := b.(paper.Heading); ok {
					h.Level++
					b = h
				}
				blocks = append(blocks, b)
			}
			d.Date = latest(d.Date, part.Date)
		}
		d.Blocks = blocks
	}
	d.Blocks = append(d.Blocks, r.about()...)
	return d
}

// document is the report of one line.
func (l *trafficLine) document() paper.Document {
	d := traffic.Report(l.state)
	if l.name == "" {
		d.Title = "Traffic that was heard"
	}
	if !l.timed {
		d = withoutTimes(d)
	}
	return d
}

// about is what the input held beside exchanges.
func (r *trafficReport) about() []paper.Piece {
	out := []paper.Piece{paper.Heading{Level: 1, Text: "What was read"}}
	text := slices.Clone(r.sums)
	if len(r.names) > 0 && len(text) == 0 {
		text = append(text, strings.Join(r.names, ", "))
	}
	if n := len(r.beyond); n > 0 {
		text = append(text, fmt.Sprintf("%s more are not reported on", count(n, "pair")+" of client and server"))
	}
	if !slices.ContainsFunc(r.lines, func(l *trafficLine) bool { return l.timed }) {
		text = append(text, "What was read carries no times: what needs them is left out.")
	}
	if len(text) == 0 {
		text = append(text, "standard input")
	}
	out = append(out, paper.Paragraph{Text: strings.Join(text, "\n")})
	if len(r.notes) > 0 {
		notes := r.notes
		if r.unnoted > 0 {
			notes = append(slices.Clone(notes), fmt.Sprintf("and %d more", r.unnoted))
		}
		out = append(out, paper.Heading{Level: 2, Text: "What is no frame"}, paper.Verbatim{Text: strings.Join(notes, "\n")})
	}
	return out
}
