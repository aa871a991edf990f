package frame

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"plumbline/regmap/line"
)

// Silence ends frames whose length cannot be told. Source: serial guide 2.5.1.1.
func TestRTUSilence(t *testing.T) {
	for _, c := range []struct {
		what, raw string
		frames    int
		class     error
		used      int
	}{
		{"unknown function", "11 41 00 11 95", 1, nil, 5},
		{"unknown function, wrong CRC", "11 41 00 11 96", 0, ErrChecksum, 5},
		{"three bytes", "11 41 00", 0, ErrShort, 3},
		{"cut off", "11 03 00 6B 00", 0, ErrChecksum, 5},
		{"whole", "11 03 00 6B 00 03 76 87", 1, nil, 8},
		{"noise in front", "FF 00 FF 11 03 00 6B 00 03 76 87", 1, nil, 11},
		{"CANopen", "11 2B 0D 01 02 03 D9 1B", 0, nil, 0}, // CRC put right below
	} {
		raw := unhex(t, c.raw)
		if c.what == "CANopen" {
			adu, err := AppendADU(nil, ADU{Framing: line.RTU, Unit: 0x11, PDU: []byte{0x2B, 0x0D, 1, 2, 3}})
			if err != nil {
				t.Fatal(err)
			}
			raw, c.frames, c.used = adu, 1, len(adu)
		}
		adu, skip, used, err := Codec{Framing: line.RTU, Silent: true}.Next(raw)
		if c.frames == 1 && (err != nil || used != c.used || len(adu.PDU) != used-skip-3) || c.frames == 0 && (!errors.Is(err, c.class) || used != c.used) {
			t.Errorf("%s: %+v, %d, %d, %v", c.what, adu, skip, used, err)
		}
	}
	behind := unhex(t, "11 10 00 01 00 02 04 11 03 00 6B 00 03 76 87") // a frame behind a part of one
	steps := run(t, Codec{Framing: line.RTU}, behind, nil, true)
	if got := framesOf(steps); len(got) != 1 || !bytes.Equal(got[0].PDU, []byte{3, 0, 0x6B, 0, 3}) {
		t.Errorf("%+v", steps)
	}
	if _, _, used, err := (Codec{Framing: line.RTU, Silent: true}).Next(nil); err != ErrMore || used != 0 {
		t.Errorf("silence after nothing: %d, %v", used, err)
	}
	long := bytes.Repeat([]byte{0x80}, 300)
	if _, _, used, err := (Codec{Framing: line.RTU, Silent: true}).Next(long); !errors.Is(err, ErrLong) || used != 300 {
		t.Errorf("300 bytes of no frame: %d, %v", used, err)
	}
	if _, err := ParseADU(line.RTU, make([]byte, 257)); !errors.Is(err, ErrLong) {
		t.Errorf("257 bytes: %v", err)
	}
}

// What an RTU client sees beside its answer: its own echo, answers of other
// units and functions, exceptions.
func TestRTUClientSees(t *testing.T) {
	asked := Read(4, 0x6B, 3)
	request := "11 03 00 6B 00 03 76 87"
	answer := "11 03 06 02 2B 00 00 00 64 C8 BA"
	for _, c := range []struct {
		what, raw string
		pdus      []string
	}{
		{"the answer", answer, []string{answer}},
		{"its own echo first", request + " " + answer, []string{answer}},
		{"an exception", "11 83 02 C1 34", []string{"11 83 02 C1 34"}},
		{"an answer of function 04 first", "11 04 02 00 0A F8 F4 " + answer, []string{"11 04 02 00 0A F8 F4", answer}},
		{"an exception of function 01 first", "11 81 02 C0 54 " + answer, []string{"11 81 02 C0 54", answer}},
	} {
		steps := sameHoweverCut(t, Codec{Framing: line.RTU, Awaits: &asked, Unit: 0x11}, unhex(t, c.raw), 3)
		var want []step
		for _, w := range c.pdus {
			b := unhex(t, w)
			want = append(want, step{adu: ADU{Framing: line.RTU, Unit: 0x11, PDU: b[1 : len(b)-2]}})
		}
		if !reflect.DeepEqual(steps, want) {
			t.Errorf("%s: %+v, want %+v", c.what, steps, want)
		}
	}
	other, err := AppendADU(nil, ADU{Framing: line.RTU, Unit: 0x12, PDU: []byte{3, 6, 1, 2, 3, 4, 5, 6}})
	if err != nil {
		t.Fatal(err)
	}
	steps := sameHoweverCut(t, Codec{Framing: line.RTU, Awaits: &asked, Unit: 0x11}, append(other, unhex(t, answer)...), 6)
	if len(steps) != 2 || steps[0].adu.Unit != 0x12 || steps[1].adu.Unit != 0x11 {
		t.Errorf("an answer of another unit first: %+v", steps)
	}
	steps = sameHoweverCut(t, Codec{Framing: line.RTU, Awaits: &asked, Unit: 0x11}, append(other[:5:5], unhex(t, answer)...), 6)
	if len(steps) != 1 || steps[0].adu.Unit != 0x11 {
		t.Errorf("half an answer of another unit first: %+v", steps)
	}
	bad := unhex(t, answer)
	bad[4] ^= 1
	steps = sameHoweverCut(t, Codec{Framing: line.RTU, Awaits: &asked, Unit: 0x11}, append(bad, unhex(t, answer)...), 6)
	if len(steps) != 2 || !strings.HasPrefix(steps[0].words, ErrChecksum.Error()) || steps[1].words != "" {
		t.Errorf("a damaged answer first: %+v", steps)
	}
}

