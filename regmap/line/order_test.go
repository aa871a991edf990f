package line

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// parse reads a text as a line file that stands in testdata/lines.
func parse(t *testing.T, text string) (*Line, *doc.Report) {
	t.Helper()
	rep := new(doc.Report)
	l, err := Parse("../../testdata/lines/x.yaml", []byte(text), rep)
	if err != nil || l == nil {
		t.Fatal(text, err, rep.Err())
	}
	return l, rep
}

// orders are all orders of some parts.
func orders(parts []string) [][]string {
	if len(parts) < 2 {
		return [][]string{parts}
	}
	var out [][]string
	for i, first := range parts {
		rest := append(append([]string(nil), parts[:i]...), parts[i+1:]...)
		for _, o := range orders(rest) {
			out = append(out, append([]string{first}, o...))
		}
	}
	return out
}

// TestOrderOfKeysMeansNothing: a block of keys has no order (YAML 1.2.2,
// 3.2.1.1), so every order reads alike.
func TestOrderOfKeysMeansNothing(t *testing.T) {
	var want *Line
	check := func(text string) {
		l, _ := parse(t, text)
		l.Digest, l.Stations[0].Pos, l.Stations[0].Map = regmap.Digest{}, doc.Pos{}, nil
		if want == nil {
			want = l
		}
		if !reflect.DeepEqual(l, want) {
			t.Errorf("%s:\ngot  %+v\nwant %+v", text, l, want)
		}
	}
	const station = "{name: cistern, map: device.yaml}"
	for _, tcp := range orders([]string{"host: h", "framing: rtu", "tls: {ca: x, cert: y, key: z}", "port: 9"}) {
		check("line: a\nevery: 2s\ntiming: {retries: 1}\ntcp: {" + strings.Join(tcp, ", ") + "}\nstations: {17: " + station + "}\n")
	}
	for _, top := range orders([]string{"line: a", "every: 2s", "timing: {retries: 1}", "tcp: {host: h, framing: rtu, port: 9, tls: {ca: x, cert: y, key: z}}", "stations: {17: " + station + "}"}) {
		check(strings.Join(top, "\n") + "\n")
	}
	want = nil
	for _, serial := range orders([]string{"port: p", "parity: none", "framing: ascii", "baud: 9600"}) {
		check("line: a\nserial: {" + strings.Join(serial, ", ") + "}\nstations: {17: " + station + "}\n")
	}
	if want.Serial != (Serial{Port: "p", Baud: 9600, Parity: None, Stop: 2}) || want.Framing != ASCII {
		t.Errorf("%+v", want)
	}
}

// TestMedia: defaults of each medium. Ports: TCP guide V1.0b, 4.1 (502);
// MB-TCP-Security v36, clause 5 (802).
func TestMedia(t *testing.T) {
	for text, want := range map[string]string{
		"tcp: {host: pumps.example}":                             "tcp pumps.example:502 mbap",
		"tcp: {host: \"2001:db8::1\", port: 1502, framing: rtu}": "tcp [2001:db8::1]:1502 rtu",
		"tcp: {host: h, tls: {ca: a, cert: b, key: c}}":          "tls h:802 mbap",
		"udp: {host: 192.0.2.10}":                                "udp 192.0.2.10:502 mbap",
		"serial: {port: /dev/ttyS0, framing: ascii, baud: 9600}": "serial /dev/ttyS0 ascii 9600 8E1",
	} {
		l, _ := parse(t, "line: a\n"+text+"\nstations: {1: {map: device.yaml}}\n")
		if got := l.Where(); got != want {
			t.Errorf("%s: got %s, want %s", text, got, want)
		}
		if s := l.Stations[0]; s.Name != "device" || s.Every != DefaultEvery || !s.Identity.IsZero() || s.Write {
			t.Errorf("%s: station %+v", text, s)
		}
	}
}

