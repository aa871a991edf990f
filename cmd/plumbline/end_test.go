package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// station starts "simulate" in this process and gives the places it listens
// on, by kind. It is ended with the test.
func station(t *testing.T, args ...string) map[string]string {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, in := io.Pipe()
	code := make(chan int, 1)
	var errs bytes.Buffer
	go func() {
		code <- run(ctx, &streams{in: strings.NewReader(""), out: in, err: &errs}, append([]string{"simulate", "--json"}, args...))
		in.Close()
	}()
	t.Cleanup(func() {
		cancel()
		if c := <-code; c != exitDone {
			t.Errorf("simulate ended with %d: %s", c, errs.String())
		}
	})
	places := map[string]string{}
	want := 0
	for _, a := range args {
		if a == "--listen" || a == "--pty" {
			want++
		}
	}
	lines := bufio.NewScanner(out)
	for len(places) < want && lines.Scan() {
		var p struct {
			Listening, Address string
			Units              []int
		}
		if err := json.Unmarshal(lines.Bytes(), &p); err != nil || len(p.Units) == 0 {
			t.Fatalf("%s: %v", lines.Text(), err)
		}
		places[p.Listening] = p.Address
	}
	if len(places) < want {
		t.Fatalf("simulate listens on %v: %s", places, errs.String())
	}
	return places
}

// command runs a command to its end.
func command(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var o, e bytes.Buffer
	code = run(ctx, &streams{in: strings.NewReader(""), out: &o, err: &e}, args)
	return code, o.String(), e.String()
}

const cistern, dosing = "../../testdata/maps/cistern.yaml", "../../testdata/maps/dosing.yaml"

// rows reads JSON lines of poll by the point's name.
func rows(t *testing.T, out string) map[string]map[string]any {
	t.Helper()
	got := map[string]map[string]any{}
	for _, text := range strings.Split(strings.TrimSpace(out), "\n") {
		var row map[string]any
		if err := json.Unmarshal([]byte(text), &row); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		got[row["point"].(string)] = row
	}
	return got
}

// TestPollReadsTheStation: both example maps, over TCP and over RTU on a
// pseudo-terminal, show what their simulate blocks say.
func TestPollReadsTheStation(t *testing.T) {
	for _, device := range []struct {
		file string
		want map[string]string // as shown
	}{
		{cistern, map[string]string{"flow": "12.40", "pressure": "2.31", "temperature": "11.5", "pump-1-hours": "1204.5", "state.pump-1-running": "on",
			"state.pump-2-running": "off", "state.healthy": "on", "state.duty": "pump-1-leads", "mode": "automatic", "lead-start": "1.600",
			"serial-no": "4711", "name": "CISTERN 1", "pump-1-enable": "on", "float-switch": "off", "supply-present": "on"}},
		{dosing, map[string]string{"dose": "2.100", "conductivity": "1.85", "acidity": "6.20", "temperature": "-3.5", "tank": "64.5",
			"doses": "123456", "set-point": "2.10", "status.ready": "on", "status.locked": "on", "status.stage": "dosing", "status.tank-low": "off"}},
	} {
		places := station(t, device.file, "--unit", "17", "--listen", "127.0.0.1:0", "--pty")
		for flag, at := range map[string]string{"--tcp": places["tcp"], "--serial": places["pty"]} {
			code, out, errs := command(t, "poll", device.file, flag, at, "--unit", "17", "--once", "--json")
			if code != exitDone {
				t.Fatalf("poll %s %s: %d, %s", device.file, flag, code, errs)
			}
			got := rows(t, out)
			for name, want := range device.want {
				row := got[name]
				if row == nil || row["shown"] != want || row["quality"] != "good" || row["cause"] != nil || row["request"] == nil || row["response"] == nil || row["exchange"] == nil {
					t.Errorf("%s over %s: %v, want %s", name, flag, row, want)
				}
			}
		}
	}
}

