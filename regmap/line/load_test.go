package line

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"plumbline/regmap/doc"
)

var update = flag.Bool("update", false, "write golden files anew")

// TestBadLines: one fault a file; the golden file holds place, path, words and
// hint of each.
func TestBadLines(t *testing.T) {
	const dir = "../../testdata/lines/bad"
	files, err := filepath.Glob(dir + "/*.bad.yaml")
	if err != nil || len(files) < 25 {
		t.Fatalf("found %d bad lines, %v", len(files), err)
	}
	var got strings.Builder
	for _, file := range files {
		rep := new(doc.Report)
		l, err := Load(file, rep)
		if err != nil || l != nil || !rep.Bad() {
			t.Errorf("%s: %v, line %v, faults %v", file, err, l, rep.Err())
		}
		for _, f := range rep.Faults() {
			f.Pos.File = filepath.Base(f.Pos.File)
			fmt.Fprintln(&got, f.Error())
		}
	}
	golden := dir + "/faults.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil || string(want) != got.String() {
		t.Errorf("%v; got\n%s\nwant\n%s", err, got.String(), want)
	}
}

func good(t *testing.T, name string) (*Line, *doc.Report) {
	t.Helper()
	rep := new(doc.Report)
	l, err := Load("../../testdata/lines/"+name, rep)
	if err != nil || l == nil {
		t.Fatal(err, rep.Err())
	}
	return l, rep
}

// TestDefaults are those of the serial guide V1.02, 2.5.1 and 3.2 (19200 bit/s,
// even parity, RTU), and the project's own times.
func TestDefaults(t *testing.T) {
	l, rep := good(t, "serial.good.yaml")
	if l.Medium != SerialPort || l.Framing != RTU || l.Serial != DefaultSerial("/dev/ttyUSB0") {
		t.Errorf("%s", l.Where())
	}
	if l.Where() != "serial /dev/ttyUSB0 rtu 19200 8E1" {
		t.Errorf("where: %s", l.Where())
	}
	if l.Every != time.Second || l.Timing != DefaultTiming || l.Stations[0].Timing != DefaultTiming {
		t.Errorf("every %v, timing %+v", l.Every, l.Timing)
	}
	if len(rep.Warnings()) != 0 {
		t.Errorf("warnings %v", rep.Warnings())
	}
}

func TestEverythingIsRead(t *testing.T) {
	l, _ := good(t, "everything.good.yaml")
	if l.Medium != TLS || l.Framing != RTU || l.Address() != "192.0.2.10:802" || l.Keys != (Keys{CA: "ca.pem", Cert: "us.pem", Key: "us.key", CRL: "ca.crl", Name: "pumps.example"}) {
		t.Errorf("%s %+v", l.Where(), l.Keys)
	}
	if l.ServerName() != "pumps.example" {
		t.Errorf("the station's certificate must carry %s", l.ServerName())
	}
	want := Timing{Response: 750 * time.Millisecond, Retries: 1, Pause: 5 * time.Millisecond,
		Turnaround: 150 * time.Millisecond, Latency: 20 * time.Millisecond, Late: 4 * time.Second}
	if l.Timing != want || l.Every != 0 {
		t.Errorf("timing %+v, every %v", l.Timing, l.Every)
	}
	a, b := l.Station(17), l.Station(18)
	if !a.Write || a.Identity != (Identity{Point: "serial-no", Object: -1, Value: "4711"}) || a.Name != "cistern" {
		t.Errorf("station 17: %+v", a)
	}
	want.Response = time.Second
	if b.Write || b.Identity != (Identity{Object: 1, Value: "LG-2"}) || b.Every != 10*time.Second || b.Timing != want {
		t.Errorf("station 18: %+v", b)
	}
	if a.Map != b.Map {
		t.Error("one map file was loaded twice")
	}
	if l.Station(19) != nil {
		t.Error("a station 19")
	}
}

func TestSerialStopBits(t *testing.T) {
	for settings, want := range map[string]string{
		"parity: none": "8N2", "parity: none, stop: 1": "8N1", "parity: odd": "8O1", "stop: 2": "8E2",
	} {
		rep := new(doc.Report)
		text := "line: a\nserial: {port: p, " + settings + "}\nstations: {1: {map: device.yaml}}\n"
		l, err := Parse("../../testdata/lines/x.yaml", []byte(text), rep)
		if err != nil || l == nil {
			t.Fatal(err, rep.Err())
		}
		if got := l.Serial.String(); !strings.HasSuffix(got, want) {
			t.Errorf("%s: %s, want %s", settings, got, want)
		}
		if remark := want == "8N1"; remark != (len(rep.Warnings()) == 1) {
			t.Errorf("%s: warnings %v", settings, rep.Warnings())
		}
	}
}

// TestLinksThatLeave: a map behind a link out of the line file's folder is
// refused.
func TestLinksThatLeave(t *testing.T) {
	dir, outside := t.TempDir(), t.TempDir()
	secret := filepath.Join(outside, "secret.yaml")
	if err := os.WriteFile(secret, []byte("device: secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(secret, filepath.Join(dir, "map.yaml")); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "line.yaml")
	if err := os.WriteFile(file, []byte("line: a\ntcp: {host: h}\nstations: {1: {map: map.yaml}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	rep := new(doc.Report)
	if l, err := Load(file, rep); err != nil || l != nil || !strings.Contains(fmt.Sprint(rep.Err()), "does not stay inside") {
		t.Errorf("%v, %v, %v", l, err, rep.Err())
	}
}

func TestNamesBackAndForth(t *testing.T) {
	for _, f := range []Framing{MBAP, RTU, ASCII} {
		if got, ok := ParseFraming(f.String()); !ok || got != f {
			t.Errorf("%v comes back as %v", f, got)
		}
	}
	if _, ok := ParseFraming("framing(9)"); ok || Framing(9).String() != "framing(9)" || Parity(9).String() != "parity(9)" || Medium(9).String() != "medium(9)" {
		t.Error("names of what does not exist")
	}
	if got := []string{SerialPort.String(), TCP.String(), TLS.String(), UDP.String(), Even.String(), Odd.String(), None.String()}; strings.Join(got, " ") != "serial tcp tls udp even odd none" {
		t.Errorf("%v", got)
	}
}

func FuzzLine(f *testing.F) {
	for _, name := range []string{"serial.good.yaml", "everything.good.yaml"} {
		text, err := os.ReadFile("../../testdata/lines/" + name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		rep := new(doc.Report)
		l, err := Parse("../../testdata/lines/x.yaml", text, rep)
		if err != nil || (l == nil) != rep.Bad() {
			t.Fatalf("%v, line %v, faults %v", err, l, rep.Err())
		}
		lines := strings.Split(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.TrimPrefix(string(text), "\uFEFF")), "\n")
		for _, fault := range append(rep.Faults(), rep.Warnings()...) {
			p := fault.Pos
			if filepath.Base(p.File) != "x.yaml" {
				continue // a map's own
			}
			if p.Line < 1 || p.Column < 1 || p.Line > len(lines) || p.Column > utf8.RuneCountInString(lines[p.Line-1])+1 {
				t.Fatalf("%q: %s stands on none of its %d lines", text, fault.Error(), len(lines))
			}
		}
	})
}
