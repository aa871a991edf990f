package decode

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

func loadMap(t *testing.T, points string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte("device: test\npoints:\n"+points), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

// exchange is a request answered with a PDU, as a link would make it.
func exchange(t *testing.T, f line.Framing, q frame.Request, pdu ...byte) *Exchange {
	t.Helper()
	asked, err := q.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	x := &Exchange{ID: ID{1, 1}, Framing: f, Unit: 17, Request: q, Cause: regmap.NoCause}
	if x.Sent, err = frame.AppendADU(nil, frame.ADU{Framing: f, Transaction: 1, Unit: 17, PDU: asked}); err != nil {
		t.Fatal(err)
	}
	if x.Received, err = frame.AppendADU(nil, frame.ADU{Framing: f, Transaction: 1, Unit: 17, PDU: pdu}); err != nil {
		t.Fatal(err)
	}
	if x.Response, err = frame.Match(q, pdu); err != nil {
		t.Fatal(err)
	}
	if x.Response.Exception != 0 {
		x.Cause = regmap.Excepted
	}
	x.Left, x.Done = Stamp{Steady: time.Second}, Stamp{Steady: 1118 * time.Millisecond}
	return x
}

// TestStampsInVirtualTime: both hands of the clock move together.
func TestStampsInVirtualTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewClock()
		a := clock()
		time.Sleep(90 * time.Minute)
		b := clock()
		if b.Sub(a) != 90*time.Minute || b.Wall.Sub(a.Wall) != 90*time.Minute || b.Wall.Location() != time.UTC {
			t.Errorf("%v, %v", a, b)
		}
		if !(Stamp{}).IsZero() || b.IsZero() {
			t.Error("which stamp is zero")
		}
	})
}

func TestIdentity(t *testing.T) {
	if got := (ID{0x9f2c41d0, 1042}).String(); got != "9f2c41d0:1042" {
		t.Error(got)
	}
	if (ID{}).String() != "" {
		t.Error("no identity has a name")
	}
	seen := map[Source]bool{}
	for range 4 {
		seen[NewSource()] = true
	}
	if len(seen) < 2 {
		t.Error("four sources are one: they are not random")
	}
	for claim, want := range map[Claim]string{Hint: "hint", Likely: "likely", Settled: "settled", 9: "settled"} {
		if claim.String() != want {
			t.Errorf("%d is %s", claim, claim)
		}
	}
}

// TestReadingRestsOnItsExchange: value, registers and the bytes they stood in,
// for each framing. The registers are the flow of the trade's worked example:
// 66 66 41 46, low word first, is 12.4.
func TestReadingRestsOnItsExchange(t *testing.T) {
	m := loadMap(t, "  level: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}, units: m, decimals: 2}\n"+
		"  flow: {input-register: 2, type: float32, order: CDAB, units: m3/h, decimals: 2}\n"+
		"  far: {input-register: 9, type: uint16}\n  shut: {discrete-input: 11, type: bool, active: 0}\n")
	q := frame.Read(regmap.InputRegister, 0, 4)
	pdu := []byte{4, 8, 0x35, 0x8B, 0, 0, 0x66, 0x66, 0x41, 0x46}
	for framing, bytes := range map[line.Framing]string{line.MBAP: "ff", line.RTU: "ff", line.ASCII: "characters"} {
		x := exchange(t, framing, q, pdu...)
		r := Read(x, m.Point("flow"))
		if got := r.Point.Shown(r.Value); got != "12.40" || r.Reason != "" || r.Time != x.Done || r.From != x || r.Unit != 17 {
			t.Errorf("%v: %s, %q", framing, got, r.Reason)
		}
		c := r.Chain()
		own := string(c.Received[c.From:c.To])
		if want := "\x66\x66\x41\x46"; bytes == "ff" && own != want || bytes != "ff" && own != "66664146" {
			t.Errorf("%v: the flow's bytes are %q", framing, own)
		}
		if c.SentWords != "unit 17, read input registers (04), address 0, 4 registers" || c.Latency != 118*time.Millisecond ||
			c.Registers != "30003-30004 (address 2-3)  6666 4146" || c.Shown != "12.40 m3/h" || c.Steps.Number == "" {
			t.Errorf("%v: %+v", framing, c)
		}
		if want := map[line.Framing]string{line.MBAP: "transaction and length right", line.RTU: "CRC right", line.ASCII: "LRC right"}[framing]; c.Verdict != want {
			t.Errorf("%v: %s", framing, c.Verdict)
		}
		if r := Read(x, m.Point("far")); r.Value.Cause() != regmap.Internal {
			t.Errorf("a point that the answer does not carry: %s", r.Value.Cause())
		}
	}
	// Bits: the eleventh input is the fourth bit of the second byte.
	x := exchange(t, line.RTU, frame.Read(regmap.DiscreteInput, 0, 16), 2, 2, 0x00, 0xF7)
	r := Read(x, m.Point("shut"))
	if on, _ := r.Value.Bool(); !on {
		t.Errorf("shut is %s", r.Point.Shown(r.Value))
	}
	c := r.Chain()
	if c.Received[c.From] != 0xF7 || c.To-c.From != 1 || c.Registers != "10012 (address 11)  0" || !strings.Contains(c.SentWords, "16 bits") {
		t.Errorf("%+v", c)
	}
}

