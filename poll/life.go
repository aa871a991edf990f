package poll

import (
	"fmt"
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
)

// life is what a point that must change last held, and since when.
type life struct {
	raw   []uint16
	since time.Duration // on the steady clock
}

// judgeLife turns a reading bad whose registers have not changed for longer
// than the map allows (heartbeat, changes-within). What was not read says
// nothing about change.
func (p *Poller) judgeLife(at seat, r *decode.Reading) {
	limit := shortest(at.point.Heartbeat, at.point.Within)
	if limit == 0 || r.Raw == nil {
		return
	}
	now := r.Time.Steady
	before, known := p.life[at]
	if !known || !slices.Equal(before.raw, r.Raw) {
		put(&p.life, at, life{raw: r.Raw, since: now})
		return
	}
	if still := now - before.since; still > limit {
		r.Value = regmap.BadValue(regmap.Unchanged)
		r.Reason = fmt.Sprintf("%s for %s; at most %s is allowed", regmap.Unchanged.Words(), decode.Seconds(still.Round(100*time.Millisecond)), decode.Seconds(limit))
	}
}

// shortest is the shorter of two limits, where 0 is none.
func shortest(a, b time.Duration) time.Duration {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}
