package simdevice

import (
	"bytes"
	"context"
	"errors"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// reply is one answer on its way: the frame, empty for silence, and the
// exchange for the observer, nil where nobody observes.
type reply struct {
	unit     regmap.Unit
	adu      []byte
	exchange *decode.Exchange
	routed   *routed // what fault rules make of it; nil: it leaves as it is
}

// answerRoom is where the answer PDU is made in the buffer of its frame, so
// that in MBAP and RTU it stands where it belongs already.
var answerRoom = map[line.Framing]int{line.MBAP: frame.MaxMBAP - frame.MaxPDU, line.RTU: 1, line.ASCII: frame.MaxASCII}

// exchange answers one request and waits until the answer is delivered.
func (c *conn) exchange(ctx context.Context, buf []byte, adu frame.ADU, sent []byte) error {
	if c.enter() {
		return nil
	}
	c.open.Add(1)
	defer c.open.Add(-1)
	r, err := c.reply(buf, adu, sent, c.station.answer)
	if err != nil {
		return err
	}
	c.route(r)
	if c.framing == line.RTU && len(r.adu) > 0 && c.station.wire(c.framing) == nil {
		wait(ctx, c.station.options.Gap)
	}
	return c.finish(ctx, r, c.deliver)
}

// reply makes the answer to a request in buf, which may be nil.
func (c *conn) reply(buf []byte, adu frame.ADU, sent []byte, answer func([]byte, regmap.Unit, []byte, bool) []byte) (*reply, error) {
	unit, _ := c.station.owner(adu.Unit, c.tcp)
	r := &reply{unit: unit}
	if c.station.options.Observe != nil {
		r.exchange = c.observed(unit, sent)
	}
	at := answerRoom[c.framing]
	if cap(buf) < at {
		buf = make([]byte, 0, bufferSizes[c.framing][1])
	}
	pdu := answer(buf[:at], adu.Unit, adu.PDU, c.tcp)[at:]
	if len(pdu) == 0 {
		return r, nil
	}
	adu.PDU = pdu
	out, err := frame.AppendADU(buf[:0], adu)
	r.adu = out
	return r, err
}

// finish delivers the answer and tells the observer.
func (c *conn) finish(ctx context.Context, r *reply, deliver func(context.Context, *reply) error) error {
	x := r.exchange
	var err error
	if len(r.adu) > 0 {
		if x != nil {
			x.First = c.station.options.Clock()
		}
		err = deliver(ctx, r)
	}
	if x == nil {
		return err
	}
	x.Done = c.station.options.Clock()
	if len(r.adu) > 0 {
		x.Received = bytes.Clone(r.adu)
	} else {
		x.First = decode.Stamp{}
	}
	c.judge(x, err)
	c.station.options.Observe(x)
	return err
}

// observed begins the exchange of a request that has just come.
func (c *conn) observed(u regmap.Unit, sent []byte) *decode.Exchange {
	now := c.station.options.Clock()
	x := &decode.Exchange{
		ID:      decode.ID{Source: c.station.source, Number: c.station.numbers.Add(1)},
		Framing: c.framing, Unit: u, Sent: bytes.Clone(sent), Tries: 1, Asked: now, Left: now,
	}
	adu, err := frame.ParseADU(c.framing, x.Sent)
	if err != nil || len(adu.PDU) == 0 {
		return x
	}
	if x.Request, err = frame.ParseRequest(adu.PDU); err != nil {
		x.Request = frame.Request{Function: frame.Function(adu.PDU[0])}
		x.Detail = err.Error()
	}
	return x
}

// judge says what became of an exchange, seen from the station.
func (c *conn) judge(x *decode.Exchange, failed error) {
	switch {
	case x.Received == nil && c.broadcast(x.Unit):
		x.Cause, x.Detail = regmap.NoCause, "broadcast"
		return
	case x.Received == nil:
		x.Cause = regmap.Silent
		return
	case failed != nil:
		x.Cause, x.Detail = regmap.CutOff, failed.Error()
		return
	}
	adu, err := frame.ParseADU(c.framing, x.Received)
	if err == nil {
		x.Response, err = frame.ParseResponse(adu.PDU)
	}
	switch {
	case errors.Is(err, frame.ErrChecksum):
		x.Cause, x.Detail = regmap.Checksum, err.Error()
	case err != nil:
		x.Cause, x.Detail = regmap.Mismatch, err.Error()
	case x.Response.Exception != 0:
		x.Cause = regmap.Excepted
	default:
		x.Cause = regmap.NoCause
	}
}

// broadcast says whether a unit number stands for all units.
func (c *conn) broadcast(u regmap.Unit) bool { return !c.tcp && u == regmap.Broadcast }
