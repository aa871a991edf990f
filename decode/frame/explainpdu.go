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
		w.diagnostics()
	case ReadFileRecord, WriteFileRecord:
		w.files(f, false)
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
		w.diagnostics()
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
		w.opaque(w.byteCount(), "server_id", "identifier, run indicator (FF on, 00 off) and what else the device tells")
	case ReadFileRecord, WriteFileRecord:
		w.files(f, true)
	case ReadFIFOQueue:
		n := w.number(2, "byte_count", countWords)
		w.counted(2, "fifo_count", "register", " in the queue")
		w.items(regmap.Span{Table: regmap.HoldingRegister, Count: -1}, n-2)
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

// eventByte says what kind of event a byte of the log is.
// Source: V1.1b3 6.10.
func eventByte(v int) string {
	switch {
	case v == 0x00:
		return "communications restart"
	case v == 0x04:
		return "entered listen only mode"
	case v&0x80 != 0:
		return "receive event"
	case v&0x40 != 0:
		return "send event"
	}
	return "none of the standard's four kinds of event"
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

func (w *walker) diagnostics() {
	w.number(2, "sub_function", func(v int) string { return SubFunction(v).String() })
	for w.left() >= 2 {
		w.plain(2, "data", "data word %04X")
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

// files names the groups of 14 and 15.
func (w *walker) files(f Function, answer bool) {
	name := "byte_count"
	if answer || f == WriteFileRecord {
		name = "data_length"
	}
	n := w.number(1, name, countWords)
	end := w.at + n
	for g := 1; w.left() > 0 && w.at < end; g++ {
		if f == ReadFileRecord && answer {
			n = w.number(1, fmt.Sprintf("file_length_%d", g), countWords) - 1
			w.referenceType(g)
		} else {
			w.referenceType(g)
			w.plain(2, fmt.Sprintf("file_%d", g), "file %d")
			w.plain(2, fmt.Sprintf("record_%d", g), "record %d")
			n = 2 * w.counted(2, fmt.Sprintf("length_%d", g), "register", "")
		}
		if f == WriteFileRecord || answer {
			for i := range min(n, w.left()) / 2 {
				w.plain(2, fmt.Sprintf("data_%d_%d", g, i), "%d")
			}
		}
	}
}

func (w *walker) referenceType(g int) {
	w.plain(1, fmt.Sprintf("ref_type_%d", g), "reference type %d")
}

// encapsulated names the fields of 2B. Source: V1.1b3 6.19 and 6.21.
func (w *walker) encapsulated(answer bool) {
	mei := w.number(1, "mei_type", func(v int) string {
		switch uint8(v) {
		case MEIDeviceID:
			return "read device identification"
		case MEICANopen:
			return "CANopen general reference"
		}
		return fmt.Sprintf("MEI type %d; 13 and 14 are known", v)
	})
	switch {
	case uint8(mei) != MEIDeviceID:
		w.opaque(w.left(), "data", "data that another document describes")
		return
	case !answer:
		w.plain(1, "read_device_id_code", "access code %d")
		w.plain(1, "object_id", "object %d")
		return
	}
	w.plain(1, "read_device_id_code", "access code %d")
	w.plain(1, "conformity_level", "conformity level %02X")
	w.number(1, "more_follows", func(v int) string {
		if v == moreNone {
			return "nothing more follows"
		}
		return "more objects follow"
	})
	w.plain(1, "next_object_id", "ask for object %d next")
	for range w.counted(1, "number_of_objects", "object", "") {
		id := w.plain(1, "object_id", "object %d")
		n := w.counted(1, fmt.Sprintf("object_%02X_length", id), "character", "")
		if n > w.left() {
			w.cut = w.cut || n > 0
			return
		}
		w.opaque(n, fmt.Sprintf("object_%02X_value", id), shownText(w.b[w.at:w.at+n]))
	}
}
