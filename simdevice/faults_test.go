package simdevice

import (
	"bytes"
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// meansPlainly reads values in tests; the program's own reader is on another
// floor.
func meansPlainly(p *regmap.Point, text string) (regmap.Value, error) {
	if on, ok := onWords[text]; ok && p.Type == regmap.TypeBool {
		return regmap.BoolValue(on), nil
	}
	if p.Type == regmap.TypeString {
		return regmap.TextValue(text), nil
	}
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		return regmap.Value{}, fmt.Errorf("%q is no number", text)
	}
	return regmap.ExactValue(r), nil
}

const troubled = `
device: Cistern transfer station
points:
  level: {input-register: 0, type: uint16, scale: {raw: [0, 30000], value: [0, 3.00]}, units: m}
  flow: {input-register: 2, type: float32, units: m3/h}
  total: {input-register: 4, type: uint32, counter: true}
  starts: {input-register: 6, type: uint16, scale: {times: 2}, counter: true}
  run: {discrete-input: 0}
  pump: {coil: 0, write: {}}
  state: {holding-register: 16, type: bits, bits: {0: pump-1-running, 1: {name: healthy, active: 0}}}
  lead-start: {holding-register: 32, type: int16, scale: {times: 0.001}, units: m, write: {min: 0.50, max: 2.50}}
  tag: {holding-register: 41, type: string, length: 4}
simulate: {points: {level: {constant: 1.20}, flow: {start: 4.0}, total: {start: 70000}, starts: {start: 20}, lead-start: {start: 1.6}}}
`

func faultsOf(t testing.TB, s *Station) *Faults {
	t.Helper()
	f := NewFaults(s, meansPlainly, 7, func(line string, err error) { t.Errorf("%s: %v", line, err) })
	t.Cleanup(f.Stop)
	return f
}

// done does lines that must be understood.
func done(t testing.TB, f *Faults, lines ...string) (last Change) {
	t.Helper()
	for _, l := range lines {
		var err error
		if last, err = f.Do(l); err != nil {
			t.Fatalf("%s: %v", l, err)
		}
	}
	return last
}

// Each verb changes the answer as its words say, and after release the answer
// is the unit's own again. The registers are reckoned by hand from the map.
func TestFaultsOfPoints(t *testing.T) {
	const level, flow, total, starts = "04 00 00 00 01", "04 00 02 00 02", "04 00 04 00 02", "04 00 06 00 01"
	for _, row := range []struct{ lines, pdu, want, own string }{
		{"level = 2.70", level, "04 02 69 78", "04 02 2E E0"}, // 27000 of 12000
		{"level = 2.70; level = 0.30 m", level, "04 02 0B B8", "04 02 2E E0"},
		{"run = on", "02 00 00 00 01", "02 01 01", "02 01 00"},
		{"state.pump-1-running = on", "03 00 10 00 01", "03 02 00 01", "03 02 00 00"},
		{"state.pump-1-running = on; state.healthy = off", "03 00 10 00 01", "03 02 00 03", "03 02 00 00"},
		{"tag = AB C", "03 00 29 00 02", "03 04 41 42 20 43", "03 04 00 00 00 00"},
		{"swap flow", flow, "04 04 00 00 40 80", "04 04 40 80 00 00"},
		{"span level 0..6.00", level, "04 02 17 70", "04 02 2E E0"}, // 1.20 of 6.00 is a fifth of the signal, 6000
		{"jump level by 0.10", level, "04 02 2A F8|04 02 32 C8", "04 02 2E E0"},
		{"wrap total", total, "04 04 FF FF FF FF", "04 04 00 01 11 70"},
		{"reset total", total, "04 04 00 00 00 00", "04 04 00 01 11 70"},
		{"wrap starts", starts, "04 02 FF FF", "04 02 00 0A"},
	} {
		s := stationOf(t, troubled, Options{})
		f := faultsOf(t, s)
		c := done(t, f, strings.Split(row.lines, "; ")...)
		if got := ask(t, s, testUnit, row.pdu); !strings.Contains(row.want, got) || got == "" {
			t.Errorf("%s: answer %q, want %q", row.lines, got, row.want)
		}
		if c.Words == "" || len(f.Seen()) == 0 {
			t.Errorf("%s: said %q, on are %q", row.lines, c.Words, f.Seen())
		}
		done(t, f, "release all")
		wants(t, s, row.pdu, row.own)
		if len(f.Seen()) != 0 || s.hooks.Load().Bank != nil {
			t.Errorf("%s: after release %q is on", row.lines, f.Seen())
		}
	}
}

