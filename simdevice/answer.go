package simdevice

import (
	"encoding/binary"
	"errors"
	"sync"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// exceptionBit marks the function code of an exception answer; as requests
// these codes cannot be answered. Source: V1.1b3, 4.1.
const exceptionBit = 0x80

// call is for whom and how a request is answered.
type call struct {
	unit    regmap.Unit
	serial  bool // the serial line functions are there
	hook    func(regmap.Unit, regmap.Span, []uint16, regmap.Contents)
	outside *regmap.Outside // for all points; nil: as the map says
}

// answer appends the answer to a request PDU with a function code of 0 to 127.
// Tests are made in the order of the function's figure: 01 function, 03
// structure and quantity, 02 address, 04 execution; Mask Write (22) has no
// field that 03 could mean, and so follows its own figure too.
// Source: V1.1b3, figures 11 to 16, 21, 22, 26, 27.
func (b *Bank) answer(dst, pdu []byte, c call) []byte {
	f := frame.Function(pdu[0])
	if !has(pdu, c.serial) {
		return except(dst, f, frame.IllegalFunction)
	}
	q, err := frame.ParseRequest(pdu)
	if err != nil {
		return except(dst, f, exceptionOf(err))
	}
	switch f {
	case frame.Diagnostics: // Return Query Data: V1.1b3, 6.8.1
		return append(dst, pdu...)
	case frame.EncapsulatedInterface:
		return b.identity.answer(dst, q)
	}
	out, e := b.access(dst, q, pdu, c)
	if e != 0 {
		return except(dst, f, e)
	}
	return out
}

// has says whether the station has the function of a request, and where the
// PDU goes so far, its sub-function or MEI type.
func has(pdu []byte, serial bool) bool {
	switch frame.Function(pdu[0]) {
	case frame.ReadCoils, frame.ReadDiscreteInputs, frame.ReadHoldingRegisters, frame.ReadInputRegisters,
		frame.WriteSingleCoil, frame.WriteSingleRegister, frame.WriteMultipleCoils, frame.WriteMultipleRegisters,
		frame.MaskWriteRegister, frame.ReadWriteMultipleRegisters:
		return true
	case frame.Diagnostics:
		return serial && (len(pdu) < 3 || frame.SubFunction(binary.BigEndian.Uint16(pdu[1:])) == frame.ReturnQueryData)
	case frame.EncapsulatedInterface:
		return len(pdu) < 2 || pdu[1] == frame.MEIDeviceID
	}
	return false
}

// except appends an exception answer. Source: V1.1b3, 7.
func except(dst []byte, f frame.Function, e frame.Exception) []byte {
	return append(dst, byte(f)|exceptionBit, byte(e))
}

// exceptionOf is the exception for a request that the frame rules refuse.
func exceptionOf(err error) frame.Exception {
	var refused *frame.Error
	if errors.As(err, &refused) && refused.Exception != 0 {
		return refused.Exception
	}
	return frame.IllegalDataValue
}

// access reads and writes tables, all of it at one moment; with an exception
// nothing is written and nothing appended. A function that does both writes
// first. Source: V1.1b3, 6.17.
func (b *Bank) access(dst []byte, q frame.Request, pdu []byte, c call) ([]byte, frame.Exception) {
	read, reads := q.Reads()
	write, writes := q.Writes()
	switch {
	case reads && read.Count > b.layout.MostRead(read.Table), writes && write.Count > b.mostWritten(write.Table):
		return dst, frame.IllegalDataValue
	case reads && !b.layout.Answers(read), writes && !b.mayWrite(write):
		return dst, frame.IllegalDataAddress
	}
	if !writes {
		b.mu.RLock()
		defer b.mu.RUnlock()
		return b.appendRead(dst, q.Function, read, c), 0
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.write(write, b.incoming(q, write), c.outside) {
		return dst, frame.ServerDeviceFailure
	}
	switch q.Function {
	case frame.WriteMultipleCoils, frame.WriteMultipleRegisters:
		return append(dst, pdu[:5]...), 0 // function, start, quantity: V1.1b3, 6.11 and 6.12
	case frame.ReadWriteMultipleRegisters:
		return b.appendRead(dst, q.Function, read, c), 0
	}
	return append(dst, pdu...), 0 // the echo: V1.1b3, 6.5, 6.6, 6.16
}

// mostWritten is the most items of a table that one write may carry.
func (b *Bank) mostWritten(t regmap.Table) int {
	if t.Bits() {
		return b.layout.Limits().WriteCoils
	}
	return b.layout.Limits().WriteRegisters
}

// incoming is the contents that a request would store.
func (b *Bank) incoming(q frame.Request, s regmap.Span) []uint16 {
	raw := b.scratch[:0]
	switch {
	case q.Function == frame.MaskWriteRegister: // V1.1b3, 6.16
		now := b.tables[s.Table].span(s)[0]
		raw = append(raw, now&q.And|q.Or&^q.And)
	case s.Table.Bits():
		for i := range s.Count {
			if q.Bit(i) {
				raw = append(raw, 1)
			} else {
				raw = append(raw, 0)
			}
		}
	default:
		raw = q.Registers(raw)
	}
	b.scratch = raw
	return raw
}

// appendRead appends the answer of a read: function, byte count, and registers
// high byte first, or bits from the least significant one of the first byte
// on. Source: V1.1b3, 6.1 to 6.4, 6.17.
func (b *Bank) appendRead(dst []byte, f frame.Function, s regmap.Span, c call) []byte {
	if s.Table.Bits() {
		dst = append(dst, byte(f), byte((s.Count+7)/8))
	} else {
		dst = append(dst, byte(f), byte(2*s.Count))
	}
	if c.hook != nil {
		return b.appendHooked(dst, s, c)
	}
	t := &b.tables[s.Table]
	for a := int(s.First); a < s.End(); {
		cells, n := t.run(a)
		n = min(n, s.End()-a)
		for i := range n {
			var raw uint16
			if cells != nil {
				raw = cells[i]
			}
			dst = appendItem(dst, s, a+i-int(s.First), raw)
		}
		a += n
	}
	return dst
}

// appendItem appends the item at a place of the span.
func appendItem(dst []byte, s regmap.Span, at int, raw uint16) []byte {
	switch {
	case !s.Table.Bits():
		return binary.BigEndian.AppendUint16(dst, raw)
	case at%8 == 0:
		return append(dst, byte(raw&1))
	}
	dst[len(dst)-1] |= byte(raw&1) << (at % 8)
	return dst
}

// rooms are for the contents that a hook may change: the most that a request
// reads. Source: V1.1b3, 6.1 (2000 bits).
var rooms = sync.Pool{New: func() any { return new([2000]uint16) }}

// appendHooked appends what the hook makes of the contents.
func (b *Bank) appendHooked(dst []byte, s regmap.Span, c call) []byte {
	room := rooms.Get().(*[2000]uint16)
	defer rooms.Put(room)
	raw := b.tables[s.Table].append(room[:0], s)
	c.hook(c.unit, s, raw, (*locked)(b))
	for i, w := range raw[:s.Count] {
		dst = appendItem(dst, s, i, w)
	}
	return dst
}

// locked is a bank whose lock the caller holds.
type locked Bank

// AppendRaw is Bank.AppendRaw without its lock.
func (b *locked) AppendRaw(dst []uint16, s regmap.Span) ([]uint16, bool) {
	if !b.layout.Answers(s) {
		return dst, false
	}
	return b.tables[s.Table].append(dst, s), true
}
