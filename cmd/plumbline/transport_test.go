package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/decode/secure"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// folder is a folder with the cistern's map and a line file that has the medium
// given.
func folder(t *testing.T, medium string) (dir, file string) {
	t.Helper()
	dir = t.TempDir()
	text, err := os.ReadFile(cistern)
	if err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(dir, "cistern.yaml"), text, 0o600)
	file = filepath.Join(dir, "line.yaml")
	put(t, file, []byte("line: Pump house\n"+medium+"\ntiming: {response: 5s, retries: 0}\nstations:\n  17: {name: cistern, map: cistern.yaml}\n"), 0o600)
	return dir, file
}

func put(t *testing.T, path string, text []byte, mode os.FileMode) {
	t.Helper()
	if err := os.WriteFile(path, text, mode); err != nil {
		t.Fatal(err)
	}
}

// hostPort is an address as the line file's two keys.
func hostPort(t *testing.T, address string) string {
	t.Helper()
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	return "host: " + host + ", port: " + port
}

// wantCistern polls once and wants the values of the map's simulate block.
func wantCistern(t *testing.T, args ...string) {
	t.Helper()
	code, out, errs := command(t, append([]string{"poll", "--once", "--json"}, args...)...)
	if code != exitDone {
		t.Fatalf("poll %v: %d, %s%s", args, code, out, errs)
	}
	got := rows(t, out)
	for name, want := range map[string]string{"flow": "12.40", "state.pump-1-running": "on", "float-switch": "off", "pump-1-enable": "on", "lead-start": "1.600", "name": "CISTERN 1"} {
		if row := got[name]; row == nil || row["shown"] != want || row["quality"] != "good" {
			t.Errorf("%v: %s is %v, want %s", args, name, row, want)
		}
	}
}

// TestPollOverTCP: each framing that travels inside TCP, from a line file and
// from flags.
func TestPollOverTCP(t *testing.T) {
	for _, framing := range []string{"mbap", "rtu", "ascii"} {
		at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0", "--framing", framing)["tcp"]
		_, file := folder(t, "tcp: {"+hostPort(t, at)+", framing: "+framing+"}")
		wantCistern(t, file)
		wantCistern(t, cistern, "--tcp", at, "--framing", framing, "--unit", "17")
	}
}

