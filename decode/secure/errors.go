package secure

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"strings"
	"time"
)

// The kinds of fault of a certificate that a caller may match with errors.Is.
var (
	ErrAuthority = errors.New("no known authority issued it")
	ErrTime      = errors.New("it is out of its time")
	ErrName      = errors.New("it is for another name")
	ErrUsage     = errors.New("it is for another use")
	ErrWithdrawn = errors.New("its authority withdrew it")
	ErrNoList    = errors.New("no list of withdrawn certificates in force covers it")
	ErrMissing   = errors.New("there is none")
	ErrMalformed = errors.New("it cannot be used")
)

// A CertificateError says what is wrong with a certificate. errors.Is finds its
// kind, one of the errors above or ErrRole.
type CertificateError struct {
	Kind  error
	Words string // the whole sentence
}

// Error is the sentence.
func (e *CertificateError) Error() string { return e.Words }

// Unwrap gives the kind.
func (e *CertificateError) Unwrap() error { return e.Kind }

func wrong(kind error, format string, args ...any) error {
	return &CertificateError{kind, fmt.Sprintf(format, args...)}
}

// A RefusedError is the station's refusal of our certificate. With TLS 1.3 it
// comes at the first read, after the client's half of the handshake is done.
type RefusedError struct {
	Alert uint8 // TLS alert, RFC 8446, 6.2
	words string
}

// Error says that and why the station refused our certificate.
func (e *RefusedError) Error() string { return "the station refused our certificate: " + e.words }

// Refusal is the station's reason, as far as its alert tells it.
func (e *RefusedError) Refusal() string { return e.words }

// refusals are the alerts that judge our certificate. Source: RFC 8446, 6.2.
var refusals = map[uint8]string{
	42:  "it says the certificate is bad, and no more",
	43:  "it does not take this type of certificate",
	44:  "it says the certificate was withdrawn by its authority",
	45:  "it says the certificate expired or is not valid yet; are the clocks of both ends right",
	46:  "it gives a reason of its own that it does not tell",
	48:  "it does not know the authority that issued it",
	49:  "it knows the certificate and lets its holder do nothing here",
	116: "it wants one and says that none was sent",
}

// Alerts of a handshake that are about something else. Source: RFC 8446, 6.2.
var otherAlerts = map[uint8]string{
	40: "it found nothing in common with what was offered (TLS 1.2 and 1.3, suites with GCM or ChaCha20), or wants another certificate",
	70: "it speaks no version of TLS from 1.2 on",
	71: "it finds the cipher suites or keys too weak",
}

// alert is the number of an alert that the other end sent.
func alert(err error) (number uint8, ok bool) {
	var op *net.OpError
	if !errors.As(err, &op) || op.Op != "remote error" {
		return 0, false
	}
	// The alert's own type is hidden; its text is that of the exported type.
	for n := range 256 {
		if op.Err.Error() == tls.AlertError(n).Error() {
			return uint8(n), true
		}
	}
	return 0, false
}

// refused is err as a RefusedError, where it is one.
func refused(err error) (*RefusedError, bool) {
	number, ok := alert(err)
	if !ok {
		return nil, false
	}
	words, ok := refusals[number]
	if !ok {
		return nil, false
	}
	return &RefusedError{number, fmt.Sprintf("%s; alert %d, %s", words, number, alertName(number))}, true
}

func alertName(n uint8) string { return strings.TrimPrefix(tls.AlertError(n).Error(), "tls: ") }

// verifyWords turns what the X.509 library found into a sentence. who is whose
// certificate it is: "the station's certificate".
func verifyWords(who string, leaf *x509.Certificate, err error, now time.Time) error {
	var of x509.CertificateInvalidError
	var unknown x509.UnknownAuthorityError
	switch {
	case errors.As(err, &of) && of.Reason == x509.Expired:
		return timeWords(holder(who, leaf, of.Cert), of.Cert, now)
	case errors.As(err, &of) && of.Reason == x509.IncompatibleUsage:
		return wrong(ErrUsage, "%s is for %s and may not be used at this end of a connection", who, usages(leaf))
	case errors.As(err, &unknown) && isOwnIssuer(leaf):
		return wrong(ErrAuthority, "%s (%s) is signed by itself and is not among the authorities in use; compare it with the station's and name it as ca if it is the right one", who, subject(leaf))
	case errors.As(err, &unknown):
		return wrong(ErrAuthority, "%s (%s) was issued by %q, which is no authority in use here", who, subject(leaf), leaf.Issuer.String())
	}
	return wrong(ErrMalformed, "%s (%s) cannot be used: %s", who, subject(leaf), plain(err))
}

// holder names the certificate of a chain that a fault is in.
func holder(who string, leaf, c *x509.Certificate) string {
	if c == nil || string(c.Raw) == string(leaf.Raw) {
		return who
	}
	return fmt.Sprintf("the certificate of the authority %q above %s", c.Subject.String(), who)
}

func timeWords(who string, c *x509.Certificate, now time.Time) error {
	if now.Before(c.NotBefore) {
		return wrong(ErrTime, "%s is valid from %s on, and the clock here says %s", who, date(c.NotBefore), date(now))
	}
	return wrong(ErrTime, "%s expired on %s, and the clock here says %s", who, date(c.NotAfter), date(now))
}

func date(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// plain is a library's error without its prefix.
func plain(err error) string {
	text := err.Error()
	for _, prefix := range []string{"x509: ", "tls: "} {
		text = strings.TrimPrefix(text, prefix)
	}
	return text
}

func isOwnIssuer(c *x509.Certificate) bool { return string(c.RawIssuer) == string(c.RawSubject) }

func subject(c *x509.Certificate) string { return fmt.Sprintf("%q", c.Subject.String()) }

// usages are the uses that a certificate names (RFC 5280, 4.2.1.12).
func usages(c *x509.Certificate) string {
	known := map[x509.ExtKeyUsage]string{x509.ExtKeyUsageServerAuth: "servers", x509.ExtKeyUsageClientAuth: "clients",
		x509.ExtKeyUsageCodeSigning: "signing programs", x509.ExtKeyUsageEmailProtection: "mail",
		x509.ExtKeyUsageTimeStamping: "time stamps", x509.ExtKeyUsageOCSPSigning: "signing the state of certificates"}
	var names []string
	for _, u := range c.ExtKeyUsage {
		if name, ok := known[u]; ok {
			names = append(names, name)
		}
	}
	if len(names) == 0 {
		return "other uses"
	}
	return strings.Join(names, " and ") + " only"
}

// names are all that a certificate is for.
func names(c *x509.Certificate) string {
	var all []string
	for _, n := range c.DNSNames {
		all = append(all, fmt.Sprintf("%q", n))
	}
	for _, a := range c.IPAddresses {
		all = append(all, a.String())
	}
	switch {
	case len(all) == 0:
		return "no host at all (" + subject(c) + ")"
	case len(all) > 8:
		all = append(all[:8], fmt.Sprintf("%d more", len(all)-8))
	}
	return strings.Join(all, ", ")
}
