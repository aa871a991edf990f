package fault

import (
	"errors"
	"io"
	"net"
	"syscall"
)

// Wrap puts filters on a real stream: a serial port, a pseudo-terminal, a TCP
// connection. It gives the end to use in the stream's place; what is written
// to it passes through out and goes to the stream, what the stream reads
// passes through in, where each Read counts as one chunk. A nil filter changes
// nothing. A stream that offers Datagrams() bool and says true makes a link of
// datagrams; its refusals are passed on and end nothing.
//
// The stream belongs to the End from now on and is closed with it, once what
// is on its way has left. A reset closes a TCP connection with a reset. When
// the stream fails, the End gives the stream's error.
func Wrap(stream io.ReadWriteCloser, out, in Filter) *End {
	user, inner := Pipe()
	if d, ok := stream.(interface{ Datagrams() bool }); ok {
		user.link.apart = d.Datagrams()
	}
	user.SetFilter(out)
	inner.SetFilter(in)
	go carryOut(stream, user, inner)
	go carryIn(stream, inner)
	go release(stream, user, inner)
	return user
}

// release closes the stream of a link that is cut or stalled for ever when the
// user closes it, and of one of datagrams: the end of the link would never
// arrive.
func release(stream io.Closer, user, inner *End) {
	<-user.gone
	user.link.mu.Lock()
	never := user.link.cut || user.link.apart || user.out.courier.stuck
	user.link.mu.Unlock()
	if never {
		_ = stream.Close()
		_ = inner.Close()
	}
}

// carryOut writes what arrives from the user, and ends the stream as the user
// or the script ends the link.
func carryOut(stream io.ReadWriteCloser, user, inner *End) {
	buf := make([]byte, Window)
	for {
		n, err := inner.Read(buf)
		if errors.Is(err, ErrRefused) {
			continue // told to the user as well
		}
		if err == nil {
			if _, err = stream.Write(buf[:n]); err == nil || inner.passes(err) {
				continue
			}
			inner.fail(err)
		}
		switch {
		case errors.Is(err, io.EOF):
			if w, ok := stream.(interface{ CloseWrite() error }); ok {
				_ = w.CloseWrite() // the user may go on reading
			}
			<-user.gone
		case errors.Is(err, ErrReset):
			if c, ok := stream.(*net.TCPConn); ok {
				_ = c.SetLinger(0)
			}
		}
		_ = stream.Close()
		return
	}
}

// carryIn hands the user what the stream reads.
func carryIn(stream io.Reader, inner *End) {
	buf := make([]byte, Window)
	for {
		n, err := stream.Read(buf)
		if n > 0 {
			if _, err := inner.Write(buf[:n]); err != nil {
				return
			}
		}
		if errors.Is(err, io.EOF) {
			_ = inner.CloseWrite()
			return
		}
		if err != nil && !inner.passes(err) {
			inner.fail(err)
			return
		}
	}
}

// passes hands the user a refusal of a datagram sent before; false when the
// error is another.
func (e *End) passes(err error) bool {
	if !e.link.apart || !errors.Is(err, syscall.ECONNREFUSED) {
		return false
	}
	e.link.mu.Lock()
	defer e.link.mu.Unlock()
	e.out.refuse()
	return true
}