// TestPollJSONKeys: the keys that others read.
func TestPollJSONKeys(t *testing.T) {
	at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"]
	code, out, errs := command(t, "poll", cistern, "--tcp", at, "--unit", "17", "--once", "--json")
	if code != exitDone {
		t.Fatal(errs)
	}
	row := rows(t, out)["flow"]
	for _, key := range []string{"time", "steady_seconds", "cycle", "unit", "station", "point", "value", "shown", "units", "quality", "cause", "reason",
		"last_value", "age_seconds", "alarm", "raw", "function", "address", "exchange", "request", "response"} {
		if _, ok := row[key]; !ok {
			t.Errorf("the key %s is missing", key)
		}
	}
	if row["unit"] != 17.0 || row["station"] != "cistern" || row["function"] != 4.0 || row["address"] != 2.0 || row["units"] != "m3/h" || row["cycle"] != 1.0 {
		t.Errorf("%v", row)
	}
	if _, err := time.Parse(time.RFC3339Nano, row["time"].(string)); err != nil || !strings.HasSuffix(row["time"].(string), "Z") {
		t.Errorf("time %v", row["time"])
	}
}

// TestPollExitCodes: 3 when nothing answers or nothing can be opened, 1 when
// some reading is bad.
func TestPollExitCodes(t *testing.T) {
	at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"]
	if code, _, errs := command(t, "poll", cistern, "--tcp", "127.0.0.1:1", "--once"); code != exitNoReply || !strings.Contains(errs, "refused") {
		t.Errorf("nobody listens: %d, %s", code, errs)
	}
	if code, _, errs := command(t, "poll", cistern, "--serial", "/dev/none", "--once"); code != exitNoReply || !strings.Contains(errs, "there is no such port") {
		t.Errorf("no port: %d, %s", code, errs)
	}
	dir := t.TempDir()
	write := func(name, text string) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	other := write("other.yaml", "device: other\npoints:\n  level: {input-register: 0, type: uint16}\n  beyond: {input-register: 1000, type: uint16}\n")
	code, out, _ := command(t, "poll", other, "--tcp", at, "--unit", "17", "--once")
	if code != exitWrong || !strings.Contains(out, "bad: exception 02, illegal data address") {
		t.Errorf("one register is not there: %d\n%s", code, out)
	}
	silent := write("line.yaml", "line: Pump house\ntcp: {host: 127.0.0.1, port: "+portOf(at)+"}\ntiming: {response: 50ms, retries: 0}\nstations: {18: {name: none, map: other.yaml}}\n")
	if code, _, errs := command(t, "poll", silent, "--once"); code != exitNoReply || !strings.Contains(errs, "no answer") {
		t.Errorf("a unit that is not there: %d, %s", code, errs)
	}
}

func portOf(address string) string { return address[strings.LastIndexByte(address, ':')+1:] }

