package traffic

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// mixed feeds so many random exchanges and other events.
func mixed(g *stream, n int, seed uint64) {
	dice := rand.New(rand.NewPCG(seed, 7))
	for range n {
		u := regmap.Unit(1 + dice.IntN(5))
		a, count := regmap.Address(dice.IntN(40)), 1+dice.IntN(8)
		q := frame.Read(regmap.HoldingRegister, a, count)
		switch dice.IntN(12) {
		case 0:
			g.silent(u, q, ms(300))
		case 1:
			g.spoiled(u, q, ms(30), regmap.Checksum, 1, 2, 3)
		case 2:
			g.answer(u, q, ms(20), 0x83, byte(1+dice.IntN(12)))
		case 3:
			v := uint16(dice.IntN(65536))
			g.answer(u, frame.WriteRegister(a, v), ms(20), 6, 0, byte(a), byte(v>>8), byte(v))
		case 4:
			g.to(decode.Event{At: g.stamp(), Cycle: &decode.Cycle{Began: g.stamp(), Skipped: dice.IntN(2)}})
			g.to(decode.Event{At: g.stamp(), Line: &decode.LineState{Up: dice.IntN(2) == 0}})
			g.to(decode.Event{At: g.stamp(), Readings: []decode.Reading{{}}})
		case 5:
			g.to(decode.Event{At: g.stamp(), Finding: &decode.Finding{Code: "late-answer", Subject: subjectOf(u), Evidence: []decode.ID{{Source: 0x9f2c41d0, Number: uint64(dice.IntN(n))}}}})
		default:
			g.read(u, regmap.HoldingRegister, a, count, time.Duration(dice.ExpFloat64()*float64(30*time.Millisecond)), uint16(dice.IntN(65536)))
		}
		g.wait(time.Duration(dice.ExpFloat64() * float64(20*time.Millisecond)))
	}
}

// TestLookingChangesNothing: findings and reports taken along the way leave the
// same state as none, and both give the same again.
func TestLookingChangesNothing(t *testing.T) {
	for seed := range uint64(6) {
		c := serial(line.Station{Unit: 1, Map: loadMap(t, points)})
		c.Seen = Side(seed % 3)
		quiet, looked := New(c), New(c)
		dice := rand.New(rand.NewPCG(seed, 1))
		g := &stream{t: t, c: c, now: time.Hour, to: func(e decode.Event) {
			quiet.Add(e)
			looked.Add(e)
			if dice.IntN(120) == 0 {
				looked.Findings()
				Report(looked)
				Health(looked)
				looked.Ranges()
			}
		}}
		mixed(g, 600, seed)
		if a, b := quiet.Findings(), looked.Findings(); !reflect.DeepEqual(a, b) || len(a) == 0 || !reflect.DeepEqual(b, looked.Findings()) {
			t.Fatalf("seed %d: looking changed the findings", seed)
		}
		if !reflect.DeepEqual(Report(quiet), Report(looked)) || !reflect.DeepEqual(quiet.Ranges(), looked.Ranges()) {
			t.Fatalf("seed %d: looking changed the report", seed)
		}
		all := quiet.Findings()
		for i, f := range all[1:] {
			before := all[i]
			if f.Rank > before.Rank || f.Rank == before.Rank && f.Claim > before.Claim {
				t.Errorf("seed %d: %s (%s, %s) stands below %s (%s, %s)", seed, f.Code, f.Rank, f.Claim, before.Code, before.Rank, before.Claim)
			}
		}
	}
}

