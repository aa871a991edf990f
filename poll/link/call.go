package link

import (
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A call is one exchange while it is made.
type call struct {
	unit    regmap.Unit
	request frame.Request
	pdu     []byte
	timing  line.Timing
	level   int  // of waiting for its turn
	repeat  bool // reads may be repeated
	number  uint64
	asked   decode.Stamp

	answerTime time.Duration // line time of the longest good answer; 0 on networks
	tries      int           // how often it was sent
	lefts      []decode.Stamp

	slot      *slot        // that carries it
	open      *transaction // MBAP only: the slot's, while it waits
	adu       []byte       // to leave together with others, until it ended
	tried     int          // tries of it that were made together with others ...
	before    outcome      // ... and how they ended
	crowdings int          // how often it was crowded out and asked again
	short     [16]byte     // memory for the PDU of a read
}

// broadcast says whether no station answers.
// Source: Modbus over Serial Line V1.02, 2.1.
func (c *call) broadcast(f line.Framing) bool { return f != line.MBAP && c.unit == regmap.Broadcast }

// horizon is how long an answer may still come after the request's last bit.
func (c *call) horizon() time.Duration { return horizon(c.timing, c.answerTime) }

// limit is how long the whole answer may take from the request's last bit: one
// deadline, never one for each read.
func (c *call) limit() time.Duration { return c.timing.Response + c.answerTime }

// leftBefore is when the request left to which an answer came at a moment: the
// last try before it, as far as can be told. It is never after the answer, which
// a stream without a real line under it may bring before the line time is over.
func (c *call) leftBefore(at decode.Stamp) decode.Stamp {
	for i := len(c.lefts) - 1; i >= 0; i-- {
		if c.lefts[i].Steady <= at.Steady {
			return c.lefts[i]
		}
	}
	return at
}

// An outcome is how one try ended.
type outcome struct {
	cause    regmap.Cause
	detail   string
	response frame.Response
	sent     []byte // nil when the request did not leave
	received []byte
	posted   bool  // this try put the request on the line, at least a part of it
	crowded  bool  // the station had too many requests at once
	loss     *loss // why the stream must be closed after it

	left, first, done decode.Stamp
}

// answered says whether the station answered, by an exception or as asked.
func (o *outcome) answered() bool {
	return o.cause == regmap.NoCause || o.cause == regmap.Excepted
}

// again says whether another try may help: not where the line could not be
// opened or is never quiet, where the caller gave up, or where a doubt must
// first be waited out.
func (o *outcome) again() bool {
	switch o.cause {
	case regmap.Silent, regmap.CutOff, regmap.Checksum, regmap.Mismatch, regmap.PortGone:
		return true
	}
	return false
}

// unsent is an outcome of a request that did not leave.
func unsent(cause regmap.Cause, detail string, now decode.Stamp) outcome {
	return outcome{cause: cause, detail: detail, done: now}
}

// settle puts a matched answer into an outcome.
func (o *outcome) settle(r frame.Response) {
	o.response, o.cause = r, regmap.NoCause
	if r.Exception != 0 {
		o.cause, o.detail = regmap.Excepted, exceptionWords(r.Exception)
	}
}

// exchange is the call's record, made once.
func (c *call) exchange(source decode.Source, f line.Framing, o *outcome) *decode.Exchange {
	return &decode.Exchange{
		ID: decode.ID{Source: source, Number: c.number}, Framing: f,
		Unit: c.unit, Request: c.request,
		Cause: o.cause, Response: o.response, Detail: o.detail,
		Sent: o.sent, Received: o.received, Tries: c.tries,
		Asked: c.asked, Left: o.left, First: o.first, Done: o.done,
	}
}
