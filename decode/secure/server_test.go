package secure

import (
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"strings"
	"testing"
	"time"
)

// A clientCase is a certificate that a client may show and what becomes of it.
type clientCase struct {
	name  string
	shows *provision // nil: none
	kind  error
	role  string
}

// clients are the rows of the profile's matrix that end in the handshake.
// Sources: R-44 (none), R-47 (RFC 5280), table 5, R-21, R-22, R-65 (role), R-23
// (NULL role).
func clients(t *testing.T, ca, other *issuer) []clientCase {
	with := func(f func(*x509.Certificate)) *provision {
		c := clientTemplate()
		f(c)
		return issue(t, ca, c)
	}
	roles := func(values ...string) *provision {
		return with(func(c *x509.Certificate) {
			c.ExtraExtensions = nil
			for _, v := range values {
				c.ExtraExtensions = append(c.ExtraExtensions, pkix.Extension{Id: roleOID, Value: []byte(v)})
			}
		})
	}
	critical := pkix.Extension{Id: roleOID, Critical: true, Value: []byte("\x0c\x08operator")}
	return []clientCase{
		{"right", with(func(*x509.Certificate) {}), nil, `role "operator"`},
		{"critical role", with(func(c *x509.Certificate) { c.ExtraExtensions = []pkix.Extension{critical} }), nil, `role "operator"`},
		{"no role", roles(), nil, "no role"},
		{"unknown role", roles("\x0c\x08gardener"), nil, `role "gardener"`},
		{"malformed role", roles("operator"), ErrRole, ""},
		{"role with bytes behind", roles("\x0c\x08operator\x00"), ErrRole, ""},
		{"none", nil, errAny, ""},
		{"expired", with(func(c *x509.Certificate) { c.NotBefore, c.NotAfter = epoch.Add(-2*day), epoch.Add(-day) }), ErrTime, ""},
		{"not yet valid", with(func(c *x509.Certificate) { c.NotBefore, c.NotAfter = epoch.Add(day), epoch.Add(2*day) }), ErrTime, ""},
		{"wrong authority", issue(t, other, clientTemplate()), ErrAuthority, ""},
		{"wrong usage", with(func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth} }), ErrUsage, ""},
		{"self-signed", issue(t, nil, clientTemplate()), ErrAuthority, ""},
	}
}

// errAny stands for a refusal whose words are the library's.
var errAny = errors.New("any")

// TestClientsCertificate: each certificate, with both versions, in a full
// handshake and in a resumed one that a station which judges nothing began.
func TestClientsCertificate(t *testing.T) {
	ca, other := newIssuer(t, "nursery authority", nil), newIssuer(t, "other authority", nil)
	us := issue(t, ca, stationTemplate())
	all := clients(t, ca, other)
	all = append(all, clientCase{"withdrawn", issue(t, ca, clientTemplate()), ErrWithdrawn, ""})
	withdrawn := all[len(all)-1].shows.chain[0]
	s, err := LoadServer(files(t, certPEM(ca.cert), us, ca.list(nil, withdrawn)))
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range all {
		for version, number := range versions {
			for _, again := range []bool{false, true} {
				name := v.name + "/" + version + "/full"
				if again {
					name = v.name + "/" + version + "/resumed"
				}
				t.Run(name, func(t *testing.T) { v.visit(t, s, us, number, again) })
			}
		}
	}
}

// visit makes one connection, or a resumed one, and holds it against the case.
func (v clientCase) visit(t *testing.T, s *Server, us *provision, version uint16, again bool) {
	t.Helper()
	config := &tls.Config{InsecureSkipVerify: true, ServerName: stationName, MinVersion: version, MaxVersion: version,
		ClientSessionCache: newSessions(), Time: s.now}
	if v.shows != nil {
		own := v.shows.tls()
		config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &own, nil }
	}
	ticket := [32]byte{1, 2, 3}
	if again {
		blind := &tls.Config{Certificates: []tls.Certificate{us.tls()}, ClientAuth: tls.RequestClientCert, Time: s.now}
		blind.SetSessionTicketKeys([][32]byte{ticket})
		if there := call(t, blind, config); there.err != nil {
			t.Fatal(there.err)
		}
	}
	ours := s.Config()
	ours.SetSessionTicketKeys([][32]byte{ticket})
	there := call(t, ours, config)
	switch {
	case v.kind == nil && there.err != nil, v.kind != nil && there.err == nil, v.kind != nil && v.kind != errAny && !errors.Is(there.err, v.kind):
		t.Fatalf("%v, want %v", there.err, v.kind)
	case v.kind != nil:
		return
	}
	if there.state.DidResume != again {
		t.Errorf("resumed %v, want %v", there.state.DidResume, again)
	}
	if role, err := s.Role(there.state); err != nil || role.String() != v.role {
		t.Errorf("%s, %v; want %s", role, err, v.role)
	}
}