// TestCountsAddUp: what the units count is what was fed, and so are the ranges.
func TestCountsAddUp(t *testing.T) {
	var fed uint64
	s := New(serial())
	g := &stream{t: t, c: s.config, to: func(e decode.Event) {
		if e.Exchange != nil {
			fed++
		}
		s.Add(e)
	}}
	mixed(g, 3000, 9)
	var units, ranges, kinds, onTime uint64
	for u := range s.each {
		units += u.exchanges
		kinds += u.answered + u.excepted + u.silent.count + u.damage
		if u.whole.count != u.answered+u.excepted {
			t.Errorf("unit %d: %d answers, %d times", u.number, u.answered+u.excepted, u.whole.count)
		}
	}
	for _, r := range s.Ranges() {
		ranges += r.Count
	}
	for _, slot := range s.timeline.slots {
		onTime += uint64(slot.count)
	}
	if units != fed || ranges != fed || kinds != fed || onTime != fed || s.exchanges != fed {
		t.Errorf("fed %d; units %d, ranges %d, kinds %d, timeline %d, all %d", fed, units, ranges, kinds, onTime, s.exchanges)
	}
	if s.held > s.ends.Sub(s.began) || s.frames > s.held {
		t.Errorf("occupied %v, bytes %v of %v", s.held, s.frames, s.ends.Sub(s.began))
	}
}

// TestBounded: a client that wanders over all units, functions and addresses
// for a million exchanges does not make the state grow.
func TestBounded(t *testing.T) {
	s := New(Config{Framing: line.RTU, Serial: line.DefaultSerial(""), Seen: Between})
	dice := rand.New(rand.NewPCG(3, 3))
	data := make([]byte, 250)
	now := time.Duration(0)
	feed := func(n int) {
		for range n {
			x := &decode.Exchange{
				ID: decode.ID{Source: 1, Number: uint64(now)}, Framing: line.RTU, Unit: regmap.Unit(1 + dice.IntN(247)), Tries: 1,
				Request: frame.Read(regmap.HoldingRegister, regmap.Address(dice.IntN(65000)), 1+dice.IntN(125)), Sent: bytes.Clone(data[:8]),
			}
			x.Left.Steady, x.First.Steady, x.Done.Steady = now, now+ms(5), now+ms(20)
			switch dice.IntN(6) {
			case 0:
				x.Cause = regmap.Silent
			case 1:
				x.Cause, x.Response, x.Received = regmap.Excepted, frame.Response{Function: 3, Exception: frame.Exception(dice.IntN(256))}, bytes.Clone(data[:5])
			case 2:
				x.Request, x.Cause, x.Received = frame.WriteRegister(7, uint16(dice.IntN(9))), regmap.NoCause, bytes.Clone(data[:8])
			default:
				x.Cause, x.Received = regmap.NoCause, bytes.Clone(data)
				x.Response = frame.Response{Function: 3, Data: x.Received[:2*x.Request.Quantity]}
			}
			s.Add(decode.Event{Exchange: x})
			if dice.IntN(8) == 0 {
				s.Add(decode.Event{Finding: &decode.Finding{Code: "c", Subject: subjectOf(x.Unit), Evidence: []decode.ID{{Source: 2, Number: uint64(now)}}}})
			}
			now += ms(float64(25 + dice.IntN(10)))
		}
	}
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	empty := heap()
	feed(100_000)
	early := heap()
	feed(400_000)
	before := heap()
	feed(500_000)
	all := heap()
	if grown := int64(all) - int64(before); grown > 1<<20 || all-empty > 16<<20 {
		t.Errorf("500,000 exchanges more took %d bytes more; in all %d, after 100,000 %d", grown, all-empty, early-empty)
	}
	if len(s.rows) > mostRows+2*256 || len(s.told.list) > mostTold || len(s.told.pending) > mostPending || len(s.writes.list()) > firstWrites+latestWrites {
		t.Errorf("%d rows, %d told, %d pending, %d writes", len(s.rows), len(s.told.list), len(s.told.pending), len(s.writes.list()))
	}
	for u := range s.each {
		if n := len(u.silent.exchanges()); n > mostEvidence {
			t.Errorf("unit %d keeps %d silent exchanges", u.number, n)
		}
	}
	for _, r := range s.rows {
		if len(r.codes) > mostCodes {
			t.Errorf("%d codes of one range", len(r.codes))
		}
	}
	for _, f := range s.Findings() {
		if len(f.Evidence) > 2*mostEvidence {
			t.Errorf("%s rests on %d exchanges", f.Code, len(f.Evidence))
		}
	}
	if s.exchanges != 1_000_000 {
		t.Errorf("%d exchanges", s.exchanges)
	}
}

