package traffic

import (
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// TestPauseMeasured: a unit that fails when it is asked 5 ms after another
// one's answer and is right 10 ms after it. Source: trade.md 2.4, [L16].
func TestPauseMeasured(t *testing.T) {
	s, g := start(t, serial())
	for i := range 60 {
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		if i%2 == 0 {
			g.wait(ms(5))
			g.silent(18, frame.Read(regmap.HoldingRegister, 0, 4), ms(300))
		} else {
			g.wait(ms(10))
			g.read(18, regmap.HoldingRegister, 0, 4, ms(20))
		}
		g.wait(ms(200))
	}
	f := one(t, s, "pause-short")
	if f.Subject != "unit 18" || f.Claim != decode.Likely || !f.Trouble() || len(f.Exchanges) == 0 {
		t.Errorf("%+v", f)
	}
	says(t, f, "with at most 5 ms of silence 30 of 30 first tries failed, with 10 ms or more 0 of 30", "set pause: 10 ms")
}

// TestPauseGuessed: always 5 ms behind the other, always failing there, and
// right behind itself: a hint, twice the silence.
func TestPauseGuessed(t *testing.T) {
	s, g := start(t, serial())
	for range 20 {
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		g.wait(ms(5))
		g.spoiled(18, frame.Read(regmap.HoldingRegister, 0, 4), ms(30), regmap.Checksum, 0x12, 0x83)
		g.wait(ms(5))
		g.read(18, regmap.HoldingRegister, 4, 4, ms(20))
		g.wait(ms(200))
	}
	f := one(t, s, "pause-short")
	if f.Claim != decode.Hint || f.Subject != "unit 18" {
		t.Errorf("%+v", f)
	}
	says(t, f, "20 of 20 first tries", "not when it was asked itself before (0 of 20)", "try pause: 10 ms")
}

// TestPauseIsNotBlamedForLoss: failures that do not depend on the silence.
func TestPauseIsNotBlamedForLoss(t *testing.T) {
	s, g := start(t, serial())
	for i := range 400 {
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		g.wait(ms(3 + float64(i*7%13)))
		if i%10 == 0 {
			g.silent(18, frame.Read(regmap.HoldingRegister, 0, 4), ms(300))
		} else {
			g.read(18, regmap.HoldingRegister, 0, 4, ms(20))
		}
		g.wait(ms(100))
	}
	none(t, s, "pause-short")
}

// TestPauseByRepeats: this program repeats what failed, so a short pause shows
// as repeats that are answered.
func TestPauseByRepeats(t *testing.T) {
	c := serial()
	c.Timing.Pause = ms(3)
	c.Timing.Retries = 2
	s, g := start(t, c)
	for i := range 60 {
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		g.wait(ms([]float64{3, 20}[i%2]))
		x := g.begin(18, frame.Read(regmap.HoldingRegister, 0, 1))
		if i%2 == 0 {
			x.Tries = 2
			g.wait(ms(350))
		}
		x.Left = g.stamp()
		g.wait(ms(10))
		x.First, x.Done, x.Cause = g.stamp(), g.stamp(), regmap.NoCause
		x.Received = []byte{18, 3, 2, 0, 0, 0, 0}
		x.Response = frame.Response{Function: 3, Data: []byte{0, 0}}
		g.give(x)
		g.wait(ms(100))
	}
	says(t, one(t, s, "pause-short"), "30 of 30 first tries failed", "0 of 30", "set pause: 20 ms")
	says(t, one(t, s, "repeated-requests"), "30 requests to unit 18 were repeats (50.0 %", "30 of 30 first tries")
}

func TestSilentUnits(t *testing.T) {
	s, g := start(t, serial(line.Station{Unit: 18, Name: "dosing"}))
	for i := range 10 {
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		g.wait(ms(20))
		if i < 4 {
			g.read(18, regmap.HoldingRegister, 0, 4, ms(20))
		} else {
			g.silent(18, frame.Read(regmap.HoldingRegister, 0, 4), ms(300))
		}
		g.silent(19, frame.Read(regmap.HoldingRegister, 0, 4), ms(300))
		g.wait(ms(500))
	}
	all := find(s, "silent-unit")
	if len(all) != 2 || all[0].Subject != "unit 19" || all[1].Subject != "unit 18" {
		t.Fatalf("%+v", all)
	}
	says(t, all[0], "unit 19 never answered: 10 requests since 2026-11-02T13:00:00Z", "the others answer")
	says(t, all[1], "unit 18 (dosing) does not answer since", "the last 6 requests of 10", "heard last at")
	none(t, s, "unanswered", "retries-few")

	alone, g := start(t, serial())
	for range 3 {
		g.silent(17, frame.Read(regmap.HoldingRegister, 0, 4), ms(300))
	}
	says(t, one(t, alone, "silent-unit"), "nobody answers", "swap them once")
}

func TestDamagedAnswers(t *testing.T) {
	s, g := start(t, serial())
	q := frame.Read(regmap.HoldingRegister, 0, 2)
	for i := range 100 {
		switch {
		case i%10 == 1:
			g.spoiled(18, q, ms(30), regmap.Checksum, 0x12, 0x03, 0x04, 0xFF)
		case i%10 == 2:
			g.spoiled(18, q, ms(30), regmap.CutOff, 0x12, 0x03)
		default:
			g.read(18, regmap.HoldingRegister, 0, 2, ms(20))
		}
		g.wait(ms(20))
		g.read(17, regmap.HoldingRegister, 0, 2, ms(20))
		g.wait(ms(20))
	}
	f := one(t, s, "damaged-answers")
	says(t, f, "20 answers of unit 18 could not be used (20.0 %): 10 damaged, 10 cut off", "60 ohm")
	says(t, one(t, s, "two-stations"), "20.0 % of the answers of unit 18 are damaged, of all others 0 %")
	if find(s, "two-stations")[0].Claim != decode.Hint {
		t.Error("one sign alone is a hint")
	}
	// A second sign makes it likely.
	s.Add(decode.Event{Finding: &decode.Finding{Code: "answered-twice", Subject: "unit 18", Words: "x", Evidence: []decode.ID{{Source: 0x9f2c41d0, Number: 3}}}})
	if f := one(t, s, "two-stations"); f.Claim != decode.Likely || f.Rank != Wrong {
		t.Errorf("%+v", f)
	}
}

func TestEcho(t *testing.T) {
	s, g := start(t, serial())
	q := frame.Read(regmap.HoldingRegister, 0, 2)
	for range 5 {
		x := g.begin(17, q)
		g.wait(ms(5))
		x.Done, x.Cause, x.Received = g.stamp(), regmap.Mismatch, append(append([]byte{}, x.Sent...), 1)
		g.give(x)
	}
	if f := one(t, s, "echo"); f.Claim != decode.Likely || f.Exchanges[0].ID.Number != 1 {
		t.Errorf("%+v", f)
	}
}

// TestExceptions: the likely cause for this request. Codes: V1.1b3, 7.
func TestExceptions(t *testing.T) {
	refused := func(g *stream, u regmap.Unit, q frame.Request, code byte) {
		g.answer(u, q, ms(20), byte(q.Function)|0x80, code)
		g.wait(ms(20))
	}
	in, holding := regmap.InputRegister, regmap.HoldingRegister
	for name, v := range map[string]struct {
		before func(g *stream)
		q      frame.Request
		code   byte
		want   string
	}{
		"end of the range":   {func(g *stream) { g.read(17, in, 96, 4, ms(20)) }, frame.Read(in, 96, 5), 2, "4 from the same address are answered, 5 are not"},
		"past the end":       {func(g *stream) { g.read(17, in, 90, 10, ms(20)) }, frame.Read(in, 96, 8), 2, "up to address 99 the station answers"},
		"reference sent":     {nil, frame.Read(holding, 40001, 2), 2, "looks like a reference number"},
		"not in the map":     {nil, frame.Read(in, 500, 2), 2, "map has not all of these addresses either"},
		"map and not there":  {nil, frame.Read(in, 0, 2), 2, "the map has all of these addresses, the station has not"},
		"too long":           {func(g *stream) { g.read(17, in, 0, 32, ms(20)) }, frame.Read(in, 0, 64), 3, "32 items at a time are answered, 64 are not"},
		"too long, no other": {nil, frame.Read(in, 0, 64), 3, "ask for fewer items"},
		"busy":               {nil, frame.Read(in, 0, 2), 6, "ask less often"},
		"no path":            {nil, frame.Read(in, 0, 2), 10, "gateway has no way to this unit"},
		"behind the gateway": {nil, frame.Read(in, 0, 2), 11, "the device behind it stayed silent"},
		"only the other":     {func(g *stream) { g.answer(17, frame.WriteRegisters(3, 7), ms(20), 16, 0, 3, 0, 1) }, frame.WriteRegister(3, 7), 1, "whichever it has"},
		"no function":        {nil, frame.MaskWrite(3, 1, 1), 1, "(22, 0x16)"},
		"failure":            {nil, frame.Read(in, 0, 2), 4, "tried and failed"},
	} {
		s, g := start(t, serial(line.Station{Unit: 17, Map: loadMap(t, "  a: {input-register: 0, type: uint32}\n")}))
		if v.before != nil {
			v.before(g)
		}
		refused(g, 17, v.q, v.code)
		all := find(s, "exception")
		if len(all) != 1 || all[0].Claim != decode.Settled || !all[0].Trouble() {
			t.Errorf("%s: %s", name, codes(s))
			continue
		}
		t.Run(name, func(t *testing.T) { says(t, all[0], v.want, "1 of 1 times") })
	}
}

func TestTwoClients(t *testing.T) {
	// Interleaved polling with one period, heard on the pair.
	c := serial()
	c.Seen = Between
	s, g := start(t, c)
	for range 20 {
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		g.wait(ms(200))
		g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
		g.wait(ms(700))
	}
	if f := one(t, s, "two-clients"); f.Claim != decode.Hint {
		t.Errorf("turns alone: %+v", f)
	}
	// A request inside another's wait.
	x := g.begin(17, frame.Read(regmap.HoldingRegister, 0, 4))
	g.wait(ms(100))
	x.Done, x.Cause = decode.Stamp{Wall: day, Steady: g.now + ms(200)}, regmap.Silent
	g.give(x)
	g.read(17, regmap.HoldingRegister, 9, 4, ms(20))
	says(t, one(t, s, "two-clients"), "1 request began before the one before was over", "1 range of 1 are asked in turns")

	// One count of transactions is one client, two are two.
	for n, want := range map[int]int{1: 0, 2: 1} {
		c = Config{Framing: line.MBAP, Seen: Between}
		s, g = start(t, c)
		next := []uint64{99, 40000}
		for i := range 100 {
			k := i % n
			next[k]++
			g.number = next[k]
			g.read(1, regmap.HoldingRegister, regmap.Address(10*k), 4, ms(5))
			g.wait(ms(50 + float64(i%3)))
		}
		if got := len(find(s, "two-clients")); got != want {
			t.Errorf("%d counts: %s", n, codes(s))
		}
	}
	// Sixteen open at once come out of order, in one count.
	s, g = start(t, Config{Framing: line.MBAP, Seen: Between})
	for i := range uint64(400) {
		g.number = 65500 + i/4*4 + []uint64{2, 0, 3, 1}[i%4]
		g.read(1, regmap.HoldingRegister, 0, 4, ms(5))
	}
	none(t, s, "two-clients")
}

func TestEarly(t *testing.T) {
	c := serial()
	c.Seen = Between
	s, g := start(t, c)
	gap := frame.Gap35(c.Serial)
	for i := range 100 {
		early := i%2 == 0
		d := 2 * gap
		if early {
			d = gap / 2
		}
		g.read(17, regmap.HoldingRegister, 0, 4, d)
		g.wait(d)
	}
	f := one(t, s, "answer-too-early")
	says(t, f, "50 answers of unit 17 began less than 3.5 characters (2.01 ms)")
	if f.Claim != decode.Likely {
		t.Error(f.Claim)
	}
	says(t, one(t, s, "request-too-early"), "50 requests of 99")

	c.Serial = line.Serial{} // without the speed nothing can be said
	s, g = start(t, c)
	for range 50 {
		g.read(17, regmap.HoldingRegister, 0, 4, 0)
	}
	none(t, s, "answer-too-early", "request-too-early", "too-fast")
}

// TestTooFast: what a panel asks over a network would not fit the serial line
// that the map is for; a line that is only full is a hint.
func TestTooFast(t *testing.T) {
	c := serial()
	c.Framing, c.Seen = line.MBAP, Station
	s, g := start(t, c)
	for range 100 {
		g.read(17, regmap.HoldingRegister, 0, 125, ms(1))
		g.wait(ms(99))
	}
	// 154.7 ms each at 19200 (trade.md 6) every 100 ms.
	f := one(t, s, "too-fast")
	says(t, f, "needs 155 %")
	if f.Claim != decode.Settled || !f.Trouble() {
		t.Errorf("%+v", f)
	}
	s, g = start(t, c)
	for range 100 {
		g.read(17, regmap.HoldingRegister, 0, 10, ms(1))
		g.wait(ms(99))
	}
	none(t, s, "too-fast")

	own, _ := start(t, serial())
	own.Add(decode.Event{At: decode.Stamp{Steady: 3 * time.Second}, Cycle: &decode.Cycle{Number: 1, Skipped: 2}})
	says(t, one(t, own, "cycles-left-out"), "2 cycles of 3 were left out", "the longest took 3 s")
	if !Trouble(own.Findings()) {
		t.Error("two cycles of three are trouble")
	}
	for n := range uint64(300) {
		own.Add(decode.Event{At: decode.Stamp{Steady: time.Second}, Cycle: &decode.Cycle{Number: n + 2, Began: decode.Stamp{Steady: time.Second}}})
	}
	if one(t, own, "cycles-left-out"); Trouble(own.Findings()) {
		t.Error("two cycles of 300 are not")
	}
}

func TestPort(t *testing.T) {
	s, g := start(t, serial())
	g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
	state := func(up bool, after time.Duration) {
		g.wait(after)
		s.Add(decode.Event{At: g.stamp(), Line: &decode.LineState{Up: up, Why: "hang-up"}})
	}
	state(true, 0)
	none(t, s, "line-down")
	state(false, time.Second)
	if f := one(t, s, "line-down"); f.Rank != Wrong {
		t.Errorf("%+v", f)
	}
	state(true, 12*time.Second)
	says(t, one(t, s, "line-down"), "lost 1 time (hang-up); it was away for 12 s in all")
	s.exchange(&decode.Exchange{Unit: 17, Cause: regmap.PortGone})
	if s.unsent != 1 || s.exchanges != 1 {
		t.Error("a request that did not leave is no exchange of the unit")
	}
	s.Count(Counts{Unasked: 20, Noise: 7})
	if f := one(t, s, "unasked-bytes"); f.Claim != decode.Likely {
		t.Errorf("%+v", f)
	}
}

// TestTold: findings that come with the stream, once each, with the exchanges
// they name, whether those come before or after.
func TestTold(t *testing.T) {
	s, g := start(t, serial())
	g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
	id := func(n uint64) decode.ID { return decode.ID{Source: 0x9f2c41d0, Number: n} }
	for range 3 {
		s.Add(decode.Event{Finding: &decode.Finding{Code: "late-answer", Subject: "unit 17", Claim: decode.Settled, Words: "late", Evidence: []decode.ID{id(1), id(2)}}})
	}
	if f := one(t, s, "late-answer"); len(f.Evidence) != 2 || f.Exchanges != nil {
		t.Errorf("before the second came: %+v", f)
	}
	g.read(17, regmap.HoldingRegister, 0, 4, ms(20))
	f := one(t, s, "late-answer")
	says(t, f, "late (3 times, this is the last)")
	if len(f.Exchanges) != 2 || f.Exchanges[1].ID != id(2) || f.Rank != Wrong {
		t.Errorf("%+v", f)
	}
}
