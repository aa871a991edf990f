package segment

import (
	"encoding/binary"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// opened is the RTU frames that may have begun: at each offset one reading as a
// request and one as an answer. Each is looked at again only when the bytes are
// there that say more, by lists of what falls due at an offset.
type opened struct {
	begun [2 * openRing]beginning
	due   [openRing]int16 // index in begun of the first one that falls due, plus 1
}

// openRing is more offsets than the longest RTU frame has bytes.
const openRing = 512

// A beginning is one reading of a frame that may have begun.
type beginning struct {
	start int64
	size  int16 // its bytes; 0: not known yet
	due   int16 // how many bytes of it show more; 0: it is over
	step  int16 // sizes tried after this one lie so far apart; 0: none is
	next  int16 // falls due at the same offset, as in opened.due
}

func (b *beginning) dueAt() int64 { return b.start + int64(b.due) }

func (o *opened) forget() { *o = opened{} }

func slot(start int64, answer bool) int16 {
	i := int16(start%openRing) * 2
	if answer {
		i++
	}
	return i
}

// wait lists a beginning under the offset at which it has so many bytes.
func (o *opened) wait(i, size int16) {
	b := &o.begun[i]
	b.due = size
	list := &o.due[b.dueAt()%openRing]
	b.next, *list = *list, i+1
}

// nextRTU looks at what the last byte tells.
func (s *Segmenter) nextRTU() {
	now := s.w.end()
	if start := now - 2; start >= s.w.base {
		for _, answer := range [...]bool{false, true} {
			i := slot(start, answer)
			s.open.begun[i] = beginning{start: start}
			s.imply(i, answer)
		}
	}
	list := s.open.due[now%openRing]
	s.open.due[now%openRing] = 0
	for list != 0 {
		i := list - 1
		b := &s.open.begun[i]
		list = b.next
		s.steps++
		switch {
		case b.due == 0 || b.dueAt() != now:
		case b.start < s.w.base:
			b.due = 0
		case b.size == 0:
			s.imply(i, i&1 == 1)
		default:
			s.check(i, i&1 == 1)
		}
	}
}

// imply asks how long a frame is that may have begun.
func (s *Segmenter) imply(i int16, answer bool) {
	b := &s.open.begun[i]
	b.due = 0
	im := frame.Imply(s.w.from(b.start+1), way(answer))
	switch {
	case !im.Known:
	case im.Length == 0:
		s.open.wait(i, int16(im.Needs)+1)
	default:
		b.step, b.size = int16(im.Step), int16(frame.ADULength(line.RTU, im.Length))
		s.open.wait(i, b.size)
	}
}

func way(answer bool) frame.Direction {
	if answer {
		return frame.Answering
	}
	return frame.Asking
}

// check judges a frame whose last byte is there.
func (s *Segmenter) check(i int16, answer bool) {
	b := &s.open.begun[i]
	b.due = 0
	end := b.start + int64(b.size)
	adu := s.w.span(b.start, end)
	n := len(adu) - 2
	s.steps += 1 + n/16
	if frame.CRC(adu[:n]) == binary.LittleEndian.Uint16(adu[n:]) {
		if answer && adu[1]&0x80 != 0 && !frame.Function(adu[1]&0x7F).Known() {
			s.findAsked(b.start, adu[0], adu[1]&0x7F)
		}
		s.addNode(b.start, end, answer, b.step > 0)
		return
	}
	if b.step > 0 && b.size+b.step <= frame.MaxRTU {
		b.size += b.step
		s.open.wait(i, b.size)
	}
}

// findAsked looks for a request of a function that the standard does not have in
// front of its exception: any length that begins with the same unit and function
// and has a right check.
func (s *Segmenter) findAsked(end int64, unit, function byte) {
	from := max(s.w.base, end-s.limit.frame)
	for start := end - minRTU; start >= from; start-- {
		s.steps++
		b := s.w.span(start, end)
		if b[0] != unit || b[1] != function {
			continue
		}
		s.steps += len(b) / 16
		if rightRTU(b) {
			s.addNode(start, end, false, true)
			return
		}
	}
}

// enclosing is the offset at which the first frame that may still turn out to
// hold [from, to) inside it falls due; 0 for none. One that begins at the same
// place counts only when the request before it asks for just its length.
func (s *Segmenter) enclosing(f *node) int64 {
	for at := max(s.w.base, f.end-s.limit.frame); at <= f.start; at++ {
		s.steps++
		for i := slot(at, false); i <= slot(at, true); i++ {
			b := &s.open.begun[i]
			switch {
			case b.due == 0 || b.start != at || b.size != 0 && at+int64(b.size) <= f.end:
			case at < f.start || i&1 == 1 && s.root.asksFor(regmap.Unit(f.bytes[0]), f.bytes[1], int64(b.size)):
				return b.dueAt()
			}
		}
	}
	return 0
}

// nextASCII looks for a colon and for CR and the delimiter behind it; another
// colon begins anew. Source: serial guide 2.5.2.1.
func (s *Segmenter) nextASCII(c byte) {
	end := byte('\n')
	if s.set.Delimiter != 0 {
		end = s.set.Delimiter
	}
	now := s.w.end()
	switch {
	case c == ':':
		s.colon = now - 1
	case s.colon < s.w.base:
	case c == end && now-s.colon <= s.limit.frame:
		text := s.w.span(s.colon, now)
		s.steps += len(text)
		adu, _, used, err := frame.Codec{Framing: line.ASCII, Delimiter: s.set.Delimiter}.Next(text)
		if err == nil && used == len(text) {
			s.addReadings(s.colon, now, adu)
		}
		s.colon = -1
	}
}
