package secure

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"
)

// versions are those that the profile allows.
var versions = map[string]uint16{"1.2": tls.VersionTLS12, "1.3": tls.VersionTLS13}

// foreign is a station's end of crypto/tls alone.
func foreign(p *provision, version uint16, clients *x509.CertPool) *tls.Config {
	return &tls.Config{Certificates: []tls.Certificate{p.tls()}, MinVersion: version, MaxVersion: version,
		ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: clients, Time: func() time.Time { return epoch }}
}

func pool(certs ...*x509.Certificate) *x509.CertPool {
	p := x509.NewCertPool()
	for _, c := range certs {
		p.AddCert(c)
	}
	return p
}

// outcome is how a connection went at the station's end.
type outcome struct {
	err   error
	state tls.ConnectionState
}

// answer is a station that takes one connection, answers 4 bytes with 4 and
// waits for the end.
func answer(conn net.Conn, c *tls.Config) <-chan outcome {
	done := make(chan outcome, 1)
	go func() {
		defer conn.Close()
		s := tls.Server(conn, c)
		b := make([]byte, 4)
		_, err := io.ReadFull(s, b)
		if err == nil {
			_, err = s.Write(b)
		}
		done <- outcome{err, s.ConnectionState()}
		io.Copy(io.Discard, s)
	}()
	return done
}

// exchange sends 4 bytes and reads 4.
func exchange(c net.Conn) error {
	if _, err := c.Write([]byte("ping")); err != nil {
		return err
	}
	b := make([]byte, 4)
	if _, err := io.ReadFull(c, b); err != nil {
		return err
	}
	if string(b) != "ping" {
		return fmt.Errorf("got %q", b)
	}
	return nil
}

// visit makes one connection of a client to a station.
func visit(t *testing.T, c *Client, station *tls.Config) (outcome, error) {
	t.Helper()
	near, far := wire(t)
	done := answer(far, station)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	conn, err := c.Handshake(ctx, near)
	if err == nil {
		err = exchange(conn)
		conn.Close()
	}
	near.Close()
	return <-done, err
}

// wire is a connection on loopback: unlike a pipe in memory it takes a
// farewell that nobody reads.
func wire(t *testing.T) (near, far net.Conn) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if near, err = net.Dial("tcp", l.Addr().String()); err != nil {
		t.Fatal(err)
	}
	if far, err = l.Accept(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close(); far.Close() })
	return near, far
}

// stations are the certificates that a station may show, and what must come of
// each. Sources: MB-TCP-Security v36, table 5 (chain, root, revocation; a role
// in the server's certificate is not used), R-47 (RFC 5280).
func stations(t *testing.T, ca, other *issuer) []stationCase {
	change := func(f func(*x509.Certificate)) *x509.Certificate {
		c := stationTemplate()
		f(c)
		return c
	}
	critical := pkix.Extension{Id: roleOID, Critical: true, Value: []byte("\x0c\x08operator")}
	return []stationCase{
		{"right", issue(t, ca, stationTemplate(), ca), nil, ""},
		{"expired", issue(t, ca, change(func(c *x509.Certificate) {
			c.NotBefore, c.NotAfter = epoch.Add(-2*day), epoch.Add(-day)
		})), ErrTime, "the station's certificate expired on 1999-12-31 00:00 UTC, and the clock here says 2000-01-01 00:00 UTC"},
		{"not yet valid", issue(t, ca, change(func(c *x509.Certificate) {
			c.NotBefore, c.NotAfter = epoch.Add(day), epoch.Add(2*day)
		})), ErrTime, "the station's certificate is valid from 2000-01-02 00:00 UTC on"},
		{"wrong authority", issue(t, other, stationTemplate(), other), ErrAuthority, `was issued by "CN=other authority", which is no authority in use here`},
		{"wrong usage", issue(t, ca, change(func(c *x509.Certificate) {
			c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
		})), ErrUsage, "the station's certificate is for clients only"},
		{"self-signed", issue(t, nil, stationTemplate()), ErrAuthority, "is signed by itself"},
		{"another name", issue(t, ca, change(func(c *x509.Certificate) { c.DNSNames = []string{"dosing.example"} })),
			ErrName, `the station's certificate is for "dosing.example", 192.0.2.10, not for "pumps.example"`},
		{"no name", issue(t, ca, change(func(c *x509.Certificate) { c.DNSNames, c.IPAddresses = nil, nil })),
			ErrName, `the station's certificate is for no host at all`},
		{"critical role", issue(t, ca, change(func(c *x509.Certificate) { c.ExtraExtensions = []pkix.Extension{critical} })), nil, ""},
		{"malformed role", issue(t, ca, change(func(c *x509.Certificate) {
			c.ExtraExtensions = []pkix.Extension{{Id: roleOID, Value: []byte("operator")}}
		})), nil, ""},
		{"another critical extension", issue(t, ca, change(func(c *x509.Certificate) {
			c.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{1, 3, 6, 1, 4, 1, 50316, 802, 9}, Critical: true, Value: []byte{5, 0}}}
		})), ErrMalformed, "unhandled critical extension"},
	}
}

type stationCase struct {
	name  string
	shows *provision
	kind  error
	words string
}

// judged fails the test unless err is the case's.
func (c stationCase) judged(t *testing.T, err error) {
	t.Helper()
	if c.kind == nil && err != nil {
		t.Errorf("%v, want a connection", err)
	}
	if c.kind != nil && (!errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.words)) {
		t.Errorf("%v (%T), want %v with %q", err, err, c.kind, c.words)
	}
}

