package secure

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestStationRefusesUs: the alerts by which a station judges our certificate.
// With TLS 1.2 they come in the handshake, with TLS 1.3 at the first read.
func TestStationRefusesUs(t *testing.T) {
	ca, other := newIssuer(t, "nursery authority", nil), newIssuer(t, "other authority", nil)
	us, shows := issue(t, ca, clientTemplate()), issue(t, ca, stationTemplate())
	for _, v := range []struct {
		name   string
		change func(*tls.Config)
		alert  uint8
		words  string
	}{
		{"unknown authority", func(c *tls.Config) { c.ClientCAs = pool(other.cert) }, 48, "it does not know the authority that issued it; alert 48, unknown certificate authority"},
		{"its clock", func(c *tls.Config) { c.Time = func() time.Time { return epoch.Add(9 * day) } }, 45, "are the clocks of both ends right; alert 45, expired certificate"},
		{"its own reason", func(c *tls.Config) {
			c.VerifyConnection = func(tls.ConnectionState) error { return errors.New("no role") }
		}, 42, "the certificate is bad, and no more; alert 42, bad certificate"},
	} {
		for version, number := range versions {
			t.Run(v.name+"/"+version, func(t *testing.T) {
				c := client(t, files(t, certPEM(ca.cert), us, ca.list(nil)))
				station := foreign(shows, number, pool(ca.cert))
				v.change(station)
				near, far := wire(t)
				done := answer(far, station)
				conn, err := c.Handshake(t.Context(), near)
				if late := number == tls.VersionTLS13; late != (err == nil) {
					t.Fatalf("handshake: %v", err)
				}
				for range 2 { // told again at every later call
					if err == nil || conn != nil {
						_, err = conn.Read(make([]byte, 4))
					}
					wantRefusal(t, err, v.alert, v.words)
				}
				if conn != nil {
					_, err := conn.Write([]byte("ping"))
					wantRefusal(t, err, v.alert, v.words)
					conn.Close()
				}
				if there := <-done; there.err == nil {
					t.Error("the station took us")
				}
			})
		}
	}
}

func wantRefusal(t *testing.T, err error, alert uint8, words string) {
	t.Helper()
	var told interface{ Refusal() string }
	var r *RefusedError
	if !errors.As(err, &told) || !errors.As(err, &r) || r.Alert != alert || !strings.Contains(told.Refusal(), words) ||
		err.Error() != "the station refused our certificate: "+told.Refusal() {
		t.Errorf("%v (%T), want the station's refusal with alert %d and %q", err, err, alert, words)
	}
}

// TestRefusedSessionIsForgotten: nothing is resumed after a fatal alert.
func TestRefusedSessionIsForgotten(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	c := client(t, files(t, certPEM(ca.cert), issue(t, ca, clientTemplate()), ca.list(nil)))
	for version, number := range versions {
		station := foreign(issue(t, ca, stationTemplate()), number, pool(ca.cert))
		if _, err := visit(t, c, station); err != nil {
			t.Fatal(version, err)
		}
		if _, kept := c.sessions.Get(stationName); !kept {
			t.Fatalf("%s: no session is kept", version)
		}
		refuse := true
		station.VerifyConnection = func(tls.ConnectionState) error {
			if refuse {
				return errors.New("role withdrawn")
			}
			return nil
		}
		if _, err := visit(t, c, station); err == nil {
			t.Fatalf("%s: not refused", version)
		}
		if _, kept := c.sessions.Get(stationName); kept {
			t.Errorf("%s: the session is kept after a fatal alert", version)
		}
		refuse = false
		if there, err := visit(t, c, station); err != nil || there.state.DidResume {
			t.Errorf("%s: %v, resumed %v", version, err, there.state.DidResume)
		}
	}
}

// TestOtherAlerts: what a station says about other things is no refusal of our
// certificate.
func TestOtherAlerts(t *testing.T) {
	for n, words := range map[uint8]string{40: "nothing in common", 70: "no version of TLS", 71: "too weak", 80: "it ended the handshake (alert 80, internal error)"} {
		err := handshakeWords(t.Context(), &net.OpError{Op: "remote error", Err: tls.AlertError(n)})
		var told interface{ Refusal() string }
		if errors.As(err, &told) || !strings.Contains(err.Error(), words) {
			t.Errorf("alert %d: %v, want %q", n, err, words)
		}
	}
	if _, ok := alert(&net.OpError{Op: "read", Err: tls.AlertError(48)}); ok {
		t.Error("an error of ours passes for the station's")
	}
	c := &Conn{}
	if err := c.why(&net.OpError{Op: "remote error", Err: tls.AlertError(80)}); err == nil || !strings.Contains(err.Error(), "alert 80, internal error") {
		t.Errorf("alert later on: %v", err)
	}
	if err := c.why(errors.New("tls: bad record MAC")); err == nil || err.Error() != "the secure connection broke: bad record MAC" {
		t.Errorf("damage later on: %v", err)
	}
}

// stalling is a connection whose far end's bytes stop after so many.
type stalling struct {
	net.Conn
	left int
	done chan struct{}
}

