package segment

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// heard pairs a stream that is fed as one part a frame, 10 ms apart.
func heard(parts ...[]byte) (out []Heard) {
	p := NewPairer(0xABCD, func(h Heard) { out = append(out, h) })
	s := New(Settings{Framing: line.RTU}, p.Take)
	for i, b := range parts {
		s.Feed(b, stampAt(time.Duration(i+1)*10*time.Millisecond))
	}
	s.Flush()
	p.Flush(stampAt(time.Hour))
	return out
}

// outcomes writes exchanges as a row of words.
func outcomes(all []Heard) string {
	var words []string
	for _, h := range all {
		w := h.Outcome.String()
		if h.Cause != regmap.NoCause {
			w += ":" + h.Cause.String()
		}
		if h.Tries > 1 {
			w += fmt.Sprintf("/%d", h.Tries)
		}
		words = append(words, w)
	}
	return strings.Join(words, " ")
}

// The rules of Pairer, one by one.
func TestPairing(t *testing.T) {
	everyone := rtu(0, 6, 0, 1, 0, 2)
	for _, c := range []struct {
		name  string
		parts [][]byte
		want  string
	}{
		{"answered", [][]byte{ask, told, ask2, told2}, "answered answered"},
		{"exception", [][]byte{ask, refused}, "answered:exception"},
		{"unanswered", [][]byte{ask, ask2, told2}, "unanswered:silent answered"},
		{"again", [][]byte{ask, ask, ask, told}, "again:silent again:silent/2 answered/3"},
		{"end", [][]byte{ask, told, ask2}, "answered unanswered:silent"},
		{"unasked", [][]byte{ask, told, told2}, "answered unasked:mismatch"},
		{"another answer", [][]byte{ask, told2, ask2, told2}, "unanswered:silent unasked:mismatch answered"},
		{"spoiled", [][]byte{ask, spoilt(told), ask2, told2}, "answered:checksum answered"},
		{"cut", [][]byte{ask, told[:6], ask2, told2}, "answered:cut-off answered"},
		{"noise between", [][]byte{ask, static, told}, "answered"},
		{"broadcast", [][]byte{ask, told, everyone, ask2, told2}, "answered unanswered:silent answered"},
		{"both ways", [][]byte{static, write, static}, "undecided:mismatch"},
		{"nothing", [][]byte{static}, ""},
	} {
		if got := outcomes(heard(c.parts...)); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

// An exchange carries identity, bytes, times and contents as one that was asked
// here does.
func TestPairedExchange(t *testing.T) {
	all := heard(ask, told, ask2, spoilt(told2), ask, ask2)
	x := all[0]
	if x.ID != (decode.ID{Source: 0xABCD, Number: 1}) || x.Framing != line.RTU || x.Unit != 17 || x.Tries != 1 ||
		string(x.Sent) != string(ask) || string(x.Received) != string(told) || x.Request.Address != 10 {
		t.Errorf("%+v", x.Exchange)
	}
	at := func(n int) decode.Stamp { return stampAt(time.Duration(n) * 10 * time.Millisecond) }
	if x.Exchange.Asked != at(1) || x.Left != at(1) || x.First != at(2) || x.Done != at(2) {
		t.Errorf("times %v %v %v %v", x.Exchange.Asked, x.Left, x.First, x.Done)
	}
	raw, ok := x.AppendRaw(nil, regmap.Span{Table: regmap.HoldingRegister, First: 10, Count: 2})
	if !ok || len(raw) != 2 || raw[0] != 0x0102 || raw[1] != 0x0304 {
		t.Errorf("%04X %v", raw, ok)
	}
	if y := all[1]; y.Cause != regmap.Checksum || !strings.Contains(y.Detail, "CRC") || y.Answer.Kind != Spoiled || y.Done != at(4) {
		t.Errorf("%+v", y.Exchange)
	}
	if y := all[2]; y.Outcome != Unanswered || y.Done != at(6) || y.Received != nil {
		t.Errorf("ends when the next one begins: %+v", y.Exchange)
	}
	if y := all[3]; y.Done != stampAt(time.Hour) || y.ID.Number != 4 {
		t.Errorf("ends at the end: %+v", y.Exchange)
	}
}

// The exchanges of a talk without faults are those that were made.
func TestPairedTalk(t *testing.T) {
	for _, f := range [...]line.Framing{line.RTU, line.ASCII} {
		g := newGenerator(31, f, 0)
		g.run(60_000)
		answers, asked := 0, 0
		for _, sent := range g.sent {
			if sent.answer {
				answers++
			} else {
				asked++
			}
		}
		got := map[Outcome]int{}
		p := NewPairer(1, func(h Heard) {
			got[h.Outcome]++
			if h.Answered() && h.Outcome == Answered {
				if _, err := frame.Match(h.Request, h.Answer.ADU.PDU); err != nil {
					t.Errorf("%v: %v", h.ID, err)
				}
			}
		})
		for _, piece := range pieces(f, g.stream) {
			p.Take(piece)
		}
		p.Flush(decode.Stamp{})
		if got[Answered] != answers || got[Unanswered]+got[Again] != asked-answers || len(got) > 3 || got[Unasked] > 0 {
			t.Errorf("%v: %v of %d requests and %d answers", f, got, asked, answers)
		}
	}
}

// Which framing is spoken, by the bytes alone.
func TestGuess(t *testing.T) {
	for _, f := range [...]line.Framing{line.RTU, line.ASCII} {
		g := newGenerator(3, f, 0.05)
		g.run(2000)
		got := Guess(g.stream)
		if got[0].Framing != f || got[0].Part < 0.8 || got[0].Part > 1 || got[0].Frames < 20 || got[1].Part > 0.01 {
			t.Errorf("%v: %+v", f, got)
		}
	}
	for _, b := range [][]byte{nil, noise(4, 3000), make([]byte, 3000)} {
		if got := Guess(b); got[0].Frames != 0 || got[0].Part != 0 || len(got) != 2 {
			t.Errorf("%d bytes: %+v", len(b), got)
		}
	}
}

// A frame comes out at its last byte when what was told before decides about it.
func TestComesOutAtOnce(t *testing.T) {
	var all []Piece
	s := New(Settings{Framing: line.RTU}, func(p Piece) { all = append(all, p) })
	s.Feed(join(ask, told), decode.Stamp{})
	for i, b := range [][]byte{ask2, told2, write, write, write2, write2, ask, refused} {
		s.Feed(b[:len(b)-1], decode.Stamp{})
		before := len(all)
		s.Feed(b[len(b)-1:], decode.Stamp{})
		if before != i+2 || len(all) != i+3 {
			t.Errorf("frame %d: %d pieces before its last byte, %d after", i, before, len(all))
		}
	}
}

func TestWordsOfTheKinds(t *testing.T) {
	if got := fmt.Sprint(Noise, Frame, Spoiled, Cut, Kind(0), Possible, Certain, Answered, Unanswered, Again, Unasked, Undecided, Outcome(9)); got !=
		"noise frame spoiled cut kind(0) possible certain answered unanswered again unasked undecided outcome(9)" {
		t.Error(got)
	}
}
