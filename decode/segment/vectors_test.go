package segment

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// A vector is a worked example of the standards, with its clause in the file.
type vector struct {
	ID       string
	Kind     string
	Request  *vectorFrame
	Response *vectorFrame
}

type vectorFrame struct{ PDU, RTU, ASCII string }

func (f *vectorFrame) bytes(t testing.TB, framing line.Framing) []byte {
	if framing == line.ASCII {
		return []byte(f.ASCII)
	}
	return unhex(t, f.RTU)
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil || len(b) == 0 {
		t.Fatalf("%q is not hex: %v", s, err)
	}
	return b
}

// loadVectors gives the examples and the exceptions of testdata/spec/vectors.yaml.
func loadVectors(t testing.TB) []vector {
	t.Helper()
	text, err := os.ReadFile("../../testdata/spec/vectors.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Vectors    []vector
		Exceptions struct{ Vectors []vector }
	}
	if err := yaml.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Vectors) < 30 || len(file.Exceptions.Vectors) == 0 {
		t.Fatalf("%d and %d vectors", len(file.Vectors), len(file.Exceptions.Vectors))
	}
	return append(file.Vectors, file.Exceptions.Vectors...)
}

// noise is random bytes.
func noise(seed uint64, n int) []byte {
	r := rand.New(rand.NewPCG(seed, 3))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// offsets is every offset up to which the vectors are moved along in noise.
const offsets = 70

// TestVectorsInNoise: each example of the standards, a request with its answer,
// is found at every offset in noise, both frames certain, both directions right,
// and the answer knows its request.
func TestVectorsInNoise(t *testing.T) {
	tried := 0
	for _, v := range loadVectors(t) {
		if v.Response == nil || v.Kind == "published-as-printed" {
			continue
		}
		tried++
		for _, f := range [...]line.Framing{line.RTU, line.ASCII} {
			q, a := v.Request.bytes(t, f), v.Response.bytes(t, f)
			for at := range offsets {
				stream := join(noise(uint64(at), at), q, a, noise(uint64(at)+1000, 40))
				asked := found(t, f, stream, at, q)
				answer := found(t, f, stream, at+len(q), a)
				if asked == nil || answer == nil {
					t.Errorf("%s %v at %d: found %v and %v", v.ID, f, at, asked != nil, answer != nil)
					break
				}
				if asked.Direction != frame.Asking || answer.Direction != frame.Answering || answer.Answers != asked.Number ||
					asked.Certainty != Certain || answer.Certainty != Certain {
					t.Errorf("%s %v at %d: %v %v, %v %v, answers %d of %d", v.ID, f, at, asked.Direction, asked.Certainty,
						answer.Direction, answer.Certainty, answer.Answers, asked.Number)
					break
				}
			}
		}
	}
	if tried < 40 {
		t.Errorf("%d examples tried", tried)
	}
}

// TestLoneVectorsInNoise: each frame of the standard's functions is found alone
// too, as possible only, with a direction where only one can be read from it.
func TestLoneVectorsInNoise(t *testing.T) {
	tried := 0
	for _, v := range loadVectors(t) {
		for _, one := range [...]*vectorFrame{v.Request, v.Response} {
			if one == nil {
				continue
			}
			pdu := unhex(t, one.PDU)
			_, errQ := frame.ParseRequest(pdu)
			_, errA := frame.ParseResponse(pdu)
			want := frame.Direction(0)
			switch {
			case errQ != nil && errA != nil:
				continue // a wrong one, in the file on purpose
			case errA != nil:
				want = frame.Asking
			case errQ != nil:
				want = frame.Answering
			}
			tried++
			for _, f := range [...]line.Framing{line.RTU, line.ASCII} {
				if f == line.RTU && !frame.Function(pdu[0]&0x7F).Known() {
					continue // half of all bytes begin one: alone it is nothing
				}
				b := one.bytes(t, f)
				for at := range offsets {
					stream := join(noise(uint64(at)+500, at), b, noise(uint64(at)+5000, 60))
					p := found(t, f, stream, at, b)
					if p == nil || p.Direction != want || at > 0 && p.Certainty != Possible {
						t.Errorf("%s %v at %d: %+v, want direction %v", v.ID, f, at, p, want)
						break
					}
				}
			}
		}
	}
	if tried < 60 {
		t.Errorf("%d frames tried", tried)
	}
}

// found is the frame at an offset; nil when it is not found whole.
func found(t testing.TB, f line.Framing, stream []byte, at int, b []byte) *Piece {
	t.Helper()
	all := pieces(f, stream)
	checkWhole(t, all, stream)
	for _, p := range all {
		if p.Kind == Frame && p.Offset == int64(at) && bytes.Equal(p.Bytes, b) {
			return &p
		}
	}
	return nil
}

// checkWhole holds what is true of the pieces of every stream: they follow each
// other without a hole, frames have right checks, numbers count.
func checkWhole(t testing.TB, all []Piece, stream []byte) {
	t.Helper()
	at, number := int64(0), uint64(0)
	for _, p := range all {
		if p.Offset != at || len(p.Bytes) == 0 || p.End() > int64(len(stream)) || !bytes.Equal(p.Bytes, stream[at:p.End()]) {
			t.Fatalf("piece at %d of %d bytes, want one at %d", p.Offset, len(p.Bytes), at)
		}
		at = p.End()
		if p.Kind != Frame {
			if p.Number != 0 || p.Answers != 0 || p.Kind == 0 || p.Kind == Noise && p.Direction != 0 {
				t.Fatalf("%+v", p)
			}
			continue
		}
		number++
		if _, err := frame.ParseADU(p.Framing, p.Bytes); err != nil && !errors.Is(err, frame.ErrCharacter) {
			t.Fatalf("frame at %d: %v", p.Offset, err)
		}
		if p.Number != number || p.Answers >= number || p.Repeats >= number || p.Answers > 0 && p.Direction != frame.Answering {
			t.Fatalf("%+v", p)
		}
	}
	if at != int64(len(stream)) {
		t.Fatalf("pieces of %d bytes, want %d", at, len(stream))
	}
}
