package traffic

import (
	"math"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
)

// A unit is what was seen of one unit number.
type unit struct {
	number regmap.Unit

	exchanges uint64 // requests that left and were to be answered
	answered  uint64
	excepted  uint64
	byCause   [causeKinds]uint64
	repeats   uint64 // requests sent again after no good answer
	failing   uint64 // first tries that brought no answer
	recovered uint64 // of these, answered by a repeat
	pairs     uint64 // first tries that follow a failed one
	failPairs uint64 // of these, failed too
	failed    bool   // the last first try

	first  histogram // request's last bit to the answer's first byte, of first tries
	whole  histogram // ... to its last byte
	damage uint64    // answers damaged, cut off or misfit

	began    decode.Stamp     // of the first exchange
	heardAt  decode.Stamp     // last answer of any kind
	run      uint64           // exchanges without an answer, up to now
	runFirst *decode.Exchange // the first of them
	longest  time.Duration
	ends     decode.Stamp // of its last exchange

	silent, damaged, late, early, repeated, echoed evidence

	afterOther, afterSelf pauses
	rows                  int // ranges kept
}

// causeKinds bounds the causes that are counted apart.
const causeKinds = 32

// add counts one exchange that left.
func (u *unit) add(x *decode.Exchange, from time.Duration) {
	if u.exchanges == 0 {
		u.began = began(x)
	}
	u.exchanges++
	u.ends = x.Done
	u.byCause[min(int(x.Cause), causeKinds-1)]++
	failed := !heard(x) || x.Tries > 1
	u.tries(x, failed)
	switch {
	case x.Answered():
		u.answered++
	case x.Cause == regmap.Excepted:
		u.excepted++
	case x.Received == nil:
		u.silent.add(x, float64(u.run))
	default:
		u.damage++
		u.damaged.add(x, float64(len(x.Received)))
	}
	u.silence(x)
	if heard(x) {
		u.latency(x)
	}
}

// tries counts how often it was sent.
func (u *unit) tries(x *decode.Exchange, failed bool) {
	if x.Tries > 1 {
		u.repeats += uint64(x.Tries - 1)
		u.repeated.add(x, float64(x.Tries))
	}
	if u.exchanges > 1 && u.failed {
		u.pairs++
		if failed {
			u.failPairs++
		}
	}
	u.failed = failed
	if failed {
		u.failing++
		if heard(x) {
			u.recovered++
		}
	}
}

// silence follows how long it has not been heard.
func (u *unit) silence(x *decode.Exchange) {
	if heard(x) {
		u.run = 0
		u.heardAt = x.Done
		return
	}
	if u.run == 0 {
		u.runFirst = x
	}
	u.run++
	u.longest = max(u.longest, x.Done.Sub(began(u.runFirst)))
}

// latency counts how long the answer took.
func (u *unit) latency(x *decode.Exchange) {
	if x.Left.IsZero() {
		return
	}
	if !x.First.IsZero() && x.Tries <= 1 {
		u.first.add(x.First.Sub(x.Left))
	}
	u.whole.add(x.Done.Sub(x.Left))
}

// heard says whether the station answered, as asked or by an exception.
func heard(x *decode.Exchange) bool { return x.Answered() || x.Cause == regmap.Excepted }

// dead says whether nothing was heard of it for its last requests, more of
// them than its losses before would explain; never says whether it was never
// heard.
func (u *unit) dead() (dead, never bool) {
	never = u.answered+u.excepted == 0
	if u.run < deadAfter || u.silent.count == 0 {
		return false, never
	}
	before := u.exchanges - u.run
	lost := share(before-u.answered-u.excepted, before)
	return never || math.Pow(lost, float64(u.run)) < deadChance, never
}

// deadAfter is how many exchanges in a row without an answer make a unit that
// does not answer, rather than one that does not always; with many losses
// before so many that chance makes such a run once in a thousand. Ours.
const (
	deadAfter  = 3
	deadChance = 1e-3
)
