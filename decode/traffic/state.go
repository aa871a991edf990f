package traffic

import (
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A State is everything kept of a stream of exchanges, in bounded memory. Make
// one with New. It is for one goroutine at a time.
type State struct {
	config Config

	units [256]*unit
	rows  map[key]*row
	order []*row // the same, by unit, function and address

	began, ends decode.Stamp
	set         bool
	exchanges   uint64 // requests that left
	unsent      uint64 // requests that could not leave
	broadcasts  uint64
	frames      time.Duration // bytes on the line; 0 where the speed is not known
	held        time.Duration // from a request's first bit to the end of its wait
	freeAt      time.Duration // end of the latest exchange
	asked       time.Duration // line time that all requests but the last need on the serial line
	askedLast   time.Duration
	askedFrom   time.Duration // when the first request began
	askedTo     time.Duration // when the last began
	timeline    timeline

	previous *decode.Exchange
	prevFrom time.Duration
	overlaps evidence // requests that began before the one before was answered
	hasty    evidence // requests that began too soon after an answer
	rated    uint64   // requests whose silence before them is known
	counts   sequences
	writes   writeLog
	told     told
	cycles   cycles
	port     port
	heard    Counts
}

// New is an empty state.
func New(c Config) *State { return &State{config: c, rows: map[key]*row{}} }

// Counts is what a link counts beside its exchanges, all from its beginning.
type Counts struct {
	Unasked    uint64 // whole frames that answer nothing asked
	Noise      uint64 // bytes that belong to no frame
	Late       uint64 // answers that came after the wait for them had ended
	Twice      uint64 // second answers to one request
	Reconnects uint64
}

// Count takes over what a link has counted so far.
func (s *State) Count(c Counts) { s.heard = c }

// Add takes one event; those that say nothing about the line are passed over.
func (s *State) Add(e decode.Event) {
	switch {
	case e.Exchange != nil:
		s.exchange(e.Exchange)
	case e.Cycle != nil:
		s.cycles.add(e.Cycle, e.At)
	case e.Line != nil:
		s.port.add(e.Line, e.At)
	case e.Finding != nil:
		s.told.add(e.Finding)
	}
}

// exchange counts one exchange.
func (s *State) exchange(x *decode.Exchange) {
	if !s.set {
		s.set, s.began = true, began(x)
	}
	if x.Done.Steady >= s.ends.Steady {
		s.ends = x.Done
	}
	s.told.exchange(x)
	if x.Sent == nil && !heard(x) {
		s.unsent++
		return
	}
	from := s.from(x)
	s.occupy(x, from)
	if x.Request.Changes() {
		s.note(x)
	}
	if s.broadcast(x) {
		s.broadcasts++
		s.pass(x, from)
		return
	}
	s.exchanges++
	u := s.unit(x.Unit)
	r := s.row(u, x)
	again := s.repeats(x, r, from)
	if again {
		u.repeats++
		u.repeated.add(x, 0)
	}
	s.silences(u, x, from)
	s.judgeTimes(u, x)
	if echoes(x) {
		u.echoed.add(x, 0)
	}
	u.add(x, from)
	r.add(x, from, again)
	s.counts.add(x)
	s.pass(x, from)
}

// pass remembers an exchange as the one before.
func (s *State) pass(x *decode.Exchange, from time.Duration) {
	s.previous, s.prevFrom = x, from
	s.freeAt = max(s.freeAt, x.Done.Steady)
}

// unit finds or makes a unit.
func (s *State) unit(n regmap.Unit) *unit {
	if s.units[n] == nil {
		s.units[n] = &unit{number: n}
	}
	return s.units[n]
}

// broadcast says whether nobody answers.
// Source: Modbus over Serial Line V1.02, 2.1.
func (s *State) broadcast(x *decode.Exchange) bool {
	return x.Framing != line.MBAP && x.Unit == regmap.Broadcast && x.Received == nil
}

// charTime is how long a character takes; 0 where that is not known.
func (s *State) charTime() time.Duration { return frame.CharTime(s.config.Serial, s.config.Framing) }

// from is when a request's first bit left, as far as can be told: a request
// that was repeated is stamped with its last try.
func (s *State) from(x *decode.Exchange) time.Duration {
	if x.Tries > 1 || x.Left.IsZero() {
		return began(x).Steady
	}
	return x.Left.Steady - time.Duration(len(x.Sent))*s.charTime()
}

// occupy counts how long the exchange kept the line.
func (s *State) occupy(x *decode.Exchange, from time.Duration) {
	bytes := len(x.Sent)*max(x.Tries, 1) + len(x.Received)
	frames := time.Duration(bytes) * s.charTime()
	s.frames += frames
	if s.config.paced() {
		if s.askedTo == 0 {
			s.askedFrom = from
		}
		s.asked, s.askedTo = s.asked+s.askedLast, max(from, s.askedTo)
		s.askedLast = time.Duration(max(x.Tries, 1)) * frame.LineTime(x.Request, s.config.Serial, s.config.framingOnWire())
	}
	start := max(from, s.freeAt)
	if !s.timeline.set {
		start = from
	}
	if end := x.Done.Steady; end > start {
		s.held += end - start
		s.timeline.add(start, end, frames, !heard(x))
	} else {
		s.timeline.add(end, end, 0, !heard(x))
	}
}

// repeats says whether an exchange asks again what was just not answered, as
// heard traffic shows it; a client of ours counts its tries itself.
func (s *State) repeats(x *decode.Exchange, r *row, from time.Duration) bool {
	return s.config.Seen != Client && r.open && s.previous != nil && !heard(s.previous) &&
		keyOf(s.previous.Unit, s.previous.Request) == keyOf(x.Unit, x.Request)
}

// silences counts the silence before a request and whether it was answered.
func (s *State) silences(u *unit, x *decode.Exchange, from time.Duration) {
	p := s.previous
	if p == nil {
		return
	}
	if s.config.Framing != line.MBAP && from < p.Done.Steady && s.config.Seen == Between {
		s.overlaps.add(x, 0)
		return
	}
	if p.Received == nil {
		return
	}
	silence := max(from-p.Done.Steady, 0)
	if x.Tries > 1 { // when its first try left is not known, but what was kept is
		silence = max(silence, frame.Gap35(s.config.Serial)+s.config.timing(x.Unit).Pause)
	}
	if s.config.Framing == line.MBAP && from < p.Done.Steady {
		return // several are open at once
	}
	to := &u.afterSelf
	if p.Unit != x.Unit {
		to = &u.afterOther
	}
	to.add(silence, !heard(x) || x.Tries > 1, x)
	if s.config.Framing == line.RTU && s.config.paced() && s.config.Seen == Between && x.Tries <= 1 {
		s.rated++
		if from-p.Done.Steady < frame.Gap35(s.config.Serial) {
			s.hasty.add(x, -float64(from-p.Done.Steady))
		}
	}
}

// judgeTimes counts answers that came too late or too early.
func (s *State) judgeTimes(u *unit, x *decode.Exchange) {
	if !heard(x) || x.Left.IsZero() || x.First.IsZero() || x.Tries > 1 {
		return
	}
	took := x.First.Sub(x.Left)
	if limit := s.config.timing(x.Unit).Response; limit > 0 && took > limit {
		u.late.add(x, float64(took))
	}
	if s.config.Framing == line.RTU && s.config.paced() && s.config.Seen != Station && took < frame.Gap35(s.config.Serial) {
		u.early.add(x, -float64(took))
	}
}

// echoes says whether what came instead of an answer begins with the request.
// A write's answer is its own copy, so reads only.
func echoes(x *decode.Exchange) bool {
	return !heard(x) && len(x.Sent) > 0 && len(x.Received) >= len(x.Sent) && string(x.Received[:len(x.Sent)]) == string(x.Sent) && !x.Request.Changes()
}
