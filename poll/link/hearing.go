package link

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Bounds on noise; all ours.
const (
	noiseBurst  = 4 << 10         // bytes without a frame, after which reading rests
	foreignLife = 2 * time.Second // how long a request of another client waits for its answer here
	foreignMany = 3               // such requests make a second client, one may be chance
)

// hearing is what was heard on a stream and is not used yet.
type hearing struct {
	in        inbox
	last      time.Duration // when the last byte came, or the stream was opened
	restUntil time.Duration // reading rests, so the line does not count as silent
	run       int           // bytes since the last frame
	damaged   int           // characters with parity or framing errors so far

	echo    echo
	copy    []byte // the request whose copy may still come; nil for none
	mirrors bool   // ... which would pass for its answer

	ear          []byte // bytes that made no answer: another client's requests are among them
	foreign      *frame.Request
	foreignUnit  regmap.Unit
	foreignAt    time.Duration
	foreignCount int
}

// damagedSoFar asks a stream that counts damaged characters.
func damagedSoFar(s Stream) int {
	if d, ok := s.(damager); ok {
		return d.Damaged()
	}
	return 0
}

// take finds the frames in what was read and judges each.
func (t *turns) take(s *session, b []byte, at decode.Stamp) (rest bool) {
	t.mu.Lock()
	if t.session != s {
		t.mu.Unlock()
		return false
	}
	t.in.add(b, at)
	t.last = at.Steady
	heard := t.sift(at, false)
	t.discard(t.in.room())
	flood := t.flood()
	if rest = t.run >= noiseBurst; rest {
		t.run = 0
		t.restUntil = at.Steady + noiseRest + max(t.gap, staleRTU)
	}
	t.mu.Unlock()
	t.told()
	if heard {
		t.conn.heard(s)
	}
	if flood != nil {
		t.conn.lose(s, *flood)
	}
	return rest
}

// sift takes whole frames out of the inbox. silent says that the line fell
// silent: what is not whole now never will be. It says whether the answer
// that is waited for was among the frames.
func (t *turns) sift(at decode.Stamp, silent bool) (heard bool) {
	for len(t.in.bytes) > 0 {
		b := t.in.bytes
		start, copied := t.findCopy(b)
		look := b
		if copied {
			look = b[:start]
		}
		adu, skip, used, err := t.codec(silent || copied).Next(look)
		if err == nil {
			t.discard(b[:skip])
			whole, first := slices.Clone(b[skip:used]), t.in.when(skip)
			t.in.drop(used)
			if t.frame(adu, whole, first, at) {
				heard = true
			}
			continue
		}
		if copied && used == 0 {
			t.discard(b[:start])
			t.in.drop(start + len(t.copy))
			t.echoed()
			continue
		}
		if !copied {
			t.damage(err)
			if !silent {
				used = min(used, start) // what may become the copy stays
			}
		}
		t.discard(b[:used])
		t.in.drop(used)
		if used == 0 {
			break
		}
	}
	return heard
}

// codec finds what the request sent last awaits; requests when none was sent.
func (t *turns) codec(silent bool) frame.Codec {
	c := frame.Codec{Framing: t.framing, Silent: silent}
	if n := len(t.ledger.past); n > 0 {
		last := &t.ledger.past[n-1]
		c.Awaits, c.Unit = &last.request, last.unit
	}
	return c
}

// damage notes the first fault of a frame while an answer is waited for.
func (t *turns) damage(err error) {
	if t.wait != nil && t.wait.damage == nil && err != nil && !errors.Is(err, frame.ErrMore) {
		t.wait.damage = err
	}
}

// discard counts bytes that belong to no answer and listens to them for
// requests of another client.
func (t *turns) discard(b []byte) {
	if len(b) == 0 {
		return
	}
	t.count.noise.Add(uint64(len(b)))
	t.run += len(b)
	if w := t.wait; w != nil {
		w.noise += len(b)
		w.keep(b)
	}
	t.listen(b)
}

// keep remembers what came instead of the answer, as evidence.
func (w *waiting) keep(b []byte) {
	w.raw = append(w.raw, b[:min(len(b), frame.MaxBuffer-len(w.raw))]...)
}

// frame judges a whole frame; true when it is the answer that is waited for.
func (t *turns) frame(adu frame.ADU, whole []byte, first, done decode.Stamp) bool {
	t.run = 0
	pdu := adu.PDU
	if t.framing == line.RTU {
		pdu = whole[1 : len(whole)-2] // in memory of its own
	}
	if n := damagedSoFar(t.session.stream); n != t.damaged {
		t.damage(fmt.Errorf("%d characters of it came with a parity or framing error", n-t.damaged))
		t.damaged = n
		t.discard(whole)
		return false
	}
	w := t.wait
	if w != nil && adu.Unit == w.call.unit {
		answer, err := frame.Match(w.call.request, pdu)
		switch {
		case err != nil:
			w.refused = err
		case first.Steady < w.began && !w.repeat:
			// It came before its request left.
		case t.isForeign(adu.Unit, pdu, done):
			w.refused = errors.New("another client asked the same of this unit at the same time")
		default:
			t.accept(w, answer, whole, first, done)
			return true
		}
	}
	t.stray(adu.Unit, pdu, whole, done)
	return false
}