// TestUnits: which numbers a station may have. Serial guide V1.02, 2.2 (1 to
// 247, 0 is the broadcast); TCP guide V1.0b, 4.4.1.2 (255 or 0 for a device
// reached directly).
func TestUnits(t *testing.T) {
	for _, v := range []struct {
		medium   string
		unit     string
		good     bool
		warnings int
	}{
		{"serial: {port: p}", "0", false, 0}, {"serial: {port: p}", "1", true, 0}, {"serial: {port: p}", "247", true, 0}, {"serial: {port: p}", "248", false, 0},
		{"tcp: {host: h}", "0", true, 1}, {"tcp: {host: h}", "1", true, 0}, {"tcp: {host: h}", "255", true, 0}, {"tcp: {host: h}", "256", false, 0},
		{"tcp: {host: h, framing: rtu}", "0", false, 0}, {"udp: {host: h, framing: ascii}", "0", false, 0}, {"udp: {host: h}", "0x11", true, 0}, {"tcp: {host: h}", "-1", false, 0},
	} {
		rep := new(doc.Report)
		l, err := Parse("../../testdata/lines/x.yaml", []byte("line: a\n"+v.medium+"\nstations: {"+v.unit+": {map: device.yaml}}\n"), rep)
		if err != nil || (l != nil) != v.good || rep.Bad() == v.good || len(rep.Warnings()) != v.warnings {
			t.Errorf("%s, unit %s: %v, faults %v, warnings %v", v.medium, v.unit, err, rep.Err(), rep.Warnings())
		}
	}
}

// TestLateHorizon: three response times and the answer's line time, or what
// the file says.
func TestLateHorizon(t *testing.T) {
	if got := DefaultTiming.LateHorizon(40 * time.Millisecond); got != 1540*time.Millisecond {
		t.Error(got)
	}
	if got := (Timing{Response: time.Second, Late: 4 * time.Second}).LateHorizon(time.Hour); got != 4*time.Second {
		t.Error(got)
	}
}

// TestEveryFaultInOneRun: faults of the line, of its stations and of their
// maps, each under its own file, the line's first.
func TestEveryFaultInOneRun(t *testing.T) {
	rep := new(doc.Report)
	text := "line: a\ntcp: {host: h, prot: 1}\nevery: 1\nstations:\n  1: {name: x, map: faulty-device.yaml}\n  2: {name: x, map: faulty-device.yaml, write: yes}\n  300: {name: y, map: ../x.yaml}\n"
	l, err := Parse("../../testdata/lines/bad/x.yaml", []byte(text), rep)
	if l != nil || err != nil {
		t.Error(l, err)
	}
	var got []string
	for _, f := range rep.Faults() {
		got = append(got, filepath.Base(f.Pos.String()))
	}
	want := "x.yaml:2:16 x.yaml:3:8 x.yaml:6:3 x.yaml:6:48 x.yaml:7:3 x.yaml:7:23 faulty-device.yaml:3:27"
	if s := strings.Join(got, " "); s != want {
		t.Errorf("got\n%s\nwant\n%s\n%v", s, want, rep.Err())
	}
}

