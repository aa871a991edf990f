package frame

import (
	"fmt"
	"strings"

	"plumbline/regmap"
)

// explainPDU names every byte of a PDU.
func explainPDU(pdu []byte, d Direction, asked *Request) []Field {
	w := walker{b: pdu}
	if asked != nil && len(pdu) > 0 && byte(asked.Function) != pdu[0]&^exceptionBit {
		asked = nil
	}
	answer := d == Answering
	f := Function(w.number(1, "function_code", func(v int) string { return functionWords(Function(v), answer) }))
	switch {
	case f&exceptionBit != 0:
		w.number(1, "exception_code", func(v int) string {
			e := Exception(v)
			return fmt.Sprintf("%s: %s", e.Name(), e.Meaning())
		})
	case f == EncapsulatedInterface:
		w.encapsulated(answer)
	case answer:
		w.answer(f, asked)
	default:
		w.request(f)
	}
	w.rest()
	return w.fields
}

func functionWords(f Function, answer bool) string {
	if f&exceptionBit != 0 {
		f &^= exceptionBit
		return fmt.Sprintf("answer to %02X, %s: refused", uint8(f), lowerName(f))
	}
	if answer {
		return fmt.Sprintf("answer to %02X, %s", uint8(f), lowerName(f))
	}
	return lowerName(f)
}

// lowerName is a function's name inside a sentence; initials stay capital.
func lowerName(f Function) string {
	parts := strings.Fields(f.String())
	for i, p := range parts {
		if p != strings.ToUpper(p) {
			parts[i] = strings.ToLower(p)
		}
	}
	return strings.Join(parts, " ")
}

func (w *walker) start() int    { return w.plain(2, "start_address", "address %d, the first item") }
func (w *walker) quantity() int { return w.plain(2, "quantity", "quantity %d") }
func (w *walker) byteCount() int {
	return w.number(1, "byte_count", countWords)
}

func countWords(v int) string { return "byte count: " + plural(v, "byte") + " of data" }

func (w *walker) request(f Function) {
	r := rowOf(f)
	switch f {
	case ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters:
		w.start()
		w.quantity()
	case WriteSingleCoil, WriteSingleRegister, MaskWriteRegister:
		w.single(f)
	case WriteMultipleCoils, WriteMultipleRegisters:
		s := regmap.Span{Table: r.table, First: regmap.Address(w.start()), Count: w.quantity()}
		w.items(s, w.byteCount())
	case ReadWriteMultipleRegisters:
		w.plain(2, "read_start", "address %d, the first register read")
		w.counted(2, "read_quantity", "register", " to read")
		s := regmap.Span{Table: r.table,
			First: regmap.Address(w.plain(2, "write_start", "address %d, the first register written")),
			Count: w.counted(2, "write_quantity", "register", " to write")}
		w.items(s, w.number(1, "write_byte_count", countWords))
	case ReadFIFOQueue:
		w.plain(2, "fifo_pointer_address", "address %d, where the queue's count stands")
	case Diagnostics:
		w.diagnostics(false)
	case ReadFileRecord, WriteFileRecord:
		w.files(f, false, nil)
	default:
		w.unknown(r)
	}
}

// unknown names the bytes of a function that the standard does not have.
func (w *walker) unknown(r *row) {
	if r == nil {
		w.opaque(w.left(), "data", "data of a function that the standard does not describe")
	}
}

func (w *walker) answer(f Function, asked *Request) {
	r := rowOf(f)
	switch f {
	case ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters, ReadWriteMultipleRegisters:
		s := regmap.Span{Table: r.table, Count: -1}
		if asked != nil {
			s.First, s.Count = asked.Address, asked.Quantity
		}
		w.items(s, w.byteCount())
	case WriteSingleCoil, WriteSingleRegister, MaskWriteRegister:
		w.single(f)
	case WriteMultipleCoils, WriteMultipleRegisters:
		w.start()
		w.plain(2, "quantity", "%d written")
	case ReadExceptionStatus:
		w.plain(1, "output_data", "eight outputs, lowest last: %08b")
	case Diagnostics:
		w.diagnostics(true)
	case GetCommEventCounter:
		w.status()
	case GetCommEventLog:
		n := w.byteCount()
		w.status()
		w.counted(2, "message_count", "message", " handled")
		for i := range min(n-eventWords, w.left()) {
			w.number(1, fmt.Sprintf("event_%d", i), eventByte)
		}
	case ReportServerID:
		w.serverID(w.byteCount())
	case ReadFileRecord, WriteFileRecord:
		w.files(f, true, asked)
	case ReadFIFOQueue:
		n := w.number(2, "byte_count", countWords)
		w.counted(2, "fifo_count", "register", " in the queue")
		s := regmap.Span{Table: regmap.HoldingRegister, Count: -1}
		if asked != nil && asked.Address < 0xFFFF { // the values belong to the registers behind the count
			s.First, s.Count = asked.Address+1, (n-2)/2
		}
		w.items(s, n-2)
	default:
		w.unknown(r)
	}
}

func (w *walker) status() {
	w.number(2, "status", func(v int) string {
		switch v {
		case 0:
			return "not busy"
		case busy:
			return "busy with a program command"
		}
		return fmt.Sprintf("status %04X; 0000 and FFFF are allowed", v)
	})
	w.counted(2, "event_count", "successful message", "")
}

// single names the fields of 05, 06 and 16, which the answer repeats.
func (w *walker) single(f Function) {
	w.plain(2, "address", "address %d")
	switch f {
	case WriteSingleCoil:
		w.number(2, "value_word", func(v int) string {
			switch v {
			case coilOn:
				return "on"
			case 0:
				return "off"
			}
			return fmt.Sprintf("%04X; FF00 is on, 0000 is off, nothing else is allowed", v)
		})
	case WriteSingleRegister:
		w.plain(2, "value", "value %d")
	default:
		w.plain(2, "and_mask", "AND mask %04X")
		w.plain(2, "or_mask", "OR mask %04X, where the AND mask is 0")
	}
}

// items names n bytes of coils or registers; a span with a negative count is
// one whose addresses are not known.
func (w *walker) items(s regmap.Span, n int) {
	n = min(n, w.left())
	for i := 0; s.Table.Bits() && i < n; i++ {
		w.number(1, fmt.Sprintf("bits_%d_%d", 8*i, 8*i+7), func(v int) string { return bitWords(s, i, v) })
	}
	for i := 0; !s.Table.Bits() && i < n/2; i++ {
		w.number(2, fmt.Sprintf("register_%d", i), func(v int) string {
			if s.Count < 0 {
				return fmt.Sprintf("%d", v)
			}
			a := regmap.Address(int(s.First) + i)
			return fmt.Sprintf("%s (address %d): %d", regmap.ReferenceOf(s.Table, a), a, v)
		})
	}
}

// bitWords writes the bits of the i-th byte, first item first.
// Source: V1.1b3 6.1.
func bitWords(s regmap.Span, i, v int) string {
	count := 8
	where := ""
	if s.Count >= 0 {
		if count = min(8, s.Count-8*i); count <= 0 {
			return "more bits than asked for"
		}
		part := regmap.Span{Table: s.Table, First: regmap.Address(int(s.First) + 8*i), Count: count}
		where = part.String() + ": "
	}
	var b strings.Builder
	for bit := range count {
		fmt.Fprintf(&b, " %d", v>>bit&1)
	}
	return where + strings.TrimSpace(b.String())
}
