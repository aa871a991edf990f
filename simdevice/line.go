package simdevice

import (
	"bytes"
	"context"
	"errors"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// hearing finds requests in what a serial line carries, the answers of other
// stations among it.
type hearing struct {
	framing line.Framing
	scratch []byte // the PDU of an ASCII frame

	// asked is the last request for another unit: the frame behind it may be
	// that unit's answer, which must not be searched for requests.
	asked   *frame.Request
	of      regmap.Unit
	faulted bool // a fault was counted since the last frame or silence
}

// serveLine answers on RTU and ASCII, one request at a time.
func (c *conn) serveLine(ctx context.Context) error {
	h := hearing{framing: c.framing, scratch: make([]byte, 0, frame.MaxPDU+1)}
	for {
		until := time.Time{}
		if len(c.in) > 0 {
			until = time.Now().Add(c.silence())
		}
		if err := c.stream.SetReadDeadline(until); err != nil {
			return err
		}
		_, err := c.read()
		silent := timedOut(err)
		if err != nil && !silent {
			return err
		}
		if err := c.hear(ctx, &h, silent); err != nil {
			return err
		}
	}
}

// hear answers every request that the input holds. After a silence nothing is
// kept.
func (c *conn) hear(ctx context.Context, h *hearing, silent bool) error {
	at := 0
	for at < len(c.in) {
		b := c.in[at:]
		adu, skip, used, err := h.next(b, silent)
		if errors.Is(err, frame.ErrMore) {
			// What cannot begin a frame of known length is kept until the
			// silence, which may make a frame of it, as long as it could be one.
			if len(b) > frame.MaxRTU || h.framing == line.ASCII {
				at += used
			}
			break
		}
		at += used
		if err != nil {
			h.fault(c.station)
			continue
		}
		h.faulted = false
		if h.answered(adu) {
			continue
		}
		if c.used != nil {
			c.used()
		}
		if _, here := c.station.owner(adu.Unit, c.tcp); !here && !c.broadcast(adu.Unit) {
			h.expect(adu)
		}
		if err := c.exchange(ctx, c.out, adu, b[skip:used]); err != nil {
			return err
		}
	}
	if silent {
		if at < len(c.in) {
			h.fault(c.station)
		}
		c.in, h.asked, h.faulted = c.in[:0], nil, false
		return nil
	}
	c.keep(c.in[at:])
	return nil
}

// next finds the next frame, a request or the answer of the unit asked last.
func (h *hearing) next(b []byte, silent bool) (adu frame.ADU, skip, used int, err error) {
	codec := frame.Codec{Framing: h.framing, Silent: silent, Scratch: h.scratch}
	adu, skip, used, err = codec.Next(b)
	if h.asked == nil || h.framing != line.RTU {
		return adu, skip, used, err
	}
	codec.Awaits, codec.Unit = h.asked, h.of
	answer, at, end, none := codec.Next(b)
	switch {
	case none == nil && at == 0 && answer.Unit == h.of:
		return answer, at, end, nil
	case errors.Is(none, frame.ErrMore) && at == 0 && (err != nil || skip > 0):
		return frame.ADU{}, 0, 0, frame.ErrMore // the answer may still be growing
	}
	return adu, skip, used, err
}

// answered says whether a frame is the answer of the unit that was asked last,
// and no longer waits for one. A repetition of the request looks the same
// where the answer is its echo; it is not for us either.
func (h *hearing) answered(adu frame.ADU) bool {
	asked := h.asked
	h.asked = nil
	if asked == nil || adu.Unit != h.of {
		return false
	}
	_, err := frame.Match(*asked, adu.PDU)
	return err == nil
}

// expect notes a request for another unit.
func (h *hearing) expect(adu frame.ADU) {
	if q, err := frame.ParseRequest(bytes.Clone(adu.PDU)); err == nil {
		h.asked, h.of = &q, adu.Unit
	}
}

// fault counts once what is no frame, until the next frame or silence.
func (h *hearing) fault(s *Station) {
	if !h.faulted {
		s.counts.damaged.Add(1)
	}
	h.faulted = true
}
