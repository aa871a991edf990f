package link

import (
	"runtime"
	"time"
)

// How a silence between frames is waited out to the point; ours. The runtime's
// timers end up to a millisecond late, half of the whole silence at 115200 bit/s.
// So the last part of it is slept by the thread, which is up to 60 us late, and
// the very last is watched. Nothing ends early, and time decides nothing but when
// to send.
const (
	finePart  = 300 * time.Microsecond // slept and watched at least
	watchPart = 80 * time.Microsecond  // watched
)

// coarse is how much of a wait the runtime's timer may take: whole
// milliseconds, which is how it counts.
func coarse(d time.Duration) time.Duration {
	return max(d-finePart, 0).Truncate(time.Millisecond)
}

// toThePoint waits out the rest until a moment. In time that is not the
// machine's, as tests have it, nobody can: it says so after the first attempt.
func (t *turns) toThePoint(end time.Duration) bool {
	began := t.clock().Steady
	if d := end - began - watchPart; d > 0 && (!nap(d) || t.clock().Steady == began) {
		return false
	}
	for t.clock().Steady < end {
		if t.clock().Steady == began {
			return false
		}
		runtime.Gosched()
	}
	return true
}
