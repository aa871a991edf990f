package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// A recorder is the stations of the example line, which note what is asked.
type recorder struct {
	file string // the line file that leads to them
	at   string // host:port

	mu  sync.Mutex
	was []frame.Request
}

// record starts the stations of testdata/maps/nursery.yaml on a port of their
// own. Texts of the line file are replaced in pairs.
func record(t *testing.T, replace ...string) *recorder {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	r := &recorder{file: filepath.Join(dir, "pump-house.yaml"), at: l.Addr().String()}
	edit := strings.NewReplacer(append([]string{"port: 1502", "port: " + portOf(r.at)}, replace...)...)
	for _, name := range []string{"nursery.yaml", "cistern.yaml", "dosing.yaml"} {
		text, err := os.ReadFile("../../testdata/maps/" + name)
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(dir, name)
		if name == "nursery.yaml" {
			to, text = r.file, []byte(edit.Replace(string(text)))
		}
		if err := os.WriteFile(to, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r.serve(t, l)
	return r
}

func (r *recorder) serve(t *testing.T, l net.Listener) {
	rep := new(doc.Report)
	parsed, err := line.Load(r.file, rep, sections()...)
	if err != nil || rep.Bad() {
		t.Fatal(err, rep.Err())
	}
	banks := map[regmap.Unit]*simdevice.Bank{}
	for _, s := range parsed.Stations {
		if banks[s.Unit], err = simdevice.NewBank(s.Map); err != nil {
			t.Fatal(err)
		}
	}
	station, err := simdevice.New(banks, simdevice.Options{Observe: func(x *decode.Exchange) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.was = append(r.was, x.Request)
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		station.ServeListener(ctx, l, line.MBAP)
		close(done)
	}()
	t.Cleanup(func() { cancel(); <-done })
}

// changes counts what was asked, and what of it changes a station.
func (r *recorder) changes() (asked, changes int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, q := range r.was {
		if q.Changes() {
			changes++
		}
	}
	return len(r.was), changes
}

// audit is the events of the line's audit log.
func (r *recorder) audit(t *testing.T) (events []string) {
	t.Helper()
	text, err := os.ReadFile(r.file + ".audit.jsonl")
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	for line := range bytes.Lines(text) {
		var e struct{ Event string }
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		events = append(events, e.Event)
	}
	return events
}

// TestSet: written, read back, noted, with the caution before all of it.
func TestSet(t *testing.T) {
	r := record(t)
	code, out, errs := command(t, "set", r.file, "lead-start", "1.65", "--yes", "lead-start")
	if code != exitDone {
		t.Fatalf("%d, %s%s", code, out, errs)
	}
	at := 0
	for _, want := range []string{
		"This program can start, stop or move machinery.", "local codes", "licensed for it",
		"lead-start of cistern (unit 17)   1.600 m  ->  1.650 m", "raw      0640  ->  0672", "serial-no is 4711", "Lead pump starts above",
		"40033 (address 32)", "write single register, 6 (0x06): 06 00 20 06 72", "lead-start  done: lead-start of cistern reads 1.650 m", "noted in " + r.file + ".audit.jsonl",
	} {
		i := strings.Index(out[at:], want)
		if i < 0 {
			t.Errorf("%q is not in its place in\n%s", want, out)
		}
		at += max(i, 0)
	}
	for row := range strings.Lines(out) {
		if strings.HasPrefix(row, "- ") && len(row) > cautionWidth+1 {
			t.Errorf("%d characters: %s", len(row), row)
		}
	}
	if want := []string{"begin", "asked", "sending", "outcome"}; !slices.Equal(r.audit(t), want) {
		t.Errorf("log %v, want %v", r.audit(t), want)
	}
	if info, err := os.Stat(r.file + ".audit.jsonl"); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info, err)
	}
}

// TestSetJSON: one document, the caution beside it.
func TestSetJSON(t *testing.T) {
	r := record(t)
	code, out, errs := command(t, "set", r.file, "alarm-reset", "on", "cistern/mode", "hand", "--yes", "cistern/alarm-reset", "--yes", "mode", "--json")
	var d setJSON
	if err := json.Unmarshal([]byte(out), &d); err != nil || code != exitDone || d.Format != 1 || !d.OK || len(d.Writes) != 2 {
		t.Fatalf("%d, %v, %s%s", code, err, out, errs)
	}
	if !strings.Contains(errs, caution[0]) {
		t.Errorf("no caution: %s", errs)
	}
	a, b := d.Writes[0], d.Writes[1]
	if a.Outcome != "done" || a.Hold != 0.5 || *a.Request != "050004ff00" || *a.Release != "0500040000" || string(a.To) != "true" || string(a.ReadBack[0].Value) != "false" {
		t.Errorf("%+v", a)
	}
	if b.Outcome != "done" || b.ToShown != "hand" || string(b.Stations[0].From) != "2" || *b.Stations[0].FromShown != "automatic" || *b.Function != 6 || b.Reference != "40018" || b.Step != nil {
		t.Errorf("%+v", b)
	}
}

// TestSetRefuses: each refusal has its exit code, its reason, and changes
// nothing.
func TestSetRefuses(t *testing.T) {
	for _, v := range []struct {
		args []string // {} is the line file
		code int
		says string
	}{
		{[]string{"{}", "lead-start", "1.65"}, exitWrong, "nobody is there to ask"},
		{[]string{"{}", "lead-start", "1.65", "lag-start", "2", "--yes", "lead-start"}, exitWrong, "--yes lag-start confirms it"},
		{[]string{"{}", "lead-start", "2.55", "--yes", "lead-start"}, exitWrong, "refused (value): lead-start: 2.55 m is outside what may be written: 0.5 to 2.5 m"},
		{[]string{"{}", "set-point", "2", "--yes", "set-point"}, exitWrong, "refused (may): station dosing may not be written"},
		{[]string{"{}", "level", "2", "--yes", "level"}, exitWrong, "refused (may): level may not be written"},
		{[]string{"{}", "lead-start", "-1.65", "--yes", "lead-start"}, exitWrong, "-1.65 m is outside"},
		{[]string{"{}", "mode", "off", "--broadcast", "--yes", "mode"}, exitUsage, "the map of dosing has no point mode"},
		{[]string{"{}", "mode", "off", "--yes", "lead-start"}, exitUsage, "not among what is to be written"},
		{[]string{"{}", "lead-strat", "1"}, exitUsage, "did you mean lead-start?"},
		{[]string{"{}", "garden/mode", "1"}, exitUsage, "no station \"garden\"; stations: cistern, dosing"},
		{[]string{"{}", "temperature", "1"}, exitUsage, "temperature is a point of 2 stations"},
		{[]string{"{}", "mode", "fast"}, exitUsage, "a number such as 12.5, without units, or hand, off, automatic"},
		{[]string{"{}", "lead-start", "1,65"}, exitUsage, "is not a value of lead-start"},
		{[]string{"{}", "lead-start", "NaN"}, exitUsage, "is not a value of lead-start"},
		{[]string{"{}", "pump-1-enable", "yes"}, exitUsage, "on or off"},
		{[]string{"{}", "mode"}, exitUsage, "set LINE POINT VALUE"},
		{[]string{"{}", "mode", "1", "--sure"}, exitUsage, "unknown flag"},
		{[]string{cistern, "mode", "1"}, exitUsage, "set needs one, which says what may be written"},
		{[]string{"none.yaml", "mode", "1"}, exitUsage, "no such file"},
	} {
		r := record(t)
		args := slices.Clone(v.args)
		if args[0] == "{}" {
			args[0] = r.file
		}
		code, out, errs := command(t, append([]string{"set"}, args...)...)
		if code != v.code || !strings.Contains(out+errs, v.says) {
			t.Errorf("set %v: %d, %q, %q; want %d, %q", v.args, code, out[max(0, len(out)-300):], errs, v.code, v.says)
		}
		if _, n := r.changes(); n != 0 {
			t.Errorf("set %v: %d changes", v.args, n)
		}
	}
}

// TestSetWithoutAnswer: 3 when nothing can be opened, and when nothing answers.
func TestSetWithoutAnswer(t *testing.T) {
	r := record(t, "17: {name: cistern", "19: {name: cistern")
	if code, out, _ := command(t, "set", r.file, "mode", "1", "--yes", "mode", "--audit", filepath.Join(filepath.Dir(r.file), "own.jsonl")); code != exitDone {
		t.Fatalf("%d, %s", code, out)
	}
	text, _ := os.ReadFile(r.file)
	os.WriteFile(r.file, []byte(strings.ReplaceAll(strings.Replace(string(text), "19:", "21:", 1), "response: 500ms", "response: 20ms")), 0o600)
	if code, out, _ := command(t, "set", r.file, "mode", "1", "--yes", "mode"); code != exitNoReply || !strings.Contains(out, "could not be proven") {
		t.Errorf("nothing answers: %d, %s", code, out)
	}
	os.WriteFile(r.file, []byte(strings.Replace(string(text), portOf(r.at), "1", 1)), 0o600)
	if code, _, errs := command(t, "set", r.file, "mode", "1", "--yes", "mode"); code != exitNoReply || !strings.Contains(errs, "refused") {
		t.Errorf("nobody listens: %d, %s", code, errs)
	}
}

// TestSetDryRun: all but the writing; no log either.
func TestSetDryRun(t *testing.T) {
	r := record(t)
	code, out, _ := command(t, "set", r.file, "lead-start", "1.65", "--dry-run", "--yes", "lead-start")
	asked, changes := r.changes()
	if code != exitDone || !strings.Contains(out, "1.600 m  ->  1.650 m") || !strings.Contains(out, "nothing was sent: this was a dry run") || asked == 0 || changes != 0 || r.audit(t) != nil {
		t.Errorf("%d, %s, %d asked, %d changes, log %v", code, out, asked, changes, r.audit(t))
	}
}

// TestSetAuditLog: a log that cannot be used refuses the write; one that a
// crash tore is repaired on demand only.
func TestSetAuditLog(t *testing.T) {
	r := record(t)
	set := func(more ...string) (int, string) {
		code, out, errs := command(t, append([]string{"set", r.file, "mode", "1", "--yes", "mode"}, more...)...)
		return code, out + errs
	}
	if code, says := set("--audit", "/dev/full"); code != exitWrong || !strings.Contains(says, "no regular file") {
		t.Errorf("a device as log: %d, %s", code, says)
	}
	if code, says := set("--audit", filepath.Join(r.file, "below")); code != exitWrong || !strings.Contains(says, "refused, because the audit log cannot be written") {
		t.Errorf("no folder: %d, %s", code, says)
	}
	if _, n := r.changes(); n != 0 {
		t.Fatalf("%d changes without a log", n)
	}
	if code, says := set(); code != exitDone {
		t.Fatal(says)
	}
	name := r.file + ".audit.jsonl"
	text, _ := os.ReadFile(name)
	os.WriteFile(name, text[:len(text)-20], 0o600)
	if code, says := set(); code != exitWrong || !strings.Contains(says, "line 4: the last line is not whole") || !strings.Contains(says, "--repair-audit") {
		t.Errorf("a torn log: %d, %s", code, says)
	}
	for _, says := range []string{"line 4 was torn and is cut off", "is whole; nothing was changed"} {
		if code, out, errs := command(t, "set", r.file, "--repair-audit"); code != exitDone || !strings.Contains(out, says) {
			t.Errorf("repair: %d, %s%s, want %q", code, out, errs, says)
		}
	}
	if code, says := set(); code != exitDone || !slices.Contains(r.audit(t), "repaired") {
		t.Errorf("after the repair: %d, %s, %v", code, says, r.audit(t))
	}
	os.WriteFile(name, bytes.Replace(text, []byte(`"user":"`), []byte(`"user":"x`), 1), 0o600)
	if code, says := set(); code != exitWrong || !strings.Contains(says, "the chain of lines is broken") {
		t.Errorf("a forged log: %d, %s", code, says)
	}
}

// TestSetAsksOnATerminal: the name is typed; a wrong one, or the end of the
// input, writes nothing.
func TestSetAsksOnATerminal(t *testing.T) {
	for typed, want := range map[string]int{"mode\n": exitDone, "cistern/mode\n": exitDone, "yes\n": exitWrong, "\n": exitWrong, "\x04": exitWrong} {
		r := record(t)
		ours, theirs, err := pty.Open()
		if err != nil {
			t.Skip(err)
		}
		if _, err := io.WriteString(ours, typed); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		var out, errs bytes.Buffer
		code := run(ctx, &streams{in: theirs, out: &out, err: &errs}, []string{"set", r.file, "mode", "off"})
		cancel()
		if _, n := r.changes(); code != want || (n == 1) != (want == exitDone) || !strings.Contains(out.String(), "Type mode to write it: ") {
			t.Errorf("%q typed: %d, %d changes, %s%s", typed, code, n, &out, &errs)
		}
		ours.Close()
		theirs.Close()
	}
}

// TestSetWithoutIdentity asks for the station as well.
func TestSetWithoutIdentity(t *testing.T) {
	none := []string{", identity: {point: serial-no, value: 4711}", ""}
	r := record(t, none...)
	if code, out, _ := command(t, "set", r.file, "mode", "off", "--yes", "mode"); code != exitWrong || !strings.Contains(out, "--yes cistern confirms it (nothing proves that unit 17 is cistern") {
		t.Errorf("%d, %s", code, out)
	}
	if code, out, _ := command(t, "set", r.file, "mode", "off", "--yes", "mode", "--yes", "cistern"); code != exitDone {
		t.Errorf("%d, %s", code, out)
	}
}

// TestSetBroadcast on a pseudo-terminal: both stations obey one request.
func TestSetBroadcast(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"lamp.yaml": "device: Lamp\npoints:\n  lamp: {coil: 0, type: bool, write: {}}\n  id: {holding-register: 0, type: uint16}\n",
		"line.yaml": "line: Lamps\nserial: {port: PORT, baud: 19200}\ntiming: {response: 200ms}\nstations:\n" +
			"  1: {name: east, map: lamp.yaml, write: true, identity: {point: id, value: 0}}\n  2: {name: west, map: lamp.yaml, write: true, identity: {point: id, value: 0}}\n",
	} {
		os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600)
	}
	file := filepath.Join(dir, "line.yaml")
	at := station(t, file, "--pty")["pty"]
	text, _ := os.ReadFile(file)
	os.WriteFile(file, []byte(strings.Replace(string(text), "PORT", at, 1)), 0o600)
	code, out, errs := command(t, "set", file, "lamp", "on", "--broadcast", "--yes", "lamp")
	for _, want := range []string{"lamp of east (unit 1)   off  ->  on", "lamp of west (unit 2)   off  ->  on", "request  unit 0, write single coil, 5 (0x05): 05 00 00 FF 00",
		"every station on the line obeys at once and none answers: east (unit 1), west (unit 2)", "lamp  done: lamp of east reads on, lamp of west reads on"} {
		if code != exitDone || !strings.Contains(out, want) {
			t.Fatalf("%d, %q is not in %s%s", code, want, out, errs)
		}
	}
}

