package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// lines is output that several goroutines write.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// manned is the cistern's station with a console, and a client that asks it.
func manned(t *testing.T, asJSON bool) (c *console, out *lines, ask func(request string) string) {
	t.Helper()
	l, err := stationLine(cistern, place{unit: 17})
	if err != nil {
		t.Fatal(err)
	}
	out = new(lines)
	c = newConsole(out, asJSON)
	s, err := newStation(l, line.Serial{}, c.observe)
	if err != nil {
		t.Fatal(err)
	}
	c.attach(s, 1)
	t.Cleanup(c.faults.Stop)
	near, far := fault.Pipe()
	served := make(chan error, 1)
	go func() { served <- s.ServeStream(t.Context(), far, line.MBAP) }()
	t.Cleanup(func() { near.Close(); <-served })
	return c, out, func(request string) string {
		t.Helper()
		if _, err := near.Write([]byte(request)); err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 260)
		n, err := near.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		return string(b[:n])
	}
}

const readLevel = "\x00\x01\x00\x00\x00\x06\x11\x04\x00\x00\x00\x01"

// Each line is answered with what it did, and with the request that met it
// first; the station shows what it was told.
func TestConsole(t *testing.T) {
	c, out, ask := manned(t, false)
	c.read(strings.NewReader("# a remark\n\nlevel = 2.70 m\n"))
	answer := ask(readLevel)
	if got := answer[9:]; got != "\x47\xe0" { // 4000 + 2.70/3.00 x 16000 = 18400 uA
		t.Errorf("level reads % X", got)
	}
	ask(readLevel) // the first one has been observed when the second is answered
	c.read(strings.NewReader("list\nlevle = 1\nrelease all\n"))
	for _, want := range []string{"level", "2.70", "later: unit 17, read input registers (04), address 0, 1 register   (level = 2.70 m)", "1 fault on", `levle`} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	if strings.Count(out.String(), "(level = 2.70 m)") != 1 {
		t.Errorf("told more than once:\n%s", out)
	}
	if got := ask(readLevel)[9:]; got == "\x47\xe0" {
		t.Error("the level is still held after release")
	}
}

// The help names every verb that the lines know.
func TestConsoleHelp(t *testing.T) {
	c, out, _ := manned(t, false)
	c.do("help")
	c.do("nonsense") // the error lists the verbs
	text := out.String()
	_, known, _ := strings.Cut(text, "none of POINT = VALUE, ")
	for _, verb := range strings.Split(strings.TrimSpace(strings.Split(known, ";")[0]), ", ") {
		if !strings.Contains(consoleHelp, verb) {
			t.Errorf("help does not tell %q", verb)
		}
	}
	if known == "" {
		t.Error(text)
	}
}

func TestConsoleJSON(t *testing.T) {
	c, out, ask := manned(t, true)
	c.do("level = 2.70")
	ask(readLevel)
	ask(readLevel)
	c.do("level = \x1b[2J")
	var rows []consoleRow
	for d := json.NewDecoder(strings.NewReader(out.String())); ; {
		var r consoleRow
		if err := d.Decode(&r); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, r)
	}
	if len(rows) != 3 || rows[0].Done == "" || rows[1].Seconds == nil || rows[2].Error == "" || strings.Contains(out.String(), "\x1b") {
		t.Errorf("%s", out)
	}
}

// A faults file is done before anything is served; a wrong line names its place.
func TestFaultsFile(t *testing.T) {
	c, _, ask := manned(t, false)
	file := filepath.Join(t.TempDir(), "faults.txt")
	os.WriteFile(file, []byte("# at the start\nlevel = 2.70\n"), 0o600)
	f := simulateFlags{faults: file}
	if err := f.schedule(c); err != nil {
		t.Fatal(err)
	}
	if got := ask(readLevel)[9:]; got != "\x47\xe0" {
		t.Errorf("level reads % X", got)
	}
	os.WriteFile(file, []byte("level = 2.70\nsilnce 17\n"), 0o600)
	if err := f.schedule(c); err == nil || !strings.Contains(err.Error(), "faults.txt:2  ") || !strings.Contains(err.Error(), "silence") {
		t.Errorf("a wrong line: %v", err)
	}
	f.faults = filepath.Join(t.TempDir(), "none")
	if err := f.schedule(c); err == nil {
		t.Error("a file that is not there was read")
	}
}
