package regmap

import "fmt"

// Quality says how far a value may be trusted. The zero Quality is Bad.
type Quality uint8

// The three qualities of the trade (OPC wording).
const (
	Bad Quality = iota
	Uncertain
	Good
)

// String is "good", "uncertain" or "bad".
func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case Uncertain:
		return "uncertain"
	case Bad:
		return "bad"
	}
	return fmt.Sprintf("quality(%d)", uint8(q))
}

// Cause says why a value is not good. It is a closed list; the zero Cause is
// NeverRead, and a good value has NoCause.
type Cause uint8

// The causes. The first group comes from what the registers hold, the second
// from what happened on the line.
const (
	NeverRead      Cause = iota // nothing was asked yet
	NoCause                     // the value is good
	OutOfSpan                   // beyond the span that the scale declares, or the range of the quantity
	Absent                      // the device says 'no value'
	NotANumber                  // NaN or infinity
	NotDecimal                  // a decimal-coded register holds something else
	NotText                     // the characters are not text
	SignalFailure               // the current loop signals failure (NAMUR NE 43)
	SignalDoubtful              // the current is between measurement and failure
	NoExponent                  // the exponent register holds no exponent
	Unchanged                   // has not changed for longer than the map allows

	Silent      // no answer within the time limit
	CutOff      // the answer stopped in the middle
	Checksum    // the answer's checksum is wrong
	Mismatch    // what came is not an answer to the request
	Excepted    // the station answered with an exception
	PortGone    // the port or connection is gone
	NoLine      // the port or connection could not be opened
	NeverQuiet  // the line was never silent
	LateDoubt   // a late answer put this one in doubt
	Stale       // too old
	Hole        // the register does not exist in the station
	Interrupted // the program was stopped while waiting
	Internal    // a fault of this program

	causeCount
)

// A causeRow is one cause's kebab word in files and its words for people, both
// only here.
type causeRow struct{ word, text string }

var causes = [causeCount]causeRow{
	NeverRead:      {"never-read", "never read"},
	NoCause:        {"", ""},
	OutOfSpan:      {"out-of-span", "outside its span or range"},
	Absent:         {"absent", "the device says 'no value'"},
	NotANumber:     {"not-a-number", "the registers hold no number"},
	NotDecimal:     {"not-decimal", "the registers are not decimal-coded"},
	NotText:        {"not-text", "the registers hold no text"},
	SignalFailure:  {"signal-failure", "signal failure"},
	SignalDoubtful: {"signal-doubtful", "signal between measurement and failure"},
	NoExponent:     {"no-exponent", "its exponent register holds no exponent"},
	Unchanged:      {"unchanged", "has not changed"},
	Silent:         {"silent", "no answer"},
	CutOff:         {"cut-off", "answer cut off"},
	Checksum:       {"checksum", "answer damaged on the way"},
	Mismatch:       {"mismatch", "what came is not an answer to this request"},
	Excepted:       {"exception", "the station answered with an exception"},
	PortGone:       {"port-gone", "port gone"},
	NoLine:         {"no-line", "port or connection could not be opened"},
	NeverQuiet:     {"never-quiet", "line never silent"},
	LateDoubt:      {"late-doubt", "in doubt: an answer came later than believed possible"},
	Stale:          {"stale", "too old"},
	Hole:           {"hole", "the station does not have this register"},
	Interrupted:    {"interrupted", "stopped while waiting"},
	Internal:       {"internal", "internal fault"},
}

// String is the cause's kebab word in files and JSON; empty for NoCause.
func (c Cause) String() string {
	if c >= causeCount {
		return fmt.Sprintf("cause(%d)", uint8(c))
	}
	return causes[c].word
}

// Words is the cause in words for people; empty for NoCause.
func (c Cause) Words() string {
	if c >= causeCount {
		return c.String()
	}
	return causes[c].text
}
