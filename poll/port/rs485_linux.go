package port

import (
	"context"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// descriptor is a driver behind a file descriptor.
type descriptor int

// readRS485 asks for the driver's own control of direction.
func (fd descriptor) readRS485() (r rs485, err error) {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.TIOCGRS485, uintptr(unsafe.Pointer(&r)))
	if errno != 0 {
		err = errno
	}
	return r, err
}

// writeRS485 sets it.
func (fd descriptor) writeRS485(r rs485) error {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.TIOCSRS485, uintptr(unsafe.Pointer(&r)))
	if errno != 0 {
		return errno
	}
	return nil
}

// setRTS switches the line "request to send". Source: Linux, man 2 ioctl_tty.
func (fd descriptor) setRTS(on bool) error {
	call := uint(unix.TIOCMBIC)
	if on {
		call = unix.TIOCMBIS
	}
	return unix.IoctlSetPointerInt(int(fd), call, unix.TIOCM_RTS)
}

// writeTurned writes with the line turned by RTS.
func (p *Port) writeTurned(b []byte) (int, error) {
	drain := func() error {
		ctx := context.Background()
		if until := p.writeUntil.Load(); until != nil && !until.IsZero() {
			var cancel context.CancelFunc
			ctx, cancel = context.WithDeadline(ctx, *until)
			defer cancel()
		}
		return p.Drain(ctx)
	}
	flush := func() error {
		return p.control("write", func(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCOFLUSH) })
	}
	return p.turn.send(b, p.file.Write, drain, flush)
}

// setRTS switches an open port's line.
func (p *Port) setRTS(on bool) error {
	return p.control("write", func(fd int) error { return descriptor(fd).setRTS(on) })
}

// keepDeadline remembers a deadline for the wait after a write.
func (p *Port) keepDeadline(t time.Time) {
	if p.turn != nil {
		p.writeUntil.Store(&t)
	}
}
