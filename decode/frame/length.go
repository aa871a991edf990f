package frame

import (
	"time"

	"plumbline/regmap/line"
)

// exceptionLength is the bytes of an exception PDU. Source: V1.1b3 4.1.
const exceptionLength = 2

// RequestLength is the bytes of a request's PDU; 0 when it is refused by
// Append.
func RequestLength(q Request) int {
	var room [MaxPDU + 16]byte
	pdu, err := q.Append(room[:0])
	if err != nil {
		return 0
	}
	return len(pdu)
}

// AnswerLength is the bytes of the PDU of a good answer to q; exact is false
// where it cannot be known beforehand (0C, 11, 18, 2B), and n is then the most
// that may come. It is 0 for Force Listen Only Mode, which no station answers
// (V1.1b3 6.8.1), and MaxPDU for an unknown function.
func AnswerLength(q Request) (n int, exact bool) {
	r := rowOf(q.Function)
	switch {
	case r == nil:
		return MaxPDU, false
	case r.reads:
		return r.response.count + r.response.width + dataBytes(r, q.Quantity), true
	case q.Function == Diagnostics:
		if s := subRowOf(q.SubFunction); s != nil && s.mute {
			return 0, true
		} else if s != nil && s.echo {
			return 3 + len(q.Data), true
		}
		return r.response.min, true
	case q.Function == WriteFileRecord:
		return 2 + len(q.Data), true
	case q.Function == ReadFileRecord:
		n = 2
		for g := range q.Groups() {
			n += 2 + 2*g.Length
		}
		return n, true
	}
	return r.response.max, r.response.fixed()
}

// LineTime is how long a request and its good answer keep a serial line busy:
// their characters, in RTU with the least silence of 3.5 characters after each.
// An answer of unknown length counts with the most it may have. It is 0 for
// MBAP, for a baud rate of 0 or less, and for a request that Append refuses.
// Source: serial guide 2.5.1.1.
func LineTime(q Request, s line.Serial, f line.Framing) time.Duration {
	sent := RequestLength(q)
	if sent == 0 || f == line.MBAP {
		return 0
	}
	t := frameTime(sent, s, f)
	if answer, _ := AnswerLength(q); answer > 0 {
		t += frameTime(answer, s, f)
	}
	return t
}

// frameTime is one frame's characters and, in RTU, the silence after it.
func frameTime(pdu int, s line.Serial, f line.Framing) time.Duration {
	t := time.Duration(ADULength(f, pdu)) * CharTime(s, f)
	if f == line.RTU {
		t += Gap35(s)
	}
	return t
}
