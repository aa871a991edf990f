package segment

import (
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The points of a path, roughly in bits of evidence: a check that fits by
// accident has 16 against it in RTU. They are our choice; TestMeasuredStream
// says what they are good for.
const (
	rightCheck    = 6  // of a right check in RTU, less that any stretch may be tried
	rightText     = 14 // of a right check in ASCII with its colon and CR LF
	rightPDU      = 6  // its PDU keeps the rules of its function, or breaks them
	openLength    = -7 // its length was found by trying up to 127
	strangeCode   = -6 // an exception code that the standard's table does not have
	strangeRefuse = -8 // an exception to a function that the standard does not have
	reservedUnit  = -6
	castAnswer    = -10 // an answer of unit 0, which none may send
	castRead      = -4  // a read from unit 0
	hidden        = -12 // inside a right stretch that the path passed over
	lull          = -2  // a pause of more than an adapter's inside the frame

	touching     = 4   // nothing lies between it and the frame before
	answering    = 14  // the answer to the request before
	answeringFar = 10  // the same with noise between
	unasked      = -14 // an answer right behind a frame that is no request for it
	eitherWay    = -6  // the same, where it reads as a request too: more than two unanswered ones
	unaskedOther = -4  // an answer that does not fit the request, noise between
	unaskedFar   = -1  // an answer that no request is heard of, noise or the beginning before it
	unanswered   = -7  // a request right behind a request for an answer
	answerLost   = -2  // the same, noise between
	asksAgain    = -4  // the same request once more
	echo         = 12  // the same where adapters echo
	looksLike    = 4   // the noise begins or ends as the missing frame must
	waited       = 3   // a repeat after a time in which an answer comes
	pausedFirst  = 1   // a request after a pause
)

// Times. Common practice: adapters hand over within 16 ms, stations answer
// within 300 ms, clients wait half a second and longer.
const (
	adapterPause = 30 * time.Millisecond
	answerPause  = 300 * time.Millisecond
	longPause    = time.Second
	textPause    = time.Second // may lie between two characters in ASCII. Source: serial guide 2.5.2.1
)

// judge is what a reading is worth by itself.
func (n *node) judge(f line.Framing) int {
	v := rightCheck
	if f == line.ASCII {
		v = rightText
	}
	switch {
	case n.exception():
		v += n.judgeException()
	case n.err == nil:
		v += rightPDU
	case n.strange() || f == line.RTU:
		v -= rightPDU
	}
	if n.open && len(n.adu.PDU) > 5 {
		v += openLength
	}
	switch u := n.unit(); {
	case u > maxUnit:
		v += reservedUnit
	case u == regmap.Broadcast && n.answer:
		v += castAnswer
	case u == regmap.Broadcast && n.err == nil && !n.q.Changes():
		v += castRead
	}
	if n.inside > adapterPause {
		v += lull
	}
	return v
}

const maxUnit = 247 // Source: serial guide 2.2

func (n *node) judgeException() (v int) {
	if n.err != nil {
		return strangeRefuse + strangeCode
	}
	if !n.r.Exception.Known() {
		v += strangeCode
	}
	if !n.r.Function.Known() {
		v += strangeRefuse
	}
	return v
}

// link is what it is worth that b is the next frame behind a.
func (s *Segmenter) link(a, b *node) (v int, answers, repeats bool) {
	gap := b.start - a.end
	if gap > 0 {
		v -= 1 + int(min(gap, 64)/32)
	} else if !a.none {
		v += touching
	}
	if b.answer {
		more, fits := s.linkAnswer(a, b, gap)
		return v + more, fits, false
	}
	more, again := s.linkRequest(a, b, gap)
	return v + more, false, again
}

func (s *Segmenter) linkAnswer(a, b *node, gap int64) (v int, fits bool) {
	s.steps++
	switch {
	case gap <= s.limit.frame && a.isAnsweredBy(b) && !s.passesOver(a.end, b.start):
		if gap > 0 {
			return answeringFar, true
		}
		if s.echoing() && !a.repeats && a.isRepeatedBy(b) {
			return asksAgain, true
		}
		return answering + answerDelay(b.pause), true
	case gap == 0 && !a.none:
		if b.both {
			return unasked + eitherWay, false
		}
		return unasked, false
	case a.awaits:
		v = unaskedOther
	default:
		v = unaskedFar
	}
	if gap > 0 && s.endsAsRequest(a.end, b) {
		v += looksLike
	}
	return v, false
}

// passesOver says whether a right frame lies between two offsets. What answers a
// request over one is no answer to it.
func (s *Segmenter) passesOver(from, to int64) bool {
	if to == from {
		return false
	}
	for _, n := range s.nodes {
		s.steps++
		if n.start >= from && n.end <= to && n.worth > 0 {
			return true
		}
	}
	return false
}

// answerDelay judges the pause in front of an answer.
func answerDelay(pause time.Duration) int {
	switch {
	case pause > longPause:
		return -18
	case pause > answerPause:
		return -12
	case pause > 0 && pause <= adapterPause:
		return 2
	}
	return 0
}

func (s *Segmenter) linkRequest(a, b *node, gap int64) (v int, again bool) {
	again = a.awaits && a.isRepeatedBy(b)
	switch {
	case !a.awaits:
		if b.pause > adapterPause {
			v = pausedFirst
		}
		return v, false
	case gap > 0:
		v = answerLost
		if s.beginsAsAnswer(a, b.start) {
			v += looksLike
		}
		return v, again
	case again && s.echoing() && !a.repeats:
		return echo, true
	case again:
		v = asksAgain
	default:
		v = unanswered
	}
	if b.pause > answerPause {
		v += waited
	}
	return v, again
}

// echoing says whether the adapter on this line repeats what is sent, as the
// read requests have shown, whose echo is no answer.
func (s *Segmenter) echoing() bool { return s.echoes >= 3 }

// beginsAsAnswer says whether the bytes behind a request begin as its answer.
func (s *Segmenter) beginsAsAnswer(a *node, to int64) bool {
	if s.set.Framing != line.RTU || a.end < s.w.base || to-a.end < 2 {
		return false
	}
	b := s.w.from(a.end)
	return b[0] == byte(a.unit()) && b[1]&0x7F == a.function()
}

// endsAsRequest says whether the bytes in front of an answer, from an offset on,
// begin as its request, or end in as many as it has.
func (s *Segmenter) endsAsRequest(from int64, b *node) bool {
	if s.set.Framing != line.RTU || from < s.w.base || b.start-from < 2 {
		return false
	}
	like := func(at int64) bool {
		head := s.w.from(at)
		return at >= from && head[0] == byte(b.unit()) && head[1] == b.function()
	}
	if like(from) {
		return true
	}
	im := frame.Imply([]byte{b.function()}, frame.Asking)
	at := b.start - int64(frame.ADULength(line.RTU, im.Length))
	return im.Length > 0 && at >= from && like(at)
}
