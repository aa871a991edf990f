package link

import (
	"syscall"
	"time"
)

// nap lets the thread sleep, for no longer than a millisecond or two, and says
// whether there is such a sleep here. It ends some 60 us late at most where the
// runtime's timers end up to 1 ms late, because those count whole milliseconds.
func nap(d time.Duration) bool {
	t := syscall.NsecToTimespec(d.Nanoseconds())
	_ = syscall.Nanosleep(&t, nil) // ended early by a signal: the caller looks at the clock
	return true
}
