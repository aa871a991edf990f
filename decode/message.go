package decode

import (
	"errors"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Known is what is known beforehand of a frame to be recognised. The zero
// Known is nothing.
type Known struct {
	Framing   line.Framing    // 0: not known
	Bare      bool            // a PDU without framing
	Direction frame.Direction // 0: not known
	Asked     *Message        // the request before it, which lends its addresses to an answer
}

// A Message is one frame recognised on its own, right or wrong.
type Message struct {
	Bytes     []byte
	Framing   line.Framing // 0: a bare PDU
	ADU       frame.ADU    // zero when the framing is refused
	Direction frame.Direction
	Request   frame.Request  // when it reads as a request
	Response  frame.Response // when it reads as an answer only
	Asked     *frame.Request // the request it answers, when that is known
	CheckOK   *bool          // CRC or LRC; nil where the framing has none
	Err       error          // why it is refused; a *frame.Error; nil for a right one
}

// Recognise reads one frame. Every framing and direction that is not known is
// tried; where both directions fit, the direction stays unknown and the frame
// is taken as the request. A frame that fits nothing is given as the framing it
// is most like, with the reason.
func Recognise(b []byte, k Known) Message {
	for _, f := range framings(b, k) {
		if m := recogniseADU(b, f, k); m.Err == nil {
			return m
		}
	}
	if k.Bare || k.Framing == 0 {
		if m := recognisePDU(Message{Bytes: b}, b, k); m.Err == nil || k.Bare {
			return m
		}
	}
	return recogniseADU(b, likely(b, k), k)
}

// framings lists those that may be tried.
func framings(b []byte, k Known) []line.Framing {
	switch {
	case k.Bare:
		return nil
	case k.Framing != 0:
		return []line.Framing{k.Framing}
	case len(b) > 0 && b[0] == ':':
		return []line.Framing{line.ASCII}
	}
	return []line.Framing{line.MBAP, line.RTU}
}

// likely is the framing that refused bytes are most like.
func likely(b []byte, k Known) line.Framing {
	switch {
	case k.Framing != 0:
		return k.Framing
	case len(b) > 0 && b[0] == ':':
		return line.ASCII
	case checked(b):
		return line.RTU
	case len(b) >= 8 && b[2] == 0 && b[3] == 0 && b[4] <= 1:
		return line.MBAP
	}
	return line.RTU
}

// checked says whether the last two bytes are the CRC of the others.
func checked(b []byte) bool {
	n := len(b) - 2
	return n > 1 && frame.CRC(b[:n]) == uint16(b[n])|uint16(b[n+1])<<8
}

// recogniseADU reads one frame of a framing.
func recogniseADU(b []byte, f line.Framing, k Known) Message {
	m := Message{Bytes: b, Framing: f, Direction: k.Direction}
	adu, err := frame.ParseADU(f, b)
	m.CheckOK = check(f, err)
	if err != nil {
		m.Err = err
		if inner := m.PDU(); f == line.RTU && inner != nil && k.Direction == 0 {
			m.Direction = recognisePDU(Message{}, inner, Known{}).Direction // what it most likely was
		}
		return m
	}
	m.ADU = adu
	return recognisePDU(m, adu.PDU, k)
}

// check is the verdict on a CRC or LRC; nil where it was not reached or there
// is none.
func check(f line.Framing, err error) *bool {
	if f == line.MBAP || err != nil && !errors.Is(err, frame.ErrChecksum) {
		return nil
	}
	ok := err == nil
	return &ok
}

// direction is what a function byte alone says: answers refuse with bit 7 set.
func direction(k Known, function byte) frame.Direction {
	if k.Direction == 0 && function&0x80 != 0 {
		return frame.Answering
	}
	return k.Direction
}

// recognisePDU reads the PDU in the directions that may be.
func recognisePDU(m Message, pdu []byte, k Known) Message {
	q, errQ := frame.ParseRequest(pdu)
	r, errR := frame.ParseResponse(pdu)
	if k.Direction == frame.Answering {
		errQ = errR
	} else if k.Direction == frame.Asking {
		errR = errQ
	}
	request := errQ == nil && k.Direction != frame.Answering
	response := errR == nil && k.Direction != frame.Asking
	switch {
	case request && response:
		m.Direction, m.Request = k.Direction, q
	case request:
		m.Direction, m.Request = frame.Asking, q
	case response:
		m.Direction, m.Response = frame.Answering, r
		m.Asked = answered(m, pdu, k.Asked)
	default:
		m.Err = further(errQ, errR)
		if len(pdu) > 0 {
			m.Direction = direction(k, pdu[0])
		}
	}
	return m
}

// answered is the request before it, if this is its answer.
func answered(m Message, pdu []byte, before *Message) *frame.Request {
	if before == nil || before.Err != nil || before.Direction == frame.Answering || before.Framing != m.Framing ||
		before.ADU.Unit != m.ADU.Unit || before.ADU.Transaction != m.ADU.Transaction {
		return nil
	}
	if _, err := frame.Match(before.Request, pdu); err != nil {
		return nil
	}
	return &before.Request
}

// further is the fault of the reading that got on farther, so was meant.
func further(request, response error) error {
	var q, r *frame.Error
	if errors.As(request, &q) && errors.As(response, &r) && r.Offset > q.Offset {
		return response
	}
	return request
}

// Function is the code on the wire without the exception bit, and whether
// there is one.
func (m *Message) Function() (f frame.Function, ok bool) {
	pdu := m.PDU()
	if len(pdu) == 0 {
		return 0, false
	}
	return frame.Function(pdu[0] & 0x7F), true
}

// PDU is the frame's PDU as far as it can be made out, also of a refused frame.
func (m *Message) PDU() []byte {
	switch {
	case m.Framing == 0:
		return m.Bytes
	case m.ADU.PDU != nil:
		return m.ADU.PDU
	case m.Framing == line.RTU && len(m.Bytes) > 3:
		return m.Bytes[1 : len(m.Bytes)-2]
	case m.Framing == line.MBAP && len(m.Bytes) > 7:
		return m.Bytes[7:]
	}
	return nil
}

// Exception is the exception the frame carries; ok is false for none.
func (m *Message) Exception() (e frame.Exception, ok bool) {
	if m.Err == nil && m.Direction == frame.Answering && m.Response.Exception != 0 {
		return m.Response.Exception, true
	}
	return 0, false
}

// Fields explains every byte of the frame.
func (m *Message) Fields() []frame.Field {
	return frame.Explain(m.Framing, m.Bytes, m.Direction, m.Asked)
}

// Decoded is what this one frame tells, by the names that files use; nothing
// for a refused frame.
func (m *Message) Decoded() frame.Entries {
	switch {
	case m.Err != nil:
		return nil
	case m.Direction == frame.Answering:
		return m.Response.Decoded(m.Asked)
	}
	return m.Request.Decoded()
}

// Contents is the registers or bits that the frame carries, with their places,
// and the span it is about: what a read asks for, what a write brings, what an
// answer to a known request gives. ok is false when the frame is about none.
func (m *Message) Contents() (c regmap.Contents, span regmap.Span, ok bool) {
	if m.Err != nil {
		return nil, span, false
	}
	if m.Direction == frame.Answering {
		if m.Asked == nil || m.Response.Exception != 0 {
			return nil, span, false
		}
		span, ok = m.Asked.Reads()
		return &Exchange{Request: *m.Asked, Response: m.Response, Cause: regmap.NoCause}, span, ok
	}
	if span, ok = m.Request.Writes(); ok {
		return written{m.Request, span}, span, true
	}
	span, ok = m.Request.Reads()
	return written{}, span, ok
}

// written is the contents that a write request brings; the zero written is of
// a read, which brings nothing.
type written struct {
	q    frame.Request
	span regmap.Span
}

// AppendRaw gives the items of a write.
func (w written) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	if s.Table != w.span.Table || s.First < w.span.First || s.End() > w.span.End() {
		return dst, false
	}
	for i := int(s.First) - int(w.span.First); i < s.End()-int(w.span.First); i++ {
		item, ok := item(w.q, w.span.Table, i)
		if !ok {
			return dst, false
		}
		dst = append(dst, item)
	}
	return dst, true
}

// item is the i-th item that a write brings; ok is false for a mask, whose
// result is known to the station alone.
func item(q frame.Request, t regmap.Table, i int) (v uint16, ok bool) {
	switch {
	case q.Function == frame.MaskWriteRegister:
		return 0, false
	case t.Bits() && q.Bit(i):
		return 1, true
	case t.Bits():
		return 0, true
	}
	words := q.Registers(nil)
	if i >= len(words) {
		return 0, false
	}
	return words[i], true
}
