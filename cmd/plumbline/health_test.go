package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// sickLine is a line file with a station that answers and one that is not
// there.
func sickLine(t *testing.T, at string) string {
	t.Helper()
	dir := t.TempDir()
	text, err := os.ReadFile(cistern)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"cistern.yaml": string(text),
		"line.yaml": "line: Pump house\ntcp: {host: 127.0.0.1, port: " + portOf(at) + "}\ntiming: {response: 40ms, retries: 0}\nevery: 60ms\n" +
			"stations: {17: {name: cistern, map: cistern.yaml}, 18: {name: dosing, map: cistern.yaml}}\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "line.yaml")
}

// TestPollHealth: below the readings stands how each unit did, what is wrong
// and what to do; as JSON a finding a line with the frames it rests on.
func TestPollHealth(t *testing.T) {
	file := sickLine(t, station(t, cistern, "--unit", "17", "--listen", "127.0.0.1:0")["tcp"])
	code, out, errs := command(t, "poll", file, "--for", "1s", "--health")
	if code != exitWrong {
		t.Fatalf("%d, %s", code, errs)
	}
	at := strings.LastIndex(out, "Health of line Pump house")
	if at < strings.LastIndex(out, "points, ") {
		t.Errorf("the health does not stand below the readings:\n%s", out)
	}
	for _, want := range []string{"17 cistern", "18 dosing", "unit 18: silent-unit (settled, wrong)\n", "Unit 18 (dosing) never answered: ", "To do: the others answer, so look at this unit alone"} {
		if !strings.Contains(out[max(at, 0):], want) {
			t.Errorf("%q is not in\n%s", want, out[max(at, 0):])
		}
	}
	code, out, errs = command(t, "poll", file, "--for", "1s", "--health", "--json")
	if code != exitWrong {
		t.Fatalf("%d, %s", code, errs)
	}
	found := false
	for _, text := range strings.Split(strings.TrimSpace(out), "\n") {
		var f struct {
			Time, Line, Code, Subject, Claim, Words, Do string
			Evidence                                    []struct{ Exchange, Request, Response *string }
		}
		if err := json.Unmarshal([]byte(text), &f); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if f.Code != "silent-unit" {
			continue
		}
		found = true
		if f.Subject != "unit 18" || f.Line != "Pump house" || f.Claim != "settled" || f.Do == "" || len(f.Evidence) == 0 || f.Time == "" {
			t.Errorf("%s", text)
		}
		for _, e := range f.Evidence {
			if e.Exchange == nil || e.Request == nil || !strings.HasPrefix((*e.Request)[12:], "12") || e.Response != nil {
				t.Errorf("%s", text)
			}
		}
	}
	if !found {
		t.Errorf("no finding about unit 18 in\n%s", out)
	}
}

// follow is a health over a line without a link, fed by hand.
func follow(f pollFlags) (*health, *bytes.Buffer, func(at time.Duration, cause regmap.Cause)) {
	out := new(bytes.Buffer)
	l := &line.Line{Name: "Pump house", Medium: line.TCP, Framing: line.MBAP, Timing: line.DefaultTiming}
	f.health = true
	h := newHealth(newPollPrinter(out, []*line.Line{l}, f, new(display)), []*line.Line{l})
	n := uint64(0)
	return h, out, func(at time.Duration, cause regmap.Cause) {
		n++
		s := decode.Stamp{Wall: time.Date(2026, 11, 2, 12, 0, 0, 0, time.UTC).Add(at), Steady: at}
		x := &decode.Exchange{ID: decode.ID{Source: 1, Number: n}, Framing: line.MBAP, Unit: 17, Request: frame.Read(regmap.HoldingRegister, 0, 1),
			Cause: cause, Sent: []byte{0, 0}, Tries: 1, Asked: s, Left: s, Done: s}
		if cause == regmap.NoCause {
			x.First, x.Received = s, []byte{0, 0}
		}
		h.event(l, decode.Event{At: s, Exchange: x})
		h.event(l, decode.Event{At: s, Cycle: &decode.Cycle{Line: l.Name, Number: n, Began: s, Exchanges: 1}})
	}
}

// TestHealthEachMinute: a long run shows it at the ends of cycles, a minute
// apart, and at its end.
func TestHealthEachMinute(t *testing.T) {
	h, out, cycle := follow(pollFlags{})
	for i := range 130 {
		cycle(time.Duration(i+1)*time.Second, regmap.NoCause)
	}
	if n := strings.Count(out.String(), "Health of line Pump house"); n != 2 {
		t.Errorf("shown %d times in 129 s:\n%s", n, out)
	}
	if err := h.finish(func() error { return nil }); err != nil || strings.Count(out.String(), "Nothing stands out.") != 3 {
		t.Errorf("%v\n%s", err, out)
	}
	// JSON: on the way only what is new, at the end all.
	h, out, cycle = follow(pollFlags{asJSON: true})
	for i := range 200 {
		cycle(time.Duration(i+1)*time.Second, regmap.Silent)
	}
	if n := strings.Count(out.String(), "silent-unit"); n != 1 {
		t.Errorf("given %d times:\n%s", n, out)
	}
	h.finish(func() error { return nil })
	if n := strings.Count(out.String(), "silent-unit"); n != 2 {
		t.Errorf("given %d times with the end:\n%s", n, out)
	}
}

// TestHealthExitCode: trouble on the line makes a good end a wrong one, and
// leaves every other end as it is.
func TestHealthExitCode(t *testing.T) {
	for _, trouble := range []bool{false, true} {
		h, _, cycle := follow(pollFlags{})
		for i := range 10 {
			cause := regmap.NoCause
			if trouble {
				cause = regmap.Silent
			}
			cycle(time.Duration(i)*time.Second, cause)
		}
		var v verdict
		if err := h.finish(func() error { return nil }); trouble != (errors.As(err, &v) && v.code == exitWrong) {
			t.Errorf("trouble %v: %v", trouble, err)
		}
		if err := h.finish(func() error { return verdict{exitNoReply, errors.New("nothing")} }); !errors.As(err, &v) || v.code != exitNoReply {
			t.Errorf("nothing answered: %v", err)
		}
	}
	var nobody *health
	nobody.event(nil, decode.Event{})
	nobody.linked(nil, nil)
	if err := nobody.finish(func() error { return errSeen }); err != errSeen {
		t.Error("without --health the readings alone decide")
	}
}
