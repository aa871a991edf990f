package frame

import "encoding/binary"

// An RTU stream has no borders but silence, which a stream of bytes does not
// show. So each offset is asked what frame could begin there.
//
// A strong candidate is of the awaited kind and its length follows from its
// first bytes: it is waited for, and what lies inside it is not looked at. A
// weak one, of another unit or length than awaited, counts only once its CRC
// fits, and holds nothing up. What can be told from the fewest bytes wins, and
// so the cuts of the stream do not matter. Other lengths than the implied ones
// are not tried in a stream: that would find a false frame in every 270 bytes of
// noise. Source: serial guide 2.5.1.1; implied lengths are our choice.
type candidate struct {
	kind   candidateKind
	length int // bytes of the ADU; of a weak one that has a step, the least
	step   int // 0: exactly length; else length, length + step, ... up to MaxRTU
	from   int // bytes on which kind and length rest
	blocks bool
}

type candidateKind uint8

const (
	none candidateKind = iota
	open               // more bytes are needed to tell; blocks: it may become strong
	weak
	strong
)

const maxUnit = 247 // Source: serial guide 2.2

// found is a frame, or a strong candidate with a wrong CRC, and the number of
// bytes from which it could be told.
type found struct{ at, end, told int }

// A search walks the offsets of a stream.
type search struct {
	c    Codec
	b    []byte
	best found
	keep int // first offset where a frame may still grow

	// held is how many bytes must have been seen before a later offset counts,
	// because an earlier one might have become strong. A wrong CRC counts only
	// from grown on, when no weak candidate before it can grow any more.
	held, grown int
}

func (c Codec) nextRTU(b []byte) (ADU, int, int, error) {
	s := search{c: c, b: b, keep: len(b), best: found{told: len(b) + 1}}
	for o := range b {
		if s.best.told <= s.held || !s.visit(o) {
			break
		}
	}
	switch best := s.best; {
	case best.told <= len(b):
		adu, err := parseRTU(b[best.at:best.end:best.end])
		if err != nil {
			best.end = best.at + 1
		}
		return adu, best.at, best.end, err
	case c.Silent && len(b) > 0:
		return afterSilence(b)
	}
	return ADU{}, s.keep, s.keep, ErrMore
}

// visit looks at one offset; it is false when no later one may be looked at yet.
func (s *search) visit(o int) bool {
	k := s.c.candidate(s.b[o:])
	switch k.kind {
	case open:
		if s.c.Silent {
			return true
		}
		s.keep, s.grown = min(s.keep, o), len(s.b)+1
		return !k.blocks
	case strong:
		return s.visitStrong(o, k)
	case weak:
		s.visitWeak(o, k)
	}
	if k.blocks {
		s.held = max(s.held, o+k.from)
	}
	if !s.c.Silent {
		s.grown = max(s.grown, o+k.from)
	}
	return true
}

func (s *search) visitStrong(o int, k candidate) bool {
	end := o + k.length
	if end > len(s.b) {
		if !s.c.Silent {
			s.keep = min(s.keep, o)
		}
		return s.c.Silent
	}
	if fitting(s.b[o:], k) > 0 {
		s.tell(o, end, k.from, s.held)
		return false
	}
	s.tell(o, end, k.from, max(s.held, s.grown))
	s.held = max(s.held, end)
	return true
}

func (s *search) visitWeak(o int, k candidate) {
	end := o + k.length
	if k.step > 0 {
		end = o + MaxRTU
	}
	if n := fitting(s.b[o:], k); n > 0 {
		end = o + n
		s.tell(o, end, k.from, s.held)
	} else if end > len(s.b) && !s.c.Silent {
		s.keep = min(s.keep, o)
	}
	if !s.c.Silent {
		s.grown = max(s.grown, end)
	}
}

// tell notes what is found when it could be told earlier than all before.
func (s *search) tell(o, end, from, held int) {
	if told := max(end, o+from, held); told < s.best.told {
		s.best = found{o, end, told}
	}
}

// afterSilence judges bytes without a frame of implied length: the silence may
// have ended a frame of any function. Source: serial guide 2.5.1.1.
func afterSilence(b []byte) (ADU, int, int, error) {
	adu, err := parseRTU(b)
	return adu, 0, len(b), err
}