// TestFolderOfTraps: files that are there and still no map (links, devices,
// pipes are tested in regmap/doc), and files that cannot be read at all.
func TestFolderOfTraps(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, size int64, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY, mode)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := f.Truncate(size); err != nil {
			t.Fatal(err)
		}
		return path
	}
	write("large.yaml", doc.MaxFile+1, 0o600)
	if err := os.Mkdir(filepath.Join(dir, "sub"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "sub", "m.yaml"), []byte("device: d\npoints: {a: {coil: 0}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("sub/m.yaml", filepath.Join(dir, "inside.yaml")); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "line.yaml")
	for name, want := range map[string]string{
		"large.yaml": "larger than 16 MiB", "sub": "not a regular file", "sub/../../x.yaml": "does not stay inside",
		"none.yaml": "no such file", "sub/m.yaml": "", "inside.yaml": "", "./sub//m.yaml": "",
	} {
		text := "line: a\ntcp: {host: h}\nstations: {1: {name: n, map: " + name + "}}\n"
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		rep := new(doc.Report)
		l, err := Load(file, rep)
		switch {
		case err != nil, (l == nil) != (want != ""), want == "" && rep.Bad():
			t.Errorf("%s: %v, %v", name, err, rep.Err())
		case want != "" && (rep.Count() != 1 || !strings.Contains(rep.Faults()[0].Message, want) || rep.Faults()[0].Pos.Line != 3):
			t.Errorf("%s: %v, want %s", name, rep.Err(), want)
		}
	}
	if l, err := Load(filepath.Join(dir, "sub"), new(doc.Report)); l != nil || err == nil {
		t.Error("a folder was loaded as a line")
	}
	if l, err := Parse(filepath.Join(dir, "gone", "line.yaml"), []byte("line: a"), new(doc.Report)); l != nil || err == nil {
		t.Error("a line was loaded out of a folder that is not there")
	}
}

func TestCertificatesThatAreNotThereYet(t *testing.T) {
	_, rep := parse(t, "line: a\ntcp: {host: h, tls: {ca: device.yaml, cert: none.pem, key: ./none.key}}\nstations: {1: {map: device.yaml}}\n")
	w := rep.Warnings()
	if len(w) != 3 || w[0].Path != "tcp.tls" || w[1].Path != "tcp.tls.cert" || w[2].Message != `file "none.key": there is no such file` {
		t.Errorf("%v", w)
	}
}

// TestWithdrawnCertificates: MB-TCP-Security v36, table 5, has each side look
// whether the other's certificate was withdrawn, so going without is said, not
// left out.
func TestWithdrawnCertificates(t *testing.T) {
	for crl, want := range map[string]string{
		"": `crl is missing`, ", crl: none": "", ", crl: device.yaml": "", ", crl: ./none": `file "none": there is no such file`,
	} {
		l, rep := parse(t, "line: a\ntcp: {host: h, tls: {ca: device.yaml, cert: device.yaml, key: device.yaml"+crl+"}}\nstations: {1: {map: device.yaml}}\n")
		w := rep.Warnings()
		if (want == "") != (len(w) == 0) || want != "" && !strings.Contains(w[0].Message, want) {
			t.Errorf("%q: %v, want %q", crl, w, want)
		}
		if l.ServerName() != "h" {
			t.Errorf("%q: the station's certificate must carry %q", crl, l.ServerName())
		}
	}
}

// TestRS485: who turns a two-wire line's driver.
func TestRS485(t *testing.T) {
	for text, want := range map[string]RS485{
		"": SelfTurning, ", rs485: kernel": KernelTurns, ", rs485: rts": RTSTurns, ", rs485: rts-inverted": RTSInverted,
	} {
		l, _ := parse(t, "line: a\nserial: {port: p"+text+"}\nstations: {1: {map: device.yaml}}\n")
		if l.Serial.RS485 != want || want != SelfTurning && text != ", rs485: "+want.String() {
			t.Errorf("%q: %v", text, l.Serial.RS485)
		}
	}
	if SelfTurning.String() != "" || RS485(9).String() != "" {
		t.Error("names of what no file says")
	}
}

func TestIsLine(t *testing.T) {
	for text, want := range map[string]bool{
		"line: a": true, "stations: {}": true, "device: d\npoints: {}": false, "": false, "[": false, "- line": false,
	} {
		if IsLine([]byte(text)) != want {
			t.Errorf("%q is a line: %v", text, !want)
		}
	}
}

// TestSingle: a map and a place make a line with one station.
func TestSingle(t *testing.T) {
	rep := new(doc.Report)
	m := regmap.Load("maps/cistern.yaml", []byte("device: d\npoints: {a: {coil: 0}}\n"), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	l := Single(Line{Medium: TCP, Framing: MBAP, Host: "h", Port: 502}, m, 17)
	s := l.Station(17)
	if l.Name != "cistern" || l.File != "maps/cistern.yaml" || l.Timing != DefaultTiming || l.Every != DefaultEvery || len(l.Stations) != 1 {
		t.Errorf("%+v", l)
	}
	if s == nil || s.Name != "cistern" || s.Map != m || s.Write || s.Timing != DefaultTiming || s.Every != DefaultEvery {
		t.Errorf("%+v", s)
	}
	own := Timing{Response: time.Second}
	if l := Single(Line{Medium: SerialPort, Timing: own, Every: time.Minute}, m, 1); l.Timing != own || l.Stations[0].Timing != own || l.Stations[0].Every != time.Minute {
		t.Errorf("%+v", l)
	}
}
