package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/goburrow/modbus"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// This file is the one door to goburrow/modbus. Its packagers build frames and
// take them apart, its Client checks them a second time; its transporters and
// its way of connecting are never used. Every answer passes frame.Match before
// the library sees it, because its own checks let through short answers and
// take other functions for exceptions, and panic on short frames.

// A slot carries one call at a time with a packager of its own, because the
// unit belongs to the packager there and not to the call.
type slot struct {
	packager packager
	setUnit  func(byte)
	client   modbus.Client // over own
	own      carrier

	transaction transaction // MBAP: of the call that it carries

	free time.Duration // steady: when the pause after its last call is over
}

func newSlot(f line.Framing) *slot {
	s := &slot{packager: packager{framing: f}}
	switch f {
	case line.RTU:
		h := modbus.NewRTUClientHandler("")
		s.packager.Packager, s.setUnit = h, func(u byte) { h.SlaveId = u }
	case line.ASCII:
		h := modbus.NewASCIIClientHandler("")
		s.packager.Packager, s.setUnit = h, func(u byte) { h.SlaveId = u }
	default:
		h := modbus.NewTCPClientHandler("")
		s.packager.Packager, s.setUnit = h, func(u byte) { h.SlaveId = u }
	}
	return s
}

// A packager is the library's with our judgement of the answer.
type packager struct {
	modbus.Packager
	framing line.Framing
	request frame.Request
	judged  []byte // the answer that was matched already
}

// Verify says whether answer is a whole frame that answers the request. The
// unit was judged before: a station on a direct connection may give another.
func (p *packager) Verify(_, answer []byte) error {
	if len(answer) > 0 && len(answer) == len(p.judged) && &answer[0] == &p.judged[0] {
		return nil
	}
	a, err := frame.ParseADU(p.framing, answer)
	if err != nil {
		return err
	}
	_, err = frame.Match(p.request, a.PDU)
	return err
}

// A carrier is the library's Transporter for one call: it keeps the context
// and what became of the call.
type carrier struct {
	link    *Link
	ctx     context.Context
	call    *call
	outcome outcome
	carried bool
}

var (
	errUnanswered = errors.New("no answer") // there is nothing to decode
	errOtherFrame = errors.New("the frame made is not that of the request")
)

// Send carries a request and brings back its answer. Nothing leaves but the
// request that was asked for, or permitted, to the byte.
func (t *carrier) Send(adu []byte) ([]byte, error) {
	a, err := frame.ParseADU(t.link.config.Framing, adu)
	if err != nil || a.Unit != t.call.unit || !bytes.Equal(a.PDU, t.call.pdu) {
		return nil, errOtherFrame
	}
	t.outcome, t.carried = t.link.tries(t.ctx, t.call, adu), true
	if !t.outcome.answered() {
		return nil, errUnanswered
	}
	t.call.slot.packager.judged = t.outcome.received
	return t.outcome.received, nil
}

// carry makes the tries of a call in a slot.
func (l *Link) carry(ctx context.Context, s *slot, c *call) outcome {
	s.packager.request = c.request
	s.setUnit(byte(c.unit))
	t := &s.own
	t.link, t.ctx, t.call, t.carried = l, ctx, c, false
	c.slot = s
	defer func() { t.ctx, t.call, t.outcome, s.packager.judged = nil, nil, outcome{}, nil }()
	err := s.send(t, c)
	if !t.carried {
		return unsent(regmap.Internal, fmt.Sprintf("the request was refused before it left: %v", err), l.config.Clock())
	}
	return t.outcome.unless(disagreement(&t.outcome, err))
}

// unless is the outcome, or a fault of this program where there are words.
func (o outcome) unless(words string) outcome {
	if words != "" {
		o.cause, o.response, o.detail = regmap.Internal, frame.Response{}, words
	}
	return o
}

