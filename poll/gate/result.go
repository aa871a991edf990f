package gate

import (
	"plumbline/decode"
	"plumbline/regmap"
)

// Step is one of the gate's steps, in their order. The zero Step is none.
type Step uint8

// The steps that can stop a write; what is never done has no step.
const (
	May Step = iota + 1
	Device
	Moment
	RightValue
	ShownStep
	Confirmed
	Logged
	Sent
	ReadBackStep
	Pulse
	Several
	Broadcast
)

var stepNames = [...]string{"", "may", "device", "moment", "value", "shown", "confirmed", "logged", "sent", "read-back", "pulse", "several", "broadcast"}

// String is the step's word in files.
func (s Step) String() string { return stepNames[min(int(s), len(stepNames)-1)] }

// Outcome is how a write ended. The zero Outcome is NotTried.
type Outcome uint8

// The outcomes.
const (
	NotTried Outcome = iota // something before it stopped the job
	Checked                 // a dry run, and every step was passed
	Refused                 // by the gate; nothing was sent
	NotSent                 // it passed the gate, and nothing left
	Done                    // the station confirmed it, and it reads back right
	Failed                  // the station refused it, or it reads back otherwise
	Unknown                 // it left, and whether it was done is not known
)

var outcomeNames = [...]string{"not-tried", "checked", "refused", "not-sent", "done", "failed", "unknown"}

// String is the outcome's word in files.
func (o Outcome) String() string { return outcomeNames[min(o, Unknown)] }

// A Result is what became of one write.
type Result struct {
	Shown   Shown
	Outcome Outcome
	Step    Step             // what stopped it; 0 for none
	Words   string           // for people: what happened, and what is not known
	Cause   regmap.Cause     // what the line did, where that was the reason; else NoCause
	Sent    *decode.Exchange // nil when nothing left
	Backs   []decode.Reading // what was read back, one a station; none when nothing was
	Held    string           // words, when a button may still be pressed
}

// A Report is what became of a job, in its order.
type Report struct {
	Results  []Result
	LogError error // the log failed: what was done is not, or not wholly, in it
}

// OK says that every write is done and read back right, or in a dry run was
// found right, and is in the log.
func (r Report) OK() bool {
	for _, one := range r.Results {
		if one.Outcome != Done && one.Outcome != Checked {
			return false
		}
	}
	return r.LogError == nil && len(r.Results) > 0
}

// A refusal is why a write may not go on.
type refusal struct {
	step  Step
	want  *Want // nil: the whole job
	words string
	cause regmap.Cause
}

// result is the refusal as the result of the want it is about, or of the first.
func (no *refusal) result(job Job) Result {
	r := Result{Outcome: Refused, Step: no.step, Words: no.words, Cause: no.cause}
	if no.cause == regmap.NeverRead {
		r.Cause = regmap.NoCause
	}
	switch {
	case no.want != nil && !job.Broadcast:
		r.Shown = shownOf(*no.want)
	case len(job.Wants) > 0:
		r.Shown = shownOf(job.Wants[0])
		for _, other := range job.Wants[1:] {
			if job.Broadcast {
				r.Shown.Targets = append(r.Shown.Targets, Target{Station: other.Station})
			}
		}
	}
	return r
}
