package secure

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io/fs"
	"math/big"
	"net"
	"testing"
	"testing/fstest"
	"time"
)

// epoch is when the throw-away authority's certificates are in force: a day on
// both sides of it. It is the first instant of a testing/synctest bubble.
var epoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

const day = 24 * time.Hour

// The names of a station and of files in these tests.
const stationName = "pumps.example"

// An issuer is a throw-away authority, or one below it.
type issuer struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	next int64
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// sign makes a certificate out of a template; by nil signs itself.
func sign(t *testing.T, by *issuer, c *x509.Certificate, key *ecdsa.PrivateKey) *x509.Certificate {
	t.Helper()
	parent, signer := c, key
	c.SerialNumber = big.NewInt(1)
	if by != nil {
		by.next++
		c.SerialNumber = big.NewInt(by.next)
		parent, signer = by.cert, by.key
	}
	if c.NotBefore.IsZero() {
		c.NotBefore, c.NotAfter = epoch.Add(-day), epoch.Add(day)
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return cert
}

// newIssuer makes an authority; by nil is a root.
func newIssuer(t *testing.T, name string, by *issuer) *issuer {
	t.Helper()
	key := newKey(t)
	c := &x509.Certificate{Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: epoch.Add(-10 * day), NotAfter: epoch.Add(10 * day),
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign, SubjectKeyId: []byte(name)}
	return &issuer{t: t, cert: sign(t, by, c, key), key: key, next: 100}
}

// list is the issuer's list of withdrawn certificates, in PEM.
func (i *issuer) list(change func(*x509.RevocationList), withdrawn ...*x509.Certificate) []byte {
	i.t.Helper()
	l := &x509.RevocationList{Number: big.NewInt(1), ThisUpdate: epoch.Add(-day), NextUpdate: epoch.Add(day)}
	for _, c := range withdrawn {
		l.RevokedCertificateEntries = append(l.RevokedCertificateEntries,
			x509.RevocationListEntry{SerialNumber: c.SerialNumber, RevocationTime: epoch.Add(-time.Hour), ReasonCode: 1})
	}
	if change != nil {
		change(l)
	}
	der, err := x509.CreateRevocationList(rand.Reader, l, i.cert, i.key)
	if err != nil {
		i.t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: der})
}

// A holder is a certificate with its key and those above it, as an end is
// provisioned with them.
type provision struct {
	chain []*x509.Certificate
	key   *ecdsa.PrivateKey
}

// station and client are templates that a case changes.
func stationTemplate() *x509.Certificate {
	return &x509.Certificate{Subject: pkix.Name{CommonName: "transfer station"}, DNSNames: []string{stationName},
		IPAddresses: []net.IP{net.IPv4(192, 0, 2, 10)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
}

func clientTemplate() *x509.Certificate {
	return &x509.Certificate{Subject: pkix.Name{CommonName: "nursery panel"}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		ExtraExtensions: []pkix.Extension{{Id: roleOID, Value: []byte("\x0c\x08operator")}}}
}

// issue provisions a holder with a certificate of by, nil for one that it signs
// itself.
func issue(t *testing.T, by *issuer, c *x509.Certificate, above ...*issuer) *provision {
	t.Helper()
	key := newKey(t)
	p := &provision{chain: []*x509.Certificate{sign(t, by, c, key)}, key: key}
	for _, a := range above {
		p.chain = append(p.chain, a.cert)
	}
	return p
}

func certPEM(certs ...*x509.Certificate) []byte {
	var text []byte
	for _, c := range certs {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Raw})...)
	}
	return text
}

func (p *provision) keyPEM(t *testing.T) []byte {
	t.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(p.key)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})
}

// tls is the holder's certificate for crypto/tls itself, as a foreign peer has it.
func (p *provision) tls() tls.Certificate {
	c := tls.Certificate{PrivateKey: p.key, Leaf: p.chain[0]}
	for _, a := range p.chain {
		c.Certificate = append(c.Certificate, a.Raw)
	}
	return c
}

// files are what an end is provisioned with, in memory.
func files(t *testing.T, ca []byte, p *provision, crl []byte) Files {
	t.Helper()
	disk := fstest.MapFS{
		"ca.pem": {Data: ca, Mode: 0o644}, "us.pem": {Data: certPEM(p.chain...), Mode: 0o644},
		"us.key": {Data: p.keyPEM(t), Mode: 0o600}, "ca.crl": {Data: crl, Mode: 0o644},
	}
	return Files{CA: "ca.pem", Cert: "us.pem", Key: "us.key", CRL: "ca.crl",
		Open: func(name string) (fs.File, error) { return disk.Open(name) }, Now: func() time.Time { return epoch }}
}
