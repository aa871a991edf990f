package segment

import (
	"math/rand/v2"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The generator makes the talk of one client with several stations and disturbs
// some of its frames. It knows nothing of the segmenter.

// A sentFrame is one frame of the generated stream.
type sentFrame struct {
	at, length int
	answer     bool
	disturbed  bool
}

func (f sentFrame) direction() frame.Direction {
	if f.answer {
		return frame.Answering
	}
	return frame.Asking
}

type generator struct {
	r       *rand.Rand
	framing line.Framing
	disturb float64
	stream  []byte
	sent    []sentFrame
	units   []regmap.Unit
}

func newGenerator(seed uint64, f line.Framing, disturb float64) *generator {
	g := &generator{r: rand.New(rand.NewPCG(seed, 0x9E3779B97F4A7C15)), framing: f, disturb: disturb}
	for _, u := range g.r.Perm(247)[:2+g.r.IntN(12)] {
		g.units = append(g.units, regmap.Unit(u+1))
	}
	return g
}

// run makes a stream of so many bytes at least.
func (g *generator) run(length int) {
	for len(g.stream) < length {
		g.exchange()
	}
}

func (g *generator) exchange() {
	unit := g.units[g.r.IntN(len(g.units))]
	q, a := g.talk()
	if g.r.IntN(100) == 0 && q[0] >= 5 && q[0] != 8 && q[0] < 0x14 {
		g.put(regmap.Broadcast, q, false)
		return
	}
	g.put(unit, q, false)
	switch n := g.r.IntN(200); {
	case n < 2:
	case n < 6:
		codes := []byte{1, 2, 3, 4, 6, 11}
		g.put(unit, []byte{q[0] | 0x80, codes[g.r.IntN(len(codes))]}, true)
	case a != nil:
		g.put(unit, a, true)
	}
}

func (g *generator) words(n int) []byte {
	b := make([]byte, 2*n)
	for i := range b {
		switch g.r.IntN(3) {
		case 0:
			b[i] = byte(g.r.Uint32()) // else small numbers and zeros, as registers hold them
		case 1:
			b[i] = byte(g.r.IntN(24))
		}
	}
	return b
}

func two(v int) []byte { return []byte{byte(v >> 8), byte(v)} }

func join(parts ...[]byte) (out []byte) {
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// talk is the PDUs of one exchange, bytes by V1.1b3 6.1 to 6.21.
func (g *generator) talk() (q, a []byte) {
	r := g.r
	address := two(r.IntN(5000))
	if r.IntN(4) == 0 {
		address = two(r.IntN(65000))
	}
	switch n := r.IntN(100); {
	case n < 40:
		f, count := byte(3+r.IntN(2)), 1+r.IntN(20)
		if r.IntN(5) == 0 {
			count = 1 + r.IntN(125)
		}
		return join([]byte{f}, address, two(count)), join([]byte{f, byte(2 * count)}, g.words(count))
	case n < 52:
		f, count := byte(1+r.IntN(2)), 1+r.IntN(64)
		bytes := (count + 7) / 8
		return join([]byte{f}, address, two(count)), join([]byte{f, byte(bytes)}, g.words(bytes)[:bytes])
	case n < 58:
		q = join([]byte{5}, address, []byte{byte(r.IntN(2)) * 0xFF, 0})
		return q, q
	case n < 72:
		q = join([]byte{6}, address, g.words(1))
		return q, q
	case n < 76:
		count := 1 + r.IntN(40)
		q = join([]byte{15}, address, two(count), []byte{byte((count + 7) / 8)}, g.words((count + 7) / 8)[:(count+7)/8])
		return q, q[:5]
	case n < 86:
		count := 1 + r.IntN(30)
		q = join([]byte{16}, address, two(count), []byte{byte(2 * count)}, g.words(count))
		return q, q[:5]
	case n < 88:
		q = join([]byte{22}, address, g.words(2))
		return q, q
	case n < 91:
		read, write := 1+r.IntN(20), 1+r.IntN(20)
		q = join([]byte{23}, address, two(read), two(r.IntN(5000)), two(write), []byte{byte(2 * write)}, g.words(write))
		return q, join([]byte{23, byte(2 * read)}, g.words(read))
	}
	return g.rareTalk(address)
}

func (g *generator) rareTalk(address []byte) (q, a []byte) {
	r := g.r
	switch r.IntN(7) {
	case 0:
		return []byte{7}, []byte{7, byte(r.Uint32())}
	case 1:
		q = join([]byte{8, 0, 0}, g.words(1))
		return q, q
	case 2:
		q = []byte{8, 0, byte(11 + r.IntN(8)), 0, 0}
		return q, join(q[:3], g.words(1))
	case 3:
		return []byte{11}, join([]byte{11, 0, 0}, g.words(1))
	case 4:
		n := 2 + r.IntN(30)
		return []byte{17}, join([]byte{17, byte(n)}, g.words(n)[:n])
	case 5:
		n := r.IntN(31)
		return join([]byte{24}, address), join([]byte{24}, two(2+2*n), two(n), g.words(n))
	}
	text := "NURSERY"[:1+r.IntN(7)]
	return []byte{43, 14, 4, 2}, join([]byte{43, 14, 4, 0x81, 0, 0, 1, 2, byte(len(text))}, []byte(text))
}

// put sends one frame, disturbed or not.
func (g *generator) put(unit regmap.Unit, pdu []byte, answer bool) {
	if answer && pdu == nil {
		return
	}
	b, err := frame.AppendADU(nil, frame.ADU{Framing: g.framing, Unit: unit, PDU: pdu})
	if err != nil {
		panic(err)
	}
	f := sentFrame{at: len(g.stream), length: len(b), answer: answer}
	if g.r.Float64() < g.disturb {
		g.spoil(b, &f)
		return
	}
	g.stream = append(g.stream, b...)
	g.sent = append(g.sent, f)
}

// spoil sends a frame with one of the faults of a line: bits turned, bytes lost
// or put in, its end cut off, its end lost under the next frame, or noise in
// front of it, which leaves the frame itself whole.
func (g *generator) spoil(b []byte, f *sentFrame) {
	r := g.r
	f.disturbed = true
	at := r.IntN(len(b))
	switch r.IntN(6) {
	case 0: // in different bytes, so that none turns back
		for _, i := range r.Perm(len(b))[:1+r.IntN(3)] {
			b[i] ^= 1 << r.IntN(8)
		}
	case 1:
		b = append(b[:at:at], b[min(len(b), at+1+r.IntN(3)):]...)
	case 2:
		at = 1 + r.IntN(len(b)-1) // inside: the frame is no longer whole
		b = join(b[:at], g.noise(1+r.IntN(6)), b[at:])
	case 3:
		b = b[:at]
	case 4:
		over := 1 + r.IntN(min(4, len(b)))
		b = append(b[:len(b)-over:len(b)-over], b[len(b)-over]^byte(1+r.IntN(255)))
	case 5:
		noise := g.noise(1 + r.IntN(20))
		f.at += len(noise)
		f.disturbed = false
		b = join(noise, b)
	}
	g.stream = append(g.stream, b...)
	g.sent = append(g.sent, *f)
}

func (g *generator) noise(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(g.r.Uint32())
	}
	return b
}
