package link

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// take finds the frames in what was read and gives each to its transaction.
func (t *transactions) take(s *session, b []byte, at decode.Stamp) (rest bool) {
	t.mu.Lock()
	answered, why := t.sort(s, b, at)
	later := t.later
	t.later = nil
	t.mu.Unlock()
	for _, tell := range later {
		tell()
	}
	if answered {
		t.conn.heard(s)
	}
	if why != nil {
		t.conn.lose(s, *why)
	}
	return false
}

// sort does take's work; it says why the stream must be closed, if it must.
func (t *transactions) sort(s *session, b []byte, at decode.Stamp) (answered bool, why *loss) {
	if t.session != s {
		return false, nil
	}
	t.silences = 0
	if s.datagrams {
		return t.datagram(b, at), t.flooded()
	}
	held := len(t.in.bytes) > 0 // the beginning of a frame, else b alone is looked at
	if held {
		t.in.add(b, at)
		b = t.in.bytes
	}
	done := 0
	defer func() {
		if held {
			t.in.drop(done)
		} else if done < len(b) {
			t.in.add(b[done:], at)
		}
	}()
	codec := frame.Codec{Framing: line.MBAP}
	for {
		adu, skip, used, err := codec.Next(b[done:])
		switch {
		case errors.Is(err, frame.ErrMore):
			return answered, otherProtocol(b[done:])
		case err != nil:
			t.count.noise.Add(uint64(len(b) - done))
			return answered, &loss{regmap.Mismatch, "the stream lost its borders: " + err.Error()}
		}
		first := at
		if held {
			first = t.in.when(done + skip)
		}
		if t.give(adu, b[done+skip:done+used], first, at) {
			answered = true
		}
		done += used
		if why = t.flooded(); why != nil {
			return answered, why
		}
	}
}

// datagram takes one datagram. It is a whole frame and nothing more, or it is
// refused whole; the wait for the answer it may have meant goes on.
func (t *transactions) datagram(b []byte, at decode.Stamp) bool {
	adu, err := frame.ParseADU(line.MBAP, b)
	if err == nil {
		return t.give(adu, b, at, at)
	}
	t.count.refused.Add(1)
	t.unasked++
	t.unaskedBytes += len(b)
	if len(b) >= 2 {
		if x := t.waits(binary.BigEndian.Uint16(b)); x != nil {
			x.refused = fmt.Sprintf("a datagram of %d bytes was refused whole: %v", len(b), err)
		}
	}
	return false
}

// flooded says that a peer sends too much that was not asked.
func (t *transactions) flooded() *loss {
	if t.unasked <= maxUnasked && t.unaskedBytes <= maxUnaskedBytes {
		return nil
	}
	t.count.flooded.Add(1)
	return &loss{regmap.Mismatch, fmt.Sprintf("%d frames (%d bytes) came that answer no open request", t.unasked, t.unaskedBytes)}
}

// refused notes what a datagram stream told of the datagrams sent before: it is
// the reason of a silence, and the silence is waited out, so that nobody asks
// the faster for being refused.
func (t *transactions) refused(s *session, err error) {
	words := goneWords(err)
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.session != s {
		return
	}
	for _, o := range t.open {
		o.x.silent = words
	}
}

// otherProtocol says as soon as it can be seen that a frame is not ours; waiting
// for all that its header promises could take for ever.
func otherProtocol(b []byte) *loss {
	if len(b) < 4 || b[2] == 0 && b[3] == 0 {
		return nil
	}
	return &loss{regmap.Mismatch, fmt.Sprintf("the stream lost its borders: protocol identifier %d; Modbus is 0 (TCP guide 3.1.3)", binary.BigEndian.Uint16(b[2:]))}
}

// give hands a frame to the transaction it belongs to, and counts what
// belongs to none.
func (t *transactions) give(adu frame.ADU, b []byte, first, done decode.Stamp) bool {
	id := adu.Transaction
	x := t.waits(id)
	if x == nil {
		t.stray(id, len(b))
		return false
	}
	whole := bytes.Clone(b)
	adu.PDU = whole[len(b)-len(adu.PDU):]
	sent := x.tried(id)
	t.judge(x.call, adu, &x.out)
	x.out.sent, x.out.left, x.out.received = sent.sent, sent.left, whole
	if sent.stage != left { // the answer was faster than our own clock
		x.out.left = first
	}
	x.out.first, x.out.done = first, done
	t.answered = done.Steady
	t.crowding(x, done.Steady)
	t.close(x, sent)
	x.finished = true
	x.wake()
	return x.out.answered()
}

