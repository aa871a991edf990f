package link

import (
	"bytes"
	"context"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// echo is what is known of the adapter: whether it sends our own requests back.
type echo uint8

const (
	echoUnknown echo = iota
	silentAdapter
	echoingAdapter
)

// mirrors says whether a copy of a request would pass for its answer, as with
// 05 and 06, whose answer repeats the request. Source: V1.1b3, 6.5 and 6.6.
func mirrors(c *call) bool {
	_, err := frame.Match(c.request, c.pdu)
	return err == nil
}

// findCopy finds the copy of the request sent last: where it begins, and
// whether all of it is there. It begins at the end when there is none. Once
// the adapter is known not to echo, the copy of a request that mirrors its
// answer is the answer.
func (t *turns) findCopy(b []byte) (start int, whole bool) {
	if t.copy == nil || t.echo == silentAdapter && t.mirrors {
		return len(b), false
	}
	if i := bytes.Index(b, t.copy); i >= 0 {
		return i, true
	}
	for n := min(len(t.copy)-1, len(b)); n > 0; n-- {
		if bytes.HasSuffix(b, t.copy[:n]) {
			return len(b) - n, false
		}
	}
	return len(b), false
}

// echoed notes that the copy came: one is taken off, never two.
func (t *turns) echoed() {
	t.count.echoes.Add(1)
	t.copy = nil
	if t.mirrors {
		return // it teaches nothing: an answer looks the same
	}
	t.echo = echoingAdapter
	number := t.ledger.past[len(t.ledger.past)-1].number
	t.later = append(t.later, func() { t.notes.echoes(number) })
}

// noEcho notes that a request did not come back. Once a copy was seen this is
// forgotten only with the stream: one that was lost must not make the next one
// a confirmation.
func (t *turns) noEcho() {
	if t.echo == echoUnknown {
		t.echo = silentAdapter
	}
}

// mustLearn says whether it must be known first if the adapter echoes, lest a
// copy of the request pass for a confirmation.
func (t *turns) mustLearn(c *call) bool {
	if c.broadcast(t.framing) || !mirrors(c) {
		return false
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.echo == echoUnknown
}

// learn reads one item of the same unit, where it is to be written, to see if
// the request comes back. known is false when the line was too disturbed to
// tell; the outcome is then that of a request that did not leave.
func (t *turns) learn(ctx context.Context, c *call) (o outcome, known bool) {
	q := frame.Read(regmap.HoldingRegister, 0, 1)
	if s, ok := c.request.Writes(); ok {
		q = frame.Read(s.Table, s.First, 1)
	}
	for try := 0; try <= c.timing.Retries; try++ {
		probe, err := t.link.call(c.unit, q, options{timing: c.timing})
		if err != nil {
			return unsent(regmap.Interrupted, err.Error(), t.clock()), false
		}
		adu, err := frame.AppendADU(nil, frame.ADU{Framing: t.framing, Unit: c.unit, PDU: probe.pdu})
		if err != nil {
			return unsent(regmap.Internal, err.Error(), t.clock()), false
		}
		probe.number = t.link.number.Add(1)
		if o = t.try(ctx, probe, adu); o.posted {
			t.count.sent.Add(1)
		}
		if !t.mustLearn(c) {
			c.number = t.link.number.Add(1)
			return outcome{}, true
		}
		if o.cause == regmap.Interrupted || o.cause == regmap.NoLine {
			break
		}
	}
	if o.cause == regmap.NoCause || o.cause == regmap.Excepted {
		o.cause = regmap.Checksum
	}
	return unsent(o.cause, "nothing was sent: it is not known whether the adapter echoes, and the read to learn it failed: "+o.detail, t.clock()), false
}
