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

// step is what one call of Next gave, for comparing two ways to cut a stream.
type step struct {
	adu   ADU
	words string // of the error
}

// run feeds the pieces of a stream as a caller would and collects frames and
// errors. It checks the promises of Next at each call. silent tells that the
// last piece is followed by silence.
func run(t testing.TB, c Codec, stream []byte, cuts []int, silent bool) []step {
	t.Helper()
	var out []step
	var kept []byte
	last := 0
	for _, cut := range append(cuts, len(stream)) {
		kept = append(kept, stream[last:cut]...)
		last = cut
		for {
			c.Silent = silent && last == len(stream) && len(cuts) == 0 // compared only whole
			adu, skip, used, err := c.Next(kept)
			if skip < 0 || used < skip || used > len(kept) {
				t.Fatalf("skip %d, used %d of %d bytes", skip, used, len(kept))
			}
			if err != nil && !zeroADU(adu) {
				t.Fatalf("%v, yet %+v", err, adu)
			}
			if err == nil {
				adu.PDU = bytes.Clone(adu.PDU)
				out = append(out, step{adu: adu})
			} else if err != ErrMore {
				out = append(out, step{words: err.Error()})
			}
			if err == nil && used <= skip {
				t.Fatal("a frame of no bytes")
			}
			kept = kept[used:]
			if errors.Is(err, ErrMore) || Fatal(err) {
				break
			}
			if used == 0 {
				t.Fatalf("%v, and no byte used", err)
			}
		}
		if len(out) > 0 && strings.HasPrefix(out[len(out)-1].words, ErrLength.Error()) {
			return out // the stream is closed
		}
		if len(kept) > MaxBuffer {
			t.Fatalf("%d bytes kept", len(kept))
		}
		kept = bytes.Clone(kept)
	}
	return out
}

func everyByte(n int) []int {
	cuts := make([]int, 0, n)
	for i := 1; i < n; i++ {
		cuts = append(cuts, i)
	}
	return cuts
}

// sameHoweverCut runs a stream whole, byte by byte and in two pieces.
func sameHoweverCut(t testing.TB, c Codec, stream []byte, cut int) []step {
	t.Helper()
	whole := run(t, c, stream, nil, false)
	for _, cuts := range [][]int{everyByte(len(stream)), {cut % (len(stream) + 1)}} {
		if got := run(t, c, stream, cuts, false); !reflect.DeepEqual(got, whole) {
			t.Fatalf("% X cut at %v:\n got %v\nwant %v", stream, cuts, got, whole)
		}
	}
	return whole
}

func framesOf(steps []step) (out []ADU) {
	for _, s := range steps {
		if s.words == "" {
			out = append(out, s.adu)
		}
	}
	return out
}

// Every request and answer of the vectors through the stream, one after the
// other, at every cut. Source: TCP guide 4.2.1.1 rule 6 (borders come from the
// length field); serial guide 2.5.1, 2.5.2.
func TestStreamsOfVectors(t *testing.T) {
	for _, framing := range []line.Framing{line.MBAP, line.RTU, line.ASCII} {
		var stream []byte
		var want []ADU
		for _, v := range loadVectors(t).all() {
			if v.ID == "ex-unknown-function" && framing == line.RTU {
				continue // its length needs the silence, see TestRTUSilence
			}
			pdu := unhex(t, v.Request.PDU)
			stream = append(stream, v.Request.forms(t)[framing]...)
			want = append(want, vectorADU(framing, pdu))
		}
		got := framesOf(sameHoweverCut(t, Codec{Framing: framing}, stream, 77))
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%v: %d frames, want %d", framing, len(got), len(want))
			for i := range min(len(got), len(want)) {
				if !reflect.DeepEqual(got[i], want[i]) {
					t.Fatalf("frame %d: %+v, want %+v", i, got[i], want[i])
				}
			}
		}
	}
}

