package frame

import (
	"bytes"
	"errors"
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
