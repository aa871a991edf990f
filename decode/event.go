package decode

import (
	"time"

	"plumbline/regmap"
	"plumbline/regmap/alarm"
)

// A Reading is a point's value at a time with its quality and cause, resting
// on an exchange. It does not change once made.
type Reading struct {
	Time    Stamp // last byte of its answer, else when the wait ended
	Cycle   uint64
	Unit    regmap.Unit
	Station string
	Point   *regmap.Point
	Value   regmap.Value
	Raw     []uint16  // the point's own registers or bits; nil when there are none
	From    *Exchange // nil only for 'never read'
	Reason  string    // the cause in words with its particulars; "" when good

	Alarm string // the active limit, by its word in files; "" for none

	Last   regmap.Value // the last value that was not bad; none if there was none
	LastAt Stamp
}

// LineState is whether a line's port or connection is there.
type LineState struct {
	Line string
	Up   bool
	Why  string // for people, when it is not
}

// A Finding is something concluded: what, about whom, how sure, and what it
// rests on.
type Finding struct {
	Code     string // kebab word, stable
	Subject  string // "unit 17", "level", "line Pump house"
	Claim    Claim
	Words    string
	Evidence []ID
	Do       string // what to do; may be empty
}

// Claim is how sure a finding is.
type Claim uint8

// The claims, weakest first.
const (
	Hint Claim = iota
	Likely
	Settled
)

// String is "hint", "likely" or "settled".
func (c Claim) String() string { return [...]string{"hint", "likely", "settled"}[min(c, Settled)] }

// An Event is one thing that happened; exactly one of its fields is set.
// Consumers take what they know and pass over the rest.
type Event struct {
	At       Stamp
	Exchange *Exchange
	Readings []Reading // those of one exchange, or of one cycle's losses
	Cycle    *Cycle
	Line     *LineState
	Finding  *Finding
	Alarm    *AlarmChange
	Step     *ClockStep
}

// ClockStep is that the wall clock was set, or the machine slept: how much it
// moved against the steady clock, forwards or (negative) back.
type ClockStep struct{ By time.Duration }

// AlarmChange is an alarm that was raised or is over, with the reading that
// made it so.
type AlarmChange struct {
	Reading Reading
	Change  alarm.Change
}

// Cycle is the end of one pass through the plan.
type Cycle struct {
	Line      string
	Number    uint64 // from 1
	Began     Stamp
	Exchanges int
	Skipped   int // cycles left out since the one before, because this one was late
}

// A Sink takes events, one at a time and in order, and must not keep the line
// waiting.
type Sink func(Event)