// disagreement compares the library's verdict on an answer with ours.
func disagreement(o *outcome, err error) string {
	if !o.answered() || o.cause == regmap.NoCause && err == nil {
		return ""
	}
	var refused *modbus.ModbusError
	switch {
	case o.cause == regmap.Excepted && errors.As(err, &refused) && refused.ExceptionCode == byte(o.response.Exception):
		return ""
	}
	return fmt.Sprintf("two readers of the same answer disagree: %v", err)
}

// send gives the request to the library: to its Client where it has a sound
// method, else to its packager alone.
func (s *slot) send(t modbus.Transporter, c *call) error {
	client := s.over(t)
	q := &c.request
	address, quantity := uint16(q.Address), uint16(q.Quantity)
	var err error
	switch q.Function {
	case frame.ReadCoils:
		_, err = client.ReadCoils(address, quantity)
	case frame.ReadDiscreteInputs:
		_, err = client.ReadDiscreteInputs(address, quantity)
	case frame.ReadHoldingRegisters:
		_, err = client.ReadHoldingRegisters(address, quantity)
	case frame.ReadInputRegisters:
		_, err = client.ReadInputRegisters(address, quantity)
	case frame.WriteSingleCoil:
		_, err = client.WriteSingleCoil(address, q.Value)
	case frame.WriteSingleRegister:
		_, err = client.WriteSingleRegister(address, q.Value)
	case frame.WriteMultipleCoils:
		_, err = client.WriteMultipleCoils(address, quantity, q.Data)
	case frame.WriteMultipleRegisters:
		_, err = client.WriteMultipleRegisters(address, quantity, q.Data)
	case frame.MaskWriteRegister:
		_, err = client.MaskWriteRegister(address, q.And, q.Or)
	case frame.ReadWriteMultipleRegisters:
		_, err = client.ReadWriteMultipleRegisters(address, quantity, uint16(q.WriteAddress), uint16(q.WriteQuantity), q.Data)
	default:
		err = s.exchange(t, c.pdu)
	}
	return err
}

// over is the library's client over a transporter.
func (s *slot) over(t modbus.Transporter) modbus.Client {
	if t != modbus.Transporter(&s.own) {
		return modbus.NewClient2(&s.packager, t)
	}
	if s.client == nil {
		s.client = modbus.NewClient2(&s.packager, t)
	}
	return s.client
}

// exchange carries any function through the packager alone.
func (s *slot) exchange(t modbus.Transporter, pdu []byte) error {
	request, err := s.packager.Encode(&modbus.ProtocolDataUnit{FunctionCode: pdu[0], Data: pdu[1:]})
	if err != nil {
		return err
	}
	answer, err := t.Send(request)
	if err != nil {
		return err
	}
	return s.understand(pdu, request, answer)
}

// understand has the packager take an answer apart; an exception is an error.
func (s *slot) understand(pdu, request, answer []byte) error {
	if err := s.packager.Verify(request, answer); err != nil {
		return err
	}
	got, err := s.packager.Decode(answer)
	if err != nil {
		return err
	}
	if got.FunctionCode != pdu[0] {
		return &modbus.ModbusError{FunctionCode: got.FunctionCode, ExceptionCode: got.Data[0]}
	}
	return nil
}

// encode makes the frame of a call that is carried together with others.
func (s *slot) encode(f line.Framing, c *call) ([]byte, error) {
	s.packager.request, c.slot = c.request, s
	s.setUnit(byte(c.unit))
	adu, err := s.packager.Encode(&modbus.ProtocolDataUnit{FunctionCode: c.pdu[0], Data: c.pdu[1:]})
	if err != nil {
		return nil, err
	}
	if a, err := frame.ParseADU(f, adu); err != nil || a.Unit != c.unit || !bytes.Equal(a.PDU, c.pdu) {
		return nil, errOtherFrame
	}
	return adu, nil
}

// agreed is an outcome after the packager has read the answer as well.
func (s *slot) agreed(c *call, o outcome) outcome {
	if !o.answered() {
		return o
	}
	s.packager.judged = o.received
	defer func() { s.packager.judged = nil }()
	return o.unless(disagreement(&o, s.understand(c.pdu, o.sent, o.received)))
}