// A held point stands still whatever drives it; what clients may write is
// stored once and theirs again.
func TestFaultsHoldOrStore(t *testing.T) {
	s := stationOf(t, troubled, Options{})
	f := faultsOf(t, s)
	done(t, f, "level = 2.70")
	if err := s.Step(time.Second); err != nil { // puts the constant back
		t.Fatal(err)
	}
	wants(t, s, "04 00 00 00 01", "04 02 69 78")
	done(t, f, "lead-start = 2.000")
	wants(t, s, "03 00 20 00 01", "03 02 07 D0")
	wants(t, s, "06 00 20 04 00", "06 00 20 04 00")
	wants(t, s, "03 00 20 00 01", "03 02 04 00")
	done(t, f, "freeze level", "release level")
	wants(t, s, "04 00 00 00 01", "04 02 2E E0")
	// Frozen is as it is shown.
	done(t, f, "level = 0.30", "freeze level", "freeze flow")
	if err := s.Bank(testUnit).Publish(Set{s.Bank(testUnit).Map().Point("flow"), number(t, "8")}); err != nil {
		t.Fatal(err)
	}
	wants(t, s, "04 00 00 00 01", "04 02 0B B8")
	wants(t, s, "04 00 02 00 02", "04 04 40 80 00 00")
}

// A counter that is about to roll over goes on from there.
func TestFaultsWrapGoesOn(t *testing.T) {
	s := stationOf(t, troubled, Options{})
	f := faultsOf(t, s)
	done(t, f, "wrap total")
	b := s.Bank(testUnit)
	if err := b.Publish(Set{b.Map().Point("total"), number(t, "70003")}); err != nil {
		t.Fatal(err)
	}
	wants(t, s, "04 00 04 00 02", "04 04 00 00 00 02")
	v := b.Map().Point("total")
	p, _, _ := v.Increase(regmap.UintValue(1<<32-1), regmap.UintValue(2), nil)
	if p.RatString() != "3" {
		t.Errorf("a counter of 32 bits counted %s", p.RatString())
	}
}

// A torn value: the first register is that of the read before.
func TestFaultsTear(t *testing.T) {
	s := stationOf(t, troubled, Options{})
	f := faultsOf(t, s)
	done(t, f, "tear total")
	b := s.Bank(testUnit)
	total := b.Map().Point("total")
	for _, row := range []struct{ holds, want string }{
		{"65535", "04 04 00 00 FF FF"}, {"65536", "04 04 00 00 00 00"}, {"65536", "04 04 00 01 00 00"},
	} {
		if err := b.Publish(Set{total, number(t, row.holds)}); err != nil {
			t.Fatal(err)
		}
		wants(t, s, "04 00 04 00 02", row.want)
	}
}

// Faults of whole answers, in their scope and nowhere else.
func TestFaultsOfAnswers(t *testing.T) {
	for _, row := range []struct{ line, pdu, want, other, own string }{
		{"silence", "04 00 00 00 01", "", "03 00 20 00 01", ""},
		{"silence 17 of function 03", "03 00 20 00 01", "", "04 00 00 00 01", "04 02 2E E0"},
		{"silence touching flow", "04 00 03 00 01", "", "04 00 00 00 01", "04 02 2E E0"},
		{"exceptions 06 on unit 17", "04 00 00 00 01", "84 06", "06 00 20 04 00", "86 06"},
		{"exceptions 0B of function 04", "04 00 00 00 01", "84 0B", "03 00 20 00 01", "03 02 06 40"},
		{"shift by 1", "04 00 01 00 02", "04 04 40 80 00 00", "06 00 1F 04 00", "06 00 1F 04 00"},
		{"shift by -1", "04 00 01 00 01", "04 02 2E E0", "04 00 00 00 01", "84 02"},
		{"shift by 1 of function 17", "17 00 1F 00 01 00 1F 00 01 02 04 00", "17 02 04 00", "04 00 00 00 01", "04 02 2E E0"},
	} {
		s := stationOf(t, troubled, Options{})
		f := faultsOf(t, s)
		done(t, f, row.line)
		if got := ask(t, s, testUnit, row.pdu); got != row.want {
			t.Errorf("%s: answer %q, want %q", row.line, got, row.want)
		}
		if got := ask(t, s, testUnit, row.other); got != row.own {
			t.Errorf("%s: the other answer is %q, want %q", row.line, got, row.own)
		}
		done(t, f, "release all")
		wants(t, s, "04 00 00 00 01", "04 02 2E E0")
	}
}