// candidate says what frame could begin with b.
func (c Codec) candidate(b []byte) candidate {
	switch {
	case len(b) < 2:
		return candidate{kind: open, blocks: true}
	case c.Awaits == nil:
		return requestCandidate(b)
	}
	return c.answerCandidate(b)
}

// requestCandidate: every function of the standard, for any unit of a line.
func requestCandidate(b []byte) candidate {
	s := shapeOf(b[1:], false)
	if s == nil {
		return candidate{}
	}
	k := candidate{blocks: b[0] <= maxUnit}
	if s.open {
		return openCandidate(b, k)
	}
	return sized(k, s, b, anyLength)
}

// openCandidate is a request whose length does not follow. Sub-functions of
// Diagnostics have one data word but for the loop back, V1.1b3 6.8.1.
func openCandidate(b []byte, k candidate) candidate {
	diagnostics := Function(b[1]) == Diagnostics
	switch {
	case diagnostics && len(b) < 4, len(b) < 3:
		k.kind = open
	case !diagnostics:
		k.from = 3
		if b[2] == MEICANopen {
			return anyInterface(k)
		}
	default:
		s := subRowOf(SubFunction(word(b, 2)))
		k.kind, k.from, k.length = weak, 4, rowOf(Diagnostics).request.min+rtuExtra
		switch {
		case s != nil && s.any:
			k.step = 2
		case s != nil && k.blocks:
			k.kind = strong
		}
	}
	return k
}

// anyInterface is a frame of 2B whose content is described elsewhere: its MEI
// type and any bytes. Source: V1.1b3 6.20.
func anyInterface(k candidate) candidate {
	k.kind, k.from, k.length, k.step = weak, 3, rowOf(EncapsulatedInterface).request.min+rtuExtra, 1
	return k
}

// anyLength makes every implied length a wanted one: a station has to answer
// requests with a wrong byte count too.
const anyLength = -1

// sized makes a candidate of the length that its first bytes imply; it is
// strong when it may block and the PDU length is want, or within the function's
// lengths when want is 0.
func sized(k candidate, s *shape, b []byte, want int) candidate {
	n, from, _ := s.length(b[1:])
	if n == 0 {
		k.kind = open
		return k
	}
	k.from, k.length = from+1, n+rtuExtra
	switch {
	case k.length > MaxRTU:
		k.kind = none
	case k.blocks && (want == anyLength || n == want || want == 0 && n >= s.min && n <= s.max):
		k.kind = strong
	default:
		k.kind = weak
	}
	return k
}

// answerCandidate takes for strong only what the awaited answer must look like
// as far as its length goes, or the exception of its function.
func (c Codec) answerCandidate(b []byte) candidate {
	f := Function(b[1])
	k := candidate{blocks: b[0] == byte(c.Unit) && f&^exceptionBit == c.Awaits.Function}
	if f&exceptionBit != 0 {
		k.kind, k.length, k.from = weak, exceptionLength+rtuExtra, 2
		if k.blocks {
			k.kind = strong
		}
		return k
	}
	s := shapeOf(b[1:], true)
	if s == nil {
		return candidate{}
	}
	want, exact := AnswerLength(*c.Awaits)
	if !exact {
		want = 0
	}
	switch {
	case !s.open:
		return sized(k, s, b, want)
	case len(b) < 3:
		k.kind = open
	case k.blocks && want > 0:
		k.kind, k.length, k.from = strong, want+rtuExtra, 3
	case k.blocks:
		return anyInterface(k)
	}
	return k
}

// fitting is the length of the shortest frame of the candidate's lengths at the
// start of b whose CRC fits; 0 for none.
func fitting(b []byte, k candidate) int {
	if k.length > len(b) {
		return 0
	}
	crc := CRC(b[:k.length-2])
	for n := k.length; n <= min(len(b), MaxRTU); n += k.step {
		if crc == binary.LittleEndian.Uint16(b[n-2:]) {
			return n
		}
		if k.step == 0 {
			break
		}
		for _, c := range b[n-2 : min(n-2+k.step, len(b))] {
			crc = crcNext(crc, c)
		}
	}
	return 0
}
