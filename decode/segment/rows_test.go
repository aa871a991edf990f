package segment

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// rtu is a whole RTU frame.
func rtu(unit regmap.Unit, pdu ...byte) []byte {
	b, err := frame.AppendADU(nil, frame.ADU{Framing: line.RTU, Unit: unit, PDU: pdu})
	if err != nil {
		panic(err)
	}
	return b
}

// Frames of a station 17 with registers, made by the layouts of V1.1b3 6.3, 6.6.
var (
	ask     = rtu(17, 3, 0, 10, 0, 2)
	told    = rtu(17, 3, 4, 1, 2, 3, 4)
	ask2    = rtu(17, 3, 0, 20, 0, 1)
	told2   = rtu(17, 3, 2, 9, 9)
	write   = rtu(17, 6, 0, 10, 0, 7) // and its answer
	write2  = rtu(17, 6, 0, 11, 0, 8)
	refused = rtu(17, 0x83, 2)
	static  = []byte{0xA5, 0x5A, 0xC3, 0x96, 0xE7}
)

// shown writes pieces as a row of words, for tables: "asking answering noise".
func shown(all []Piece) string {
	var words []string
	for _, p := range all {
		w := p.Kind.String()
		if p.Kind == Frame {
			w = "unknown"
		}
		switch p.Direction {
		case frame.Asking:
			w = strings.Replace(w+"-request", "unknown-", "", 1)
		case frame.Answering:
			w = strings.Replace(w+"-answer", "unknown-", "", 1)
		}
		if p.Kind == Frame && p.Certainty == Possible {
			w += "?"
		}
		if p.Answers > 0 {
			w += fmt.Sprintf("=%d", p.Answers)
		}
		if p.Repeats > 0 {
			w += fmt.Sprintf("~%d", p.Repeats)
		}
		words = append(words, w)
	}
	return strings.Join(words, " ")
}

func expect(t *testing.T, name string, stream []byte, want string) {
	t.Helper()
	all := pieces(line.RTU, stream)
	checkWhole(t, all, stream)
	if got := shown(all); got != want {
		t.Errorf("%s:\n got %s\nwant %s", name, got, want)
	}
}

// E1: a lone frame in noise is possible; touching or answering ones are certain.
func TestE1LoneFrameIsPossible(t *testing.T) {
	expect(t, "lone request", join(static, ask, static), "noise request? noise")
	expect(t, "lone answer", join(static, told, static), "noise answer? noise")
	expect(t, "alone in the stream", ask, "request?")
	expect(t, "pair", join(static, ask, told, static), "noise request answer=1 noise")
	expect(t, "pair with noise between", join(ask, static, told), "request noise answer=1")
	expect(t, "neighbours", join(static, ask2, ask, static), "noise request request noise")
}

// E2: frames that read the same both ways. The direction is unknown unless
// pairing, neighbours or pauses decide. Source: V1.1b3 6.5, 6.6, 6.8.
func TestE2FramesThatReadBothWays(t *testing.T) {
	for _, same := range [][]byte{rtu(17, 5, 0, 1, 0xFF, 0), write, rtu(17, 8, 0, 0, 0xA5, 0x37), rtu(17, 22, 0, 4, 0, 0xF2, 0, 0x25)} {
		name := fmt.Sprintf("% X", same)
		expect(t, name, same, "unknown?")
		expect(t, name+" in noise", join(static, same, static), "noise unknown? noise")
		expect(t, name+" twice", join(same, same), "request answer=1")
		expect(t, name+" twice in noise", join(static, same, same, static), "noise request answer=1 noise")
		expect(t, name+" after an exchange", join(ask, told, same), "request answer=1 request")
		expect(t, name+" in talk", join(ask, told, same, same, ask2, told2), "request answer=1 request answer=3 request answer=5")
		expect(t, name+" with its request spoiled", join(ask, told, spoilt(same), same, ask2, told2),
			"request answer=1 spoiled-request answer request answer=4")
		expect(t, name+" with its answer spoiled", join(ask, told, same, spoilt(same), ask2, told2),
			"request answer=1 request spoiled-answer request answer=4")
	}
	all := pieces(line.RTU, join(static, write, static))
	if p := all[1]; p.Request.Value != 7 || p.Response.Value != 7 || p.Err != nil {
		t.Errorf("both readings are wanted: %+v", p)
	}
}

// spoilt is the frame with one bit of its data turned.
func spoilt(b []byte) []byte {
	b = bytes.Clone(b)
	b[4] ^= 0x10
	return b
}

