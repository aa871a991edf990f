package traffic

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// TestRepeatsHeard: a client that asks again what was not answered; the period
// is that of its cycle and not of its repeats.
func TestRepeatsHeard(t *testing.T) {
	c := serial()
	c.Seen = Between
	s, g := start(t, c)
	q := frame.Read(regmap.HoldingRegister, 0, 4)
	for i := range 40 {
		began := g.now
		if i%4 == 1 {
			g.silent(17, q, ms(300))
		}
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		g.now = began + time.Second
	}
	says(t, one(t, s, "repeated-requests"), "10 requests to unit 17 asked again what was not answered (20.0 % of the exchanges)")
	r := s.Ranges()
	if len(r) != 1 || r[0].Period != time.Second || r[0].Jitter != 0 || r[0].Repeats != 10 || r[0].Count != 50 || r[0].Problem != "unanswered" || r[0].Mapped {
		t.Errorf("%+v", r)
	}
}

// TestRetries: repeats that help, that do not, and failures in bunches.
func TestRetries(t *testing.T) {
	made := func(retries int, failed func(i int) (first, again bool)) *State {
		c := serial()
		c.Timing.Retries = retries
		s, g := start(t, c)
		q := frame.Read(regmap.HoldingRegister, 0, 1)
		for i := range 1000 {
			first, again := failed(i)
			x := g.begin(17, q)
			if first {
				x.Tries = 1 + retries
				g.wait(ms(300))
				x.Left = g.stamp()
			}
			g.wait(ms(20))
			x.Done = g.stamp()
			if x.Cause = regmap.Silent; !first || !again {
				x.Cause, x.First, x.Received = regmap.NoCause, x.Done, []byte{17, 3, 2, 0, 0, 0, 0}
				x.Response = frame.Response{Function: 3, Data: []byte{0, 0}}
			}
			g.give(x)
		}
		return s
	}
	says(t, one(t, made(1, func(i int) (bool, bool) { return i%10 == 0, i%20 == 0 }), "retries-few"), "with 1 repeats about 1.0 %", "with 2 about 0.1 %", "set retries: 2")
	says(t, one(t, made(2, func(i int) (bool, bool) { return i%10 == 0, i != 500 }), "retries-useless"), "of 100 first tries that failed, repeats brought 1")
	says(t, one(t, made(0, func(i int) (bool, bool) { return i%200 < 20, true }), "retries-few"), "failures come together (95.0 %")
	none(t, made(2, func(i int) (bool, bool) { return i%50 == 0, false }), "retries-few", "retries-useless")
	// Recovered by repeats is not lost: no trouble but the cost.
	all := made(2, func(i int) (bool, bool) { return i%50 == 0, false }).Findings()
	if len(all) != 1 || all[0].Code != "repeated-requests" || all[0].Rank != Cost {
		t.Errorf("%+v", all)
	}
}

// TestRareLossIsNoTrouble: three lost in 40,000 are told and wrong nothing.
func TestRareLossIsNoTrouble(t *testing.T) {
	s, g := start(t, serial())
	x := g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
	for range 39_990 {
		s.Add(decode.Event{Exchange: x})
	}
	for range 3 {
		g.silent(17, x.Request, ms(300))
		g.spoiled(17, x.Request, ms(20), regmap.Checksum, 1, 2)
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
	}
	one(t, s, "unanswered")
	one(t, s, "damaged-answers")
	if Trouble(s.Findings()) {
		t.Error(codes(s))
	}
}

// TestSwitchedOffSaysNothingOfTheLimit: a unit whose answers lie near the limit
// and that was then switched off.
func TestSwitchedOffSaysNothingOfTheLimit(t *testing.T) {
	s, g := start(t, serial())
	for range 500 {
		g.read(17, regmap.HoldingRegister, 0, 4, ms(235))
	}
	for range 500 {
		g.silent(17, frame.Read(regmap.HoldingRegister, 0, 4), ms(300))
	}
	none(t, s, "time-limit-short")
	one(t, s, "silent-unit")
}

