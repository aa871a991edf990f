package poll_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// An arrival is bytes as they came to the client, with where they come from.
type arrival struct {
	at    time.Time
	bytes []byte
	from  []origin
}

// A book keeps what was written and what arrived on the line of one run. From
// it, and not from what the client knows, answers are judged.
type book struct {
	station  *station
	framing  line.Framing
	serial   line.Serial
	response time.Duration // the client's time limit
	forges   bool          // a script makes answers of something else

	mu         sync.Mutex
	sent       []*letter
	arrivals   []arrival
	doubts     []link.Doubt
	latest     time.Duration // the greatest age of an answer that came
	extras     int           // answers that came beyond the horizon, or once more
	firstExtra time.Time     // of these
	ancient    time.Time     // when the first came that was older than a minute
	oldest     time.Duration // age of an answer to a question asked before
	damaged    int           // answers that came damaged ...
	expected   float64       // ... and how many of them are expected to fit their check
}

// aMinute is how long any client remembers what it is owed: the horizon grows
// no further. What comes after that is found only as far as the numbers allow.
const aMinute = time.Minute

// send enters a request that the client writes.
func (b *book) send(frame []byte) *letter {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := &letter{number: len(b.sent) + 1, at: time.Now(), frame: frame}
	b.sent = append(b.sent, l)
	return l
}

// doubt enters what the client came to doubt.
func (b *book) doubt(d link.Doubt) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.doubts = append(b.doubts, d)
}

// arrive enters what came to the client.
func (b *book) arrive(came []byte, from []origin) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := time.Now()
	b.arrivals = append(b.arrivals, arrival{now, came, from})
	for _, o := range from {
		l := o.letter
		switch {
		case bytes.Contains(came, l.frame):
			l.heard = true
		case bytes.Contains(l.frame, came):
			if l.pieces += len(came); l.pieces >= len(l.frame) {
				l.heard = true
			}
		case b.framing != line.MBAP && !b.forged(l, came):
			b.damaged++
			b.expected += passes(b.framing, l.frame, came)
		}
		b.latest = max(b.latest, now.Sub(l.asked.at))
		if b.framing != line.MBAP && (o.again || b.late(l, now)) {
			if b.extras++; b.firstExtra.IsZero() {
				b.firstExtra = now
			}
			if b.ancient.IsZero() && now.Sub(l.asked.at) > aMinute {
				b.ancient = now
			}
		}
	}
}

// late says whether an answer comes later than the client believed possible: 3
// time limits from the request's last bit, and the answer's line time. What
// the client has learned of the horizon since is taken from its doubts only,
// so that the rig never believes it longer than the client does. With MBAP no
// answer is ever too late.
func (b *book) late(l *letter, now time.Time) bool {
	if b.framing == line.MBAP {
		return false
	}
	horizon := 3*b.response + lineTime(b.framing, b.serial, len(l.frame))
	for _, d := range b.doubts {
		if d.At.Wall.Before(now) {
			horizon = max(horizon, d.Horizon)
		}
	}
	return now.Sub(l.asked.at)-lineTime(b.framing, b.serial, len(l.asked.frame)) > horizon
}

// forged says whether a script made bytes out of a true answer by giving it
// another transaction, unit, function or length with the check made right.
func (b *book) forged(l *letter, came []byte) bool {
	if !b.forges || bytes.Equal(came, l.frame) {
		return false
	}
	was, err := frame.ParseADU(b.framing, l.frame)
	is, ierr := frame.ParseADU(b.framing, came)
	if err != nil || ierr != nil {
		return false
	}
	same := min(len(was.PDU), len(is.PDU))
	pdu := bytes.Equal(was.PDU, is.PDU)
	transaction, unit := was.Transaction == is.Transaction, was.Unit == is.Unit
	switch {
	case !transaction:
		return unit && pdu
	case !unit:
		return pdu
	case len(was.PDU) == len(is.PDU):
		return bytes.Equal(was.PDU[1:], is.PDU[1:])
	}
	return was.PDU[0] == is.PDU[0] && (same < 2 || bytes.Equal(was.PDU[2:same], is.PDU[2:same]))
}