// Each answer behind each kind of noise, awaited by its request.
func TestAnswersInStreams(t *testing.T) {
	noises := [][]byte{nil, {0}, {0xFF}, {0x11}, {0x55, 0xAA}, {0x11, 0x11}, {0x12, 0x03, 0x01}, []byte("\r\n"), []byte("noise")}
	for _, v := range loadVectors(t).all() {
		if v.Response == nil || requestRefused(v) || v.Kind == "published-as-printed" {
			continue
		}
		q, err := ParseRequest(unhex(t, v.Request.PDU))
		if err != nil {
			t.Fatal(err)
		}
		for framing, raw := range v.Response.forms(t) {
			if framing == line.MBAP {
				continue
			}
			for _, noise := range noises {
				c := Codec{Framing: framing, Awaits: &q, Unit: vectorUnit}
				stream := append(bytes.Clone(noise), raw...)
				got := framesOf(sameHoweverCut(t, c, stream, len(noise)+1))
				if len(got) == 0 {
					// Noise that looks like the head of a longer answer: silence helps.
					got = framesOf(run(t, c, stream, nil, true))
				}
				want := []ADU{vectorADU(framing, unhex(t, v.Response.PDU))}
				if !reflect.DeepEqual(got, want) {
					t.Errorf("%s: %v: % X: %+v, want %+v", v.ID, framing, stream, got, want)
				}
			}
		}
	}
}

// The whole stream of requests with one byte of noise before each.
func TestRequestsBehindNoise(t *testing.T) {
	for _, v := range loadVectors(t).Vectors {
		for noise := range 256 {
			stream := append([]byte{byte(noise)}, unhex(t, v.Request.RTU)...)
			// A byte of noise may look like the head of a longer frame; then the
			// silence brings the frame out.
			got := framesOf(run(t, Codec{Framing: line.RTU}, stream, nil, true))
			want := []ADU{vectorADU(line.RTU, unhex(t, v.Request.PDU))}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%s: % X: %+v", v.ID, stream, got)
			}
		}
	}
}

// The link vectors. Source: clause beside each row of vectors.yaml.
func TestLinkVectors(t *testing.T) {
	for _, v := range loadVectors(t).Serial.Link {
		framing, raw := line.RTU, []byte(v.ASCII)
		if v.RTU != "" {
			raw = unhex(t, v.RTU)
		} else {
			framing = line.ASCII
		}
		steps := sameHoweverCut(t, Codec{Framing: framing}, raw, 5)
		got := framesOf(steps)
		switch v.ID {
		case "rtu-broadcast-write", "rtu-other-address", "ascii-restart":
			unit := map[string]byte{"rtu-broadcast-write": 0, "rtu-other-address": 0x12, "ascii-restart": 0x11}[v.ID]
			if len(got) != 1 || byte(got[0].Unit) != unit || !bytes.Equal(got[0].PDU, []byte{6, 0, 1, 0, 3}) {
				t.Errorf("%s: %+v", v.ID, steps)
			}
		case "rtu-bad-crc":
			_, err := ParseADU(framing, raw)
			var e *Error
			if !errors.As(err, &e) || e.Class != ErrChecksum || e.Computed != 0x9B9A || e.Found != 0x9A9A || e.Offset != 6 {
				t.Errorf("%s: %+v", v.ID, err)
			}
			if len(got) != 0 || len(steps) == 0 || !strings.Contains(steps[0].words, "CRC 9A 9A came, the bytes ask for 9A 9B") {
				t.Errorf("%s: %+v", v.ID, steps)
			}
		case "ascii-bad-lrc":
			_, err := ParseADU(framing, raw)
			var e *Error
			if !errors.As(err, &e) || e.Class != ErrChecksum || e.Computed != 0xE5 || e.Found != 0xE4 {
				t.Errorf("%s: %+v", v.ID, err)
			}
			if len(got) != 0 || len(steps) != 1 || !strings.Contains(steps[0].words, "LRC E4 came, the bytes ask for E5") {
				t.Errorf("%s: %+v", v.ID, steps)
			}
		default:
			t.Errorf("%s has no test", v.ID)
		}
	}
}