// E2: a heartbeat written again and again, heard from its answer on. Only the
// pauses tell which is which: 10 ms before an answer, 800 ms before a request.
// The first one may be a request that got no answer, and stays unknown.
func TestE2PausesDecide(t *testing.T) {
	var all []Piece
	s := New(Settings{Framing: line.RTU, Serial: line.DefaultSerial("")}, func(p Piece) { all = append(all, p) })
	at := time.Second
	for i := range 9 {
		if at += 800 * time.Millisecond; i%2 == 0 {
			at += -800*time.Millisecond + 10*time.Millisecond
		}
		s.Feed(write, stampAt(at))
	}
	s.Flush()
	want := "unknown request answer=2 request answer=4 request answer=6 request answer=8"
	if got := shown(all); got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	if p := all[2]; p.First != p.Last || p.First.Steady == 0 {
		t.Errorf("stamps %v and %v", p.First, p.Last)
	}
}

func stampAt(d time.Duration) decode.Stamp {
	return decode.Stamp{Wall: time.Unix(1_700_000_000, 0).UTC().Add(d), Steady: d}
}

// A right frame inside the data of another right frame loses to it, and so do
// whole exchanges. Source of the layout: V1.1b3 6.12.
func TestFrameInsideAFrame(t *testing.T) {
	inner := join(ask, told, ask2, told2, write, write)
	inner = append(inner, make([]byte, len(inner)%2)...)
	for _, c := range []struct {
		name  string
		inner []byte
	}{{"request", ask}, {"six frames", inner}, {"many", bytes.Repeat(ask, 30)}} {
		n := len(c.inner)
		outer := rtu(17, append([]byte{16, 0, 0, 0, byte(n / 2), byte(n)}, c.inner...)...)
		back := rtu(17, 16, 0, 0, 0, byte(n/2))
		expect(t, c.name, join(outer, back), "request answer=1")
		expect(t, c.name+" in talk", join(ask, told, outer, back, ask2, told2), "request answer=1 request answer=3 request answer=5")
		expect(t, c.name+" in noise", join(static, outer, back, static), "noise request answer=1 noise")
		expect(t, c.name+" alone in noise", join(static, outer, static), "noise request? noise")
		answer := rtu(17, append([]byte{3, byte(n)}, c.inner...)...)
		expect(t, c.name+" read", join(ask, told, rtu(17, 3, 1, 0, 0, byte(n/2)), answer, ask2, told2),
			"request answer=1 request answer=3 request answer=5")
	}
}

// What the neighbours of a damaged frame imply.
func TestSpoiledAndCut(t *testing.T) {
	expect(t, "answer spoiled", join(ask, spoilt(told), ask2, told2), "request? spoiled-answer request answer=2")
	expect(t, "answer cut", join(ask, told[:6], ask2, told2), "request? cut-answer request answer=2")
	expect(t, "answer cut at the end", join(ask, told, ask2, told2[:4]), "request answer=1 request cut-answer")
	expect(t, "request spoiled", join(ask, told, spoilt(ask2), told2, ask, told), "request answer=1 spoiled-request answer request answer=4")
	expect(t, "request cut", join(ask, told, ask2[:5], told2, ask, told), "request answer=1 cut-request answer request answer=4")
	expect(t, "exception spoiled", join(ask, spoilt(refused), ask2, told2), "request? spoiled-answer request answer=2")
	expect(t, "both spoiled", join(ask, told, spoilt(ask2), spoilt(told2), ask, told), "request answer=1 spoiled-request spoiled-answer request answer=3")
	expect(t, "noise in front", join(ask, told, static, ask2, told2), "request answer=1 noise request answer=3")
	expect(t, "exception", join(ask, refused, ask2, told2), "request answer=1 request answer=3")
	expect(t, "another answer", join(ask, told2, ask2, told2), "request answer request answer=3")
	all := pieces(line.RTU, join(ask, spoilt(told), ask2))
	if p := all[1]; p.Kind != Spoiled || p.Err == nil || !strings.Contains(p.Err.Error(), "checksum wrong") {
		t.Errorf("%+v", p)
	}
}

// A silent station: writes to it follow each other and none is taken for an
// answer to the one before. An answer twice, as from two stations with one
// number, is one that nobody asked for.
func TestSilentAndDoubleStations(t *testing.T) {
	expect(t, "silent", join(ask, told, write, write2, write, ask2, told2),
		"request answer=1 request request request request answer=6")
	expect(t, "silent, then another", join(ask, told, write, rtu(18, 6, 0, 10, 0, 7), rtu(18, 6, 0, 10, 0, 7), ask2, told2),
		"request answer=1 request request answer=4 request answer=6")
	expect(t, "double", join(ask, told, told, ask2, told2), "request answer=1 answer request answer=4")
	expect(t, "double at the end", join(ask, told, told), "request answer=1 answer")
}

// Repeats, and adapters that echo: three reads teach that the line echoes, and
// then a write that comes three times is request, echo and answer.
// Source: robustness table C5 (our computation).
func TestRepeatsAndEchoes(t *testing.T) {
	expect(t, "asked again", join(ask, ask, told), "request request~1 answer=2")
	talk, want := []byte{}, ""
	for i := range 4 {
		talk = join(talk, ask, ask, told)
		want += fmt.Sprintf("request request~%d answer=%d ", 3*i+1, 3*i+2)
	}
	expect(t, "echo", join(talk, write, write, write, ask2, ask2, told2), want+"request request~13 answer=14 request request~16 answer=17")
}

