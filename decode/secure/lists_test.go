package secure

import (
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"encoding/pem"
	"errors"
	"math/big"
	"strings"
	"testing"
	"time"
)

// TestWithdrawn: MB-TCP-Security v36, table 5, has each side look for
// withdrawn certificates; the rules of a list are RFC 5280's.
func TestWithdrawn(t *testing.T) {
	ca, other := newIssuer(t, "nursery authority", nil), newIssuer(t, "nursery authority", nil) // one name, two keys
	between := newIssuer(t, "stations", ca)
	us, shows := issue(t, ca, clientTemplate()), issue(t, between, stationTemplate(), between)
	good, below := ca.list(nil), between.list(nil)
	critical := pkix.Extension{Id: asn1.ObjectIdentifier{2, 5, 29, 28}, Critical: true, Value: []byte{0x30, 0}}
	der, _ := pem.Decode(good)
	for _, v := range []struct {
		name  string
		crl   []byte
		kind  error
		words string
	}{
		{"nobody", append(good, below...), nil, ""},
		{"others", append(ca.list(nil, us.chain[0]), below...), nil, ""},
		{"the station", append(good, between.list(nil, shows.chain[0])...), ErrWithdrawn,
			"the station's certificate (serial number 101) was withdrawn by its authority on 1999-12-31 23:00 UTC: its key got into other hands"},
		{"the authority between", append(ca.list(nil, between.cert), below...), ErrWithdrawn,
			`the certificate of the authority "CN=stations" above the station's certificate`},
		{"list of one authority missing", good, ErrNoList, `was issued by "CN=stations", and there is no list`},
		{"list of the other missing", below, ErrNoList, `there is no list of certificates that this authority withdrew`},
		{"one list in DER", der.Bytes, ErrNoList, `was issued by "CN=stations", and there is no list`},
		{"list of a namesake", append(other.list(nil), below...), ErrNoList, "there is no list"},
		{"stale", append(good, between.list(func(l *x509.RevocationList) { l.NextUpdate = epoch.Add(-time.Minute) })...), ErrNoList,
			`the list of certificates withdrawn by "CN=stations" was to be replaced by 1999-12-31 23:59 UTC`},
		{"of tomorrow", append(good, between.list(func(l *x509.RevocationList) { l.ThisUpdate, l.NextUpdate = epoch.Add(day), epoch.Add(2*day) })...), ErrNoList,
			"is of 2000-01-02 00:00 UTC, and the clock here says"},
		{"a part of a list", append(good, between.list(func(l *x509.RevocationList) { l.ExtraExtensions = []pkix.Extension{critical} })...), ErrNoList,
			"critical extension (2.5.29.28)"},
		{"the newer of two", append(append(good, below...), between.list(func(l *x509.RevocationList) {
			l.Number, l.ThisUpdate = big.NewInt(2), epoch.Add(-time.Hour)
		}, shows.chain[0])...), ErrWithdrawn, "was withdrawn"},
	} {
		t.Run(v.name, func(t *testing.T) {
			c := client(t, files(t, certPEM(ca.cert), us, v.crl))
			_, err := visit(t, c, foreign(shows, versions["1.3"], pool(ca.cert)))
			stationCase{kind: v.kind, words: v.words}.judged(t, err)
		})
	}
	f := files(t, certPEM(ca.cert), us, nil)
	f.CRL = "none"
	if _, err := visit(t, client(t, f), foreign(shows, versions["1.3"], pool(ca.cert))); err != nil {
		t.Errorf("without a list, as asked for: %v", err)
	}
}

// TestWithdrawnSinceTheSession: a session that began before is not resumed past
// a withdrawal, an authority that is trusted no more, or a list that went stale.
func TestWithdrawnSinceTheSession(t *testing.T) {
	ca, other := newIssuer(t, "nursery authority", nil), newIssuer(t, "other authority", nil)
	us, shows := issue(t, ca, clientTemplate()), issue(t, ca, stationTemplate())
	for version, number := range versions {
		station := foreign(shows, number, pool(ca.cert))
		for name, v := range map[string]struct {
			then func(*Files)
			kind error
		}{
			"nothing":   {func(*Files) {}, nil},
			"withdrawn": {func(f *Files) { *f = files(t, certPEM(ca.cert), us, ca.list(nil, shows.chain[0])) }, ErrWithdrawn},
			"stale":     {func(f *Files) { f.Now = func() time.Time { return epoch.Add(day - time.Minute) } }, nil},
			"staler": {func(f *Files) {
				*f = files(t, certPEM(ca.cert), us, ca.list(func(l *x509.RevocationList) { l.NextUpdate = epoch.Add(-1) }))
			}, ErrNoList},
		} {
			f := files(t, certPEM(ca.cert), us, ca.list(nil))
			first := client(t, f)
			if _, err := visit(t, first, station); err != nil {
				t.Fatal(version, err)
			}
			v.then(&f)
			second := client(t, f)
			second.Resume(first)
			resumed := false
			err := resume(t, second, station, &resumed)
			if !errors.Is(err, v.kind) || !resumed {
				t.Errorf("%s, %s: %v, resumed %v; want %v", version, name, err, resumed, v.kind)
			}
		}
		first := client(t, files(t, certPEM(ca.cert), us, ca.list(nil)))
		if _, err := visit(t, first, station); err != nil {
			t.Fatal(version, err)
		}
		moved := issue(t, other, clientTemplate())
		second := client(t, files(t, certPEM(other.cert), moved, other.list(nil)))
		second.Resume(first)
		if second.sessions == first.sessions {
			t.Errorf("%s: sessions of another authority are kept", version)
		}
		if _, err := visit(t, second, station); !errors.Is(err, ErrAuthority) {
			t.Errorf("%s: authority not trusted any more: %v", version, err)
		}
	}
}

func TestUnreadableLists(t *testing.T) {
	ca := newIssuer(t, "nursery authority", nil)
	us := issue(t, ca, clientTemplate())
	for name, v := range map[string]struct {
		crl   []byte
		words string
	}{
		"empty":         {nil, "ca.crl holds no list of withdrawn certificates"},
		"a certificate": {certPEM(ca.cert), "ca.crl holds no list of withdrawn certificates"},
		"cut off":       {pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: []byte{0x30, 0x20}}), "ca.crl: the list of withdrawn certificates cannot be read"},
		"cut off DER":   {[]byte{0x30, 0x20}, "ca.crl: the list of withdrawn certificates cannot be read"},
	} {
		_, err := LoadClient(files(t, certPEM(ca.cert), us, v.crl), stationName)
		if err == nil || !strings.Contains(err.Error(), v.words) {
			t.Errorf("%s: %v, want %q", name, err, v.words)
		}
	}
}

// The reasons of RFC 5280, 5.3.1; 0 and what is not listed there give none.
func TestReasons(t *testing.T) {
	for code, want := range map[int]string{0: "no reason is given", 1: "its key got into other hands", 4: "replaced", 5: "no longer needed", 6: "on hold", 77: "no reason is given"} {
		if got := reason(code); !strings.Contains(got, want) {
			t.Errorf("%d: %q, want %q", code, got, want)
		}
	}
}
