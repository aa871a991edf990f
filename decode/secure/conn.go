package secure

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

// A Conn is a connection to a station after the handshake.
type Conn struct {
	*tls.Conn
	client  *Client
	refused atomic.Pointer[RefusedError]
}

// Handshake makes a secure connection out of conn, within ctx. conn is closed
// when it fails. Errors: *CertificateError for the station's certificate, in
// which errors.Is finds its kind; *RefusedError for ours; ctx's own; and others
// whose words say what came instead.
func (c *Client) Handshake(ctx context.Context, conn net.Conn) (*Conn, error) {
	t := tls.Client(conn, c.Config())
	err := t.HandshakeContext(ctx)
	if err == nil {
		return &Conn{Conn: t, client: c}, nil
	}
	conn.Close() // the library itself drops a session whose handshake failed
	return nil, handshakeWords(ctx, err)
}

// ports is what to look at when the other end does not speak TLS.
const ports = "802 is the usual port of Modbus/TCP Security, 502 that of plain Modbus/TCP"

// handshakeWords says what came instead of a secure connection.
func handshakeWords(ctx context.Context, err error) error {
	var certificate *CertificateError
	var header tls.RecordHeaderError
	switch {
	case errors.As(err, &certificate):
		return certificate
	case ctx.Err() != nil:
		return fmt.Errorf("the TLS handshake was not finished in time (%w); the other end may not speak TLS: %s", ctx.Err(), ports)
	case errors.As(err, &header):
		return fmt.Errorf("the other end answers, but not in TLS (its first bytes are % X); %s", header.RecordHeader[:], ports)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.ECONNRESET), errors.Is(err, io.ErrClosedPipe):
		return fmt.Errorf("the other end closed the connection inside the TLS handshake; it may not speak TLS: %s", ports)
	}
	if r, ok := refused(err); ok {
		return r
	}
	if number, ok := alert(err); ok {
		words, known := otherAlerts[number]
		if !known {
			words = "it ended the handshake"
		}
		return fmt.Errorf("the station refuses a secure connection: %s (alert %d, %s)", words, number, alertName(number))
	}
	if op := new(net.OpError); errors.As(err, &op) && op.Op == "local error" {
		return fmt.Errorf("the other end answers, but not as TLS has it (%s); %s", plain(op.Err), ports)
	}
	return fmt.Errorf("no secure connection: %s", plain(err))
}

// Read reads as tls.Conn does. The station's refusal of our certificate, which
// may come only now, is a *RefusedError, then and at every later call.
func (c *Conn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if err == nil || errors.Is(err, io.EOF) || errors.Is(err, os.ErrDeadlineExceeded) {
		return n, err
	}
	if r, ok := refused(err); ok {
		c.client.sessions.forget()
		c.refused.CompareAndSwap(nil, r)
	}
	return n, c.why(err)
}

// Write writes as tls.Conn does. After a deadline passed in it the connection
// cannot be used any more.
func (c *Conn) Write(b []byte) (int, error) {
	if r := c.refused.Load(); r != nil {
		return 0, r
	}
	n, err := c.Conn.Write(b)
	if err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		return n, err
	}
	c.lastWords()
	return n, c.why(err)
}

// lastWordsLimit is how long a broken connection is read for what the station
// said before it broke it. Ours.
const lastWordsLimit = 100 * time.Millisecond

// lastWords reads on after a failed write: a station that refuses us says so and
// closes, and a write may meet the end before a read met the reason. The library
// gives the same error to every later read.
func (c *Conn) lastWords() {
	if c.SetReadDeadline(time.Now().Add(lastWordsLimit)) != nil {
		return
	}
	scratch := make([]byte, 512)
	for {
		if _, err := c.Read(scratch); err != nil {
			return
		}
	}
}

// why is the refusal where there was one, else err in plain words.
func (c *Conn) why(err error) error {
	if r := c.refused.Load(); r != nil {
		return r
	}
	if number, ok := alert(err); ok {
		return fmt.Errorf("the station ended the secure connection (alert %d, %s)", number, alertName(number))
	}
	if text := err.Error(); strings.HasPrefix(text, "tls: ") {
		return fmt.Errorf("the secure connection broke: %s", plain(err))
	}
	return err
}

// closeLimit is how long a farewell may take: the other end may have stopped
// reading. Ours.
const closeLimit = 200 * time.Millisecond

// Close says farewell where that goes quickly, and closes the connection.
func (c *Conn) Close() error {
	late := time.AfterFunc(closeLimit, func() { c.NetConn().Close() })
	defer late.Stop()
	err := c.Conn.Close()
	if errors.Is(err, net.ErrClosed) || errors.Is(err, io.ErrClosedPipe) {
		return nil
	}
	return err
}