func (s *stalling) Write(b []byte) (int, error) {
	n := min(len(b), s.left)
	s.left -= n
	if n > 0 {
		if _, err := s.Conn.Write(b[:n]); err != nil {
			return 0, err
		}
	}
	if n < len(b) {
		<-s.done // nothing is said any more
		return 0, io.ErrClosedPipe
	}
	return n, nil
}

// TestHandshakeStalls: the station's bytes stop after each number of bytes
// in turn; every time the handshake ends at its limit, in words, and leaves
// nothing behind.
func TestHandshakeStalls(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	us, shows := issue(t, ca, clientTemplate()), issue(t, ca, stationTemplate())
	f := files(t, certPEM(ca.cert), us, ca.list(nil))
	for version, number := range versions {
		whole := false
		for n := 0; !whole; n += 11 {
			synctest.Test(t, func(t *testing.T) {
				c := client(t, f)
				err := stalledHandshake(t, c, foreign(shows, number, pool(ca.cert)), n)
				whole = err == nil
				if err != nil && (!errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "the TLS handshake was not finished in time")) {
					t.Errorf("%s, %d bytes: %v", version, n, err)
				}
			})
			if n > 10_000 {
				t.Fatalf("%s: the handshake has no end", version)
			}
		}
	}
}

// stalledHandshake makes a handshake with a station that stops after n bytes.
func stalledHandshake(t *testing.T, c *Client, station *tls.Config, n int) error {
	near, far := net.Pipe()
	end := &stalling{far, n, make(chan struct{})}
	served := make(chan struct{})
	go func() {
		defer close(served)
		s := tls.Server(end, station)
		if s.Handshake() == nil {
			io.Copy(io.Discard, s)
		}
	}()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	began := time.Now()
	conn, err := c.Handshake(ctx, near)
	if err != nil && time.Since(began) != 5*time.Second {
		t.Errorf("%d bytes: ended after %v, not at its limit of 5 s", n, time.Since(began))
	}
	if err == nil {
		conn.Close()
	}
	close(end.done)
	near.Close()
	far.Close()
	<-served
	return err
}

// TestWhatIsNoTLS: the words when the other end speaks plain Modbus/TCP, closes,
// or says nothing.
func TestWhatIsNoTLS(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	f := files(t, certPEM(ca.cert), issue(t, ca, clientTemplate()), ca.list(nil))
	for name, v := range map[string]struct {
		answer func(net.Conn)
		words  string
	}{
		// A Modbus/TCP answer, TCP guide V1.0b, 3.1.3: exception 01 to a request it took our greeting for.
		"plain answers": {func(c net.Conn) { c.Write([]byte{0x16, 0x03, 0, 0, 0, 3, 1, 0x81, 1}) }, "the other end answers, but not as TLS has it (unexpected message)"},
		"other answers": {func(c net.Conn) { c.Write([]byte("HTTP/1.1 400 Bad Request\r\n\r\n")) }, "the other end answers, but not in TLS (its first bytes are 48 54 54 50 2F)"},
		"closes":        {func(c net.Conn) { c.Close() }, "closed the connection inside the TLS handshake"},
		"says nothing":  {func(net.Conn) {}, "the TLS handshake was not finished in time (context deadline exceeded)"},
	} {
		synctest.Test(t, func(t *testing.T) {
			near, far := net.Pipe()
			go func() {
				far.Read(make([]byte, 4096))
				v.answer(far)
				io.Copy(io.Discard, far) // a pipe holds nothing: the alert must be read
			}()
			ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
			defer cancel()
			_, err := client(t, f).Handshake(ctx, near)
			if err == nil || !strings.Contains(err.Error(), v.words) || !strings.Contains(err.Error(), "802 is the usual port") {
				t.Errorf("%s: %v, want %q", name, err, v.words)
			}
			far.Close()
		})
	}
}

// TestPlainToTheSecurePort: a client that speaks plain Modbus/TCP to the secure
// port gets no answer and an end, and no byte of it gets further.
func TestPlainToTheSecurePort(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	s, err := LoadServer(files(t, certPEM(ca.cert), issue(t, ca, stationTemplate()), ca.list(nil)))
	if err != nil {
		t.Fatal(err)
	}
	near, far := wire(t)
	done := answer(far, s.Config())
	near.Write([]byte{0, 1, 0, 0, 0, 6, 17, 3, 0, 0, 0, 1})
	got, _ := io.ReadAll(near)
	if len(got) != 0 {
		t.Errorf("the station says % x", got)
	}
	var header tls.RecordHeaderError
	if there := <-done; !errors.As(there.err, &header) {
		t.Errorf("the station: %v", there.err)
	}
}

// TestCloseDoesNotHang: a station that stopped reading holds nobody up.
func TestCloseDoesNotHang(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	f := files(t, certPEM(ca.cert), issue(t, ca, clientTemplate()), ca.list(nil))
	shows := issue(t, ca, stationTemplate())
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		go func() { tls.Server(far, foreign(shows, tls.VersionTLS12, pool(ca.cert))).Handshake() }() // and reads no more
		conn, err := client(t, f).Handshake(t.Context(), near)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		conn.Close()
		if d := time.Since(began); d > closeLimit {
			t.Errorf("closing took %v", d)
		}
		if _, err := conn.Read(make([]byte, 1)); err == nil {
			t.Error("a read after the end")
		}
		far.Close()
	})
}
