package secure

import (
	"bytes"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"errors"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

// Source: R-22 (UTF8String), X.690 8.1.3 and 10.1 (length), 8.23 (tag 12); the
// encodings were written by hand.
func TestParseRole(t *testing.T) {
	long, longest := strings.Repeat("r", 200), strings.Repeat("r", 300)
	for _, v := range []struct {
		name, der, want, words string
	}{
		{"plain", "\x0c\x08operator", "operator", ""},
		{"a list is one role", "\x0c\x03a,b", "a,b", ""},
		{"not only ASCII", "\x0c\x07W\xc3\xa4rter", "W\u00e4rter", ""},
		{"127 bytes", "\x0c\x7f" + long[:127], long[:127], ""},
		{"200 bytes", "\x0c\x81\xc8" + long, long, ""},
		{"300 bytes", "\x0c\x82\x01\x2c" + longest, longest, ""},
		{"nothing", "", "", "the extension is empty"},
		{"tag alone", "\x0c", "", "length is not written"},
		{"empty text", "\x0c\x00", "", "its text is empty"},
		{"bare text", "operator", "", "begins with the byte 0x6F"},
		{"PrintableString", "\x13\x08operator", "", "begins with the byte 0x13"},
		{"constructed", "\x2c\x0a\x0c\x08operator", "", "begins with the byte 0x2C"},
		{"sequence of roles", "\x30\x06\x0c\x01a\x0c\x01b", "", "begins with the byte 0x30"},
		{"bytes behind", "\x0c\x08operator\x00", "", "1 bytes stand behind it"},
		{"a second one behind", "\x0c\x01a\x0c\x01b", "", "3 bytes stand behind it"},
		{"cut off", "\x0c\x08operato", "", "8 bytes of text are announced, 7 are there"},
		{"length longer than needed", "\x0c\x81\x08operator", "", "length is not written"},
		{"length with a leading zero", "\x0c\x82\x00\xc8" + long, "", "length is not written"},
		{"length without end", "\x0c\x80operator\x00\x00", "", "length is not written"},
		{"length of three bytes", "\x0c\x83\x00\x00\x01a", "", "length is not written"},
		{"length cut off", "\x0c\x82\x01", "", "length is not written"},
		{"no UTF-8", "\x0c\x02\xc3\x28", "", "not UTF-8"},
		{"NUL inside", "\x0c\x05ad\x00in", "", "U+0000"},
		{"line feed", "\x0c\x02a\n", "", "U+000A"},
		{"right-to-left mark", "\x0c\x04a\xe2\x80\x8f", "", "U+200F"},
		{"line separator", "\x0c\x04a\xe2\x80\xa8", "", "U+2028"},
	} {
		got, err := parseRole([]byte(v.der))
		switch {
		case v.words == "" && (got != v.want || err != nil):
			t.Errorf("%s: %q, %v; want %q", v.name, got, err, v.want)
		case v.words != "" && (got != "" || !errors.Is(err, ErrRole) || !strings.Contains(err.Error(), v.words)):
			t.Errorf("%s: %q, %v; want %q", v.name, got, err, v.words)
		}
	}
}

func TestRoleOf(t *testing.T) {
	operator := pkix.Extension{Id: roleOID, Value: []byte("\x0c\x08operator")}
	other := pkix.Extension{Id: asn1.ObjectIdentifier{1, 3, 6, 1, 4, 1, 50316, 802, 2}, Value: []byte{5, 0}}
	for _, v := range []struct {
		name string
		ext  []pkix.Extension
		want string
		bad  bool
	}{
		{"none", []pkix.Extension{other}, "no role", false},
		{"one", []pkix.Extension{other, operator}, `role "operator"`, false},
		{"two", []pkix.Extension{operator, operator}, "no role", true},
		{"malformed", []pkix.Extension{{Id: roleOID, Value: []byte("operator")}}, "no role", true},
	} {
		got, err := RoleOf(&x509.Certificate{Extensions: v.ext})
		if got.String() != v.want || errors.Is(err, ErrRole) != v.bad {
			t.Errorf("%s: %s, %v; want %s", v.name, got, err, v.want)
		}
		if named := v.want == `role "operator"`; got.Given() != named || (got.Name() == "operator") != named {
			t.Errorf("%s: given %v, name %q", v.name, got.Given(), got.Name())
		}
	}
}

// FuzzRoleExtension: what is taken is what encodes back to the same bytes by
// another encoder, and shows nothing that moves a cursor.
func FuzzRoleExtension(f *testing.F) {
	for _, seed := range []string{"\x0c\x08operator", "operator", "", "\x0c\x81\xc8", "\x0c\x03a\x00b", "\x13\x01a"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, der []byte) {
		name, err := parseRole(der)
		if err != nil {
			if name != "" || !errors.Is(err, ErrRole) {
				t.Fatalf("% x: %q, %v", der, name, err)
			}
			return
		}
		back, err := asn1.MarshalWithParams(name, "utf8")
		if err != nil || !bytes.Equal(back, der) {
			t.Fatalf("% x was taken as %q, which is % x (%v)", der, name, back, err)
		}
		if !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return unicode.Is(unicode.Cc, r) || unicode.Is(unicode.Cf, r) }) {
			t.Fatalf("% x gives %q", der, name)
		}
	})
}
