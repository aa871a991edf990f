package secure

import (
	"bytes"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"time"

	"plumbline/regmap/line"
)

// Files are what one end of a connection is provisioned with, PEM each.
type Files struct {
	CA   string // certificates of the authorities to be trusted
	Cert string // our certificate, and those between it and the authority
	Key  string // our key; nobody but its owner may read it
	CRL  string // lists of withdrawn certificates; line.NoCRL: go without

	Open func(name string) (fs.File, error) // nil: os.Open
	Now  func() time.Time                   // nil: time.Now
}

// An end is one end of a connection, with what it was provisioned with.
type end struct {
	certificate tls.Certificate // with the whole chain
	roots       *x509.CertPool
	lists       lists
	role        Role
	digest      [sha256.Size]byte
	now         func() time.Time
}

// largest is the most bytes of one file: lists of great authorities are a few
// megabytes. Ours.
const largest = 16 << 20

// load reads and judges the files. use is what our certificate must be for.
func load(f Files, use x509.ExtKeyUsage) (*end, error) {
	if f.Open == nil {
		f.Open = func(name string) (fs.File, error) { return os.Open(name) }
	}
	e := &end{now: f.Now}
	if e.now == nil {
		e.now = time.Now
	}
	if f.CRL == "" {
		return nil, wrong(ErrNoList, "no list of withdrawn certificates is named; give crl: FILE, or crl: %s to go without", line.NoCRL)
	}
	texts := map[string][]byte{}
	sum := sha256.New()
	for _, name := range []string{f.CA, f.Cert, f.Key} {
		text, err := read(f.Open, name, name == f.Key)
		if err != nil {
			return nil, err
		}
		texts[name] = text
		fmt.Fprintf(sum, "%d:%s", len(text), text)
	}
	sum.Sum(e.digest[:0])
	roots, err := authorities(f.CA, texts[f.CA], e.now())
	if err != nil {
		return nil, err
	}
	e.roots = x509.NewCertPool()
	for _, c := range roots {
		e.roots.AddCert(c)
	}
	if err := e.loadLists(f); err != nil {
		return nil, err
	}
	return e, e.loadOwn(f, texts[f.Cert], texts[f.Key], use)
}

// read reads one file; a secret one must be its owner's alone.
func read(open func(string) (fs.File, error), name string, secret bool) ([]byte, error) {
	file, err := open(name)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened: %w", name, cause(err))
	}
	defer file.Close()
	info, err := file.Stat()
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s cannot be looked at: %w", name, cause(err))
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is no regular file", name)
	// Windows keeps rights elsewhere and shows made-up ones here.
	case secret && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
		return nil, fmt.Errorf("the key in %s can be read or changed by others than its owner (mode %04o); take it away from them with chmod 600, and if they may have read it, get a new key and certificate", name, info.Mode().Perm())
	case info.Size() > largest:
		return nil, fmt.Errorf("%s is larger than %d MiB", name, largest>>20)
	}
	text, err := io.ReadAll(io.LimitReader(file, largest+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", name, cause(err))
	}
	if len(text) > largest {
		return nil, fmt.Errorf("%s is larger than %d MiB", name, largest>>20)
	}
	return text, nil
}

// cause is a file error without the call and the path.
func cause(err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

// certificates are those of a PEM text, in its order.
func certificates(file string, text []byte) ([]*x509.Certificate, error) {
	var found []*x509.Certificate
	for rest := text; ; {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		if block.Type != "CERTIFICATE" {
			continue
		}
		c, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return nil, wrong(ErrMalformed, "%s: certificate %d cannot be read: %s", file, len(found)+1, plain(err))
		}
		found = append(found, c)
	}
	if len(found) == 0 {
		return nil, wrong(ErrMissing, "%s holds no certificate in PEM (a block CERTIFICATE)", file)
	}
	return found, nil
}

// authorities are the certificates to be trusted.
func authorities(file string, text []byte, now time.Time) ([]*x509.Certificate, error) {
	found, err := certificates(file, text)
	if err != nil {
		return nil, err
	}
	for _, c := range found {
		if now.After(c.NotAfter) || now.Before(c.NotBefore) {
			return nil, timeWords(fmt.Sprintf("the authority %s in %s", subject(c), file), c, now)
		}
	}
	return found, nil
}

