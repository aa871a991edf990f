//go:build !linux

package link

import "time"

// nap says that there is no sleep here finer than the runtime's timers.
func nap(time.Duration) bool { return false }
