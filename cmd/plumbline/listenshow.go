package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// A listenShow shows what is heard as it comes: a row an exchange, the points of
// each below it; or JSON lines, those of decode for frames and those of poll for
// readings.
type listenShow struct {
	out     *bufio.Writer
	asJSON  bool
	line    *line.Line
	station func(regmap.Unit) *line.Station // nil where no map is known

	frames  *decoder
	queue   frameQueue
	pending []decode.Reading // JSON: behind the frames that they come from
	good    map[readingKey]decode.Reading

	watched   bool          // on a terminal: silence is shown too
	silent    time.Duration // as it is shown; 0: it is not
	loose     int           // bytes that are no frame, not shown yet
	looseHead []byte        // the first of them
	failed    error         // standard output is gone
}

func newListenShow(out io.Writer, l *line.Line, station func(regmap.Unit) *line.Station, asJSON bool) *listenShow {
	s := &listenShow{out: bufio.NewWriter(out), asJSON: asJSON, line: l, station: station, good: map[readingKey]decode.Reading{}}
	s.watched = !asJSON && isTerminalOut(out)
	s.frames = &decoder{out: s.out, asJSON: true}
	if station != nil {
		s.frames.maps = func(u regmap.Unit) *regmap.Map {
			if st := station(u); st != nil {
				return st.Map
			}
			return nil
		}
	}
	s.queue = frameQueue{stream: &capture.Stream{Number: 1, Medium: line.SerialPort}, give: func(i capture.Item) { s.keep(s.frames.item(i)) }}
	return s
}

// keep remembers the first fault of standard output.
func (s *listenShow) keep(err error) {
	if s.failed == nil {
		s.failed = err
	}
}

// flush gives on what is buffered.
func (s *listenShow) flush() { s.keep(s.out.Flush()) }

// begin says what is listened to.
func (s *listenShow) begin() {
	if s.asJSON {
		return
	}
	fmt.Fprintf(s.out, "%s\n\n", paper.Text(headOf(s.line)))
	s.columns("time", "unit", "asked", "place", "answer", "")
	s.flush()
}

// headOf is a line with its settings, and that it is only listened to.
func headOf(l *line.Line) string {
	head := l.Where()
	if l.Name != "" && l.Name != l.Serial.Port {
		head = l.Name + ", " + head
	}
	return head + ", only listening"
}

// columns is one row.
func (s *listenShow) columns(time, unit, asked, place, answer, result string) {
	text := fmt.Sprintf("%-12s  %4s  %-29s  %-28s  %8s  %s", time, unit, asked, place, answer, result)
	fmt.Fprintln(s.out, strings.TrimRight(text, " "))
}

// piece takes a piece of what was heard.
func (s *listenShow) piece(p segment.Piece, _ bool) {
	if s.asJSON {
		s.queue.piece(p)
		return
	}
	if p.Kind == segment.Frame || p.Direction == frame.Answering {
		return // shown with its exchange
	}
	if room := mostLoose - len(s.looseHead); room > 0 {
		s.looseHead = append(s.looseHead, p.Bytes[:min(room, len(p.Bytes))]...)
	}
	s.loose += len(p.Bytes)
}

// settled gives on what waits for no exchange.
func (s *listenShow) settled(waiting bool) {
	if !s.asJSON {
		return
	}
	s.queue.settled(waiting)
	if !waiting {
		for _, r := range s.pending {
			var row bytes.Buffer
			s.keep(writeRow(&row, r))
			_, err := s.out.Write(plainJSON(row.Bytes()))
			s.keep(err)
		}
		s.pending = s.pending[:0]
	}
	s.flush()
}

// exchange takes an exchange.
func (s *listenShow) exchange(h segment.Heard) {
	readings := s.readings(h)
	if s.asJSON {
		s.queue.exchange(h)
		s.pending = append(s.pending, readings...)
		return
	}
	s.over()
	s.showLoose()
	w := wordsOf(h, s.station != nil && s.station(h.Unit) != nil)
	s.columns(clockTime(beganAt(h)), fmt.Sprint(h.Unit), w.asked, w.place, w.latency, paper.Text(w.result))
	s.points(h, readings)
	s.flush()
}

