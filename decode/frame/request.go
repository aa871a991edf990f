package frame

import (
	"encoding/binary"
	"iter"

	"plumbline/regmap"
)

// A Request is the PDU of a request as numbers. Only the fields that its
// function has are set, the rest are zero; byte counts are not kept, they
// follow from Data. Data aliases the bytes given to ParseRequest. The zero
// Request is not valid.
type Request struct {
	Function Function

	Address  regmap.Address // 01-06, 0F, 10: first item; 16: the register; 17: first register read; 18: the pointer
	Quantity int            // 01-04: items read; 0F, 10: items written; 17: registers read
	Value    uint16         // 05: FF00 or 0000; 06: the word

	And, Or uint16 // 16: the masks

	WriteAddress  regmap.Address // 17: first register written
	WriteQuantity int            // 17: registers written

	SubFunction SubFunction // 08

	MEI    uint8 // 2B: MEIDeviceID or MEICANopen
	Code   uint8 // 2B/0E: access code 1 to 4
	Object uint8 // 2B/0E: first or only object

	// Data is what the counted or open part holds: 0F the bits, 10 and 17 the
	// words to write, 08 the data words, 14 and 15 the groups, 2B/0D all after
	// the MEI type.
	Data []byte
}

// Read is the request that reads count items of a table; the zero Request for a
// value that is no table. Limits are judged by Append.
func Read(t regmap.Table, a regmap.Address, count int) Request {
	for i := range rows {
		if r := &rows[i]; r.reads && !r.changes && r.table == t {
			return Request{Function: r.function, Address: a, Quantity: count}
		}
	}
	return Request{}
}

// coilOn is the word that switches a coil on; 0000 switches it off.
// Source: V1.1b3 6.5.
const coilOn = 0xFF00

// WriteCoil is Write Single Coil, 05.
func WriteCoil(a regmap.Address, on bool) Request {
	q := Request{Function: WriteSingleCoil, Address: a}
	if on {
		q.Value = coilOn
	}
	return q
}

// WriteRegister is Write Single Register, 06.
func WriteRegister(a regmap.Address, value uint16) Request {
	return Request{Function: WriteSingleRegister, Address: a, Value: value}
}

// WriteCoils is Write Multiple Coils, 0F; it packs the bits into new bytes.
func WriteCoils(a regmap.Address, bits ...bool) Request {
	data := make([]byte, (len(bits)+7)/8)
	for i, on := range bits {
		if on {
			data[i/8] |= 1 << (i % 8)
		}
	}
	return Request{Function: WriteMultipleCoils, Address: a, Quantity: len(bits), Data: data}
}

// WriteRegisters is Write Multiple Registers, 10; it copies the values.
func WriteRegisters(a regmap.Address, values ...uint16) Request {
	return Request{Function: WriteMultipleRegisters, Address: a, Quantity: len(values), Data: words(values)}
}

// MaskWrite is Mask Write Register, 16: the register becomes (current AND and)
// OR (or AND NOT and). Source: V1.1b3 6.16.
func MaskWrite(a regmap.Address, and, or uint16) Request {
	return Request{Function: MaskWriteRegister, Address: a, And: and, Or: or}
}

// ReadWrite is Read/Write Multiple Registers, 17: the write comes before the
// read. It copies the values. Source: V1.1b3 6.17.
func ReadWrite(read regmap.Address, count int, write regmap.Address, values ...uint16) Request {
	return Request{Function: ReadWriteMultipleRegisters, Address: read, Quantity: count,
		WriteAddress: write, WriteQuantity: len(values), Data: words(values)}
}

// ReadDeviceID is Read Device Identification, 2B/0E, with one of the DeviceID
// access codes.
func ReadDeviceID(code, object uint8) Request {
	return Request{Function: EncapsulatedInterface, MEI: MEIDeviceID, Code: code, Object: object}
}

// Diagnose is Diagnostics, 08, with its data words.
func Diagnose(s SubFunction, data ...uint16) Request {
	return Request{Function: Diagnostics, SubFunction: s, Data: words(data)}
}

func words(values []uint16) []byte {
	data := make([]byte, 0, 2*len(values))
	for _, v := range values {
		data = binary.BigEndian.AppendUint16(data, v)
	}
	return data
}