// taken is what a client took for the good answer to a read.
type taken struct {
	number      uint64 // of the exchange
	unit        regmap.Unit
	request     frame.Request
	asked       time.Time // when the client was asked for it
	first, done time.Time // when the frame's bytes came
	received    []byte    // the frame
	items       []uint16  // what the client read out of it
}

// A class is what the rig finds a good answer to be.
type class uint8

const (
	unused class = iota // it was not called good
	right               // the true answer
	repeat              // the true answer to the same question, asked before within the horizon
	seen                // wrong, and the client could have known: the promise is broken
	chance              // wrong: damage that the check lets through, (b)
	beyond              // wrong: an answer beyond the horizon, or more answers than questions, (c)
)

// String is the class's word in messages.
func (c class) String() string {
	return [...]string{"not good", "right", "of a repeat", "(a) seen", "(b) by chance", "(c) beyond the horizon"}[c]
}

// judge finds what a good answer is.
func (b *book) judge(t taken) class {
	b.mu.Lock()
	defer b.mu.Unlock()
	o, made := b.origin(t)
	wrong := !b.valuesRight(t)
	switch {
	case o.letter != nil && !made && !asks(o.letter, t):
		wrong = true // even where the contents happen to be the same
	case !wrong && o.letter != nil && o.letter.asked.at.Before(t.asked):
		switch {
		case b.framing == line.MBAP:
			return seen // another transaction
		case holdsCounter(t.request) && (o.again || b.lateFor(o.letter, t) && !b.repeated(o.letter, t)):
			return beyond // the registers are right, the count is an old one
		}
		b.oldest = max(b.oldest, t.first.Sub(o.letter.asked.at))
		return repeat
	}
	switch {
	case !wrong:
		return right
	case !checkFits(b.framing, t.received):
		return seen
	case o.letter == nil && b.framing == line.MBAP:
		return seen
	case o.letter == nil, o.letter.garbled:
		return chance
	case o.again, b.lateFor(o.letter, t), b.booksOff(t):
		return beyond
	}
	return seen
}

// repeated says whether a question was asked again and again from a letter's
// asking on, never longer apart than the client may believe an answer to take:
// then it waits for any answer to it, as long as it goes on.
func (b *book) repeated(l *letter, t taken) bool {
	most := b.believed()
	at := l.asked.at
	for _, next := range b.sent[l.asked.number:] {
		if next.at.After(t.first) {
			break
		}
		if !bytes.Equal(next.frame, l.asked.frame) || next.at.Sub(at) > most {
			return false
		}
		at = next.at
	}
	return true
}

// believed is the most that the client may believe an answer to take: half as
// much again as the lateness seen, or what its doubts have told.
func (b *book) believed() time.Duration {
	most := max(3*b.response, b.latest*3/2)
	for _, d := range b.doubts {
		most = max(most, d.Horizon)
	}
	return most
}

// booksOff says whether an answer that was owed to nobody had come before: from
// then on each answer may be taken for the one after it, until a doubt is told.
func (b *book) booksOff(t taken) bool { return b.extras > 0 && !b.firstExtra.After(t.done) }

func (b *book) lateFor(l *letter, t taken) bool { return b.late(l, t.first) }

// asks says whether a letter answers the question that was asked.
func asks(l *letter, t taken) bool {
	pdu, err := t.request.Append(nil)
	return err == nil && l.unit == t.unit && bytes.Equal(l.pdu, pdu)
}

// origin finds the letter that a frame is; made says that it is the letter of a
// forged one. There is none for a damaged frame.
func (b *book) origin(t taken) (found origin, made bool) {
	var forged *origin
	for i := len(b.arrivals) - 1; i >= 0 && !b.arrivals[i].at.Before(t.first); i-- {
		a := b.arrivals[i]
		if a.at.After(t.done) {
			continue
		}
		for _, o := range a.from {
			switch {
			case bytes.Equal(o.letter.frame, t.received):
				if found.letter == nil || asks(o.letter, t) || !asks(found.letter, t) {
					found = o // the earliest, those of the right question first
				}
			case b.forged(o.letter, t.received):
				forged = &o
			}
		}
	}
	if found.letter == nil && forged != nil {
		return *forged, true
	}
	return found, false
}