// Writes beyond limits are met in all four ways, whatever the map says.
func TestFaultsOutside(t *testing.T) {
	const write, read = "06 00 20 0B B8", "03 00 20 00 01" // 3.000 where 2.50 is the most
	for how, want := range map[string][2]string{
		"limit": {write, "03 02 09 C4"}, "ignore": {write, "03 02 06 40"}, "accept": {write, "03 02 0B B8"}, "refuse": {"86 04", "03 02 06 40"},
	} {
		s := stationOf(t, troubled, Options{})
		f := faultsOf(t, s)
		done(t, f, "outside "+how)
		wants(t, s, write, want[0])
		wants(t, s, read, want[1])
		done(t, f, "release outside")
		wants(t, s, write, write)
		wants(t, s, read, "03 02 09 C4")
	}
}

// Times, before and behind a line.
func TestFaultsTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, troubled, Options{})
		f := faultsOf(t, s)
		done(t, f, "after 10s silence 17 for 30s", "exceptions 06 for 5s", "outside refuse for 5s", "clients 1 for 5s")
		for _, row := range []struct {
			at   time.Duration
			want string
		}{{0, "84 06"}, {4, "84 06"}, {6, "04 02 2E E0"}, {9, "04 02 2E E0"}, {11, ""}, {39, ""}, {41, "04 02 2E E0"}} {
			time.Sleep(row.at*time.Second - time.Since(began(t)))
			synctest.Wait()
			if got := ask(t, s, testUnit, "04 00 00 00 01"); got != row.want {
				t.Errorf("at %d s: %q, want %q", row.at, got, row.want)
			}
		}
		if s.outside.Load() != nil || s.refuse.Load() != 0 || len(f.Seen()) != 0 {
			t.Error("a fault outlasts its time")
		}
		done(t, f, "after 10s silence", "silence for 1h")
		f.Stop()
		time.Sleep(time.Minute)
		wants(t, s, "04 00 00 00 01", "04 02 2E E0")
		if _, err := f.Do("silence"); !errors.Is(err, ErrLine) {
			t.Errorf("after the end: %v", err)
		}
	})
}

// began is the beginning of time in a bubble.
func began(*testing.T) time.Time { return time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) }

// By chance, and the same again with the same seed.
func TestFaultsChance(t *testing.T) {
	run := func() (out string) {
		s := stationOf(t, troubled, Options{})
		f := faultsOf(t, s)
		done(t, f, "silence with 25%", "jump level by 0.10 with 50%")
		for range 400 {
			out += ask(t, s, testUnit, "04 00 00 00 01") + ";"
		}
		return out
	}
	one := run()
	if one != run() {
		t.Error("the same seed gives other faults")
	}
	for part, want := range map[string][2]int{";;": {40, 160}, "04 02 2A F8": {30, 130}, "04 02 32 C8": {30, 130}, "04 02 2E E0": {90, 220}} {
		if n := strings.Count(";"+one, part); n < want[0] || n > want[1] {
			t.Errorf("%q came %d times of 400", part, n)
		}
	}
}

// What is wrong in a line is said with what is allowed.
func TestFaultLinesRefused(t *testing.T) {
	s := stationOf(t, troubled, Options{})
	f := faultsOf(t, s)
	for line, want := range map[string]string{
		"": "the line ends where a point or a verb", "freez level": "did you mean freeze", "levl = 3": "did you mean level",
		"level =": "a value should be", "level = high": "is no number", "level = 400": "level", "freeze": "a point should be",
		"silence 18": "unit 18 is not here", "silence for": "a time should be", "silence for 10": "no time", "silence for 1s for 1s": "given twice",
		"silence with 200%": "no percentage", "exceptions 0C": "codes are 01 to 0B", "exceptions": "an exception should be", "shift 1": "by is wanted",
		"shift by 70000": "outside -65535 to 65535", "outside bend": "none of limit", "clients 0": "outside 1 to", "fault answers: dely 1s": "verb",
		"fault requests: drop": "of answers", "fault": "a rule is wanted", "release pump": "no fault is on pump", "release unit 300": "no unit",
		"span flow 0..4": "no scale with two ends", "span level 4..4": "ends of a span differ", "span level 4": "no number", "tear level": "one register",
		"wrap flow": "counters that roll over", "silence please": "is not understood here", "after silence": "no time", "jump level": "by is wanted",
		"jump tag by 1": "text", "wrap level for 1s with 5%": "not understood here", strings.Repeat("x", 5000): "5000 bytes",
	} {
		before := fmt.Sprint(f.Seen())
		if _, err := f.Do(line); err == nil || !errors.Is(err, ErrLine) || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: %v; want %q in it", line, err, want)
		}
		if got := fmt.Sprint(f.Seen()); got != before {
			t.Errorf("%.40q: refused, yet %s is on", line, got)
		}
	}
}

