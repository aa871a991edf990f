package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/seek"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// recorded serves the cistern on TCP and gives its address and what was asked.
func recorded(t *testing.T) (address string, asked func() []frame.Function) {
	t.Helper()
	var rep doc.Report
	text, err := os.ReadFile(cistern)
	if err != nil {
		t.Fatal(err)
	}
	bank, err := simdevice.NewBank(regmap.Load(cistern, text, &rep, simdevice.Simulate()))
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var all []frame.Function
	s, err := simdevice.New(map[regmap.Unit]*simdevice.Bank{17: bank}, simdevice.Options{Observe: func(x *decode.Exchange) {
		mu.Lock()
		all = append(all, x.Request.Function)
		mu.Unlock()
	}})
	if err != nil {
		t.Fatal(err)
	}
	n, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.ServeListener(ctx, n, line.MBAP) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return n.Addr().String(), func() []frame.Function {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(all)
	}
}

// TestSeekOnlyReads: a recording station sees reads, and what it is asked for
// the card, and nothing else; each exit code is as the help says.
func TestSeekOnlyReads(t *testing.T) {
	address, asked := recorded(t)
	code, out, errs := command(t, "seek", "--tcp", address, "--units", "16-18", "--rate", "100", "--response", "50ms", "--addresses=0-60", "--requests", "40", "--json")
	if code != exitDone {
		t.Fatalf("%d, %s", code, errs)
	}
	reads := []frame.Function{frame.ReadCoils, frame.ReadDiscreteInputs, frame.ReadHoldingRegisters, frame.ReadInputRegisters, frame.EncapsulatedInterface, frame.ReportServerID}
	for _, f := range asked() {
		if !slices.Contains(reads, f) {
			t.Errorf("%v was asked", f)
		}
	}
	var d seekJSON
	if err := json.Unmarshal([]byte(out), &d); err != nil {
		t.Fatal(err)
	}
	if d.Format != 1 || d.Found == nil || d.Found.Framing != "mbap" || d.Found.Baud != nil || len(d.Units) != 1 || d.Units[0].Unit != 17 || !d.AllAsked || d.End != "finished" {
		t.Errorf("%s", out)
	}
	if got := d.Units[0].Identification[1]; got != "simulated station" {
		t.Errorf("product %q", got)
	}
	if got := d.Units[0].Tables[1]; got.Table != "input-register" || len(got.Answers) == 0 || got.Answers[0] != [2]int{0, 21} {
		t.Errorf("%+v", got)
	}
	if len(asked()) > d.Requests {
		t.Errorf("%d requests came, %d are told", len(asked()), d.Requests)
	}
	if !strings.Contains(errs, "Even reads load a line") {
		t.Errorf("no caution: %s", errs)
	}
	if code, out, _ := command(t, "seek", "--tcp", address, "--unit", "18", "--rate", "100", "--response", "20ms", "--framing", "mbap"); code != exitWrong || !strings.Contains(out, "Nothing found on tcp") {
		t.Errorf("nobody: %d, %s", code, out)
	}
	if code, _, _ := command(t, "seek", "--serial", "/dev/none"); code != exitNoReply {
		t.Errorf("no port: %d", code)
	}
	if code, _, _ := command(t, "seek", "--serial", "/dev/none", "--rate", "1000"); code != exitUsage {
		t.Errorf("no such rate: %d", code)
	}
}

// found is a report with one unit whose words come from outside.
func found(tables ...seek.TableScan) *seek.Report {
	at := seek.SerialOrder("/dev/ttyUSB0", seek.Known{})[2]
	pdu := frame.Read(regmap.HoldingRegister, 0, 1)
	x := &decode.Exchange{Unit: 17, Request: pdu, Cause: regmap.NoCause, Sent: []byte{0x11, 3, 0, 0, 0, 1}, Received: []byte{0x11, 3, 2, 0, 7},
		Response: frame.Response{Function: pdu.Function, Data: []byte{0, 7}}}
	u := &seek.Unit{Number: 17, Matched: []*decode.Exchange{x, x, x}, Tables: tables, Slowest: 420 * time.Millisecond,
		Identified: []link.Object{{ID: 0, Value: []byte("\x1b[2Jcistern\nunit 99")}, {ID: 200, Value: []byte("\u202eabc")}}}
	return &seek.Report{End: seek.Finished, Found: &at, Units: []*seek.Unit{u}, Whole: true}
}