// The negatives of TCP. Source: clause beside each row of vectors.yaml.
func TestTCPNegatives(t *testing.T) {
	v := loadVectors(t)
	asked := Read(4, 0x6B, 3) // function 03 quantity 3, pending in each row
	for _, n := range v.TCP.Negative {
		raw := unhex(t, n.ADU+n.Prefix)
		adu, _, used, err := Codec{Framing: line.MBAP}.Next(raw)
		switch n.ID {
		case "tcp-protocol-not-zero":
			if !errors.Is(err, ErrProtocol) || used != len(raw) || Fatal(err) {
				t.Errorf("%s: %v, %d used", n.ID, err, used)
			}
			if _, err := ParseADU(line.MBAP, raw); !errors.Is(err, ErrProtocol) {
				t.Errorf("%s: %v", n.ID, err)
			}
		case "tcp-unknown-transaction":
			if err != nil || adu.Transaction == uint16(number(t, n.Pending)) {
				t.Errorf("%s: %+v, %v", n.ID, adu, err)
			}
		case "tcp-wrong-function":
			if a, e := Match(asked, adu.PDU); err != nil || !errors.Is(e, ErrMismatch) || !zeroResponse(a) {
				t.Errorf("%s: %v, %+v, %v", n.ID, err, a, e)
			}
		case "tcp-length-too-long":
			if !Fatal(err) || used != 0 {
				t.Errorf("%s: %v, %d used", n.ID, err, used)
			}
		case "tcp-byte-count-mismatch":
			if a, e := Match(asked, adu.PDU); err != nil || !errors.Is(e, ErrMalformed) || errors.Is(e, ErrMismatch) || !zeroResponse(a) {
				t.Errorf("%s: %v, %+v, %v", n.ID, err, a, e)
			}
		default:
			t.Errorf("%s has no test", n.ID)
		}
	}
	two := framesOf(sameHoweverCut(t, Codec{Framing: line.MBAP}, unhex(t, v.TCP.Two.Bytes), 13))
	if len(two) != 2 || two[0].Transaction != 1 || two[1].Transaction != 2 {
		t.Errorf("two in one segment: %+v", two)
	}
	for _, e := range []tcpExample{v.TCP.Request, v.TCP.Response} {
		adu, err := ParseADU(line.MBAP, unhex(t, e.ADU))
		if err != nil || adu.Transaction != 0x1501 || adu.Unit != 0xFF {
			t.Errorf("%s: %+v, %v", e.ID, adu, err)
		}
		if back, err := AppendADU(nil, adu); err != nil || !bytes.Equal(back, unhex(t, e.ADU)) {
			t.Errorf("%s: back % X, %v", e.ID, back, err)
		}
	}
	a, err := Match(Read(4, 4, 1), unhex(t, v.TCP.Response.ADU)[7:])
	if err != nil || !reflect.DeepEqual(a.Registers(nil), []uint16{42}) {
		t.Errorf("%+v, %v", a, err)
	}
}

