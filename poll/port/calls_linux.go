//go:build !ppc64 && !ppc64le

package port

import "golang.org/x/sys/unix"

// The calls that read and set a terminal with any speed.
// Source: Linux, man 2 TCSETS (termios2 and BOTHER).
const (
	getTermios = unix.TCGETS2
	setTermios = unix.TCSETS2
)