// Reads is the span that a read function asks for, 17 included; ok is false for
// every other function (18 does not say beforehand what it reads).
func (q Request) Reads() (s regmap.Span, ok bool) {
	r := rowOf(q.Function)
	if r == nil || !r.reads {
		return regmap.Span{}, false
	}
	return regmap.Span{Table: r.table, First: q.Address, Count: q.Quantity}, true
}

// Writes is the span that 05, 06, 0F, 10, 16 or 17 writes; ok is false for every
// other function (15 writes files, which are no table).
func (q Request) Writes() (s regmap.Span, ok bool) {
	r := rowOf(q.Function)
	switch {
	case r == nil || !r.changes || r.table == 0:
		return regmap.Span{}, false
	case r.reads:
		return regmap.Span{Table: r.table, First: q.WriteAddress, Count: q.WriteQuantity}, true
	case r.quantity.min == r.quantity.max:
		return regmap.Span{Table: r.table, First: q.Address, Count: r.quantity.max}, true
	}
	return regmap.Span{Table: r.table, First: q.Address, Count: q.Quantity}, true
}

// Changes says whether the request changes something in the station: the
// writes 05 06 0F 10 15 16 17; of 08 the restart (1), the ASCII delimiter (3),
// listen only (4) and what clears counters (0A, 14); 2B/0D, whose content
// cannot be judged here, and every function or sub-function that is not known.
// Reading a queue (18) does not clear it. Source: V1.1b3 6.5 to 6.21.
func (q Request) Changes() bool {
	r := rowOf(q.Function)
	switch {
	case r == nil:
		return true
	case q.Function == Diagnostics:
		s := subRowOf(q.SubFunction)
		return s == nil || s.changes
	case q.Function == EncapsulatedInterface:
		return q.MEI != MEIDeviceID
	}
	return r.changes
}

// Registers appends the words that 06, 10 or 17 writes, or the data words of 08.
func (q Request) Registers(dst []uint16) []uint16 {
	switch q.Function {
	case WriteSingleRegister:
		return append(dst, q.Value)
	case WriteMultipleRegisters, ReadWriteMultipleRegisters, Diagnostics:
		return appendWords(dst, q.Data)
	}
	return dst
}

// Bit is the i-th bit, from 0, that 05 or 0F writes; false beyond the last.
func (q Request) Bit(i int) bool {
	switch {
	case q.Function == WriteSingleCoil:
		return i == 0 && q.Value == coilOn
	case q.Function == WriteMultipleCoils && i < q.Quantity:
		return bitOf(q.Data, i)
	}
	return false
}

// A Group is one sub-request of Read or Write File Record, or one
// sub-response; a response to a read has only Data.
type Group struct {
	File   uint16 // 1 to 65535
	Record uint16 // 0 to 9999
	Length int    // registers
	Data   []byte // two bytes a register
}

// Registers appends the group's registers.
func (g Group) Registers(dst []uint16) []uint16 { return appendWords(dst, g.Data) }

// Groups gives the groups of 14 or 15 in order; nothing for other functions.
func (q Request) Groups() iter.Seq[Group] {
	return groups(q.Data, q.Function, false)
}

// groupHead is the bytes of a group's reference type, file, record and length.
// Source: V1.1b3 6.14.
const groupHead = 7

func groups(data []byte, f Function, answer bool) iter.Seq[Group] {
	return func(yield func(Group) bool) {
		if f != ReadFileRecord && f != WriteFileRecord {
			return
		}
		for len(data) > 0 {
			var g Group
			var n int
			if f == ReadFileRecord && answer {
				n = 1 + int(data[0])
				if n < 2 || n > len(data) {
					return
				}
				g.Length, g.Data = (n-2)/2, data[2:n]
			} else {
				if len(data) < groupHead {
					return
				}
				g.File, g.Record = word(data, 1), word(data, 3)
				g.Length, n = int(word(data, 5)), groupHead
				if f == WriteFileRecord {
					n += 2 * g.Length
					if n > len(data) {
						return
					}
					g.Data = data[groupHead:n]
				}
			}
			if !yield(g) {
				return
			}
			data = data[n:]
		}
	}
}

func word(b []byte, at int) uint16 { return binary.BigEndian.Uint16(b[at:]) }

func appendWords(dst []uint16, data []byte) []uint16 {
	for i := 0; i+1 < len(data); i += 2 {
		dst = append(dst, word(data, i))
	}
	return dst
}

func bitOf(data []byte, i int) bool {
	return i >= 0 && i/8 < len(data) && data[i/8]>>(i%8)&1 == 1
}