// The rules of the fault language work on the answers of each connection, and
// what is observed is what left.
func TestFaultRules(t *testing.T) {
	good := "00 01 00 00 00 05 11 04 02 2E E0"
	for _, row := range []struct {
		rule, want string
		cause      regmap.Cause
		took       time.Duration
	}{
		{"answers: delay 300ms", good, regmap.NoCause, 300 * time.Millisecond},
		{"answers: drop", "", regmap.Silent, 0},
		{"answers: deliver 4 bytes", "00 01 00 00", regmap.Mismatch, 0},
		{"answers: duplicate after 10ms", good + " " + good, regmap.Mismatch, 10 * time.Millisecond},
		{"answers: split 2 gap 5ms", good, regmap.NoCause, 5 * time.Millisecond},
		{"answers: answer-as transaction 9", "00 09 00 00 00 05 11 04 02 2E E0", regmap.NoCause, 0},
		{"answers of unit 18: drop", good, regmap.NoCause, 0},
		{"answers: stall for 2s", good, regmap.NoCause, 2 * time.Second},
	} {
		synctest.Test(t, func(t *testing.T) {
			var w watched
			s := stationOf(t, troubled, Options{Observe: w.see})
			f := faultsOf(t, s)
			done(t, f, "fault "+row.rule)
			c := served(t, s, line.MBAP)
			c.send(mbap(1, pdu(4, 0, 1)...)...)
			time.Sleep(10 * time.Second)
			c.wants(row.want)
			if len(w.all) != 1 || w.all[0].Cause != row.cause || w.all[0].Done.Sub(w.all[0].Left) != row.took {
				t.Errorf("%s: observed %+v", row.rule, w.all[0])
			}
			done(t, f, "release fault")
			c.send(mbap(1, pdu(4, 0, 1)...)...)
			c.wants(good)
		})
	}
}

// Ends of connections by rule: a client is told, or not.
func TestFaultRulesEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, troubled, Options{})
		f := faultsOf(t, s)
		done(t, f, "fault answers: close fin once from 2")
		c := served(t, s, line.MBAP)
		c.send(mbap(1, pdu(4, 0, 1)...)...)
		c.wants("00 01 00 00 00 05 11 04 02 2E E0")
		c.send(mbap(2, pdu(4, 0, 1)...)...)
		c.wants("00 02 00 00 00 05 11 04 02 2E E0")
		c.wantsEnd(nil)
		if s.Counts().Broken != 0 {
			t.Error("the client is blamed for it")
		}
		done(t, f, "release all", "fault answers: half-open")
		c = served(t, s, line.MBAP)
		c.send(mbap(1, pdu(6, 0x20, 1000)...)...)
		time.Sleep(time.Minute)
		c.wants("")
		c.send(mbap(2, pdu(6, 0x20, 1100)...)...) // is not heard any more
		time.Sleep(time.Minute)
		if c.ended() {
			t.Error("the client was told")
		}
		wants(t, s, "03 00 20 00 01", "03 02 03 E8")
		// A line is cut too, but it does not end; when the fault is gone it is whole.
		done(t, f, "release all", "fault answers: close rst", "fault answers: half-open from 2")
		l := served(t, s, line.RTU)
		l.send(rtu(17, pdu(4, 0, 1)...)...)
		if got := l.heard(); len(got) == 0 {
			t.Error("closing ended a serial line")
		}
		l.send(rtu(17, pdu(4, 0, 1)...)...)
		l.wants("")
		done(t, f, "release fault")
		l.send(rtu(17, pdu(4, 0, 1)...)...)
		if got := l.heard(); len(got) == 0 {
			t.Error("the line stays cut")
		}
	})
}

// Answers keep their order where a rule holds one back, and overtake where the
// rule says so.
func TestFaultRulesOrder(t *testing.T) {
	for rule, want := range map[string]string{"answers: delay 100ms once": "12345", "answers: delay 100ms once overtake": "23451"} {
		synctest.Test(t, func(t *testing.T) {
			s := stationOf(t, troubled, Options{})
			done(t, faultsOf(t, s), "fault "+rule)
			c := served(t, s, line.MBAP)
			var in []byte
			for n := range uint16(5) {
				in = append(in, mbap(n+1, pdu(4, 0, 1)...)...)
			}
			c.send(in...)
			time.Sleep(time.Second)
			got := ""
			for b := c.heard(); len(b) >= 11; b = b[11:] {
				got += fmt.Sprint(b[1])
			}
			if got != want {
				t.Errorf("%s: answers %s, want %s", rule, got, want)
			}
		})
	}
}