// TestWhatWentWrong: each cause has its words, and no value.
func TestWhatWentWrong(t *testing.T) {
	m := loadMap(t, "  a: {holding-register: 0, type: int16, absent: [0x8000], scale: {raw: [0, 100], value: [0, 1]}}\n  b: {holding-register: 0, type: bcd16, overlay: true}\n  c: {holding-register: 0, type: int16, overlay: true, range: [-5, 5]}\n")
	q := frame.Read(regmap.HoldingRegister, 0, 1)
	for _, v := range []struct {
		point, reason string
		x             *Exchange
		quality       regmap.Quality
		cause         regmap.Cause
	}{
		{"a", "exception 02, illegal data address", exchange(t, line.RTU, q, 0x83, 2), regmap.Bad, regmap.Excepted},
		{"a", "the device says 'no value' (8000)", exchange(t, line.RTU, q, 3, 2, 0x80, 0), regmap.Bad, regmap.Absent},
		{"a", "outside the raw span 0 to 100", exchange(t, line.RTU, q, 3, 2, 0, 101), regmap.Uncertain, regmap.OutOfSpan},
		{"c", "outside the range -5 to 5", exchange(t, line.RTU, q, 3, 2, 0, 6), regmap.Uncertain, regmap.OutOfSpan},
		{"b", "the registers are not decimal-coded (00AB)", exchange(t, line.RTU, q, 3, 2, 0, 0xAB), regmap.Bad, regmap.NotDecimal},
		{"b", "no answer", &Exchange{Request: q, Cause: regmap.Silent}, regmap.Bad, regmap.Silent},
		{"b", "3 of 7 bytes came", &Exchange{Request: q, Cause: regmap.CutOff, Detail: "3 of 7 bytes came"}, regmap.Bad, regmap.CutOff},
	} {
		r := Read(v.x, m.Point(v.point))
		if r.Reason != v.reason || r.Value.Quality() != v.quality || r.Value.Cause() != v.cause {
			t.Errorf("%s: %q %s %s, want %q %s %s", v.point, r.Reason, r.Value.Quality(), r.Value.Cause(), v.reason, v.quality, v.cause)
		}
		if v.quality == regmap.Bad && r.Value.Kind() != regmap.None {
			t.Errorf("%s: bad, and still a value", v.point)
		}
		if c := r.Chain(); v.x.Sent == nil && (c.From != 0 || c.Verdict != v.reason) {
			t.Errorf("%s: chain %+v", v.point, c)
		}
	}
	if (Reading{}).Chain().SentWords != "" || Why(exchange(t, line.RTU, q, 3, 2, 0, 0)) != "" {
		t.Error("words where nothing was asked, or nothing is wrong")
	}
	good := Read(exchange(t, line.RTU, q, 3, 2, 0, 50), m.Point("a"))
	if d := good.Doubted(regmap.LateDoubt); d.Value.Quality() != regmap.Uncertain || d.Reason == "" || good.Value.Quality() != regmap.Good {
		t.Errorf("doubted: %s %q", d.Value.Quality(), d.Reason)
	}
	bad := Read(&Exchange{Request: q, Cause: regmap.Silent}, m.Point("a"))
	if d := bad.Doubted(regmap.LateDoubt); d.Value.Cause() != regmap.Silent {
		t.Error("a bad reading got another cause")
	}
}

func TestHexText(t *testing.T) {
	for give, want := range map[string]string{
		"11 03 00 6B": "\x11\x03\x00\x6b", "1103006b": "\x11\x03\x00\x6b", "0x11,0x03 0X00-6B": "\x11\x03\x00\x6b", "11:03:00:6B": "\x11\x03\x00\x6b",
		"0x11030 06B": "", "": "", "00": "\x00", ":1103": ":1103\r\n", ":1103\r\n": ":1103\r\n",
	} {
		if got, err := Hex(give); string(got) != want {
			t.Errorf("Hex(%q) = %q, %v; want %q", give, got, err, want)
		}
	}
	for give, column := range map[string]int{"11 0G": 5, "110": 3, "1 1": 2, "11 ü1": 4, "11\x001": 3, ":11\x01": 4, "11 03 0": 7, "x11": 1, "11x": 3} {
		b, err := Hex(give)
		var at *HexError
		if !errors.As(err, &at) || at.Column != column || b != nil || !strings.HasPrefix(err.Error(), "column ") {
			t.Errorf("Hex(%q) = %q, %v; want a fault in column %d", give, b, err, column)
		}
	}
}

func FuzzHex(f *testing.F) {
	for _, s := range []string{"11 03", "0x1", ":11\r\n", "11-", "ü", "0x0x", "11,,22"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		b, err := Hex(s)
		var at *HexError
		switch {
		case err == nil && len(b) > len(s)+2:
			t.Fatalf("%q gave %d bytes", s, len(b))
		case err != nil && (b != nil || !errors.As(err, &at) || at.Column < 1 || at.Column > len([]rune(s))):
			t.Fatalf("%q: %q, %v", s, b, err)
		}
	})
}