// crowding learns from an answer how many requests the station takes.
func (t *transactions) crowding(x *transaction, now time.Duration) {
	unit := x.call.unit
	if x.out.cause != regmap.Excepted || x.out.response.Exception != frame.ServerDeviceBusy {
		if t.calls > 1 {
			if t.heardAt == nil {
				t.heardAt = map[regmap.Unit]time.Duration{}
			}
			t.heardAt[unit] = now
		}
		if x.out.answered() && t.link.queue.limited.Load() {
			t.link.queue.served(x.beside, now)
		}
		return
	}
	if x.beside == 1 {
		return
	}
	if x.alone { // the unit may be busy, or the gateway
		other := t.busyAt != 0 && unit != t.busyUnit && now-t.busyAt <= signWindow
		t.busyUnit, t.busyAt = unit, now
		if !other {
			return
		}
	}
	x.out.crowded = true
	t.link.queue.crowded(x.beside-1, true, now)
}

// judge says what a frame with the right identifier is to its request.
func (t *transactions) judge(c *call, adu frame.ADU, o *outcome) {
	*o = outcome{}
	answer, err := frame.Match(c.request, adu.PDU)
	switch {
	case err == nil && adu.Unit != c.unit && t.link.config.Gateway:
		t.count.refused.Add(1)
		o.cause, o.detail = regmap.Mismatch, fmt.Sprintf("unit %d answered, unit %d was asked", adu.Unit, c.unit)
		return
	case err != nil:
		t.count.refused.Add(1)
		o.cause, o.detail = regmap.Mismatch, err.Error()
		return
	case adu.Unit != c.unit:
		asked, number := c.unit, c.number
		t.later = append(t.later, func() { t.notes.otherUnit(asked, adu.Unit, number) })
	}
	o.settle(answer)
}

// stray counts a frame whose identifier is not open.
func (t *transactions) stray(id uint16, n int) {
	switch t.fateOf(id) {
	case unanswered:
		t.count.late.Add(1)
		t.givenUp = slices.DeleteFunc(t.givenUp, func(missed uint16) bool { return missed == id })
		return
	case wasAnswered:
		t.count.duplicates.Add(1)
	default:
		t.count.foreign.Add(1)
	}
	t.unasked++
	t.unaskedBytes += n
}

// expired ends a try at its deadline. Half a frame means that the borders of
// the stream are lost; several silences with nothing else heard, that the
// other end may be gone without a word: both need a new stream. A unit that
// answered others meanwhile may have had too many.
func (t *transactions) expired(s *session, x *transaction) outcome {
	limit := x.call.limit()
	o := outcome{cause: regmap.Silent, detail: "no answer within " + decode.Seconds(limit)}
	if x.silent != "" {
		o.detail += ": " + x.silent
	}
	if half := x.half(t.in.bytes); half != "" {
		o = outcome{cause: regmap.CutOff, detail: half, received: bytes.Clone(t.in.bytes)}
		o.loss = &loss{regmap.CutOff, half}
		return o
	}
	if x.refused != "" {
		return outcome{cause: regmap.Mismatch, detail: x.refused}
	}
	if o.loss = t.stalled(limit); o.loss != nil {
		return o
	}
	last := x.tries[len(x.tries)-1].left.Steady
	if t.silences == 0 || last != t.silent { // those that left together are one silence
		t.silences, t.silent = t.silences+1, last
	}
	if t.silences >= maxSilences {
		o.loss = &loss{regmap.Silent, fmt.Sprintf("nothing was heard after %d requests", maxSilences)}
		return o
	}
	if at, ok := t.heardAt[x.call.unit]; ok && x.beside > 1 && at >= last {
		o.crowded = true
		if x.behind {
			t.apart = true // it may look at the first request of a segment only
		} else {
			t.link.queue.crowded(x.beside-1, false, last)
		}
	}
	return o
}

// stalled says whether a part of some other frame has been there for as long as
// a whole answer may take: no border behind it can be found any more.
func (t *transactions) stalled(limit time.Duration) *loss {
	n := len(t.in.bytes)
	if n == 0 || t.clock().Sub(t.in.when(0)) < limit {
		return nil
	}
	return &loss{regmap.CutOff, fmt.Sprintf("%d bytes of a frame came, and for %s no more", n, decode.Seconds(limit))}
}

// half describes a frame that began to arrive and did not end, if it belongs
// to the transaction or may belong to it.
func (x *transaction) half(b []byte) string {
	n := len(b)
	if n == 0 {
		return ""
	}
	if n >= 2 {
		if x.tried(binary.BigEndian.Uint16(b)) == nil {
			return ""
		}
	}
	if n < 6 {
		return fmt.Sprintf("answer cut off after %d bytes", n)
	}
	return fmt.Sprintf("answer cut off after %d of %d bytes", n, 6+int(binary.BigEndian.Uint16(b[4:])))
}

// gone is the outcome of a try whose stream is gone.
func (x *transaction) gone(s *session) outcome {
	half := x.half(s.tail)
	if half != "" && s.why.cause == regmap.PortGone {
		return outcome{cause: regmap.CutOff, detail: half + ": " + s.why.words, received: s.tail}
	}
	return outcome{cause: s.why.cause, detail: s.why.words}
}
