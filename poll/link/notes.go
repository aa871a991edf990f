package link

import (
	"fmt"
	"sync"

	"plumbline/decode"
	"plumbline/regmap"
)

// Notes are what a link tells beside its exchanges: line states when they
// change, and findings, most of them once.
type notes struct {
	name   string
	source decode.Source
	clock  decode.Clock

	mu    sync.Mutex // also keeps the sink to one event at a time
	sink  decode.Sink
	noted map[string]bool
	known bool
	up    bool
	why   string
}

func newNotes(c *Config) *notes {
	return &notes{name: c.Name, source: c.Source, clock: c.Clock, sink: c.Sink, noted: map[string]bool{}}
}

func (n *notes) emit(e decode.Event) {
	if n.sink != nil {
		e.At = n.clock()
		n.sink(e)
	}
}

// state tells a line state that is new.
func (n *notes) state(up bool, why string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.known && n.up == up && n.why == why {
		return
	}
	n.known, n.up, n.why = true, up, why
	n.emit(decode.Event{Line: &decode.LineState{Line: n.name, Up: up, Why: why}})
}

// find tells a finding.
func (n *notes) find(f decode.Finding) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.emit(decode.Event{Finding: &f})
}

// findOnce tells a finding unless one of its code and subject was told before.
func (n *notes) findOnce(f decode.Finding) {
	n.mu.Lock()
	defer n.mu.Unlock()
	key := f.Code + " " + f.Subject
	if n.noted[key] {
		return
	}
	n.noted[key] = true
	n.emit(decode.Event{Finding: &f})
}

func (n *notes) line() string {
	if n.name == "" {
		return "line"
	}
	return "line " + n.name
}

func subject(u regmap.Unit) string { return fmt.Sprintf("unit %d", u) }

// evidence is the identity of an exchange by its number; none for 0.
func (n *notes) evidence(number uint64) []decode.ID {
	if number == 0 {
		return nil
	}
	return []decode.ID{{Source: n.source, Number: number}}
}

// otherUnit notes that a station on a direct connection answers with another
// unit than it was asked for. Source: TCP guide V1.0b, 4.4.1.3 (the client
// ignores the field there).
func (n *notes) otherUnit(asked, came regmap.Unit, number uint64) {
	n.findOnce(decode.Finding{
		Code: "other-unit", Subject: subject(asked), Claim: decode.Settled,
		Words:    fmt.Sprintf("asked as unit %d, the station answers as unit %d; on a direct connection this does no harm", asked, came),
		Evidence: n.evidence(number),
		Do:       "if it is a gateway, say so: then such answers are refused",
	})
}

// echoes notes that the adapter sends our own requests back.
func (n *notes) echoes(number uint64) {
	n.findOnce(decode.Finding{
		Code: "adapter-echoes", Subject: n.line(), Claim: decode.Settled,
		Words:    "each request comes back before its answer: the adapter hears its own transmitter; one copy is taken off",
		Evidence: n.evidence(number),
		Do:       "nothing for reading; if the adapter can switch its receiver off while it sends, let it",
	})
}

// secondClient notes that somebody else asks on this line.
func (n *notes) secondClient(words string) {
	n.findOnce(decode.Finding{
		Code: "second-client", Subject: n.line(), Claim: decode.Likely,
		Words: "another client asks on this line: " + words + " was heard and not sent from here",
		Do:    "find the other client and let only one ask at a time",
	})
}

// strayUnit notes a frame of a station that was not asked.
func (n *notes) strayUnit(asked, came regmap.Unit, number uint64) {
	n.findOnce(decode.Finding{
		Code: "stray-answer", Subject: subject(came), Claim: decode.Likely,
		Words:    fmt.Sprintf("a frame of unit %d came while unit %d was asked; it was not used", came, asked),
		Evidence: n.evidence(number),
		Do:       "look for another client on the line, and for two stations with one number",
	})
}

// late notes that an answer came when none was owed any more.
func (n *notes) late(d Doubt, unit regmap.Unit) {
	n.find(decode.Finding{
		Code: "late-answer", Subject: subject(unit), Claim: decode.Settled,
		Words: fmt.Sprintf("an answer came when none was owed any more, %s after its request; what was read from %s to %s may be the answer to something else",
			decode.Seconds(d.Lateness), d.First, d.Last),
		Evidence: d.ends(),
		Do:       fmt.Sprintf("set the time limit so that three of it are more than %s: at least %s", decode.Seconds(d.Lateness), decode.Seconds(d.Lateness/horizonLimits+1)),
	})
}

// twice notes that one request was answered twice.
func (n *notes) twice(d Doubt, unit regmap.Unit) {
	n.find(decode.Finding{
		Code: "answered-twice", Subject: subject(unit), Claim: decode.Likely,
		Words: fmt.Sprintf("an answer came when none was owed, %s after the last request it fits; what was read from %s to %s may be the answer to something else",
			decode.Seconds(d.Lateness), d.First, d.Last),
		Evidence: d.ends(),
		Do:       "look for two stations with this number, and for a gateway that repeats requests",
	})
}

// ends are the first and last exchange in doubt.
func (d Doubt) ends() []decode.ID {
	if d.First == d.Last {
		return []decode.ID{d.First}
	}
	return []decode.ID{d.First, d.Last}
}
