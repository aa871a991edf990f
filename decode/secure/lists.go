package secure

import (
	"bytes"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"time"
)

// lists are the authorities' lists of withdrawn certificates (RFC 5280, 5).
type lists struct {
	all  []*x509.RevocationList
	skip bool // withdrawn certificates are not looked for
}

// parseLists reads lists in PEM, one after another, or one in DER.
func parseLists(file string, text []byte) ([]*x509.RevocationList, error) {
	var found []*x509.RevocationList
	add := func(der []byte) error {
		l, err := x509.ParseRevocationList(der)
		if err != nil {
			return fmt.Errorf("%s: the list of withdrawn certificates cannot be read: %s", file, plain(err))
		}
		found = append(found, l)
		return nil
	}
	for rest := text; ; {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		if block.Type != "X509 CRL" {
			continue
		}
		if err := add(block.Bytes); err != nil {
			return nil, err
		}
	}
	if len(found) == 0 && len(text) > 0 && text[0] == 0x30 { // a DER sequence
		return found, add(text)
	}
	if len(found) == 0 {
		return nil, fmt.Errorf("%s holds no list of withdrawn certificates (a block X509 CRL in PEM)", file)
	}
	return found, nil
}

// check looks up each certificate of a chain below its root. What no list in
// force covers counts as withdrawn: an authority that was robbed of a key, and
// a line that is cut off from its authority, look alike.
func (l *lists) check(who string, chain []*x509.Certificate, now time.Time) error {
	if l.skip {
		return nil
	}
	for i := range len(chain) - 1 {
		c, issuer := chain[i], chain[i+1]
		list := l.of(issuer)
		if list == nil {
			return wrong(ErrNoList, "%s was issued by %q, and there is no list of certificates that this authority withdrew; ask it for one and name it as crl",
				holder(who, chain[0], c), issuer.Subject.String())
		}
		if err := inForce(list, issuer, now); err != nil {
			return err
		}
		for _, e := range list.RevokedCertificateEntries {
			if e.SerialNumber.Cmp(c.SerialNumber) == 0 {
				return wrong(ErrWithdrawn, "%s (serial number %s) was withdrawn by its authority on %s: %s",
					holder(who, chain[0], c), c.SerialNumber, date(e.RevocationTime), reason(e.ReasonCode))
			}
		}
	}
	return nil
}

// of is the newest list that issuer signed, nil for none.
func (l *lists) of(issuer *x509.Certificate) *x509.RevocationList {
	var newest *x509.RevocationList
	for _, list := range l.all {
		if !bytes.Equal(list.RawIssuer, issuer.RawSubject) || list.CheckSignatureFrom(issuer) != nil {
			continue
		}
		if newest == nil || list.ThisUpdate.After(newest.ThisUpdate) {
			newest = list
		}
	}
	return newest
}

// inForce refuses a list that is out of its time or says less than all.
func inForce(list *x509.RevocationList, issuer *x509.Certificate, now time.Time) error {
	of := fmt.Sprintf("the list of certificates withdrawn by %q", issuer.Subject.String())
	for _, e := range list.Extensions {
		if e.Critical { // parts of a list, or lists of other authorities: RFC 5280, 5.2
			return wrong(ErrNoList, "%s has a critical extension (%s) that is not understood here", of, e.Id)
		}
	}
	switch {
	case list.NextUpdate.IsZero():
		return wrong(ErrNoList, "%s does not say how long it holds (RFC 5280, 5.1.2.5)", of)
	case now.Before(list.ThisUpdate):
		return wrong(ErrNoList, "%s is of %s, and the clock here says %s", of, date(list.ThisUpdate), date(now))
	case now.After(list.NextUpdate):
		return wrong(ErrNoList, "%s was to be replaced by %s, and the clock here says %s; get the new one from the authority", of, date(list.NextUpdate), date(now))
	}
	return nil
}

// reason is why a certificate was withdrawn. Source: RFC 5280, 5.3.1.
func reason(code int) string {
	words := map[int]string{1: "its key got into other hands", 2: "the authority's key got into other hands", 3: "its holder's name or function changed",
		4: "it was replaced by another", 5: "it is no longer needed", 6: "it is on hold", 9: "its holder may no longer do what it says"}
	if w, ok := words[code]; ok {
		return w
	}
	return "no reason is given"
}
