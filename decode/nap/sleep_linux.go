package nap

import (
	"syscall"
	"time"
)

// sleep lets the thread sleep and says whether there is such a sleep here.
func sleep(d time.Duration) bool {
	t := syscall.NsecToTimespec(d.Nanoseconds())
	_ = syscall.Nanosleep(&t, nil) // ended early by a signal: the caller looks at the clock
	return true
}