// TestTwiceAlone: double answers alone hint at two stations.
func TestTwiceAlone(t *testing.T) {
	s, g := start(t, serial())
	g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
	s.Add(decode.Event{Finding: &decode.Finding{Code: "answered-twice", Subject: "unit 17", Words: "x"}})
	f := one(t, s, "two-stations")
	says(t, f, "unit 17 answered one request twice, 1 time")
	if f.Claim != decode.Hint {
		t.Error(f.Claim)
	}
}

// TestNetworkWords: on a network the advice is about devices and gateways.
func TestNetworkWords(t *testing.T) {
	s, g := start(t, Config{Framing: line.MBAP})
	q := frame.Read(regmap.HoldingRegister, 0, 4)
	for range 4 {
		g.silent(3, q, ms(300))
		g.spoiled(4, q, ms(300), regmap.Mismatch, 1, 2, 3)
	}
	says(t, one(t, s, "silent-unit"), "behind a gateway look at its serial side")
	says(t, one(t, s, "damaged-answers"), "the device or gateway makes these answers")
	if f := s.Findings()[0]; f.Subject != "unit 3" {
		t.Errorf("%+v", f)
	}
	if got := New(Config{}).config.lineName(); got != "line" {
		t.Error(got)
	}
	g.read(5, regmap.HoldingRegister, 0, 4, ms(1))
	says(t, one(t, s, "silent-unit"), "the gateway's list of units")
}

// TestConfigOf: what a line file says is known.
func TestConfigOf(t *testing.T) {
	own := line.Timing{Response: time.Second}
	l := &line.Line{Name: "Pump house", Medium: line.SerialPort, Framing: line.ASCII, Serial: line.DefaultSerial("/dev/x"), Timing: line.DefaultTiming,
		Stations: []line.Station{{Unit: 17, Name: "cistern", Timing: own}}}
	c := ConfigOf(l, Between)
	if c.Name != "Pump house" || c.Where != l.Where() || c.Seen != Between || !c.paced() || c.framingOnWire() != line.ASCII || c.timing(17) != own ||
		c.timing(18) != l.Timing || c.name(17) != "unit 17 (cistern)" || c.name(18) != "unit 18" || c.deviceMap(18) != nil {
		t.Errorf("%+v", c)
	}
}

// TestOtherRequests: functions without a table, and writes of several points.
func TestOtherRequests(t *testing.T) {
	s, g := heardWith(t, points+"  lag-start: {holding-register: 33, type: int16, scale: {times: 0.001}, units: m, write: {}}\n"+
		"  state: {holding-register: 34, type: bits, write: {by: mask}, bits: {0: a}}\n")
	g.answer(17, frame.Diagnose(frame.ClearCounters, 0), ms(20), 8, 0, 10, 0, 0)
	g.answer(17, frame.Diagnose(frame.ReturnBusMessageCount, 0), ms(20), 8, 0, 11, 0, 5)
	g.answer(17, frame.ReadDeviceID(1, 0), ms(20), 0x2B, 0x0E, 1, 1, 0, 0, 0)
	g.answer(17, frame.WriteRegisters(32, 1600, 2000), ms(20), 16, 0, 32, 0, 2)
	g.answer(17, frame.WriteRegisters(60, make([]uint16, 20)...), ms(20), 16, 0, 60, 0, 20)
	g.answer(17, frame.WriteCoils(7, true, false, true), ms(20), 15, 0, 7, 0, 3)
	g.answer(17, frame.WriteRegister(34, 1), ms(20), 6, 0, 34, 0, 1)
	want := []string{"diagnostics, clear counters and diagnostic register", "lead-start, lag-start -> 0640 07D0",
		"40061-40080 (address 60-79) -> 0000 0000 0000 0000 0000 0000 0000 0000 ...", "00008-00010 (address 7-9) -> 1 0 1", "state -> 0x0001"}
	got := s.Writes()
	if len(got) != len(want) {
		t.Fatalf("%d writes: %+v", len(got), got)
	}
	for i, w := range got {
		if text := w.words(); text != want[i] && (i != 0 || !strings.HasPrefix(text, "diagnostics, clear")) {
			t.Errorf("%q, want %q", text, want[i])
		}
	}
	if all := find(s, "outside-map"); len(all) != 2 { // the twenty registers and the coils
		t.Errorf("%s", codes(s))
	}
	ranges := s.Ranges()
	if len(ranges) != 7 || ranges[0].Function != frame.WriteSingleRegister || ranges[6].Function != frame.EncapsulatedInterface || ranges[6].words != "encapsulated interface transport" {
		t.Errorf("%+v", ranges)
	}
}