// Streams made to mislead: heads of frames of every kind of candidate, right
// and wrong checks, one inside the other.
func TestMisleadingStreams(t *testing.T) {
	const tries = 12000
	r := rand.New(rand.NewPCG(1, 2))
	alphabet := []byte{0x11, 0x11, 0x12, 0xF8, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x14, 0x17, 0x18, 0x2B, 0x83, 0x81, 0xFF}
	awaited := []*Request{nil, nil}
	for _, v := range loadVectors(t).Vectors {
		if q, err := ParseRequest(unhex(t, v.Request.PDU)); err == nil {
			awaited = append(awaited, &q)
		}
	}
	frames, faults := 0, 0
	for range tries {
		stream := make([]byte, 8+r.IntN(40))
		for i := range stream {
			stream[i] = alphabet[r.IntN(len(alphabet))]
		}
		for range 3 { // put a check right somewhere
			at := r.IntN(len(stream) - 3)
			if n := 4 + r.IntN(12); at+n <= len(stream) {
				crc := CRC(stream[at : at+n-2])
				stream[at+n-2], stream[at+n-1] = byte(crc), byte(crc>>8)
			}
		}
		c := Codec{Framing: line.RTU, Unit: 0x11, Awaits: awaited[r.IntN(len(awaited))]}
		for _, s := range sameHoweverCut(t, c, stream, r.IntN(len(stream))) {
			if s.words == "" {
				frames++
			} else {
				faults++
			}
		}
	}
	if frames < tries/20 || faults < tries/20 {
		t.Errorf("%d frames and %d faults in %d streams mislead nobody", frames, faults, tries)
	}
}

// A frame of a weak candidate is not given up for something inside it that looks
// like a request with a wrong check: 08/00 whose data begin with 07, 0B, 0C, 11.
func TestWeakFramesAreKept(t *testing.T) {
	for _, inner := range []uint16{0x07, 0x0B, 0x0C, 0x11} {
		for low := range uint16(256) {
			pdu, err := Diagnose(ReturnQueryData, inner<<8|low, 0x1234).Append(nil)
			if err != nil {
				t.Fatal(err)
			}
			raw, err := AppendADU(nil, vectorADU(line.RTU, pdu))
			if err != nil {
				t.Fatal(err)
			}
			if steps := sameHoweverCut(t, Codec{Framing: line.RTU}, raw, 7); len(steps) != 1 || !bytes.Equal(steps[0].adu.PDU, pdu) {
				t.Errorf("% X: %+v", raw, steps)
			}
		}
	}
	// A head that turns out to be none at its eleventh byte; before that a wrong
	// check inside it does not count, a right one does.
	stream := []byte{0xF8, 0x17, 0, 7, 0, 0x55, 7, 0, 0, 0, 0xFF}
	crc := CRC(stream[5:7])
	stream[7], stream[8] = byte(crc), byte(crc>>8)
	steps := sameHoweverCut(t, Codec{Framing: line.RTU}, stream, 6)
	if len(steps) == 0 || steps[0].adu.Unit != 0x55 {
		t.Errorf("% X: %+v", stream, steps)
	}
}

// A frame of a reserved unit, and inside it a head that holds up a whole frame of
// four bytes until the outer one has ended: whichever way the bytes come, the
// same one wins.
func TestBlockedFrames(t *testing.T) {
	tried := 0
	for a := byte(0x30); a < 0x7F; a++ {
		for q := byte(0x30); q < 0x7F; q++ {
			b := []byte{0xF8, 0x10, 0, a, q, 0xF8, 4, 0x10, 0x55, 7}
			crc := CRC(b[8:])
			b = append(b, byte(crc))
			if outer := CRC(b); byte(outer) == byte(crc>>8) && outer>>8 > 0xF7 {
				b = append(b, byte(outer), byte(outer>>8))
				steps := sameHoweverCut(t, Codec{Framing: line.RTU}, b, 11)
				if len(steps) != 1 || steps[0].adu.Unit != 0xF8 {
					t.Errorf("% X: %+v", b, steps)
				}
				tried++
			}
		}
	}
	if tried == 0 {
		t.Error("no such stream")
	}
}

// Answers of a length that nothing tells come out by their CRC. Source: V1.1b3
// 6.20 (2B/0D, whose content is described elsewhere).
func TestRTUOpenAnswer(t *testing.T) {
	q := Request{Function: EncapsulatedInterface, MEI: MEICANopen}
	var stream []byte
	for n := range 40 {
		adu, err := AppendADU(nil, ADU{Framing: line.RTU, Unit: 0x11, PDU: append([]byte{0x2B, 0x0D}, make([]byte, n)...)})
		if err != nil {
			t.Fatal(err)
		}
		stream = append(stream, adu...)
	}
	for _, c := range []Codec{{Framing: line.RTU, Awaits: &q, Unit: 0x11}, {Framing: line.RTU}} {
		if got := framesOf(sameHoweverCut(t, c, stream, 7)); len(got) != 40 || len(got[39].PDU) != 41 {
			t.Errorf("%d frames: %+v", len(got), got)
		}
	}
	q.Function = ReadCoils
	if got := framesOf(sameHoweverCut(t, Codec{Framing: line.RTU, Awaits: &q, Unit: 0x11}, stream, 7)); len(got) != 0 {
		t.Errorf("not awaited: %+v", got)
	}
}