// Functions that the standard does not have: their frames are found where they
// just fill the bytes between two others, or between two silences, and where an
// exception answers them. Source: V1.1b3 5 (65 to 72 and 100 to 110 are free).
func TestForeignFunctions(t *testing.T) {
	q, a := rtu(17, 65, 1, 2, 3), rtu(17, 65, 9)
	expect(t, "between", join(ask, told, q, a, ask2, told2), "request answer=1 request answer=3 request answer=5")
	expect(t, "request alone", join(ask, told, q, ask2, told2), "request answer=1 request request answer=4")
	expect(t, "refused", join(static, q, rtu(17, 65|0x80, 1), static), "noise request answer=1 noise")
	var all []Piece
	s := New(Settings{Framing: line.RTU}, func(p Piece) { all = append(all, p) })
	for _, b := range [][]byte{ask, q, a, rtu(17, 3, 0, 0, 0, 0)} {
		s.Feed(b, decode.Stamp{})
		s.Silence()
	}
	if got, want := shown(all), "request? request answer=2 request"; got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
}

// C6: adapters hand a frame over in parts, 16 ms apart and more. The frame is
// found whole, in time, with the stamps of its ends.
func TestC6PausesInsideAFrame(t *testing.T) {
	for _, pause := range []time.Duration{time.Millisecond, 16 * time.Millisecond, 20 * time.Millisecond, 100 * time.Millisecond, time.Second} {
		for cut := 1; cut < len(told); cut++ {
			var all []Piece
			s := New(Settings{Framing: line.RTU}, func(p Piece) { all = append(all, p) })
			s.Feed(ask, stampAt(time.Second))
			s.Feed(told[:cut], stampAt(time.Second+pause))
			s.Feed(told[cut:], stampAt(time.Second+2*pause))
			if len(all) != 2 {
				t.Fatalf("cut at %d: %s before the end", cut, shown(all))
			}
			s.Feed(ask2, stampAt(3*time.Second+2*pause))
			s.Feed(told2, stampAt(3*time.Second+3*pause))
			s.Flush()
			if got := shown(all); got != "request answer=1 request answer=3" {
				t.Errorf("cut at %d, %v: %s", cut, pause, got)
			}
			if p := all[1]; p.First != stampAt(time.Second+pause) || p.Last != stampAt(time.Second+2*pause) {
				t.Errorf("cut at %d, %v: from %v to %v", cut, pause, p.First, p.Last)
			}
		}
	}
}

// C12: ASCII. A colon inside, LF missing, odd digits, lower case, 514
// characters, a wrong LRC, pauses of a second. Source: serial guide 2.5.2.
func TestC12ASCII(t *testing.T) {
	const q, a = ":110600010003E5\r\n", ":110600010003E5\r\n"
	for _, c := range []struct{ name, stream, want string }{
		{"pair", q + a, "request answer=1"},
		{"colon inside", ":11060001" + q + a, "cut request answer=1"},
		{"LF missing", q[:16] + q + a, "cut request answer=1"},
		{"odd digits", ":110600010003E\r\n" + q + a, "spoiled request answer=1"},
		{"lower case", ":110600010003e5\r\n" + q + a, "spoiled request answer=1"},
		{"wrong LRC", ":110600010003E4\r\n" + q + a, "spoiled request answer=1"},
		{"514 characters", ":" + strings.Repeat("0", 511) + "\r\n" + q + a, "spoiled request answer=1"},
		{"no end", ":" + strings.Repeat("0", 5000), "cut noise noise noise noise noise noise"},
		{"noise", "\x00\xFFabc" + q + a + "xyz", "noise request answer=1 noise"},
	} {
		all := pieces(line.ASCII, []byte(c.stream))
		checkWhole(t, all, []byte(c.stream))
		if got := shown(all); got != c.want && c.name != "no end" {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
	var all []Piece
	s := New(Settings{Framing: line.ASCII}, func(p Piece) { all = append(all, p) })
	for i, c := range []byte(q + a) {
		s.Feed([]byte{c}, stampAt(time.Duration(i+1)*time.Second))
	}
	s.Flush()
	if got := shown(all); got != "request answer=1" {
		t.Errorf("pauses: %s", got)
	}
	all = nil
	s = New(Settings{Framing: line.ASCII, Delimiter: '!'}, func(p Piece) { all = append(all, p) })
	s.Feed([]byte(strings.ReplaceAll(q+a, "\n", "!")), decode.Stamp{})
	s.Flush()
	if got := shown(all); got != "request answer=1" {
		t.Errorf("another delimiter: %s", got)
	}
}
