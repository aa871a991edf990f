package poll

import (
	"time"

	"plumbline/decode"
)

// steps are what the wall clock may do against the steady one between two
// cycles without a word: less is the system's slow correction. Ours.
const slowCorrection = 500 * time.Millisecond

// judgeClock gives on that the wall clock was set: the periods go on by the
// steady clock, the stamps as the wall says.
func (p *Poller) judgeClock(now decode.Stamp) {
	drift := now.Wall.Sub(time.Unix(0, 0)) - now.Steady
	step := drift - p.drift
	if p.drift != 0 && step.Abs() >= slowCorrection {
		p.Sink(decode.Event{At: now, Step: &decode.ClockStep{By: step}})
	}
	p.drift = drift
}