// TestRangesBeyond: what is not kept apart is counted together, named so, and
// the counts stay whole.
func TestRangesBeyond(t *testing.T) {
	s, g := start(t, serial())
	for i := range mostRowsOfUnit + 50 {
		g.read(17, regmap.HoldingRegister, regmap.Address(10*i), 4, ms(20))
	}
	for code := range byte(mostCodes + 3) {
		g.answer(17, frame.Read(regmap.HoldingRegister, 0, 4), ms(20), 0x83, code+1)
	}
	r := s.Ranges()
	last := r[len(r)-1]
	if len(r) != mostRowsOfUnit+1 || last.Count != 50 || last.words != "read holding registers, other ranges" || last.Quantity != 0 || last.Period != 0 {
		t.Errorf("%d ranges, the last %+v", len(r), last)
	}
	if n := len(find(s, "exception")); n != mostCodes {
		t.Errorf("%d exceptions of one range", n)
	}
	var out bytes.Buffer
	if err := s.WriteJSON(&out, s.Findings()); err != nil || !strings.Contains(out.String(), `"evidence":[{"exchange"`) {
		t.Error(err, out.String())
	}
	if err := s.WriteJSON(full{}, s.Findings()); !errors.Is(err, errFull) {
		t.Error(err)
	}
}

var errFull = errors.New("full")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errFull }

// TestOrderOfEvents: no order of exchanges, times going back and stamps
// missing makes it stumble.
func TestOrderOfEvents(t *testing.T) {
	dice := rand.New(rand.NewPCG(11, 11))
	s := New(serial(line.Station{Unit: 3, Map: loadMap(t, points)}))
	for i := range 3000 {
		stamp := func() decode.Stamp {
			if dice.IntN(4) == 0 {
				return decode.Stamp{}
			}
			return decode.Stamp{Steady: time.Duration(dice.Int64N(int64(24 * time.Hour)))}
		}
		x := &decode.Exchange{ID: decode.ID{Source: 1, Number: uint64(i)}, Framing: line.Framing(dice.IntN(4)), Unit: regmap.Unit(dice.IntN(5)), Tries: dice.IntN(3),
			Request: frame.Request{Function: frame.Function(dice.IntN(45)), Address: regmap.Address(dice.IntN(65536)), Quantity: dice.IntN(300) - 3},
			Cause:   regmap.Cause(dice.IntN(24)), Asked: stamp(), Left: stamp(), First: stamp(), Done: stamp(),
			Response: frame.Response{Function: 3, Exception: frame.Exception(dice.IntN(3)), Data: make([]byte, dice.IntN(9))}}
		if dice.IntN(3) > 0 {
			x.Sent = make([]byte, dice.IntN(12))
		}
		if dice.IntN(3) > 0 {
			x.Received = make([]byte, dice.IntN(12))
		}
		s.Add(decode.Event{At: stamp(), Exchange: x})
	}
	for _, f := range s.Findings() {
		if f.Words == "" || f.Code == "" || f.Subject == "" {
			t.Errorf("%+v", f)
		}
	}
	Report(s)
}