// accept ends the wait with its answer.
func (t *turns) accept(w *waiting, answer frame.Response, whole []byte, first, done decode.Stamp) {
	w.out = outcome{received: whole, first: first, done: done}
	w.out.settle(answer)
	t.ledger.paid(done.Steady, false)
	if t.copy != nil && !t.mirrors && w.noise == 0 && w.frames == 0 {
		t.noEcho()
	}
	t.wait, t.copy = nil, nil
	close(w.done)
}

// stray judges a frame that is not waited for.
func (t *turns) stray(unit regmap.Unit, pdu, whole []byte, at decode.Stamp) {
	w := t.wait
	switch {
	case t.isForeign(unit, pdu, at):
		t.foreign = nil
		t.count.foreign.Add(1)
	case w == nil && t.ledger.answers(unit, pdu):
		t.ledger.paid(at.Steady, true)
		t.count.late.Add(1)
		select {
		case t.changed <- struct{}{}:
		default:
		}
		return
	default:
		if p, ok := t.ledger.recognise(at.Steady, unit, pdu); ok {
			t.breach(p, at)
			return
		}
		t.count.foreign.Add(1)
		if q, err := frame.ParseRequest(pdu); err == nil && t.framing == line.ASCII {
			t.heardRequest(unit, q)
		}
	}
	if w == nil {
		return
	}
	w.keep(whole)
	w.frames++
	w.frameLen += len(whole)
	if unit != w.call.unit {
		w.other = unit
		w.others++
		asked, number := w.call.unit, w.call.number
		t.later = append(t.later, func() { t.notes.strayUnit(asked, unit, number) })
	} else if w.refused != nil {
		t.count.refused.Add(1)
	}
}

// breach notes an answer that was owed to nobody.
func (t *turns) breach(p posted, at decode.Stamp) {
	t.count.unowed.Add(1)
	last := t.ledger.past[len(t.ledger.past)-1].number
	b := t.ledger.breach(at.Steady, p)
	t.ledger.restart(last + 1)
	source := t.link.config.Source
	d := Doubt{
		First: decode.ID{Source: source, Number: min(b.since, last)}, Last: decode.ID{Source: source, Number: last},
		At: at, Lateness: b.lateness, Horizon: b.horizon,
	}
	t.later = append(t.later, func() {
		if t.link.config.Doubt != nil {
			t.link.config.Doubt(d)
		}
		if b.late {
			t.notes.late(d, p.unit)
		} else {
			t.notes.twice(d, p.unit)
		}
	})
	if w := t.wait; w != nil {
		w.out = outcome{cause: regmap.LateDoubt, done: at,
			detail: fmt.Sprintf("an answer of unit %d came that was owed no more, %s after its request", p.unit, decode.Seconds(b.lateness))}
		t.wait = nil
		close(w.done)
	}
}

// flood ends a wait in which more came than any line may bring; on a network
// the stream is closed as well.
func (t *turns) flood() *loss {
	w := t.wait
	if w == nil || w.frames <= maxUnasked && w.frameLen+w.noise <= maxUnaskedBytes {
		return nil
	}
	words := fmt.Sprintf("%d frames and %d other bytes came that answer nothing asked", w.frames, w.noise)
	t.count.flooded.Add(1)
	w.out = outcome{cause: regmap.NeverQuiet, detail: words, received: w.raw, done: t.clock()}
	t.wait = nil
	close(w.done)
	if t.serial {
		return nil
	}
	return &loss{regmap.NeverQuiet, words}
}

// listen looks for requests of another client in what made no answer.
func (t *turns) listen(b []byte) {
	if t.framing != line.RTU {
		return
	}
	t.ear = append(t.ear, b...)
	codec := frame.Codec{Framing: line.RTU}
	for len(t.ear) > 0 {
		adu, _, used, err := codec.Next(t.ear)
		if err == nil {
			if q, err := frame.ParseRequest(bytes.Clone(adu.PDU)); err == nil {
				t.heardRequest(adu.Unit, q)
			}
		}
		t.ear = t.ear[used:]
		if used == 0 {
			break
		}
	}
	if over := len(t.ear) - frame.MaxBuffer; over > 0 {
		t.ear = t.ear[over:]
	}
}

// heardRequest notes a request that was not sent from here.
func (t *turns) heardRequest(unit regmap.Unit, q frame.Request) {
	t.foreign, t.foreignUnit, t.foreignAt = &q, unit, t.last
	if t.foreignCount++; t.foreignCount >= foreignMany {
		words := fmt.Sprintf("%s to unit %d", q.Function, unit)
		t.later = append(t.later, func() { t.notes.secondClient(words) })
	}
}

// isForeign says whether a frame may answer another client's request.
func (t *turns) isForeign(unit regmap.Unit, pdu []byte, at decode.Stamp) bool {
	if t.foreign == nil || t.foreignUnit != unit || at.Steady-t.foreignAt > foreignLife {
		return false
	}
	_, err := frame.Match(*t.foreign, pdu)
	return err == nil
}

// handsOver: a line without transaction numbers is read by one goroutine.
func (t *turns) handsOver(*session) bool { return false }