// Every length field. Source: TCP guide 3.1.3; bounds derived from V1.1b3 4.1.
func TestMBAPLengths(t *testing.T) {
	v := loadVectors(t).TCP.MBAP
	for n := range 65536 {
		head := []byte{0, 1, 0, 0, byte(n >> 8), byte(n), 0x11}
		_, _, used, err := Codec{Framing: line.MBAP}.Next(head)
		want := n >= v.Least && n <= v.Most
		if Fatal(err) == want || used != 0 || want && err != ErrMore {
			t.Fatalf("length %d: %v, %d used", n, err, used)
		}
		if _, err := ParseADU(line.MBAP, head); errors.Is(err, ErrLength) == want || err == nil {
			t.Fatalf("length %d: %v", n, err)
		}
	}
	// Nothing is allocated for a length before its bytes are there.
	head := []byte{0, 1, 0, 0, 0, 254, 0x11}
	if n := testing.AllocsPerRun(100, func() { Codec{Framing: line.MBAP}.Next(head) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
	_, err := ParseADU(line.MBAP, append(unhex(t, loadVectors(t).TCP.Request.ADU), 0))
	if !errors.Is(err, ErrLong) {
		t.Errorf("a byte too many: %v", err)
	}
}

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

// ASCII streams. Source: serial guide 2.5.2, 2.5.2.1.
func TestASCIIStreams(t *testing.T) {
	good := ":1103006B00037E\r\n"
	for _, c := range []struct {
		what, raw string
		frames    int
		errors    []error
	}{
		{"good", good, 1, nil},
		{"noise in front", "\x00\xffx\r\n" + good, 1, nil},
		{"two", good + good, 2, nil},
		{"colon inside", ":1103" + good, 1, nil},
		{"colon colon", ":" + good, 1, nil},
		{"lower case", ":1103006b00037E\r\n" + good, 1, []error{ErrCharacter}},
		{"blank inside", ":11 03006B00037E\r\n" + good, 1, []error{ErrCharacter}},
		{"LF missing", ":1103006B00037E\r" + good, 1, nil},
		{"CR missing", ":1103006B00037E\n" + good, 1, []error{ErrCharacter}},
		{"CR CR", ":1103006B00037E\r\r\n" + good, 1, []error{ErrCharacter}},
		{"CR inside", ":1103\r006B" + good, 1, []error{ErrCharacter}},
		{"odd digits", ":1103006B00037\r\n" + good, 1, []error{ErrShort}},
		{"nothing inside", ":\r\n" + good, 1, []error{ErrShort}},
		{"unit and LRC only", ":11EF\r\n" + good, 1, []error{ErrShort}},
		{"513 characters", ":" + strings.Repeat("0", 510) + "\r\n" + good, 2, nil},
		{"514 characters", ":" + strings.Repeat("0", 511) + "\r\n" + good, 1, []error{ErrLong}},
		{"600 characters", ":" + strings.Repeat("0", 597) + "\r\n" + good, 1, []error{ErrLong}},
		{"LRC", ":1103006B00037D\r\n" + good, 1, []error{ErrChecksum}},
	} {
		steps := sameHoweverCut(t, Codec{Framing: line.ASCII}, []byte(c.raw), 9)
		var classes []string
		for _, s := range steps {
			if s.words != "" {
				classes = append(classes, s.words)
			}
		}
		ok := len(framesOf(steps)) == c.frames && len(classes) == len(c.errors)
		for i := range classes {
			ok = ok && strings.HasPrefix(classes[i], c.errors[i].Error())
		}
		if !ok {
			t.Errorf("%s: %+v, want %d frames and %v", c.what, steps, c.frames, c.errors)
		}
	}
	// V1.1b3 6.8.1, sub-function 3: another character in place of LF.
	semicolon := strings.Replace(good, "\n", ";", 1)
	if got := framesOf(sameHoweverCut(t, Codec{Framing: line.ASCII, Delimiter: ';'}, []byte(semicolon+semicolon), 9)); len(got) != 2 {
		t.Errorf("delimiter: %+v", got)
	}
	for raw, class := range map[string]error{
		"": ErrShort, ":": ErrShort, "x": ErrCharacter, good + "0": ErrCharacter, good[:len(good)-1] + ";": ErrCharacter,
		":1103006b00037E\r\n": ErrCharacter, ":" + strings.Repeat("0", 511) + "\r\n": ErrLong,
	} {
		if a, err := ParseADU(line.ASCII, []byte(raw)); !errors.Is(err, class) || !zeroADU(a) {
			t.Errorf("%q: %+v, %v, want %v", raw, a, err, class)
		}
	}
}

func TestFramingErrors(t *testing.T) {
	if _, err := ParseADU(0, nil); !errors.Is(err, ErrFraming) {
		t.Error(err)
	}
	if _, err := AppendADU(nil, ADU{PDU: []byte{1}}); !errors.Is(err, ErrFraming) {
		t.Error(err)
	}
	if _, err := AppendADU(nil, ADU{Framing: line.RTU}); !errors.Is(err, ErrShort) {
		t.Error(err)
	}
	if b, err := AppendADU([]byte("x"), ADU{Framing: line.RTU, PDU: make([]byte, 254)}); !errors.Is(err, ErrLong) || b != nil {
		t.Error(err)
	}
	if _, _, _, err := (Codec{}).Next([]byte{1}); !Fatal(err) {
		t.Error(err)
	}
	if Fatal(ErrMore) || Fatal(nil) {
		t.Error("more bytes are not fatal")
	}
}
