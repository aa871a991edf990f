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
	due   [openRing]int32 // index in begun of the first one that falls due, plus 1
}

// openRing is more offsets than the longest RTU frame has bytes.
const openRing = 512

// A beginning is one reading of a frame that may have begun.
type beginning struct {
	start int64
	end   int64 // where its check would end; 0: not known yet
	due   int64 // the offset at which there is more to see; 0: it is over
	step  int
	next  int32 // falls due at the same offset
}

func (o *opened) forget() { *o = opened{} }

func slot(start int64, answer bool) int32 {
	i := int32(start%openRing) * 2
	if answer {
		i++
	}
	return i
}

// wait lists a beginning under the offset at which it falls due.
func (o *opened) wait(i int32, due int64) {
	b := &o.begun[i]
	b.due, b.next = due, o.due[due%openRing]
	o.due[due%openRing] = i + 1
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
		case b.due != now:
		case b.start < s.w.base:
			b.due = 0
		case b.end == 0:
			s.imply(i, i&1 == 1)
		default:
			s.check(i, i&1 == 1)
		}
	}
}

// imply asks how long a frame is that may have begun.
func (s *Segmenter) imply(i int32, answer bool) {
	b := &s.open.begun[i]
	b.due = 0
	im := frame.Imply(s.w.from(b.start+1), way(answer))
	switch {
	case !im.Known:
	case im.Length == 0:
		s.open.wait(i, b.start+1+int64(im.Needs))
	default:
		b.step = im.Step
		b.end = b.start + int64(frame.ADULength(line.RTU, im.Length))
		s.open.wait(i, b.end)
	}
}

func way(answer bool) frame.Direction {
	if answer {
		return frame.Answering
	}
	return frame.Asking
}

// check judges a frame whose last byte is there.
func (s *Segmenter) check(i int32, answer bool) {
	b := &s.open.begun[i]
	b.due = 0
	adu := s.w.span(b.start, b.end)
	n := len(adu) - 2
	s.steps += 1 + n/16
	if frame.CRC(adu[:n]) == binary.LittleEndian.Uint16(adu[n:]) {
		s.addNode(b.start, b.end, answer, b.step > 0)
		return
	}
	if b.step > 0 && len(adu)+b.step <= frame.MaxRTU {
		b.end += int64(b.step)
		s.open.wait(i, b.end)
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
			case b.due == 0 || b.start != at || b.end != 0 && b.end <= f.end:
			case at < f.start || i&1 == 1 && s.root.asksFor(regmap.Unit(f.bytes[0]), f.bytes[1], b.end-b.start):
				return b.due
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
