package frame

import (
	"iter"

	"plumbline/regmap"
)

// A Response is the PDU of an answer as numbers. Only the fields that its
// function has are set, the rest are zero; byte counts are not kept, they
// follow from Data. Data aliases the bytes given to ParseResponse or Match. The
// zero Response is not valid.
type Response struct {
	Function  Function  // of the request, without the exception bit
	Exception Exception // 0: a good answer; else nothing but the function is set

	Address  regmap.Address // 05, 06, 16: the item; 0F, 10: the first
	Quantity int            // 0F, 10: items written
	Value    uint16         // 05: FF00 or 0000; 06: the word; 07: the eight outputs
	And, Or  uint16         // 16

	SubFunction SubFunction // 08

	Status       uint16 // 0B, 0C: FFFF while a program command runs, else 0
	EventCount   uint16 // 0B, 0C
	MessageCount uint16 // 0C

	MEI        uint8 // 2B
	Code       uint8 // 2B/0E: the request's access code
	Conformity uint8 // 2B/0E: level 1 to 3, with bit 0x80 when single objects can be asked for
	More       bool  // 2B/0E: more objects follow
	Next       uint8 // 2B/0E: the object to ask for next; 0 when nothing follows
	Count      uint8 // 2B/0E: objects in this answer

	// Data is what the counted or open part holds: 01, 02 the bits; 03, 04, 17,
	// 18 the words; 08 the data words; 0C the events; 11 everything; 14, 15 the
	// groups; 2B/0E the objects; 2B/0D all after the MEI type.
	Data []byte
}

// holdsWords says whether Data is registers.
func (r Response) holdsWords() bool {
	switch r.Function {
	case ReadHoldingRegisters, ReadInputRegisters, ReadWriteMultipleRegisters, ReadFIFOQueue, Diagnostics:
		return true
	}
	return false
}

// Registers appends the registers of 03, 04, 17 and 18, the data words of 08,
// or the one of 06.
func (r Response) Registers(dst []uint16) []uint16 {
	switch {
	case r.Function == WriteSingleRegister && r.Exception == 0:
		return append(dst, r.Value)
	case r.holdsWords():
		return appendWords(dst, r.Data)
	}
	return dst
}

// Bit is the i-th bit, from 0, of 01 or 02, or of the outputs of 07; false
// beyond the last byte. The answer does not say how many bits were asked for.
func (r Response) Bit(i int) bool {
	switch r.Function {
	case ReadCoils, ReadDiscreteInputs:
		return bitOf(r.Data, i)
	case ReadExceptionStatus:
		return i >= 0 && i < 8 && r.Value>>i&1 == 1
	}
	return false
}

// Item is the i-th item from 0: a bit as 0 or 1 when bits is set, else a
// register; 0 beyond what came.
func (r Response) Item(i int, bits bool) uint16 {
	switch {
	case bits:
		if r.Bit(i) {
			return 1
		}
	case r.holdsWords() && i >= 0 && 2*i+1 < len(r.Data):
		return word(r.Data, 2*i)
	}
	return 0
}

// Groups gives the groups of 14 or 15 in order; those of 14 have only Data.
func (r Response) Groups() iter.Seq[Group] {
	return groups(r.Data, r.Function, true)
}

// Objects gives the objects of 2B/0E, id and value, in order.
func (r Response) Objects() iter.Seq2[uint8, []byte] {
	return func(yield func(uint8, []byte) bool) {
		if r.MEI != MEIDeviceID {
			return
		}
		for data := r.Data; len(data) >= objectHead; {
			n := objectHead + int(data[1])
			if n > len(data) || !yield(data[0], data[objectHead:n]) {
				return
			}
			data = data[n:]
		}
	}
}

// objectHead is the bytes of an object's id and length. Source: V1.1b3 6.21.
const objectHead = 2

// Except is the answer that refuses a function with an exception.
func Except(f Function, e Exception) Response { return Response{Function: f, Exception: e} }

// ServerID splits the data of Report Server ID, 11, at its run indicator, the
// first byte from offset 1 on that is 00 or FF. How long the identifier is
// belongs to the device; ok is false where no such byte stands.
// Source: V1.1b3 6.13.
func (r Response) ServerID() (id []byte, running bool, rest []byte, ok bool) {
	if r.Function != ReportServerID {
		return nil, false, nil, false
	}
	for i := 1; i < len(r.Data); i++ {
		if b := r.Data[i]; b == 0x00 || b == 0xFF {
			return r.Data[:i], b == 0xFF, r.Data[i+1:], true
		}
	}
	return nil, false, nil, false
}