// call is one connection of crypto/tls's client.
func call(t *testing.T, station, client *tls.Config) outcome {
	t.Helper()
	near, far := wire(t)
	done := answer(far, station)
	c := tls.Client(near, client)
	exchange(c)
	c.Close()
	near.Close()
	return <-done
}

// TestSuitesOfTheStation: a client with CBC and SHA-1 alone, or with TLS 1.1,
// gets no connection.
func TestSuitesOfTheStation(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	s, err := LoadServer(files(t, certPEM(ca.cert), issue(t, ca, stationTemplate()), ca.list(nil)))
	if err != nil {
		t.Fatal(err)
	}
	own := issue(t, ca, clientTemplate())
	for name, change := range map[string]func(*tls.Config){
		"SHA-1":   func(c *tls.Config) { c.CipherSuites = []uint16{tls.TLS_ECDHE_ECDSA_WITH_AES_128_CBC_SHA} },
		"TLS 1.1": func(c *tls.Config) { c.MinVersion, c.MaxVersion = tls.VersionTLS10, tls.VersionTLS11 },
	} {
		c := &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS12, Certificates: []tls.Certificate{own.tls()}, Time: s.now}
		if there := call(t, s.Config(), c); there.err != nil {
			t.Fatal(there.err)
		}
		change(c)
		if there := call(t, s.Config(), c); there.err == nil || errors.Is(there.err, io.EOF) {
			t.Errorf("%s: %v, want a refusal", name, there.err)
		}
	}
}

// TestOwnFaults: what is wrong with our own files is told at the start, with
// what to do.
func TestOwnFaults(t *testing.T) {
	ca, other := newIssuer(t, "nursery authority", nil), newIssuer(t, "other authority", nil)
	us := issue(t, ca, clientTemplate())
	template := func(f func(*x509.Certificate)) *provision {
		c := clientTemplate()
		f(c)
		return issue(t, ca, c)
	}
	for name, v := range map[string]struct {
		us    *provision
		crl   string
		now   time.Duration
		kind  error
		words string
	}{
		"no list named":  {us, "", 0, ErrNoList, "no list of withdrawn certificates is named; give crl: FILE, or crl: none to go without"},
		"our usage":      {issue(t, ca, stationTemplate()), "none", 0, ErrUsage, "our certificate in us.pem is for servers only"},
		"our authority":  {issue(t, other, clientTemplate()), "none", 0, ErrAuthority, `our certificate in us.pem ("CN=nursery panel") was issued by "CN=other authority"`},
		"we expired":     {us, "none", 2 * day, ErrTime, "our certificate in us.pem expired on 2000-01-02 00:00 UTC"},
		"they expired":   {us, "none", 20 * day, ErrTime, `the authority "CN=nursery authority" in ca.pem expired on`},
		"our role":       {template(func(c *x509.Certificate) { c.ExtraExtensions[0].Value = []byte("operator") }), "none", 0, ErrRole, "our certificate in us.pem: the role in the certificate cannot be read: it begins with the byte 0x6F"},
		"list not there": {us, "gone.crl", 0, nil, "gone.crl cannot be opened: file does not exist"},
		"nothing":        {us, "none", 0, nil, ""},
	} {
		f := files(t, certPEM(ca.cert), v.us, ca.list(nil))
		f.CRL = v.crl
		f.Now = func() time.Time { return epoch.Add(v.now) }
		c, err := LoadClient(f, stationName)
		switch {
		case v.words == "" && (err != nil || c == nil):
			t.Errorf("%s: %v", name, err)
		case v.words != "" && (err == nil || c != nil || !strings.Contains(err.Error(), v.words) || v.kind != nil && !errors.Is(err, v.kind)):
			t.Errorf("%s: %v, want %q", name, err, v.words)
		}
	}
}
