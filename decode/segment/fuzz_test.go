package segment

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/regmap/line"
)

// cutPieces segments a stream cut into random parts.
func cutPieces(t testing.TB, f line.Framing, b []byte, seed uint64) (out []Piece) {
	r := rand.New(rand.NewPCG(seed, 5))
	s := New(Settings{Framing: f}, func(p Piece) { out = append(out, p) })
	for len(b) > 0 {
		n := 1 + r.IntN(min(len(b), 1+r.IntN(300)))
		part := bytes.Clone(b[:n])
		s.Feed(part, decode.Stamp{})
		for i := range part {
			part[i] = 0xEE // nothing of it may be kept
		}
		b = b[n:]
		checkHeld(t, s)
	}
	s.Flush()
	checkHeld(t, s)
	return out
}

// heldMost is the most bytes of the stream that a segmenter holds back: noise,
// a frame, and what is looked at behind it.
func heldMost(s *Segmenter) int { return int(s.limit.noise + s.limit.frame + s.limit.look) }

func checkHeld(t testing.TB, s *Segmenter) {
	t.Helper()
	if n := len(s.w.bytes); n > heldMost(s) || cap(s.w.bytes) > 4*heldMost(s) {
		t.Fatalf("%d bytes held, room for %d; at most %d are allowed", n, cap(s.w.bytes), heldMost(s))
	}
	if len(s.nodes) > maxNodes+2 || len(s.w.marks) > heldMost(s)+1 {
		t.Fatalf("%d readings and %d stamps held", len(s.nodes), len(s.w.marks))
	}
}

// checkCuts: any cutting of a stream gives the same pieces.
func checkCuts(t testing.TB, f line.Framing, b []byte, seeds ...uint64) {
	t.Helper()
	whole := pieces(f, b)
	checkWhole(t, whole, b)
	for _, seed := range seeds {
		if cut := cutPieces(t, f, b, seed); !reflect.DeepEqual(cut, whole) {
			t.Fatalf("cut by seed %d: %s\nwhole: %s", seed, shown(cut), shown(whole))
		}
	}
	checkSteps(t, f, b)
}

// stepsMost bounds the work a byte. The most that any stream was found to need
// is a third of it; a talk needs about 20.
const stepsMost = 6000

// checkSteps counts the work instead of the time.
func checkSteps(t testing.TB, f line.Framing, b []byte) int {
	t.Helper()
	s := New(Settings{Framing: f}, func(Piece) {})
	s.Feed(b, decode.Stamp{})
	s.Flush()
	if most := stepsMost * (len(b) + 300); s.steps > most {
		t.Fatalf("%d steps for %d bytes, at most %d", s.steps, len(b), most)
	}
	return s.steps
}

// FuzzSegment: any cutting of the bytes gives the same pieces, the pieces hold
// every byte once, memory and work are bounded, and pairing takes whatever comes.
func FuzzSegment(f *testing.F) {
	for _, v := range loadVectors(f) {
		for _, framing := range [...]line.Framing{line.RTU, line.ASCII} {
			b := v.Request.bytes(f, framing)
			if v.Response != nil {
				b = join(b, v.Response.bytes(f, framing))
			}
			f.Add(b, framing == line.ASCII, uint64(len(b)))
			f.Add(join(b[:len(b)/2], b, noise(1, 5), b), framing == line.ASCII, uint64(len(b)))
		}
	}
	g := newGenerator(9, line.RTU, 0.3)
	g.run(900)
	f.Add(g.stream, false, uint64(1))
	f.Add(bytes.Repeat(rtu(17, 7), 200), false, uint64(2))
	f.Fuzz(func(t *testing.T, b []byte, ascii bool, seed uint64) {
		framing := line.RTU
		if ascii {
			framing = line.ASCII
		}
		if len(b) > 8192 {
			return
		}
		if seed%2 == 1 && !ascii && len(b) > 3 {
			b = repaired(b)
		}
		checkCuts(t, framing, b, seed)
		checkPaired(t, pieces(framing, b))
	})
}

// repaired gives the bytes a right check at their end, so that what lies behind
// the check is tried too.
func repaired(b []byte) []byte {
	b = bytes.Clone(b[:min(len(b), 250)])
	return rtu(17, b...)
}

// checkPaired holds what is true of all exchanges: every frame is in one, and
// only one.
func checkPaired(t testing.TB, all []Piece) {
	t.Helper()
	frames, in := 0, 0
	last := uint64(0)
	p := NewPairer(1, func(h Heard) {
		if h.Asked != nil {
			in++
		}
		if h.Answer != nil && h.Answer.Kind == Frame {
			in++
		}
		if h.ID.Number != last+1 || h.Outcome == 0 || h.Asked == nil && h.Answer == nil {
			t.Fatalf("%+v after %d", h, last)
		}
		last = h.ID.Number
	})
	for _, piece := range all {
		if piece.Kind == Frame {
			frames++
		}
		p.Take(piece)
	}
	p.Flush(decode.Stamp{})
	if frames != in {
		t.Fatalf("%d frames, %d in exchanges", frames, in)
	}
}

