package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
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
