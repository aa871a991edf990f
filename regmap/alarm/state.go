package alarm

import "time"

// Condition is the state of an alarm for people. The zero Condition is Normal.
type Condition uint8

// The five conditions. Source: ISA-18.2-2016, alarm states (from memory).
const (
	Normal                  Condition = iota
	ActiveNotAcknowledged             // raised, nobody has seen it
	ActiveAcknowledged                // raised and seen
	ReturnedNotAcknowledged           // over, but nobody has seen it
	Latched                           // over, held until it is acknowledged or reset
)

const lastCondition = Latched

// Active says whether the alarm is raised.
func (c Condition) Active() bool { return c == ActiveNotAcknowledged || c == ActiveAcknowledged }

// A State is all that has to be known of one alarm between two readings. It is
// a value: it can be compared, copied and stored, as JSON too. The zero State
// is normal. Take a stored state up again with Resume.
type State struct {
	Condition Condition     `json:"condition"`
	Waiting   bool          `json:"waiting,omitempty"`   // a delay runs: towards raised, or towards over
	Waited    time.Duration `json:"waited_ns,omitempty"` // how much of it has passed
	Counting  bool          `json:"counting,omitempty"`  // the last reading was good, so that the time since At counts
	At        time.Duration `json:"at_ns,omitempty"`     // when the last reading was made, on the steady clock
}

// Resume prepares a stored state for another steady clock, as after a restart:
// condition and delays stay as they are, the time between is not counted.
func (s State) Resume() State {
	s.Counting, s.At = false, 0
	return s
}

// Event is what happened to an alarm. The zero Event is nothing.
type Event uint8

// The events.
const (
	NoEvent      Event = iota
	Raised             // it became active
	Returned           // it is no longer active
	Acknowledged       // somebody has seen it
	Reset              // it was cleared after its return
)

const lastEvent = Reset

// A Change is what a step did to one alarm; nothing where Event is NoEvent.
type Change struct {
	Kind     Kind
	Event    Event
	From, To Condition
}

// Step goes on to the reading made at the given time.
//
// A delay passes while good readings agree: the time between two readings
// counts when both of them are beyond the limit (on-delay) or back inside it by
// the deadband (off-delay). One good reading that is not begins the delay anew.
// The deadband plays no part before the alarm is raised. Sources: OPC 10000-9,
// annex B.1.5, for deadband and delays; that readings stand for the time
// between them is common practice.
//
// A bad reading holds everything: the condition stays, and a running delay
// stops. It goes on, without the time that was not seen, at the next good
// reading. So no alarm is raised or over on time that nobody saw, and a line
// that fails now and then cannot hold an alarm back for ever. (Ours; the
// standards leave it open.)
//
// at is a steady clock. A time before the last one counts as no time.
func (l Limit) Step(s State, in Input, at time.Duration) (State, Change) {
	passed := s.passed(at)
	if !s.Counting || at > s.At {
		s.At = at
	}
	s.Counting = l.judged(in)
	if !s.Counting {
		return s, Change{}
	}
	due, delay := l.beyond(in), l.OnDelay
	if s.Condition.Active() {
		due, delay = l.back(in), l.OffDelay
	}
	if !due {
		s.Waiting, s.Waited = false, 0
		return s, Change{}
	}
	if !s.Waiting {
		s.Waiting, passed = true, 0
	}
	if passed < delay-s.Waited {
		s.Waited += passed
		return s, Change{}
	}
	s.Waiting, s.Waited = false, 0
	if s.Condition.Active() {
		return l.change(s, Returned, l.returned(s.Condition))
	}
	return l.change(s, Raised, ActiveNotAcknowledged)
}

// passed is the time since the last reading, where it counts.
func (s State) passed(at time.Duration) time.Duration {
	if !s.Counting || at <= s.At {
		return 0
	}
	if d := at - s.At; d > 0 {
		return d
	}
	return 1<<63 - 1 // the difference does not fit
}

// returned is the condition after the return. Source: ISA-18.2-2016, alarm
// states (from memory): what was acknowledged goes back to normal, what was not
// waits for it; a latching alarm waits in either case.
func (l Limit) returned(from Condition) Condition {
	switch {
	case l.Latch:
		return Latched
	case from == ActiveAcknowledged:
		return Normal
	default:
		return ReturnedNotAcknowledged
	}
}

// Acknowledge notes that somebody has seen the alarm. An active one stays
// active; one that is over goes back to normal, a latched one too.
func (l Limit) Acknowledge(s State) (State, Change) {
	switch s.Condition {
	case ActiveNotAcknowledged:
		return l.change(s, Acknowledged, ActiveAcknowledged)
	case ReturnedNotAcknowledged, Latched:
		return l.change(s, Acknowledged, Normal)
	default: // Normal, ActiveAcknowledged: nothing to see
		return s, Change{}
	}
}

// Reset clears an alarm that is over. Unlike Acknowledge it leaves an active
// one alone: pressed while the cause lasts it hides nothing. Common practice of
// reset buttons.
func (l Limit) Reset(s State) (State, Change) {
	switch s.Condition {
	case ReturnedNotAcknowledged, Latched:
		return l.change(s, Reset, Normal)
	default: // Normal and the active ones
		return s, Change{}
	}
}

// change takes the state to another condition. A running delay goes on: its
// aim is the same before and after an acknowledgement.
func (l Limit) change(s State, e Event, to Condition) (State, Change) {
	c := Change{Kind: l.Kind, Event: e, From: s.Condition, To: to}
	s.Condition = to
	return s, c
}