// TestSeekCardIsSafe: what a device calls itself does nothing to a terminal.
func TestSeekCardIsSafe(t *testing.T) {
	at := &seekPlace{line: &line.Line{Medium: line.SerialPort, Serial: line.Serial{Port: "/dev/\x1bttyUSB0"}}}
	var out bytes.Buffer
	if err := printCard(&out, at, found(), []string{"a\x1bb"}); err != nil {
		t.Fatal(err)
	}
	if text := out.String(); strings.ContainsAny(text, "\x1b\u202e") || strings.Contains(text, "\nunit 99") || !strings.Contains(text, "cistern") {
		t.Errorf("%q", text)
	}
	for _, want := range []string{"rtu 9600 8N2, unit 17", "8N1 and 8N2 cannot be told apart", "object 200"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
}

// TestSeekWritesFiles that the other commands take, and leaves alone what is
// there.
func TestSeekWritesFiles(t *testing.T) {
	at := &seekPlace{line: &line.Line{Medium: line.SerialPort, Serial: line.Serial{Port: "/dev/ttyUSB0", RS485: line.RTSTurns}}}
	r := found(
		seek.TableScan{Table: regmap.HoldingRegister, Limit: 40, Answers: []regmap.Span{{Table: regmap.HoldingRegister, First: 0, Count: 100}}},
		seek.TableScan{Table: regmap.Coil, Answers: []regmap.Span{{Table: regmap.Coil, First: 65535, Count: 1}}},
	)
	r.Found.Serial.RS485 = line.RTSTurns
	file := filepath.Join(t.TempDir(), "pump house.yaml")
	files, err := writeFound(file, at, r)
	if err != nil || len(files) != 2 {
		t.Fatalf("%v, %v", files, err)
	}
	var rep doc.Report
	l, err := line.Load(file, &rep, sections()...)
	if err != nil || l == nil {
		t.Fatal(err, rep.Err())
	}
	s := l.Station(17)
	if l.Serial != r.Found.Serial || l.Timing.Response != 900*time.Millisecond || s == nil || len(s.Map.Points) != mostFirstPoints || s.Write {
		t.Errorf("%+v", l)
	}
	text, err := os.ReadFile(files[1])
	if err != nil || !strings.Contains(string(text), "limits: {registers: 40}") || !strings.Contains(string(text), "and 37 more addresses: 0-99, 65535") {
		t.Errorf("%s, %v", text, err)
	}
	if err := os.WriteFile(files[1], []byte("device: mine\npoints: {a: {coil: 0}}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if files, err := writeFound(file, at, r); err != nil || len(files) != 1 {
		t.Errorf("%v, %v", files, err)
	}
}

// TestSeekUnitWithoutContents stands in the line file as a line to be filled in.
func TestSeekUnitWithoutContents(t *testing.T) {
	r := found()
	refusal := *r.Units[0].Matched[0]
	refusal.Cause, refusal.Response = regmap.Excepted, frame.Except(frame.ReadHoldingRegisters, frame.IllegalDataAddress)
	r.Units[0].Matched = []*decode.Exchange{&refusal}
	file := filepath.Join(t.TempDir(), "line.yaml")
	at := &seekPlace{line: &line.Line{Medium: line.SerialPort, Serial: r.Found.Serial}}
	files, err := writeFound(file, at, r)
	if err != nil || len(files) != 1 {
		t.Fatalf("%v, %v", files, err)
	}
	if text, _ := os.ReadFile(file); !strings.Contains(string(text), "# 17: {name: unit-17, map: MAP}") {
		t.Errorf("%s", text)
	}
}

// TestSeekUnits reads lists of numbers.
func TestSeekUnits(t *testing.T) {
	for text, want := range map[string]string{"1-3": "[1 2 3]", "5, 1-2,2": "[5 1 2]", "247": "[247]"} {
		got, err := (&seekFlags{units: text}).unitNumbers(true)
		if err != nil || fmt.Sprint(got) != want {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"0", "248", "x", "1-", "-3", "3-1", "1,,2"} {
		if got, err := (&seekFlags{units: text}).unitNumbers(true); err == nil {
			t.Errorf("%q: %v", text, got)
		}
	}
	if got, _ := (&seekFlags{}).unitNumbers(false); len(got) != 248 || got[247] != 255 {
		t.Errorf("%d units in a network", len(got))
	}
	for d, want := range map[time.Duration]string{0: "0 s", 1: "1 s", time.Minute: "1 min 0 s", 90*time.Minute + 1: "1 h 30 min", 64 * time.Second: "1 min 4 s"} {
		if got := minutes(d); got != want {
			t.Errorf("%s: %s, want %s", d, got, want)
		}
	}
}

// TestSeekProgress is one line, written over, and gone at the end.
func TestSeekProgress(t *testing.T) {
	var out bytes.Buffer
	p := &seekProgress{out: &out}
	p.show(seek.Progress{Settings: seek.SerialOrder("", seek.Known{})[0], Unit: 17, Words: "usual units", Requests: 3, Left: 90 * time.Second})
	p.clear()
	first, rest, _ := strings.Cut(strings.TrimPrefix(out.String(), "\r"), "\r")
	if first != "rtu 19200 8E1, usual units, unit 17: 3 requests, at most 1 min 30 s left" || rest != strings.Repeat(" ", len(first))+"\r" {
		t.Errorf("%q", out.String())
	}
	if newSeekProgress(&out).out != nil {
		t.Error("progress where nobody looks")
	}
}