// A flood has an end, and stopping does not wait for it.
func TestFaultFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, troubled, Options{})
		f := faultsOf(t, s)
		done(t, f, "fault answers: flood FF each 1ms for 10ms once")
		c := served(t, s, line.RTU)
		c.send(rtu(17, pdu(4, 0, 1)...)...)
		time.Sleep(time.Second)
		if n := bytes.Count(c.heard(), []byte{0xFF}); n < 9 || n > 12 {
			t.Errorf("%d bytes of noise in 10 ms", n)
		}
		done(t, f, "release fault", "fault answers: flood FF each 1ms")
		c.send(rtu(17, pdu(4, 0, 1)...)...)
		time.Sleep(time.Second)
		done(t, f, "release fault")
		c.heard()
		time.Sleep(time.Second)
		if got := c.heard(); len(got) > 1 {
			t.Errorf("%d bytes of noise after the release", len(got))
		}
	})
}

// A scope says which exchanges a change can be seen in.
func TestChangeMeets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var w watched
		s := stationOf(t, troubled, Options{Observe: w.see})
		f := faultsOf(t, s)
		level, silence := done(t, f, "level = 2.70"), done(t, f, "silence 17 of function 06")
		c := served(t, s, line.MBAP)
		for _, p := range [][]byte{pdu(4, 0, 1), pdu(4, 2, 2), pdu(6, 0x20, 1000)} {
			c.send(mbap(1, p...)...)
			c.heard()
		}
		var got []bool
		for _, x := range w.all {
			got = append(got, level.Meets(x), silence.Meets(x))
		}
		if want := []bool{true, false, false, false, false, true}; fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("met %v, want %v", got, want)
		}
	})
}

// A second client is refused while the fault is on.
func TestFaultClients(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := stationOf(t, hundred(""), Options{})
		f := faultsOf(t, s)
		h, stop := listen(t, s, line.MBAP)
		done(t, f, "clients 1")
		a := h.dial()
		if !a.answers() || !h.dial().ended() || a.ended() {
			t.Error("a second client is taken")
		}
		done(t, f, "release clients")
		if b := h.dial(); !b.answers() || !a.answers() {
			t.Error("after the release a second client is not taken")
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// Any line is done or refused, never half of it, and a read is never longer or
// shorter for it.
func FuzzFaultLine(f *testing.F) {
	for _, l := range []string{"level = 2.70 for 1s", "freeze level", "jump level by 0.1 with 5%", "tear total", "swap flow", "span level 0..4", "wrap total",
		"reset starts", "silence 17 for 30s", "exceptions 06 for 10s on unit 17", "shift by 1 of function 03", "outside refuse", "clients 2",
		"fault answers: delay 300ms with 5%", "release all", "after 1s silence", "state.healthy = on on unit 17", "tag = A B", "level = 1e9", "level = +1.2"} {
		f.Add(l)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s := stationOf(t, troubled, Options{})
		faults := NewFaults(s, meansPlainly, 1, nil)
		defer faults.Stop()
		c, err := faults.Do(text)
		if err != nil && (!errors.Is(err, ErrLine) || len(faults.Seen()) != 0) {
			t.Fatalf("%q: %v, and on are %q", text, err, faults.Seen())
		}
		if err == nil && c.Words == "" {
			t.Fatalf("%q: done without a word", text)
		}
		for _, request := range [][]byte{pdu(4, 0, 7), pdu(2, 0, 1), pdu(3, 16, 1), pdu(6, 32, 1000)} {
			got := s.Answer(nil, testUnit, request)
			if len(got) == 0 || len(got) == 2 && got[0]&exceptionBit != 0 {
				continue
			}
			if want := map[byte]int{4: 16, 2: 3, 3: 4, 6: 5}[request[0]]; len(got) != want {
				t.Fatalf("%q: answer % X to % X", text, got, request)
			}
		}
		c.Meets(&decode.Exchange{})
		faults.Stop()
		if got := ask(t, s, testUnit, "04 00 00 00 01"); got != "04 02 2E E0" {
			t.Fatalf("%q: after the end the answer is %q", text, got)
		}
	})
}