func (e *end) loadLists(f Files) error {
	if f.CRL == line.NoCRL {
		e.lists.skip = true
		return nil
	}
	text, err := read(f.Open, f.CRL, false)
	if err != nil {
		return err
	}
	e.lists.all, err = parseLists(f.CRL, text)
	return err
}

// loadOwn makes our own certificate ready: the key fits, the other end will not
// have a reason to refuse that can be seen here, and the chain is whole.
func (e *end) loadOwn(f Files, cert, key []byte, use x509.ExtKeyUsage) error {
	if bytes.Contains(key, []byte("ENCRYPTED")) {
		return fmt.Errorf("the key in %s is locked with a password; store it without one, readable by its owner alone", f.Key)
	}
	chain, err := certificates(f.Cert, cert)
	if err != nil {
		return err
	}
	if e.certificate, err = tls.X509KeyPair(cert, key); err != nil {
		return fmt.Errorf("%s and %s do not fit together: %s", f.Cert, f.Key, plain(err))
	}
	if e.role, err = RoleOf(chain[0]); err != nil {
		return wrong(ErrRole, "our certificate in %s: %v", f.Cert, err)
	}
	whole, err := e.chains(fmt.Sprintf("our certificate in %s", f.Cert), chain, use)
	if err != nil {
		return err
	}
	e.certificate.Certificate = nil
	for _, c := range whole[0] { // the root as well: R-46
		e.certificate.Certificate = append(e.certificate.Certificate, c.Raw)
	}
	return nil
}

// chains are the ways from a certificate up to an authority. A critical role
// extension is known here, though not to the library.
func (e *end) chains(who string, certs []*x509.Certificate, use x509.ExtKeyUsage) ([][]*x509.Certificate, error) {
	now := e.now()
	leaf := *certs[0]
	leaf.UnhandledCriticalExtensions = nil
	for _, id := range certs[0].UnhandledCriticalExtensions {
		if !id.Equal(roleOID) {
			leaf.UnhandledCriticalExtensions = append(leaf.UnhandledCriticalExtensions, id)
		}
	}
	between := x509.NewCertPool()
	for _, c := range certs[1:] {
		between.AddCert(c)
	}
	found, err := leaf.Verify(x509.VerifyOptions{Roots: e.roots, Intermediates: between, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{use}})
	if err != nil {
		return nil, verifyWords(who, &leaf, err, now)
	}
	return found, nil
}

// judge says what is wrong with the other end's certificate, nil for nothing.
// It holds when one way up to an authority has no withdrawn certificate in it.
func (e *end) judge(who string, certs []*x509.Certificate, use x509.ExtKeyUsage) error {
	if len(certs) == 0 {
		return wrong(ErrMissing, "%s was not sent", who)
	}
	found, err := e.chains(who, certs, use)
	if err != nil {
		return err
	}
	var first error
	for _, chain := range found {
		err := e.lists.check(who, chain, e.now())
		if err == nil {
			return nil
		}
		if first == nil {
			first = err
		}
	}
	return first
}

// config is what both ends have in common.
func (e *end) config() *tls.Config {
	return &tls.Config{
		MinVersion:   tls.VersionTLS12,
		CipherSuites: suites(),
		Time:         e.now,
	}
}

// suites are those of TLS 1.2: the two of first, and others with
// SHA-256 or better and no SHA-1. TLS 1.3 has no others.
func suites() []uint16 {
	return []uint16{
		tls.TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256,
		tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256,
		tls.TLS_ECDHE_RSA_WITH_AES_256_GCM_SHA384,
		tls.TLS_ECDHE_ECDSA_WITH_AES_256_GCM_SHA384,
		tls.TLS_ECDHE_RSA_WITH_CHACHA20_POLY1305_SHA256,
		tls.TLS_ECDHE_ECDSA_WITH_CHACHA20_POLY1305_SHA256,
	}
}
