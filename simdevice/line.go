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
// stations among it. What has come since the last frame or silence stays in
// the input as one burst: searched on from `from`, and looked at as a whole
// when the line falls silent.
type hearing struct {
	framing line.Framing
	scratch []byte // the PDU of an ASCII frame
	from    int    // of the input: what lies before is no frame of implied length
	long    bool   // the burst's beginning is gone
	faulted bool   // the burst holds what is no frame

	// asked is the last request for another unit: the frame behind it may be
	// that unit's answer, which must not be searched for requests.
	asked *frame.Request
	of    regmap.Unit
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

// hear answers every request that the input holds.
func (c *conn) hear(ctx context.Context, h *hearing, silent bool) error {
	if !silent {
		return c.search(ctx, h, false)
	}
	var err error
	if adu, ok := h.whole(c.in); ok {
		h.from, h.faulted = len(c.in), false
		err = c.heard(ctx, h, adu, c.in)
	} else {
		err = c.search(ctx, h, true)
	}
	h.burst(c.station, len(c.in) > h.from)
	c.in, h.asked = c.in[:0], nil
	return err
}

// search answers the frames whose length follows from their first bytes.
func (c *conn) search(ctx context.Context, h *hearing, silent bool) error {
	for h.from < len(c.in) {
		adu, skip, used, err := h.next(c.in[h.from:], silent)
		begin, end := h.from+skip, h.from+used
		if h.from = end; errors.Is(err, frame.ErrMore) {
			break
		}
		switch {
		case err == nil:
		case h.framing == line.ASCII: // its frames have borders of their own
			c.station.counts.damaged.Add(1)
			continue
		default:
			h.faulted = true
			continue
		}
		h.burst(c.station, false)
		if err := c.heard(ctx, h, adu, c.in[begin:end]); err != nil {
			return err
		}
		c.keep(c.in[end:])
	}
	if len(c.in) > frame.MaxRTU || h.framing == line.ASCII {
		c.keep(c.in[h.from:])
		h.from, h.long = 0, true
	}
	return nil
}

// heard does with a frame what it asks for.
func (c *conn) heard(ctx context.Context, h *hearing, adu frame.ADU, sent []byte) error {
	if h.answered(adu) {
		return nil
	}
	if c.used != nil {
		c.used()
	}
	if _, here := c.station.owner(adu.Unit, c.tcp); !here && !c.broadcast(adu.Unit) {
		h.expect(adu)
	}
	return c.exchange(ctx, c.out, adu, sent)
}

// burst ends a burst: at a frame, or at a silence, which may have left a part
// of one. What was no frame in it is counted once.
func (h *hearing) burst(s *Station, cut bool) {
	if h.faulted || cut {
		s.counts.damaged.Add(1)
	}
	h.from, h.long, h.faulted = 0, false, false
}

// whole is an RTU burst between two silences as one frame, which it is by its
// check alone: so functions without a known length are heard, and requests
// that are shorter or longer than their function wants.
// Source: serial guide V1.02, 2.5.1.1.
func (h *hearing) whole(burst []byte) (frame.ADU, bool) {
	if h.framing != line.RTU || h.long {
		return frame.ADU{}, false
	}
	adu, err := frame.ParseADU(line.RTU, burst)
	return adu, err == nil
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