// Any cutting, on streams of talk with faults, of noise, and of what makes most
// readings.
func TestAnyCutting(t *testing.T) {
	for seed := range uint64(3) {
		for _, f := range [...]line.Framing{line.RTU, line.ASCII} {
			g := newGenerator(seed, f, 0.2)
			g.run(8000)
			checkCuts(t, f, g.stream, seed, seed+1, seed+2)
			checkPaired(t, pieces(f, g.stream))
		}
	}
	checkCuts(t, line.RTU, noise(3, 20_000), 1, 2)
}

// The work a byte stays bounded whatever comes: frames as short as there are,
// all that read both ways, beginnings of long frames, of lengths that are tried.
func TestWorkIsLinear(t *testing.T) {
	streams := map[string][]byte{
		"shortest frames": rtu(17, 7), "both ways": write, "read and told": join(ask, told),
		"zeros": {0}, "ones": {0xFF}, "long beginnings": {3, 0xFA}, "write beginnings": {16}, "loop back": {8, 0, 0}, "free content": {0x2B, 0x0D},
		"objects": {0x2B, 0x0E, 1, 1, 0, 0, 0x7F, 0, 0}, "colons": {':'}, "hex": []byte("0"), "nothing": []byte(":110600010003E4\r\n"),
		"mixed": join(rtu(1, 7), rtu(2, 11), write, rtu(3, 0x83, 2), write2, rtu(17, 8, 0, 0, 1, 2)),
	}
	for name, part := range streams {
		for _, f := range [...]line.Framing{line.RTU, line.ASCII} {
			short, long := bytes.Repeat(part, 3_000/len(part)), bytes.Repeat(part, 9_000/len(part))
			few, many := checkSteps(t, f, short), checkSteps(t, f, long)
			t.Logf("%s, %v: %d steps a byte", name, f, many/len(long))
			if many > 4*few {
				t.Errorf("%s, %v: %d steps for %d bytes, %d for %d", name, f, few, len(short), many, len(long))
			}
		}
	}
}

// An endless stream holds no more than a short one: 2 MiB of talk, noise and
// silence go through, with a stamp for each part.
func TestMemoryIsFlat(t *testing.T) {
	g := newGenerator(5, line.RTU, 0.1)
	g.run(1 << 19)
	stream := join(g.stream, noise(5, 1<<18), make([]byte, 1<<18))
	total := 0
	s := New(Settings{Framing: line.RTU}, func(p Piece) { total += len(p.Bytes) })
	const rounds = 2
	for i := range rounds {
		for at := 0; at < len(stream); at += 50 {
			s.Feed(stream[at:min(at+50, len(stream))], stampAt(time.Duration(i*len(stream)+at)*time.Millisecond))
			checkHeld(t, s)
		}
	}
	s.Flush()
	held := int(reflect.TypeOf(*s).Size()) + cap(s.w.bytes) + cap(s.w.marks)*int(reflect.TypeOf(mark{}).Size()) +
		cap(s.nodes)*(int(reflect.TypeOf(node{}).Size())+2*int(s.limit.frame))
	t.Logf("%d bytes held at most, every reading counted with the longest frame twice", held)
	if held > 256<<10 {
		t.Errorf("%d bytes held", held)
	}
	if total != rounds*len(stream) {
		t.Errorf("%d bytes came out of %d", total, rounds*len(stream))
	}
}

// Stamps of every sort, backwards and missing ones too, change no byte and break
// nothing. Source: robustness table E8.
func TestE8StampsOfEverySort(t *testing.T) {
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 8))
		g := newGenerator(seed, line.RTU, 0.2)
		g.run(6000)
		var all []Piece
		s := New(Settings{Framing: line.RTU, Serial: line.DefaultSerial("")}, func(p Piece) { all = append(all, p) })
		for b := g.stream; len(b) > 0; {
			n := 1 + r.IntN(min(len(b), 40))
			stamp := decode.Stamp{}
			if r.IntN(3) > 0 {
				stamp = stampAt(time.Duration(r.Int64()))
			}
			s.Feed(b[:n], stamp)
			checkHeld(t, s)
			if b = b[n:]; r.IntN(50) == 0 {
				s.Silence()
			}
		}
		s.Flush()
		checkWhole(t, all, g.stream)
		checkPaired(t, all)
	}
}
