package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"syscall"

	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap/line"
)

// dialer opens a line's port or connection, whatever its framing. What a
// secure line is provisioned with is looked at now, so that a fault in it is
// told before anything is opened.
func dialer(l *line.Line) (link.Dialer, error) {
	switch l.Medium {
	case line.SerialPort:
		return serialDialer(l), nil
	case line.TCP:
		return func(ctx context.Context) (link.Stream, error) {
			c, err := dialNet(ctx, l, "tcp")
			if err != nil {
				return nil, err
			}
			return &plainStream{Conn: c, port: l.Port}, nil
		}, nil
	case line.TLS:
		return secureDialer(l)
	case line.UDP:
		return func(ctx context.Context) (link.Stream, error) {
			c, err := dialNet(ctx, l, "udp")
			if err != nil {
				return nil, err
			}
			return &datagrams{Conn: c, where: l.Address()}, nil
		}, nil
	}
	return nil, notUnderstood("%s: a line over %s cannot be opened by this command", l.File, l.Medium)
}

// serialDialer opens a port, and opens it again under the adapter's own name:
// after replugging the device's name may be another's.
func serialDialer(l *line.Line) link.Dialer {
	var mu sync.Mutex
	settings := l.Serial
	return func(context.Context) (link.Stream, error) {
		mu.Lock()
		s := settings
		mu.Unlock()
		p, err := port.Open(s, portOptions(l))
		if err != nil {
			return nil, err
		}
		mu.Lock()
		settings.Port = port.Stable(settings.Port)
		mu.Unlock()
		return p, nil
	}
}

// dialNet connects to a line's host.
func dialNet(ctx context.Context, l *line.Line, network string) (net.Conn, error) {
	var d net.Dialer // keep-alive and no delay are its defaults
	c, err := d.DialContext(ctx, network, l.Address())
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", l.Medium, l.Address(), plainNet(err))
	}
	return c, nil
}

// A plainStream is a TCP connection that knows a station which speaks TLS when
// it hears one.
type plainStream struct {
	net.Conn
	port  int
	heard atomic.Bool
}

// Read reads. A connection whose first and only word is a TLS alert, or that
// port 802 ends without a word, is told by its name.
func (s *plainStream) Read(b []byte) (int, error) {
	n, err := s.Conn.Read(b)
	first := !s.heard.Load() && !s.heard.Swap(true)
	switch {
	case first && isAlert(b[:n]):
		return 0, fmt.Errorf("the station answers in TLS (% X), the line file says plain TCP; give the line a tls block", b[:n])
	case first && err != nil && n == 0 && s.port == line.DefaultPortTLS && (errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET)):
		return n, fmt.Errorf("closed by the other end without a word; port %d is that of Modbus/TCP Security, and the line file says plain TCP: does it want a tls block", s.port)
	}
	return n, err
}

// isAlert says whether b is a TLS alert record and nothing else: type 21,
// version 3.1 to 3.3, two bytes, warning or fatal. No MBAP header has a protocol
// number other than 0, and no RTU answer an odd number of register bytes; of
// version 3.2 a short RTU answer might be made, and no station sends it first.
// Source: RFC 8446, 5.1 and 6.
func isAlert(b []byte) bool {
	return len(b) == 7 && b[0] == 21 && b[1] == 3 && (b[2] == 1 || b[2] == 3) && b[3] == 0 && b[4] == 2 && (b[5] == 1 || b[5] == 2)
}

// datagrams is a UDP socket towards one station: each Read gives one datagram,
// and only that station's are heard.
type datagrams struct {
	net.Conn
	where string
}

// Datagrams says that each Read gives one datagram.
func (*datagrams) Datagrams() bool { return true }

// Read reads one datagram.
func (d *datagrams) Read(b []byte) (int, error) {
	n, err := d.Conn.Read(b)
	if errors.Is(err, syscall.ECONNREFUSED) {
		err = fmt.Errorf("udp %s: nothing listens there: %w", d.where, plainNet(err))
	}
	return n, err
}