// TestStationsCertificate: each certificate, with both versions, in a full
// handshake and in a resumed one. What is resumed was begun by a client that
// judges nothing, so that only the judgement on resumption can refuse it.
func TestStationsCertificate(t *testing.T) {
	ca, other := newIssuer(t, "nursery authority", nil), newIssuer(t, "other authority", nil)
	us := issue(t, ca, clientTemplate())
	f := files(t, certPEM(ca.cert), us, ca.list(nil))
	for _, s := range stations(t, ca, other) {
		for version, number := range versions {
			t.Run(s.name+"/"+version+"/full", func(t *testing.T) {
				c := client(t, f)
				there, err := visit(t, c, foreign(s.shows, number, pool(ca.cert)))
				s.judged(t, err)
				if err == nil && (there.err != nil || there.state.Version != number) {
					t.Errorf("the station: %v, version %x", there.err, there.state.Version)
				}
			})
			t.Run(s.name+"/"+version+"/resumed", func(t *testing.T) {
				c := client(t, f)
				station := foreign(s.shows, number, pool(ca.cert))
				seed(t, c, us, station)
				resumed := false
				err := resume(t, c, station, &resumed)
				s.judged(t, err)
				// A certificate out of its time is not resumed at all by crypto/tls.
				if !resumed && s.name != "expired" {
					t.Error("the session was not resumed")
				}
			})
		}
	}
}

// client loads a client's files.
func client(t *testing.T, f Files) *Client {
	t.Helper()
	c, err := LoadClient(f, stationName)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// seed puts a session with the station into c's cache, by a client that judges
// nothing.
func seed(t *testing.T, c *Client, us *provision, station *tls.Config) {
	t.Helper()
	near, far := wire(t)
	done := answer(far, station)
	blind := tls.Client(near, &tls.Config{InsecureSkipVerify: true, ServerName: stationName, Certificates: []tls.Certificate{us.tls()},
		ClientSessionCache: c.sessions, Time: func() time.Time { return epoch }})
	if err := exchange(blind); err != nil {
		t.Fatal(err)
	}
	blind.Close()
	<-done
}

// resume makes a connection with c's own configuration and notes whether its
// judgement was asked about a resumed session.
func resume(t *testing.T, c *Client, station *tls.Config, resumed *bool) error {
	t.Helper()
	near, far := wire(t)
	done := answer(far, station)
	config := c.Config()
	judge := config.VerifyConnection
	config.VerifyConnection = func(s tls.ConnectionState) error {
		*resumed = s.DidResume
		return judge(s)
	}
	conn := tls.Client(near, config)
	err := exchange(conn)
	near.Close()
	<-done
	return err
}

// TestSuites: the two that the profile demands are taken in TLS 1.2 (R-14,
// R-62), one with SHA-1 is not offered, and versions before 1.2 are
// not spoken.
func TestSuites(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	c := client(t, files(t, certPEM(ca.cert), issue(t, ca, clientTemplate()), ca.list(nil)))
	station := foreign(issue(t, ca, stationTemplate()), tls.VersionTLS12, pool(ca.cert))
	station.CipherSuites = []uint16{tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256}
	if there, err := visit(t, c, station); err != nil || there.state.CipherSuite != tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256 {
		t.Errorf("the mandatory suite: %v, %x", err, there.state.CipherSuite)
	}
	station.CipherSuites = []uint16{tls.TLS_ECDHE_ECDSA_WITH_AES_128_CBC_SHA}
	_, err := visit(t, c, station)
	if err == nil || !strings.Contains(err.Error(), "nothing in common") {
		t.Errorf("a suite with SHA-1: %v", err)
	}
	station.CipherSuites, station.MinVersion, station.MaxVersion = nil, tls.VersionTLS10, tls.VersionTLS11
	if _, err := visit(t, c, station); err == nil || !strings.Contains(err.Error(), "no version of TLS from 1.2 on") {
		t.Errorf("TLS 1.1: %v", err)
	}
	if offered := c.Config().CipherSuites; offered[0] != tls.TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256 {
		t.Errorf("%x is offered first, not the suite of R-14", offered[0])
	}
	for _, s := range tls.CipherSuites() {
		for _, offered := range c.Config().CipherSuites {
			if s.ID == offered && strings.HasSuffix(s.Name, "_SHA") {
				t.Errorf("%s is offered", s.Name)
			}
		}
	}
}

// TestWholeChainIsSent: the certificates between ours and the root, and the
// root itself, whether or not the file holds it.
func TestWholeChainIsSent(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	between := newIssuer(t, "panels", ca)
	shows := issue(t, ca, stationTemplate())
	for name, us := range map[string]*provision{
		"without root": issue(t, between, clientTemplate(), between), "with root": issue(t, between, clientTemplate(), between, ca),
	} {
		c := client(t, files(t, certPEM(ca.cert), us, append(ca.list(nil), between.list(nil)...)))
		there, err := visit(t, c, foreign(shows, tls.VersionTLS13, pool(ca.cert)))
		if err != nil || there.err != nil {
			t.Fatal(name, err, there.err)
		}
		got := there.state.PeerCertificates
		if len(got) != 3 || !got[2].Equal(ca.cert) || !got[1].Equal(between.cert) {
			t.Errorf("%s: %d certificates arrive", name, len(got))
		}
		if c.OwnRole().Name() != "operator" {
			t.Errorf("%s: our own role is %s", name, c.OwnRole())
		}
	}
}
