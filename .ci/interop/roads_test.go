package interop

import (
	"encoding/binary"
	"io"
	"net"
	"os"
	"syscall"
	"testing"
)

// Foreign ends that speak a framing on one medium only are brought to another by
// the roads here, as converters do on a site. No road changes a byte of a frame.

// What stands between the ends where it is no cable, as the table says it.
const (
	socketToLine = "a socket joined to the line"
	lineToSocket = "a line joined to the socket"
	relay        = "datagrams joined to its TCP server"
	gateway      = "its packager before simonvetter/modbus"
)

// listen opens a listener on a free port of this machine.
func listen(t *testing.T) (l net.Listener, address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l, l.Addr().String()
}

// join copies what each end sends to the other until one ends, then closes
// both.
func join(a, b io.ReadWriteCloser) {
	done := make(chan struct{}, 2)
	go func() { io.Copy(a, b); done <- struct{}{} }()
	go func() { io.Copy(b, a); done <- struct{}{} }()
	<-done
	a.Close()
	b.Close()
}

// each serves every connection of a listener.
func each(l net.Listener, serve func(net.Conn)) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		go serve(c)
	}
}

// lineInTCP makes a serial line that TCP leads to: the path of its serial port,
// and the address that one connection is let in at.
func lineInTCP(t *testing.T) (path, address string) {
	t.Helper()
	near, path := openTerminal(t)
	l, address := listen(t)
	go func() {
		if c, err := l.Accept(); err == nil {
			join(c, near)
		}
	}()
	return path, address
}

// lineToTCP makes a serial line that leads to a TCP address.
func lineToTCP(t *testing.T, address string) (path string) {
	t.Helper()
	near, path := openTerminal(t)
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	go join(c, near)
	return path
}

// portToLine makes an address that leads to a serial port, for a client whose
// library reaches serial ports by native code that is not installed.
func portToLine(t *testing.T, path string) (address string) {
	t.Helper()
	port, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY|syscall.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { port.Close() })
	l, address := listen(t)
	go func() {
		if c, err := l.Accept(); err == nil {
			join(c, port)
		}
	}()
	return address
}

// meeting is a place where two TCP clients meet: what one sends the other gets.
func meeting(t *testing.T) (one, other string) {
	t.Helper()
	a, one := listen(t)
	b, other := listen(t)
	go func() {
		x, err := a.Accept()
		if err != nil {
			return
		}
		if y, err := b.Accept(); err == nil {
			join(x, y)
		}
	}()
	return one, other
}

// headerMBAP is the bytes before what the length field counts.
// Source: Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3.
const headerMBAP = 6

// datagramsToTCP makes a UDP port that leads to a TCP address: each datagram is
// one frame there, each frame that comes back one datagram.
func datagramsToTCP(t *testing.T, address string) (at string) {
	t.Helper()
	socket, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { socket.Close(); c.Close() })
	go func() {
		datagram := make([]byte, 2048)
		for {
			n, from, err := socket.ReadFrom(datagram)
			if err != nil {
				return
			}
			if _, err := c.Write(datagram[:n]); err != nil {
				return
			}
			frame, err := readMBAP(c)
			if err != nil {
				return
			}
			socket.WriteTo(frame, from)
		}
	}()
	return socket.LocalAddr().String()
}

// readMBAP reads one frame.
func readMBAP(r io.Reader) ([]byte, error) {
	frame := make([]byte, headerMBAP)
	if _, err := io.ReadFull(r, frame); err != nil {
		return nil, err
	}
	frame = append(frame, make([]byte, binary.BigEndian.Uint16(frame[4:]))...)
	_, err := io.ReadFull(r, frame[headerMBAP:])
	return frame, err
}
