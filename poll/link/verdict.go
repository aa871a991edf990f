package link

import (
	"bytes"
	"fmt"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// muchNoise is more than any frame: bytes that still come at the deadline
// after so many are no answer but a line that is never silent. Ours.
const muchNoise = 300

// verdict ends a wait at its deadline and says what came instead of the answer.
func (t *turns) verdict(w *waiting) outcome {
	now := t.clock()
	t.mu.Lock()
	quiet, heard := now.Steady-t.last >= t.stale, false
	if t.wait == w && quiet {
		heard = t.sift(now, true)
	}
	if t.wait == w && w.noise == 0 && len(t.in.bytes) == 0 && w.frames == 0 && t.copy != nil && !t.mirrors {
		t.noEcho()
	}
	o := w.verdict(t.in.bytes, quiet, t.framing)
	s := t.session
	t.mu.Unlock()
	t.told()
	if heard && s != nil {
		t.conn.heard(s)
	}
	return o
}

// verdict names the cause from what came: rest is what may still become a
// frame, quiet says that nothing came for a while.
func (w *waiting) verdict(rest []byte, quiet bool, f line.Framing) outcome {
	came := append(bytes.Clone(w.raw), rest...)
	n := w.noise + len(rest)
	limit := decode.Seconds(w.call.limit())
	o := outcome{received: came}
	if len(came) == 0 {
		o.received = nil
	}
	switch {
	case !quiet && n > muchNoise:
		o.cause, o.detail = regmap.NeverQuiet, fmt.Sprintf("%d bytes in %s, and the line was not silent then", n, limit)
	case w.refused != nil:
		o.cause, o.detail = regmap.Mismatch, w.refused.Error()
	case n > 0:
		o.cause, o.detail = w.broken(came, f)
	case w.others > 0:
		o.cause, o.detail = regmap.Silent, fmt.Sprintf("no answer within %s; %d frames of other units came, the last of unit %d", limit, w.others, w.other)
	default:
		o.cause, o.detail = regmap.Silent, fmt.Sprintf("no answer within %s", limit)
	}
	return o
}

// broken says whether bytes are a part of the answer or a damaged one.
func (w *waiting) broken(came []byte, f line.Framing) (regmap.Cause, string) {
	have, want := len(came), 0
	if f == line.RTU {
		have, want = w.part(came)
	} else if i := bytes.LastIndexByte(came, ':'); i >= 0 && w.damage == nil {
		n, _ := frame.AnswerLength(w.call.request)
		have, want = len(came)-i, frame.ADULength(f, n)
	}
	switch {
	case want > have && want > len(came):
		return regmap.CutOff, fmt.Sprintf("answer cut off after %d of %d bytes", have, want)
	case w.damage != nil:
		return regmap.Checksum, w.damage.Error()
	}
	return regmap.Checksum, fmt.Sprintf("%d bytes came that make no frame", len(came))
}

// part finds the beginning of the awaited answer and says how much of it is
// there and how much there should be; 0 where nothing looks like it.
func (w *waiting) part(came []byte) (have, want int) {
	unit, function := byte(w.call.unit), byte(w.call.request.Function)
	for i, b := range came {
		switch {
		case b != unit:
			continue
		case i+1 == len(came), came[i+1] == function:
			n, exact := frame.AnswerLength(w.call.request)
			if !exact {
				n = 0
			}
			return len(came) - i, frame.ADULength(line.RTU, max(n, 2))
		case came[i+1] == function|0x80:
			return len(came) - i, frame.ADULength(line.RTU, 2)
		}
	}
	return len(came), 0
}
