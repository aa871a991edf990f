package interop

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
)

// roleOID marks the role in a certificate.
// Source: Modbus/TCP Security Protocol Specification v36, R-21.
var roleOID = asn1.ObjectIdentifier{1, 3, 6, 1, 4, 1, 50316, 802, 1}

// An authority issues throw-away certificates into files of its folder.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t, dir: t.TempDir()}
	a.cert, a.key = a.issue("ca", &x509.Certificate{Subject: pkix.Name{CommonName: "nursery authority"}, IsCA: true,
		BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign})
	a.issue("station", &x509.Certificate{Subject: pkix.Name{CommonName: "transfer station"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	role, err := asn1.MarshalWithParams("viewer", "utf8")
	if err != nil {
		t.Fatal(err)
	}
	a.issue("panel", &x509.Certificate{Subject: pkix.Name{CommonName: "nursery panel"},
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		ExtraExtensions: []pkix.Extension{{Id: roleOID, Value: role}}})
	return a
}

// issue writes name.pem and name.key; the first certificate signs itself.
func (a *authority) issue(name string, c *x509.Certificate) (*x509.Certificate, *ecdsa.PrivateKey) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	a.must(err)
	parent, signer := a.cert, a.key
	if parent == nil {
		parent, signer = c, key
	}
	c.SerialNumber, c.NotBefore, c.NotAfter = big.NewInt(time.Now().UnixNano()), time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	a.must(err)
	cert, err := x509.ParseCertificate(der)
	a.must(err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	a.must(err)
	a.must(os.WriteFile(a.file(name+".pem"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	a.must(os.WriteFile(a.file(name+".key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))
	return cert, key
}

func (a *authority) must(err error) {
	a.t.Helper()
	if err != nil {
		a.t.Fatal(err)
	}
}

func (a *authority) file(name string) string { return filepath.Join(a.dir, name) }

// pool is the authority as the only one that is trusted.
func (a *authority) pool() *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(a.cert)
	return p
}

// pair is a certificate with its key.
func (a *authority) pair(name string) *tls.Certificate {
	a.t.Helper()
	c, err := tls.LoadX509KeyPair(a.file(name+".pem"), a.file(name+".key"))
	a.must(err)
	return &c
}

// flags are poll's flags for a place: whom to trust and who we are.
func (a *authority) flags(at string) []string {
	return []string{"--tls", at, "--ca", a.file("ca.pem"), "--cert", a.file("panel.pem"), "--key", a.file("panel.key"), "--crl", "none"}
}

// serveSecure starts the Go library's server over TLS, with the contents. It
// takes clients of one authority only.
func serveSecure(t *testing.T, own, clients *authority) (address string, b *bank) {
	t.Helper()
	_, b = serveLibrary(t)
	return b.serve(t, modbus.ServerConfiguration{URL: "tcp+tls://", TLSServerCert: own.pair("station"), TLSClientCAs: clients.pool()}), b
}

// TestPollSecureServer: the foreign server has asked for our certificate, has
// read the role in it, and gives what it was given.
func TestPollSecureServer(t *testing.T) {
	held(t, witness{mbapTLS, weAsk, goLibrary, ""}, func(t *testing.T) {
		a := newAuthority(t)
		at, b := serveSecure(t, a, a)
		checkPoll(t, refusals["mbap"], a.flags(at)...)
		wantAsked(t, b.asked(), "1", "2", "3", "4")
		if role := b.lastRole(); role != "viewer" {
			t.Errorf("the server read the role %q in our certificate, want viewer", role)
		}
	})
}

// TestSecureServerOfAnother: neither end talks to one whose certificate comes
// from an authority that it does not know, and no request gets through.
func TestSecureServerOfAnother(t *testing.T) {
	ours, others := newAuthority(t), newAuthority(t)
	for _, v := range []struct {
		name              string
		issued, clientsOf *authority // the server's own certificate; whose clients it takes
		want              string
	}{
		{"our certificate", ours, others, "the station refused our certificate"},
		{"the station's certificate", others, ours, "the station's certificate"},
	} {
		t.Run(v.name, func(t *testing.T) {
			at, b := serveSecure(t, v.issued, v.clientsOf)
			args := append([]string{"poll", "peer.yaml", "--unit", unit, "--once"}, ours.flags(at)...)
			out, errs, code := runAll(t, plumblineProgram, args...)
			if said := string(out) + errs; code != 3 || !strings.Contains(said, v.want) || !strings.Contains(said, "authority") {
				t.Errorf("exit code %d, want 3 and %q with the authority:\n%s", code, v.want, said)
			}
			if asked := b.asked(); len(asked) != 0 {
				t.Errorf("there came %v", asked)
			}
		})
	}
}