// TestOnlySetWrites runs every command against stations that note what they are
// asked: none but set sends a function that changes a station. A new command
// needs its row.
func TestOnlySetWrites(t *testing.T) {
	r := record(t)
	const none, talks, writes = 0, 1, 2
	rows := map[string]struct {
		does int
		args [][]string // {line} and {at} are the recorder's
	}{
		"demo":     {none, [][]string{{}}},
		"check":    {none, [][]string{{"{line}"}, {"--schema", "line"}}},
		"plan":     {none, [][]string{{"{line}"}, {cistern, "--tcp", "{at}", "--unit", "17"}}},
		"poll":     {talks, [][]string{{"{line}", "--once"}, {"{line}", "--once", "--frames"}, {cistern, "--tcp", "{at}", "--unit", "17", "--once", "--json"}}},
		"decode":   {none, [][]string{{"11 06 00 20 06 72 09 75"}, {"--map", cistern, "11 05 00 04 FF 00 CE AB"}}},
		"simulate": {none, nil}, // see below
		"import":   {none, [][]string{{"../../testdata/sheets/numbers.csv"}}},
		"compare":  {none, [][]string{{cistern, dosing}}},
		"sheet":    {none, [][]string{{cistern}, {cistern, "--interface"}}},
		"seek":     {talks, [][]string{{"--tcp", "{at}", "--units", "17", "--response", "200ms"}}},
		"listen":   {none, nil}, // opens a serial port for reading only; see TestListen...
		"set":      {writes, [][]string{{"{line}", "mode", "off", "--yes", "mode"}}},
	}
	station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0") // simulate, beside all the others
	place := strings.NewReplacer("{line}", r.file, "{at}", r.at)
	root := newRootCommand(&streams{in: strings.NewReader(""), out: io.Discard, err: io.Discard})
	for _, c := range root.Commands() {
		row, known := rows[c.Name()]
		if !known && c.Name() != "help" && c.Name() != "completion" {
			t.Errorf("%s has no row here: add one that runs it against {line} or {at}", c.Name())
		}
		for _, args := range row.args {
			asked, changes := r.changes()
			all := []string{c.Name()}
			for _, a := range args {
				all = append(all, place.Replace(a))
			}
			code, _, errs := command(t, all...)
			nowAsked, nowChanges := r.changes()
			switch {
			case code == exitUsage:
				t.Errorf("%v was not understood: %s", all, errs)
			case (nowAsked > asked) != (row.does != none):
				t.Errorf("%v: %d requests; %s", all, nowAsked-asked, errs)
			case (nowChanges > changes) != (row.does == writes):
				t.Errorf("%v: %d changes", all, nowChanges-changes)
			}
		}
	}
	for _, args := range rows["set"].args {
		asked, changes := r.changes()
		command(t, append([]string{"set", "--dry-run"}, strings.Fields(place.Replace(strings.Join(args, " ")))...)...)
		if nowAsked, nowChanges := r.changes(); nowAsked == asked || nowChanges != changes {
			t.Errorf("a dry run of set %v: %d requests, %d changes", args, nowAsked-asked, nowChanges-changes)
		}
	}
}
