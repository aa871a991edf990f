package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// importRun runs the command in a folder of its own with some files in it.
func importRun(t *testing.T, files map[string]string, args ...string) (code int, out, errOut string) {
	t.Helper()
	t.Chdir(t.TempDir())
	for name, text := range files {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return importHere(args...)
}

func importHere(args ...string) (code int, out, errOut string) {
	var o, e bytes.Buffer
	code = run(context.Background(), &streams{in: strings.NewReader(""), out: &o, err: &e}, append([]string{"import"}, args...))
	return code, o.String(), e.String()
}

const importList = "Register;Tag;Name;Type;Unit\n40001;LT-101;Level;UINT;m\n40002;;Reserved;;\n40003;FT-101;Flow;REAL;m³/h\n"

func loadsWell(t *testing.T, text string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("map.yaml", []byte(text), rep, sections()...)
	if m == nil {
		t.Fatalf("%v\n%s", rep.Err(), text)
	}
	return m
}

func TestImportText(t *testing.T) {
	code, out, errOut := importRun(t, map[string]string{"list.csv": importList}, "list.csv")
	if code != exitDone || len(loadsWell(t, out).Points) != 2 {
		t.Errorf("exit %d\n%s%s", code, out, errOut)
	}
	for _, want := range []string{`column A "Register": address, settled`, "left out: row 3: reserved", "2 points from the register list"} {
		if !strings.Contains(errOut, want) {
			t.Errorf("nothing says %q in\n%s", want, errOut)
		}
	}
}

func TestImportAsks(t *testing.T) {
	files := map[string]string{"list.csv": "Register;Table;Name;Type\n5;holding;Level;UINT\n"}
	code, out, errOut := importRun(t, files, "list.csv", "-o", "map.yaml")
	if code != exitWrong || out != "" || !strings.Contains(errOut, "question: does column A") {
		t.Errorf("exit %d\n%s%s", code, out, errOut)
	}
	if _, err := os.Stat("map.yaml"); err == nil {
		t.Error("a map was written beside a question")
	}
	code, out, _ = importHere("list.csv", "--count-from", "0")
	if p := loadsWell(t, out).Point("level"); code != exitDone || p.Address != 5 {
		t.Errorf("exit %d, %+v", code, p)
	}
	code, out, _ = importHere("list.csv", "--count-from", "1", "--column", "about=Name", "--device", "Cistern")
	if m := loadsWell(t, out); code != exitDone || m.Points[0].Address != 4 || m.Device != "Cistern" {
		t.Errorf("exit %d, %s", code, out)
	}
}

func TestImportLeavesOut(t *testing.T) {
	code, out, errOut := importRun(t, map[string]string{"list.csv": importList + "40009;;Elapsed;TIME;\n"}, "list.csv", "-o", "map.yaml")
	text, err := os.ReadFile("map.yaml")
	if code != exitWrong || out != "" || err != nil || !strings.Contains(errOut, `left out: row 5: "TIME" is no type`) {
		t.Errorf("exit %d, %v\n%s%s", code, err, out, errOut)
	}
	loadsWell(t, string(text))
}

func TestImportInto(t *testing.T) {
	const reissue = "Register;Tag;Name;Type;Unit\n40011;LT-101;Level;UINT;m\n40003;FT-101;Flow;REAL;m³/h\n"
	files := map[string]string{"list.csv": importList, "reissue.csv": reissue}
	if code, _, errOut := importRun(t, files, "list.csv", "-o", "map.yaml"); code != exitDone {
		t.Fatal(errOut)
	}
	code, out, errOut := importHere("reissue.csv", "--into", "map.yaml")
	if p := loadsWell(t, out).Point("level"); code != exitDone || p.Address != 10 || !strings.Contains(errOut, "moved: level: from 40001 (address 0) to 40011 (address 10) (row 2)") {
		t.Errorf("exit %d, %+v\n%s", code, p, errOut)
	}
	if code, out, _ := importHere("reissue.csv", "--into", "none.yaml"); code != exitUsage || out != "" {
		t.Errorf("exit %d, %s", code, out)
	}
}

func TestImportJSON(t *testing.T) {
	code, out, errOut := importRun(t, map[string]string{"list.csv": importList}, "list.csv", "--json")
	var d importDocument
	if err := json.Unmarshal([]byte(out), &d); err != nil || code != exitDone || errOut != "" {
		t.Fatalf("exit %d, %v\n%s%s", code, err, out, errOut)
	}
	if d.Format != 1 || d.Map == nil || len(d.Points) != 2 || len(d.LeftOut) != 1 || len(d.Columns) != 5 || d.Questions == nil || d.Changes == nil {
		t.Errorf("%s", out)
	}
	loadsWell(t, *d.Map)
	code, out, _ = importHere("list.csv", "--json", "-o", "map.yaml", "--into", "none.yaml")
	if code != exitUsage || out != "" {
		t.Errorf("exit %d\n%s", code, out)
	}
}

// TestImportKinds: what a file is, is found out from the file.
func TestImportKinds(t *testing.T) {
	sheets, err := filepath.Abs("../../testdata/sheets")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	in := func(name string) string { return filepath.Join(sheets, name) }
	code, out, errOut := importHere(in("cistern.jsonld"))
	if m := loadsWell(t, out); code != exitDone || m.Point("flow") == nil || !strings.Contains(errOut, "from the thing description") {
		t.Errorf("exit %d\n%s", code, errOut)
	}
	code, out, errOut = importHere(in("model-common.json"), in("model-cistern.json"), "--count", "3", "--base", "50000")
	if m := loadsWell(t, out); code != exitWrong || m.Point("cistern-pump-3-hrs") == nil || m.Point("marker").Address != 50000 {
		t.Errorf("exit %d\n%s", code, errOut)
	}
	if code, out, _ := importHere(in("references.csv"), in("offsets.csv")); code != exitUsage || out != "" {
		t.Errorf("exit %d, %s", code, out)
	}
}

func TestImportUsage(t *testing.T) {
	files := map[string]string{"list.csv": importList, "broken.csv": "Register;Name\n40001;\"Level\n", "broken.json": `{"id": 1, "id": 2}`, "none.csv": "a;b\n"}
	t.Chdir(t.TempDir())
	for name, text := range files {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for says, args := range map[string][]string{
		"0 or 1": {"list.csv", "--count-from", "2"}, "write role=HEADING": {"list.csv", "--column", "address"}, "names no role": {"list.csv", "--column", "x=Name"},
		"1 to 1000": {"list.csv", "--count", "0"}, "no worksheet": {"list.csv", "--worksheet", "A"}, "2:7": {"broken.csv"}, "line 1": {"broken.json"},
		"no heading": {"none.csv"}, "no such file": {"gone.csv"}, "no such": {"list.csv", "-o", "gone/map.yaml"},
	} {
		code, out, errOut := importHere(args...)
		if code != exitUsage || out != "" || !strings.Contains(errOut, says) {
			t.Errorf("%v: exit %d, %q, %q; want words %q", args, code, out, errOut, says)
		}
	}
}

// importedModels imports two models in a chain and gives the map's text; the
// test's folder has it as models.yaml.
func importedModels(t *testing.T) string {
	t.Helper()
	sheets, err := filepath.Abs("../../testdata/sheets")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	code, _, errOut := importHere(filepath.Join(sheets, "model-common.json"), filepath.Join(sheets, "model-cistern.json"), "--count", "2", "-o", "models.yaml")
	if code != exitWrong || !strings.Contains(errOut, "left out: 64901.MAC") {
		t.Fatalf("exit %d\n%s", code, errOut)
	}
	text, err := os.ReadFile("models.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// polled polls models.yaml once and compares what is shown.
func polled(t *testing.T, at string, want map[string]string) (code int, got map[string]map[string]any) {
	t.Helper()
	code, out, errs := command(t, "poll", "models.yaml", "--tcp", at, "--once", "--json")
	if got = rows(t, out); errs != "" {
		t.Error(errs)
	}
	for name, shown := range want {
		if row := got[name]; row == nil || row["shown"] != shown || row["quality"] != "good" {
			t.Errorf("%s: %v, want %s", name, row, shown)
		}
	}
	return code, got
}

// TestModelsToStationToPoll: models become a map, a station of that map shows
// the marker, the headers and the end that a client looks for, and each reading
// of the map comes from it.
func TestModelsToStationToPoll(t *testing.T) {
	text := importedModels(t)
	more := strings.Replace(text, "simulate:\n  points:\n", "simulate:\n  points:\n    cistern-vol: {constant: 12345.67}\n    cistern-flow-tot: {constant: 98700}\n"+
		"    cistern-tmp: {constant: 11.5}\n    cistern-st: {constant: PUMPING}\n    cistern-nam: {start: CISTERN 1}\n", 1)
	if err := os.WriteFile("models.yaml", []byte(more), 0o600); err != nil {
		t.Fatal(err)
	}
	code, got := polled(t, station(t, "models.yaml", "--listen", "127.0.0.1:0")["tcp"], map[string]string{
		"marker": "SunS", "common-model-id": "1", "common-model-length": "18", "cistern-model-id": "64901", "cistern-model-length": "44", "end-of-models": "65535",
		"cistern-vol": "12345.67", "cistern-flow-tot": "98700", "cistern-tmp": "11.5", "cistern-st": "PUMPING", "cistern-nam": "CISTERN 1"})
	readings := 0
	for range loadsWell(t, text).Readings {
		readings++
	}
	for name, row := range got {
		if row["quality"] != "good" && (name != "cistern-ip" || row["cause"] != "absent") { // an ipaddr of 0 is not implemented
			t.Errorf("%s: %v", name, row)
		}
	}
	if len(got) != readings || code != exitWrong {
		t.Errorf("%d readings of %d, exit %d", len(got), readings, code)
	}
}

// TestModelsFromARawDevice: the imported map reads a device that was filled by
// hand, register by register.
// Source: SunSpec information models: value = raw x 10^sf, sf is signed; most
// significant word first; int16 8000, uint16 FFFF and bitfield16 FFFF are 'not
// implemented'.
func TestModelsFromARawDevice(t *testing.T) {
	m := loadsWell(t, importedModels(t))
	raw := map[int]uint16{40000: 0x5375, 40001: 0x6E53,
		40024: 645, 40025: 0x0012, 40026: 0xD687, 40028: 987, 40029: 0x4138, 40031: 701, 40032: 2, 40033: 0x8000, 40034: 0x0001, 40035: 0xFFFF,
		40054: 0xFFFF /* -1 */, 40060: 0x0001, 40061: 0x1170, 40062: 0xFF83 /* -125 */, 40063: 0x8000, 40058: 0x8000}
	at := rawDevice(t, 40000, 70, raw)
	code, got := polled(t, at, map[string]string{"marker": "SunS", "cistern-lvl": "64.5", "cistern-vol": "12345.67", "cistern-flow-tot": "98700", "cistern-tmp": "11.5",
		"cistern-start-lvl": "70.1", "cistern-st": "PUMPING", "cistern-evt.high-level": "on", "cistern-evt.leak": "on", "cistern-pump-2-hrs": "70000", "cistern-pump-2-spd": "-12.5"})
	for _, name := range []string{"cistern-cfg", "cistern-pump-1-spd"} {
		if row := got[name]; row == nil || row["cause"] != "absent" || row["value"] != nil {
			t.Errorf("%s: %v", name, row)
		}
	}
	if len(got) == 0 || code != exitWrong || m.Point("cistern-cfg") == nil {
		t.Errorf("%d readings, exit %d", len(got), code)
	}
}

// rawDevice serves that many plain holding registers from an address on, with
// these contents; the others hold zero.
func rawDevice(t *testing.T, first, count int, raw map[int]uint16) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("device: plain registers\npoints:\n")
	for a := first; a < first+count; a++ {
		fmt.Fprintf(&b, "  r-%d: {holding-register: %d, type: uint16}\n", a, a)
	}
	m := loadsWell(t, b.String())
	bank, err := simdevice.NewBank(m)
	if err != nil {
		t.Fatal(err)
	}
	for a, w := range raw {
		if err := bank.Publish(simdevice.Set{Point: m.Point(fmt.Sprintf("r-%d", a)), Value: regmap.UintValue(uint64(w))}); err != nil {
			t.Fatal(err)
		}
	}
	s, err := simdevice.New(map[regmap.Unit]*simdevice.Bank{1: bank}, simdevice.Options{})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.ServeListener(ctx, l, line.MBAP) }()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return l.Addr().String()
}