// TestSteadyStateAllocatesNothing: once its ranges are known an exchange costs
// no memory.
func TestSteadyStateAllocatesNothing(t *testing.T) {
	s, g := start(t, serial())
	x := g.read(17, regmap.HoldingRegister, 0, 10, ms(20))
	y := g.silent(17, x.Request, ms(300))
	for range 200 {
		s.Add(decode.Event{Exchange: x})
		s.Add(decode.Event{Exchange: y})
	}
	if n := testing.AllocsPerRun(1000, func() { s.Add(decode.Event{Exchange: x}); s.Add(decode.Event{Exchange: y}) }); n != 0 {
		t.Errorf("%v allocations for two exchanges", n)
	}
}

// cistern is a line with much the matter, for the golden report.
func sick(t *testing.T) *State {
	c := serial(line.Station{Unit: 17, Name: "cistern", Map: loadMap(t, points)}, line.Station{Unit: 18, Name: "dosing"})
	c.Seen = Between
	s, g := start(t, c)
	for i := range 120 {
		g.read(17, regmap.InputRegister, 0, 4, ms(20+float64(i%7)), uint16(4000+i), 0x4146, 0x6666, 0)
		g.wait(ms(20))
		g.read(17, regmap.InputRegister, 4, 2, ms(22))
		g.wait(ms(20))
		switch {
		case i == 60:
			g.answer(17, frame.WriteRegister(32, 1800), ms(20), 6, 0, 32, 7, 8)
		case i%40 == 5:
			g.answer(17, frame.Read(regmap.HoldingRegister, 60, 4), ms(20), 0x83, 2)
		case i%8 == 3 || i > 110:
			g.silent(18, frame.Read(regmap.HoldingRegister, 0, 9), ms(300))
		case i%8 == 4:
			g.spoiled(18, frame.Read(regmap.HoldingRegister, 0, 9), ms(40), regmap.Checksum, 0x12, 0x03, 0x12, 0xFF)
		default:
			g.read(18, regmap.HoldingRegister, 0, 9, ms(120+float64(i)))
		}
		g.wait(ms(500))
	}
	return s
}

// TestReportGolden: the same document as text, HTML and JSON lines.
func TestReportGolden(t *testing.T) {
	s := sick(t)
	for name, doc := range map[string]paper.Document{"report.txt": Report(s), "health.txt": Health(s)} {
		var out bytes.Buffer
		if err := paper.WriteText(&out, doc, 100); err != nil {
			t.Fatal(err)
		}
		golden(t, name, out.String())
	}
	var lines bytes.Buffer
	if err := s.WriteJSON(&lines, s.Findings()); err != nil {
		t.Fatal(err)
	}
	golden(t, "findings.jsonl", lines.String())
	var page bytes.Buffer
	if err := paper.Write(&page, Report(s), paper.HTML); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<svg", "silent-unit", "12 03 00 00 00 09", "torn-value", "Share of the time in which the line was occupied"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("%q is not in the page", want)
		}
	}
}

// TestPicturesStayInside: every bar stands within its picture.
func TestPicturesStayInside(t *testing.T) {
	for name, s := range map[string]*State{"sick": sick(t), "empty": New(Config{})} {
		for _, p := range []paper.Picture{s.latencies(), s.occupation()} {
			bars := 0
			for _, shape := range p.Shapes {
				if r, ok := shape.(paper.Rect); ok {
					bars++
					if r.X < plotLeft || r.X+r.Width > pictureWidth || r.Y < plotTop-0.01 || r.Y+r.Height > plotBottom+0.01 {
						t.Errorf("%s, %s: %+v", name, p.Title, r)
					}
				}
			}
			if (bars == 0) != (name == "empty") {
				t.Errorf("%s has %d bars", name, bars)
			}
			if err := paper.WriteSVG(new(bytes.Buffer), p); err != nil {
				t.Error(err)
			}
		}
	}
}