// valuesRight holds what was read against what the station holds. A counting
// register is right when the station gave that count to the same question.
func (b *book) valuesRight(t taken) bool {
	span, ok := t.request.Reads()
	if !ok || len(t.items) != span.Count {
		return false
	}
	for i, v := range t.items {
		a := int(span.First) + i
		if isCounter(span.Table, a) {
			if !b.counted(t, v) {
				return false
			}
		} else if v != truth(t.unit, span.Table, a) {
			return false
		}
	}
	return true
}

// counted says whether the station gave a count to this question.
func (b *book) counted(t taken, count uint16) bool {
	pdu, err := t.request.Append(nil)
	b.station.mu.Lock()
	defer b.station.mu.Unlock()
	return err == nil && b.station.counted[string(append(pdu, byte(t.unit)))][count]
}

// doubted says whether an exchange was put in doubt, when it was done or later.
func (b *book) doubted(number uint64, done time.Time) bool {
	for _, d := range b.doubts {
		if d.First.Number <= number && number <= d.Last.Number && !d.At.Wall.Before(done) {
			return true
		}
	}
	return false
}

// balanced says whether an answer of the same look was lost since a question
// was asked, or shortly before, so that it was still owed: then there were in
// the end no more answers than questions, and nothing on the line could tell
// that one had come too late.
func (b *book) balanced(t taken) bool {
	pdu, _ := t.request.Append(nil)
	shape := (&letter{unit: t.unit, pdu: pdu}).shape()
	since := t.asked.Add(-b.believed())
	reached := map[*letter]bool{}
	for _, l := range b.station.given {
		if l.heard {
			reached[l.asked] = true
		}
	}
	for _, l := range b.sent {
		if l.at.Before(since) || reached[l] {
			continue
		}
		a, err := frame.ParseADU(b.framing, l.frame)
		if err == nil && (&letter{unit: a.Unit, pdu: a.PDU}).shape() == shape {
			return true
		}
	}
	return false
}

// told tells the story of a wrong answer, for the one who must find its cause.
func (b *book) told(t taken) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	o, _ := b.origin(t)
	s := fmt.Sprintf("exchange %d, unit %d, %s at %d, %d items, asked %s: took % x for good", t.number, t.unit,
		t.request.Function, t.request.Address, t.request.Quantity, clockTime(t.asked), t.received)
	if o.letter != nil {
		s += fmt.Sprintf("\n  that is the answer to request %d, sent %s, again %v", o.letter.asked.number, clockTime(o.letter.asked.at), o.again)
	}
	return s + b.story(t)
}

// story is the last that passed until an answer was taken, and what came next.
func (b *book) story(t taken) string {
	const most = 24
	rows := map[time.Time][]string{}
	var times []time.Time
	add := func(at time.Time, format string, args ...any) {
		if at.After(t.done.Add(2 * b.response)) {
			return
		}
		if rows[at] == nil {
			times = append(times, at)
		}
		rows[at] = append(rows[at], "\n  "+clockTime(at)+" "+fmt.Sprintf(format, args...))
	}
	for _, a := range b.arrivals {
		from := ""
		for _, o := range a.from {
			from += fmt.Sprintf(" (of request %d, again %v)", o.letter.asked.number, o.again)
		}
		add(a.at, "came: % x%s", a.bytes, from)
	}
	for _, l := range b.sent {
		add(l.at, "sent %d: % x", l.number, l.frame)
	}
	slices.SortFunc(times, time.Time.Compare)
	var all []string
	for _, at := range times {
		all = append(all, rows[at]...)
	}
	return strings.Join(all[max(0, len(all)-most):], "")
}

func clockTime(t time.Time) string { return t.Format("15:04:05.000") }
