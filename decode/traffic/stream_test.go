package traffic

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares got with a file of testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; -update writes it anew. Got:\n%s", name, got)
	}
}

// ms is so many milliseconds.
func ms(n float64) time.Duration { return time.Duration(n * float64(time.Millisecond)) }

// day is when every stream begins.
var day = time.Date(2026, 11, 2, 12, 0, 0, 0, time.UTC)

// A stream makes exchanges with a clock of its own.
type stream struct {
	t      testing.TB
	c      Config
	now    time.Duration
	number uint64
	to     func(decode.Event)
}

func (s *stream) stamp() decode.Stamp { return decode.Stamp{Wall: day.Add(s.now), Steady: s.now} }

// wait lets time pass.
func (s *stream) wait(d time.Duration) { s.now += d }

// begin is an exchange whose request leaves now.
func (s *stream) begin(u regmap.Unit, q frame.Request) *decode.Exchange {
	s.t.Helper()
	pdu, err := q.Append(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	s.number++
	x := &decode.Exchange{ID: decode.ID{Source: 0x9f2c41d0, Number: s.number}, Framing: s.c.Framing, Unit: u, Request: q, Tries: 1, Asked: s.stamp()}
	if x.Sent, err = frame.AppendADU(nil, frame.ADU{Framing: s.c.Framing, Transaction: uint16(s.number), Unit: u, PDU: pdu}); err != nil {
		s.t.Fatal(err)
	}
	s.wait(time.Duration(len(x.Sent)) * frame.CharTime(s.c.Serial, s.c.Framing))
	x.Left = s.stamp()
	return x
}

func (s *stream) give(x *decode.Exchange) *decode.Exchange {
	s.to(decode.Event{At: x.Done, Exchange: x})
	return x
}

// answer is an exchange answered after a latency with a PDU.
func (s *stream) answer(u regmap.Unit, q frame.Request, latency time.Duration, pdu ...byte) *decode.Exchange {
	s.t.Helper()
	x := s.begin(u, q)
	var err error
	if x.Received, err = frame.AppendADU(nil, frame.ADU{Framing: s.c.Framing, Transaction: uint16(s.number), Unit: u, PDU: pdu}); err != nil {
		s.t.Fatal(err)
	}
	if x.Response, err = frame.Match(q, pdu); err != nil {
		s.t.Fatal(err)
	}
	x.Cause = regmap.NoCause
	if x.Response.Exception != 0 {
		x.Cause = regmap.Excepted
	}
	s.wait(latency)
	x.First = s.stamp()
	s.wait(time.Duration(len(x.Received)) * frame.CharTime(s.c.Serial, s.c.Framing))
	x.Done = s.stamp()
	return s.give(x)
}

// read is a read answered with registers, 0 where none are given.
func (s *stream) read(u regmap.Unit, t regmap.Table, a regmap.Address, n int, latency time.Duration, registers ...uint16) *decode.Exchange {
	s.t.Helper()
	q := frame.Read(t, a, n)
	bytes := 2 * n
	if t.Bits() {
		bytes = (n + 7) / 8
	}
	pdu := make([]byte, 2+bytes)
	pdu[0], pdu[1] = byte(q.Function), byte(bytes)
	for i, r := range registers {
		pdu[2+2*i], pdu[3+2*i] = byte(r>>8), byte(r)
	}
	return s.answer(u, q, latency, pdu...)
}

// silent is a read without an answer within a limit.
func (s *stream) silent(u regmap.Unit, q frame.Request, limit time.Duration) *decode.Exchange {
	s.t.Helper()
	x := s.begin(u, q)
	s.wait(limit)
	x.Done, x.Cause = s.stamp(), regmap.Silent
	return s.give(x)
}

// spoiled is a read whose answer came damaged.
func (s *stream) spoiled(u regmap.Unit, q frame.Request, latency time.Duration, cause regmap.Cause, came ...byte) *decode.Exchange {
	s.t.Helper()
	x := s.begin(u, q)
	s.wait(latency)
	x.Done, x.Cause, x.Received, x.Detail = s.stamp(), cause, came, cause.Words()
	return s.give(x)
}

// loadMap loads a map of test points.
func loadMap(t testing.TB, points string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte("device: test\nlimits: {gap: 0}\npoints:\n"+points), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

// serial is a line at 19200 8E1 as a client of ours sees it.
func serial(stations ...line.Station) Config {
	timing := line.Timing{Response: 300 * time.Millisecond, Retries: 0}
	for i := range stations {
		stations[i].Timing = timing
	}
	return Config{Name: "Pump house", Where: "serial /dev/ttyUSB0 rtu 19200 8E1", Framing: line.RTU, Serial: line.DefaultSerial("/dev/ttyUSB0"), Timing: timing, Stations: stations}
}

// start is a state and the stream that feeds it.
func start(t testing.TB, c Config) (*State, *stream) {
	s := New(c)
	return s, &stream{t: t, c: c, now: time.Hour, to: s.Add}
}

// find is the findings of a code.
func find(s *State, code string) (out []Finding) {
	for _, f := range s.Findings() {
		if f.Code == code {
			out = append(out, f)
		}
	}
	return out
}

// one is the only finding of a code.
func one(t *testing.T, s *State, code string) Finding {
	t.Helper()
	all := find(s, code)
	if len(all) != 1 {
		t.Fatalf("%d findings %s among %s", len(all), code, codes(s))
	}
	if f := all[0]; f.Words == "" || f.Subject == "" {
		t.Errorf("%+v", f)
	}
	return all[0]
}

// none fails when a code is found.
func none(t *testing.T, s *State, codes ...string) {
	t.Helper()
	for _, c := range codes {
		for _, f := range find(s, c) {
			t.Errorf("found %s %s: %s", f.Code, f.Subject, f.Words)
		}
	}
}

func codes(s *State) string {
	var out []string
	for _, f := range s.Findings() {
		out = append(out, f.Subject+" "+f.Code)
	}
	return strings.Join(out, ", ")
}

// says fails unless the texts stand in the finding.
func says(t *testing.T, f Finding, texts ...string) {
	t.Helper()
	for _, s := range texts {
		if !strings.Contains(f.Words+"; "+f.Do, s) {
			t.Errorf("%q is not in: %s; %s", s, f.Words, f.Do)
		}
	}
}