// cisternStation is the cistern's station without a line.
func cisternStation(t *testing.T) *simdevice.Station {
	t.Helper()
	text, err := os.ReadFile(cistern)
	if err != nil {
		t.Fatal(err)
	}
	m := regmap.Load(cistern, text, new(doc.Report), sections()...)
	bank, err := simdevice.NewBank(m)
	if err != nil {
		t.Fatal(err)
	}
	s, err := simdevice.New(map[regmap.Unit]*simdevice.Bank{17: bank}, simdevice.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestPollOverUDP: one MBAP frame a datagram, from an answerer made of the codec
// and the station's answers alone.
func TestPollOverUDP(t *testing.T) {
	socket, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	s := cisternStation(t)
	go func() {
		buf := make([]byte, 2048)
		for {
			n, from, err := socket.ReadFrom(buf)
			if err != nil {
				return
			}
			adu, err := frame.ParseADU(line.MBAP, buf[:n])
			if err != nil {
				continue
			}
			adu.PDU = s.Answer(nil, adu.Unit, adu.PDU)
			if answer, err := frame.AppendADU(nil, adu); err == nil && len(adu.PDU) > 0 {
				socket.WriteTo(answer, from)
			}
		}
	}()
	at := socket.LocalAddr().String()
	_, file := folder(t, "udp: {"+hostPort(t, at)+"}")
	wantCistern(t, file)
	wantCistern(t, cistern, "--udp", at, "--unit", "17")
}

// TestNobodyListensOnUDP: the system's word that nothing is there reaches the
// reading's words.
func TestNobodyListensOnUDP(t *testing.T) {
	socket, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := socket.LocalAddr().String()
	socket.Close()
	dial, err := dialer(&line.Line{Medium: line.UDP, Framing: line.MBAP, Host: "127.0.0.1", Port: portNumber(t, at)})
	if err != nil {
		t.Fatal(err)
	}
	stream, err := dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer stream.Close()
	if d, ok := stream.(interface{ Datagrams() bool }); !ok || !d.Datagrams() {
		t.Error("the stream does not say that it carries datagrams")
	}
	stream.Write([]byte{0, 1, 0, 0, 0, 6, 17, 3, 0, 0, 0, 1})
	stream.SetReadDeadline(time.Now().Add(20 * time.Second))
	if _, err := stream.Read(make([]byte, 512)); err == nil || !strings.Contains(err.Error(), "udp "+at+": nothing listens there: connection refused") {
		t.Errorf("%v", err)
	}
}

func portNumber(t *testing.T, address string) int {
	t.Helper()
	_, port, err := splitAddress(address, 0)
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// An office is a throw-away authority with the certificates that it issued,
// as files of a folder.
type office struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	next int64
}

func newOffice(t *testing.T, dir string) *office {
	t.Helper()
	o := &office{t: t, dir: dir, next: 1}
	o.cert, o.key = o.sign("ca", &x509.Certificate{Subject: pkix.Name{CommonName: "nursery authority"}, IsCA: true,
		BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign, SubjectKeyId: []byte{1}})
	o.sign("station", &x509.Certificate{Subject: pkix.Name{CommonName: "transfer station"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	o.sign("us", &x509.Certificate{Subject: pkix.Name{CommonName: "nursery panel"}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	o.withdraw()
	return o
}

// sign writes name.pem and name.key.
func (o *office) sign(name string, c *x509.Certificate) (*x509.Certificate, *ecdsa.PrivateKey) {
	o.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		o.t.Fatal(err)
	}
	parent, signer := o.cert, o.key
	if parent == nil {
		parent, signer = c, key
	}
	o.next++
	c.SerialNumber, c.NotBefore, c.NotAfter = big.NewInt(o.next), time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	if err != nil {
		o.t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		o.t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		o.t.Fatal(err)
	}
	put(o.t, filepath.Join(o.dir, name+".pem"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644)
	put(o.t, filepath.Join(o.dir, name+".key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600)
	return cert, key
}

// withdraw writes ca.crl anew.
func (o *office) withdraw(serials ...int64) {
	o.t.Helper()
	l := &x509.RevocationList{Number: big.NewInt(1), ThisUpdate: time.Now().Add(-time.Hour), NextUpdate: time.Now().Add(time.Hour)}
	for _, n := range serials {
		l.RevokedCertificateEntries = append(l.RevokedCertificateEntries, x509.RevocationListEntry{SerialNumber: big.NewInt(n), RevocationTime: time.Now()})
	}
	der, err := x509.CreateRevocationList(rand.Reader, l, o.cert, o.key)
	if err != nil {
		o.t.Fatal(err)
	}
	put(o.t, filepath.Join(o.dir, "ca.crl"), pem.EncodeToMemory(&pem.Block{Type: "X509 CRL", Bytes: der}), 0o644)
}

// secureStation serves the cistern over TLS with the folder's files and gives
// its address.
func (o *office) secureStation(framing line.Framing) string {
	o.t.Helper()
	server, err := secure.LoadServer(secure.Files{CA: "ca.pem", Cert: "station.pem", Key: "station.key", CRL: "ca.crl",
		Open: func(name string) (fs.File, error) { return os.Open(filepath.Join(o.dir, name)) }})
	if err != nil {
		o.t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		o.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	s := cisternStation(o.t)
	go func() { done <- s.ServeListener(ctx, tls.NewListener(l, server.Config()), framing) }()
	o.t.Cleanup(func() { cancel(); <-done })
	return l.Addr().String()
}

// TestPollOverTLS: MBAP as the profile has it, and RTU as gateways do; from a
// line file and from flags.
func TestPollOverTLS(t *testing.T) {
	for _, framing := range []line.Framing{line.MBAP, line.RTU} {
		dir, file := folder(t, "tcp: {host: h}")
		at := newOffice(t, dir).secureStation(framing)
		put(t, file, []byte("line: Pump house\ntcp: {"+hostPort(t, at)+", framing: "+framing.String()+
			", tls: {ca: ca.pem, cert: us.pem, key: us.key, crl: ca.crl}}\nstations:\n  17: {name: cistern, map: cistern.yaml}\n"), 0o600)
		wantCistern(t, file)
		in := func(name string) string { return filepath.Join(dir, name) }
		wantCistern(t, cistern, "--tls", at, "--ca", in("ca.pem"), "--cert", in("us.pem"), "--key", in("us.key"), "--crl", "none", "--unit", "17", "--framing", framing.String())
	}
}

// TestSecureLineRefused: what is wrong with a secure line is told in words, with
// the exit code of its kind: 2 for our own files, 3 for what came from outside.
func TestSecureLineRefused(t *testing.T) {
	const tlsKeys = ", tls: {ca: ca.pem, cert: us.pem, key: us.key, crl: ca.crl}"
	for name, v := range map[string]struct {
		keys  string
		spoil func(o *office)
		code  int
		words string
	}{
		"key readable by others": {tlsKeys, func(o *office) { os.Chmod(filepath.Join(o.dir, "us.key"), 0o644) }, exitUsage, "the key in us.key can be read or changed by others than its owner (mode 0644)"},
		"no list named":          {", tls: {ca: ca.pem, cert: us.pem, key: us.key}", func(*office) {}, exitUsage, "give crl: FILE, or crl: none to go without"},
		"no such file":           {tlsKeys, func(o *office) { os.Remove(filepath.Join(o.dir, "us.pem")) }, exitUsage, "us.pem cannot be opened: no such file or directory"},
		"station withdrawn":      {tlsKeys, func(o *office) { o.withdraw(3) }, exitNoReply, "the station's certificate (serial number 3) was withdrawn by its authority"},
		"another name":           {", tls: {ca: ca.pem, cert: us.pem, key: us.key, crl: ca.crl, name: pumps.example}", func(*office) {}, exitNoReply, `the station's certificate is for 127.0.0.1, not for "pumps.example"`},
		"plain to the secure":    {"", func(*office) {}, exitNoReply, "closed by the other end"},
	} {
		dir, file := folder(t, "tcp: {host: h}")
		o := newOffice(t, dir)
		at := o.secureStation(line.MBAP)
		v.spoil(o)
		put(t, file, []byte("line: Pump house\ntcp: {"+hostPort(t, at)+v.keys+"}\ntiming: {response: 5s, retries: 0}\nstations:\n  17: {name: cistern, map: cistern.yaml}\n"), 0o600)
		code, out, errs := command(t, "poll", file, "--once")
		if code != v.code || !strings.Contains(out+errs, v.words) {
			t.Errorf("%s: %d, %s%s\nwant %d, %q", name, code, out, errs, v.code, v.words)
		}
	}
}

// TestSecureToThePlainPort: a secure line that points to a plain station says
// so at once.
func TestSecureToThePlainPort(t *testing.T) {
	at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"]
	dir, file := folder(t, "tcp: {"+hostPort(t, at)+", tls: {ca: ca.pem, cert: us.pem, key: us.key, crl: ca.crl}}")
	newOffice(t, dir)
	code, out, errs := command(t, "poll", file, "--once")
	if want := "it may not speak TLS: 802 is the usual port of Modbus/TCP Security"; code != exitNoReply || !strings.Contains(out+errs, want) {
		t.Errorf("%d, %s%s\nwant %q", code, out, errs, want)
	}
}

// TestStationRefusesOurCertificate: with TLS 1.3 the refusal comes after the
// handshake, and still with its reason.
func TestStationRefusesOurCertificate(t *testing.T) {
	dir, file := folder(t, "tcp: {host: h}")
	newOffice(t, dir)
	own, err := tls.LoadX509KeyPair(filepath.Join(dir, "station.pem"), filepath.Join(dir, "station.key"))
	if err != nil {
		t.Fatal(err)
	}
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{own}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: x509.NewCertPool()})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() { defer c.Close(); c.(*tls.Conn).Handshake() }()
		}
	}()
	put(t, file, []byte("line: Pump house\ntcp: {"+hostPort(t, l.Addr().String())+", tls: {ca: ca.pem, cert: us.pem, key: us.key, crl: ca.crl}}\n"+
		"timing: {response: 5s, retries: 0}\nstations:\n  17: {name: cistern, map: cistern.yaml}\n"), 0o600)
	code, out, errs := command(t, "poll", file, "--once")
	if want := "the station refused our certificate"; code != exitNoReply || !strings.Contains(out+errs, want) || !strings.Contains(out+errs, "does not know the authority that issued it") {
		t.Errorf("%d, %s%s\nwant %q", code, out, errs, want)
	}
}

// TestPlainStream: a station that speaks TLS is known by its first word, an
// alert record (RFC 8446, 5.1 and 6), or by port 802.
func TestPlainStream(t *testing.T) {
	for name, v := range map[string]struct {
		says  []byte
		port  int
		words string // "": the bytes come through
	}{
		"an alert":            {[]byte{21, 3, 3, 0, 2, 2, 10}, 502, "the station answers in TLS (15 03 03 00 02 02 0A)"},
		"an old alert":        {[]byte{21, 3, 1, 0, 2, 2, 70}, 502, "give the line a tls block"},
		"a farewell on 802":   {nil, 802, "port 802 is that of Modbus/TCP Security"},
		"a farewell on 502":   {nil, 502, "EOF"},
		"an answer of 3":      {[]byte{0, 1, 0, 0, 0, 5, 17, 3, 2, 0, 1}, 502, ""},
		"RTU of unit 21":      {[]byte{21, 3, 2, 0, 2, 2, 10}, 502, ""},
		"transaction 0x1503":  {[]byte{21, 3, 0, 0, 0, 3, 17, 0x83, 2}, 802, ""},
		"an alert's first 6":  {[]byte{21, 3, 3, 0, 2, 2}, 502, ""},
		"more than the alert": {[]byte{21, 3, 3, 0, 2, 2, 10, 0}, 502, ""},
	} {
		near, far := net.Pipe()
		go func() {
			if v.says != nil {
				far.Write(v.says)
			}
			far.Close()
		}()
		s := &plainStream{Conn: near, port: v.port}
		b := make([]byte, 512)
		n, err := s.Read(b)
		if v.words == "" && (err != nil || string(b[:n]) != string(v.says)) {
			t.Errorf("%s: % x, %v", name, b[:n], err)
		}
		if v.words != "" && (n != 0 || err == nil || !strings.Contains(err.Error(), v.words)) {
			t.Errorf("%s: % x, %v; want %q", name, b[:n], err, v.words)
		}
		if _, err := s.Read(b); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("%s: the next read %v", name, err)
		}
		near.Close()
	}
}
