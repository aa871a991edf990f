package secure

import (
	"crypto/x509"
	"encoding/asn1"
	"errors"
	"fmt"
	"unicode"
	"unicode/utf8"
)

// roleOID is the extension that carries a role. Source: R-21.
var roleOID = asn1.ObjectIdentifier{1, 3, 6, 1, 4, 1, 50316, 802, 1}

// A Role is what a client's certificate says its holder is. The zero Role is
// the NULL role of a certificate that names none, which is not a role
// of an empty name.
type Role struct {
	name  string
	given bool
}

// Name is the role's text, "" for the NULL role; text from outside, though
// without control and format characters.
func (r Role) Name() string { return r.name }

// Given says whether the certificate names a role.
func (r Role) Given() bool { return r.given }

// String is the quoted name, or "no role".
func (r Role) String() string {
	if !r.given {
		return "no role"
	}
	return fmt.Sprintf("role %q", r.name)
}

// ErrRole is wrapped where a role extension is there and cannot be read.
var ErrRole = errors.New("the role in the certificate cannot be read")

// RoleOf reads the role of a certificate: one extension with one role,
// whose whole text is the name. Errors wrap ErrRole.
func RoleOf(c *x509.Certificate) (Role, error) {
	var role Role
	for _, e := range c.Extensions {
		if !e.Id.Equal(roleOID) {
			continue
		}
		if role.given { // the X.509 reader refuses it already
			return Role{}, fmt.Errorf("%w: it is there twice", ErrRole)
		}
		name, err := parseRole(e.Value)
		if err != nil {
			return Role{}, err
		}
		role = Role{name, true}
	}
	return role, nil
}

// tagUTF8String is the tag of the one type a role may have.
const tagUTF8String = 12

// parseRole reads the extension's value: a UTF8String in DER (X.690, 8.1 and
// 10.1), and nothing behind it. Control and format characters are refused:
// no role needs them, and they make two roles look like one.
func parseRole(der []byte) (string, error) {
	text, err := content(der)
	if err != nil {
		return "", err
	}
	switch {
	case len(text) == 0:
		return "", fmt.Errorf("%w: its text is empty", ErrRole)
	case !utf8.Valid(text):
		return "", fmt.Errorf("%w: its text is not UTF-8", ErrRole)
	}
	for _, r := range string(text) {
		if unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) {
			return "", fmt.Errorf("%w: it holds the control or format character %U", ErrRole, r)
		}
	}
	return string(text), nil
}

// content takes the header off a DER value that must be a UTF8String.
func content(der []byte) ([]byte, error) {
	if len(der) == 0 {
		return nil, fmt.Errorf("%w: the extension is empty", ErrRole)
	}
	if der[0] != tagUTF8String {
		return nil, fmt.Errorf("%w: it begins with the byte 0x%02X; a UTF8String begins with 0x0C and its length, not with the text itself", ErrRole, der[0])
	}
	n, rest, ok := length(der[1:])
	switch {
	case !ok:
		return nil, fmt.Errorf("%w: its length is not written as DER has it", ErrRole)
	case n > len(rest):
		return nil, fmt.Errorf("%w: %d bytes of text are announced, %d are there", ErrRole, n, len(rest))
	case n < len(rest):
		return nil, fmt.Errorf("%w: %d bytes stand behind it", ErrRole, len(rest)-n)
	}
	return rest, nil
}

// length reads a length in the definite form with the fewest bytes possible
// (X.690, 10.1). No certificate needs more than 16 bits.
func length(b []byte) (n int, rest []byte, ok bool) {
	switch {
	case len(b) > 0 && b[0] < 0x80:
		return int(b[0]), b[1:], true
	case len(b) > 1 && b[0] == 0x81:
		return int(b[1]), b[2:], b[1] >= 0x80
	case len(b) > 2 && b[0] == 0x82:
		return int(b[1])<<8 | int(b[2]), b[3:], b[1] > 0
	}
	return 0, nil, false
}
