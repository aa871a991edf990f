// Package nap waits to the point of a moment. The runtime's timers end up to a
// millisecond late, because they count whole ones; half a silence between
// frames at 115200 bit/s is no more. It sets no deadline and judges nothing.
package nap

import (
	"runtime"
	"time"
)

// How the last part of a wait is spent; ours.
const (
	finePart  = 300 * time.Microsecond // slept by the thread and watched at least
	watchPart = 80 * time.Microsecond  // watched
)

// Coarse is how much of a wait a timer of the runtime may take, so that Until
// can wait out the rest: whole milliseconds.
func Coarse(d time.Duration) time.Duration {
	return max(d-finePart, 0).Truncate(time.Millisecond)
}

// Until waits out the rest until a moment of a clock, no more than a millisecond
// or two: the thread sleeps, which ends some 60 us late at most, and the very
// last part is watched. Nothing ends early. In time that is not the machine's,
// as tests have it, nobody can; then it is false after the first attempt, and a
// timer must do.
func Until(clock func() time.Duration, end time.Duration) bool {
	began := clock()
	if d := end - began - watchPart; d > 0 && (!sleep(d) || clock() == began) {
		return false
	}
	for now := clock(); now < end; now = clock() {
		if now == began {
			return false
		}
		runtime.Gosched()
	}
	return true
}
