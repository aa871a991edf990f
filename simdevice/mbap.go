package simdevice

import (
	"context"
	"errors"
	"fmt"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// maxStrange is how many frames of another protocol in a row end a connection;
// each alone is dropped without an answer (TCP guide V1.0b, 4.4.2.2). Ours.
const maxStrange = 8

// mbapHeader is what stands before the PDU. Source: TCP guide V1.0b, 3.1.3.
const mbapHeader = frame.MaxMBAP - frame.MaxPDU

// serveMBAP reads frames by their length and answers each in the order in
// which it came. Source: TCP guide V1.0b, 3.1.3, 4.2.1.1.
func (c *conn) serveMBAP(ctx context.Context) error {
	strange := 0
	timed := false // the deadline of a frame that is not whole runs
	for {
		found, err := c.frames(ctx, &strange)
		if err != nil {
			return err
		}
		if err := c.timeFrame(&timed, found); err != nil {
			return err
		}
		if _, err := c.read(); timedOut(err) {
			return fmt.Errorf("%w: %d bytes in %v", ErrHalfFrame, len(c.in), c.station.options.FrameTime)
		} else if err != nil {
			return err
		}
	}
}

// frames answers every whole frame of the input and says whether there was one.
func (c *conn) frames(ctx context.Context, strange *int) (found bool, err error) {
	codec := frame.Codec{Framing: line.MBAP}
	at := 0
	for {
		adu, _, used, err := codec.Next(c.in[at:])
		switch {
		case err == nil:
			*strange = 0
			err = c.transaction(ctx, adu, c.in[at:at+used])
		case errors.Is(err, frame.ErrMore):
			c.keep(c.in[at:])
			return found, nil
		case errors.Is(err, frame.ErrProtocol):
			c.station.counts.damaged.Add(1)
			if *strange++; *strange < maxStrange {
				err = nil
			} else {
				err = fmt.Errorf("%w: %d", ErrStrange, *strange)
			}
		}
		if err != nil {
			return found, err
		}
		found, at = true, at+used
	}
}

// timeFrame lets the deadline of a frame begin with its first bytes, and end
// when the line is between two frames. Bytes that come one by one do not move
// it.
func (c *conn) timeFrame(timed *bool, found bool) error {
	half := len(c.in) > 0
	switch {
	case half && (found || !*timed):
		*timed = true
		return c.stream.SetReadDeadline(time.Now().Add(c.station.options.FrameTime))
	case !half && *timed:
		*timed = false
		return c.stream.SetReadDeadline(time.Time{})
	}
	return nil
}

// transaction answers one request: at once or, where a hook may take its time
// with the delivery, beside up to 15 others; above that it answers 06. The
// error ends the connection. Source: TCP guide V1.0b, 4.4.2.2.
func (c *conn) transaction(ctx context.Context, adu frame.ADU, sent []byte) error {
	if c.used != nil {
		c.used()
	}
	wire := c.station.wire(c.framing)
	if c.station.hooks.Load().Deliver == nil && wire == nil && c.station.lanes.Load() == nil && c.lane == nil {
		return c.exchange(ctx, c.out, adu, sent)
	}
	if c.enter() {
		return nil
	}
	if c.open.Load() >= MaxTransactions {
		c.station.counts.busy.Add(1)
		return c.refuseBusy(ctx, adu, sent)
	}
	c.open.Add(1)
	r, err := c.reply(nil, adu, sent, c.station.answer)
	if err != nil {
		c.open.Add(-1)
		return err
	}
	c.route(r)
	var due time.Time
	if wire != nil {
		due = wire.exchange(time.Now(), len(adu.PDU), max(0, len(r.adu)-mbapHeader))
	}
	c.done.Go(func() {
		defer c.open.Add(-1)
		wait(ctx, time.Until(due))
		if err := c.finish(ctx, r, c.deliver); err != nil {
			c.cancel(err)
		}
	})
	return nil
}

// refuseBusy answers 06 past the delivery hook.
func (c *conn) refuseBusy(ctx context.Context, adu frame.ADU, sent []byte) error {
	r, err := c.reply(c.out, adu, sent, func(dst []byte, _ regmap.Unit, pdu []byte, _ bool) []byte {
		if len(pdu) == 0 || pdu[0]&exceptionBit != 0 {
			return dst
		}
		return except(dst, frame.Function(pdu[0]), frame.ServerDeviceBusy)
	})
	if err != nil {
		return err
	}
	return c.finish(ctx, r, c.sendWhole)
}
