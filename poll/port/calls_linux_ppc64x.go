//go:build linux && (ppc64 || ppc64le)

package port

import "golang.org/x/sys/unix"

// Here the plain calls know any speed already.
// Source: Linux, man 2 TCSETS (termios2 and BOTHER).
const (
	getTermios = unix.TCGETS
	setTermios = unix.TCSETS
)