// showLoose shows the bytes that are no frame.
func (s *listenShow) showLoose() {
	if s.loose == 0 {
		return
	}
	s.over()
	dots := ""
	if s.loose > len(s.looseHead) {
		dots = " ..."
	}
	fmt.Fprintf(s.out, "%20s%s no frame: %s%s\n", "", count(s.loose, "byte")+isAre(s.loose), hexBytes(s.looseHead, 0, 0), dots)
	s.loose, s.looseHead = 0, s.looseHead[:0]
}

func isAre(n int) string {
	if n == 1 {
		return " is"
	}
	return " are"
}

// note shows something that happened to the line.
func (s *listenShow) note(at decode.Stamp, words string) {
	if s.asJSON {
		return // standard error has it
	}
	s.over()
	s.showLoose()
	fmt.Fprintf(s.out, "%-12s  %s\n", clockTime(at), paper.Text(words))
	s.flush()
}

// quiet is a moment without anything; nothing has come for so long.
func (s *listenShow) quiet(silent time.Duration) {
	if s.loose > 0 {
		s.showLoose()
		s.flush()
	}
	if silent = silent.Truncate(time.Second); s.watched && silent >= silenceShown && silent != s.silent {
		s.silent = silent
		fmt.Fprintf(s.out, "\rnothing for %s ", decode.Seconds(silent))
		s.flush()
	}
}

// silenceShown is from when on a terminal shows that nothing comes. Ours.
const silenceShown = 3 * time.Second

// over takes away what is shown of a silence.
func (s *listenShow) over() {
	if s.silent > 0 {
		fmt.Fprintf(s.out, "\r%30s\r", "")
		s.silent = 0
	}
}

// readings are the points that an exchange asked for whole.
func (s *listenShow) readings(h segment.Heard) (out []decode.Reading) {
	span, ok := h.Request.Reads()
	if !ok || h.Asked == nil || h.Outcome == segment.Again || s.station == nil || h.Unit == regmap.Broadcast {
		return nil
	}
	st := s.station(h.Unit)
	if st == nil {
		return nil
	}
	for p := range st.Map.Readings {
		if at := p.Span(); p.Derived() || at.Table != span.Table || at.First < span.First || at.End() > span.End() {
			continue
		}
		r := decode.Read(h.Exchange, p)
		if h.Answer != nil && h.Answer.Certainty == segment.Possible {
			r = r.Doubted(regmap.Checksum)
		}
		r.Station = st.Name
		key := readingKey{st.Name, h.Unit, p}
		if last, ok := s.good[key]; ok {
			r.Last, r.LastAt = last.Value, last.Time
		}
		if r.Value.Quality() != regmap.Bad {
			s.good[key] = r
		}
		out = append(out, r)
	}
	return out
}

// pointsWidth is how far points reach in a row of them.
const pointsWidth = 100

// points shows what was read or written, by its points.
func (s *listenShow) points(h segment.Heard, readings []decode.Reading) {
	var words []string
	for _, r := range readings {
		if len(r.Point.Fields) > 0 || r.Value.Quality() == regmap.Bad && !h.Answered() {
			continue // a word with named bits is shown by its bits; the row says already that nothing came
		}
		words = append(words, readingWords(r))
	}
	if _, writes := h.Request.Writes(); writes && h.Asked != nil {
		for _, p := range s.frames.points(frameOf(capture.Item{Stream: s.queue.stream, Piece: h.Asked})) {
			if len(p.point.Fields) == 0 && p.Raw != nil {
				words = append(words, "write "+p.words())
			}
		}
	}
	row := ""
	for _, w := range words {
		if w = paper.Text(w); row != "" && len(row)+len(w)+4 > pointsWidth-20 {
			fmt.Fprintf(s.out, "%20s%s\n", "", row)
			row = ""
		}
		if row != "" {
			row += "    "
		}
		row += w
	}
	if row != "" {
		fmt.Fprintf(s.out, "%20s%s\n", "", row)
	}
}

// readingWords is a reading in a row of them.
func readingWords(r decode.Reading) string {
	s := strings.TrimSpace(r.Point.Name + "  " + r.Point.Shown(r.Value) + " " + r.Point.Units)
	if r.Value.Quality() != regmap.Good {
		s += "  " + r.Value.Quality().String() + ": " + r.Reason
	}
	return s
}
