//go:build !linux

package nap

import "time"

// sleep says that there is no sleep here finer than the runtime's timers.
func sleep(time.Duration) bool { return false }