// TestPollTableAndChain: the table aligns on the decimal point, the chain goes
// from bytes to number.
func TestPollTableAndChain(t *testing.T) {
	at := station(t, dosing, "--unit", "17", "--pty")["pty"]
	code, out, errs := command(t, "poll", dosing, "--serial", at, "--unit", "17", "--once", "--frames")
	if code != exitDone {
		t.Fatal(errs)
	}
	for _, want := range []string{
		"station dosing (unit 17)",
		"dose              2.100  L/h\n",
		"temperature      -3.5    Cel\n",
		"status.stage     dosing\n",
		"set-point         2.10   L/h      set-point 0.00 to 12.00\n",
		"13 points, 13 good, 0 bad; 4 exchanges, ",
		"conductivity  1.85 mS/cm  good\n  asked      11 03 00 00 00 09 87 5C",
		"  registers  40005-40006 (address 4-5)  CCCD 3FEC\n  number     float32 CDAB  1.850000023841858\n  shown      1.85 mS/cm\n",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
}

// TestPollUnits: shown in the units asked for where they measure the same; 1 m
// is 3.2808 ft (international foot, 0.3048 m), 11.5 Cel is 52.7 [degF].
func TestPollUnits(t *testing.T) {
	at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"]
	code, out, errs := command(t, "poll", cistern, "--tcp", at, "--unit", "17", "--once", "--units", "[degF], [psi],[ft_i],L/min")
	if code != exitDone {
		t.Fatal(errs)
	}
	for _, want := range []string{"206.7", "L/min", "33.5", "[psi]", "52.7", "[degF]", "5.249", "set-point 1.640 to 8.202", "1204.5"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	if code, _, errs := command(t, "poll", cistern, "--tcp", at, "--units", "feet"); code != exitUsage || !strings.Contains(errs, "feet") {
		t.Errorf("no code: %d, %s", code, errs)
	}
}

func TestPollCSV(t *testing.T) {
	at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"]
	code, out, _ := command(t, "poll", cistern, "--tcp", at, "--unit", "17", "--once", "--csv")
	lines := strings.Split(out, "\n")
	if code != exitDone || lines[0] != "time,station,unit,point,value,shown,units,quality,cause,reason,raw,exchange" || len(lines) != 1+29+1 {
		t.Fatalf("%d, %d lines, %s", code, len(lines), lines[0])
	}
	if !strings.Contains(out, ",cistern,17,flow,12.399999618530273,12.40,m3/h,good,,,6666 4146,") {
		t.Errorf("%s", out)
	}
}

// TestPollGoesOn: --every and --for.
func TestPollGoesOn(t *testing.T) {
	at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"]
	code, out, errs := command(t, "poll", cistern, "--tcp", at, "--unit", "17", "--every", "10ms", "--for", "500ms", "--json")
	if got := rows(t, out)["level"]; code != exitDone || got == nil || got["cycle"].(float64) < 3 {
		t.Errorf("%d, %v, %s", code, got, errs)
	}
	for _, args := range [][]string{{"--every", "soon"}, {"--for", "-3s"}, {"--json", "--csv"}, {"--unit", "256"}, {"--framing", "x"}, {"--serial", "y"}} {
		if code, out, _ := command(t, append([]string{"poll", cistern, "--tcp", at}, args...)...); code != exitUsage || out != "" {
			t.Errorf("%v: %d, %q", args, code, out)
		}
	}
	if code, _, errs := command(t, "poll", cistern); code != exitUsage || !strings.Contains(errs, "does not say where the station is") {
		t.Errorf("a map without a place: %d, %s", code, errs)
	}
}

// TestStationOfALineFile: every station of the file answers on one place.
func TestStationOfALineFile(t *testing.T) {
	at := station(t, "../../testdata/maps/nursery.yaml", "--listen", "127.0.0.1:0")["tcp"]
	for unit, file := range map[string]string{"17": cistern, "18": dosing} {
		if code, _, errs := command(t, "poll", file, "--tcp", at, "--unit", unit, "--once"); code != exitDone {
			t.Errorf("unit %s: %d, %s", unit, code, errs)
		}
	}
}

// TestSimulateRefuses what it cannot be.
func TestSimulateRefuses(t *testing.T) {
	at := station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"]
	for _, v := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{cistern, "--listen", at}, exitNoReply, "address already in use"},
		{[]string{cistern, "--unit", "300"}, exitUsage, "outside 0 to 255"},
		{[]string{cistern, "--unit", "0", "--listen", "127.0.0.1:0"}, exitUsage, "unit 0"},
		{[]string{cistern, "--pty", "--framing", "mbap"}, exitUsage, "framing of networks"},
		{[]string{cistern, "--serial", "/dev/none"}, exitNoReply, "there is no such port"},
		{[]string{"none.yaml"}, exitUsage, "no such file"},
	} {
		code, out, errs := command(t, append([]string{"simulate"}, v.args...)...)
		if code != v.code || out != "" || !strings.Contains(errs, v.says) {
			t.Errorf("simulate %v: %d, %q, %q; want %d, %q", v.args, code, out, errs, v.code, v.says)
		}
	}
}

// TestDemo runs the whole job and ends by itself.
func TestDemo(t *testing.T) {
	code, out, errs := command(t, "demo")
	if code != exitDone {
		t.Fatalf("%d, %s\n%s", code, errs, out)
	}
	for _, want := range []string{"flow                        12.40   m3/h", "29 of 29 readings are the same", "[66 66 41 46]", "illegal data address", "3 faults, 0 warnings in 1 file"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
}

// TestExampleIsOne: the demo's map is the example map.
func TestExampleIsOne(t *testing.T) {
	text, err := os.ReadFile(cistern)
	if err != nil || !bytes.Equal(text, exampleMap) {
		t.Errorf("example/cistern.yaml and testdata/maps/cistern.yaml differ (%v)", err)
	}
}

// TestHelpShowsExitCodesAndAnExample: every command says how it ends and shows
// one real example.
func TestHelpShowsExitCodesAndAnExample(t *testing.T) {
	root := newRootCommand(&streams{in: strings.NewReader(""), out: io.Discard, err: io.Discard})
	for _, c := range root.Commands() {
		if c.Name() == "help" || c.Name() == "completion" {
			continue
		}
		if !strings.Contains(c.Long, "Exit code:") || c.Example == "" || c.Short == "" {
			t.Errorf("%s: help without exit codes or example", c.Name())
		}
	}
}
