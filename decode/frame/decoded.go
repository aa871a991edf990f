package frame

import (
	"encoding/json"

	"plumbline/regmap"
)

// An Entry is one named thing that a PDU says. Value is an int, a string, a
// []int, an Entries, or a list of one of the last two.
type Entry struct {
	Key   string
	Value any
}

// Entries is named things in the order of the frame.
type Entries []Entry

// MarshalJSON writes one JSON object with its keys in order.
func (es Entries) MarshalJSON() ([]byte, error) {
	out := []byte{'{'}
	for i, e := range es {
		if i > 0 {
			out = append(out, ',')
		}
		for _, part := range []any{e.Key, e.Value} {
			text, err := json.Marshal(part)
			if err != nil {
				return nil, err
			}
			out = append(append(out, text...), ':')
		}
		out = out[:len(out)-1]
	}
	return append(out, '}'), nil
}

// Get is the value of a key; ok is false when there is none.
func (es Entries) Get(key string) (value any, ok bool) {
	for _, e := range es {
		if e.Key == key {
			return e.Value, true
		}
	}
	return nil, false
}

func (es Entries) with(key string, value any) Entries { return append(es, Entry{key, value}) }

// Decoded is what the request alone says, under the names that the documents'
// fields have: start_address, quantity, byte_count, bits, registers, address,
// value (06), value_word (05) ... It expects a request that ParseRequest or
// Append accepts.
func (q Request) Decoded() Entries {
	var es Entries
	switch q.Function {
	case ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters:
		return span(es, int(q.Address), q.Quantity)
	case WriteSingleCoil:
		return item(es, q.Address).with("value_word", int(q.Value))
	case WriteSingleRegister:
		return item(es, q.Address).with("value", int(q.Value))
	case Diagnostics:
		return es.with("sub_function", int(q.SubFunction)).with("request_data", dataWords(q.Data))
	case WriteMultipleCoils:
		es = span(es, int(q.Address), q.Quantity).with("byte_count", len(q.Data))
		return es.with("bits", bits(q.Data, q.Quantity))
	case WriteMultipleRegisters:
		es = span(es, int(q.Address), q.Quantity).with("byte_count", len(q.Data))
		return es.with("registers", ints(appendWords(nil, q.Data)))
	case ReadFileRecord:
		return es.with("byte_count", len(q.Data)).with("groups", groupList(q.Data, q.Function))
	case WriteFileRecord:
		return fileWritten(q.Data)
	case MaskWriteRegister:
		return item(es, q.Address).with("and_mask", int(q.And)).with("or_mask", int(q.Or))
	case ReadWriteMultipleRegisters:
		es = es.with("read_start", int(q.Address)).with("read_quantity", q.Quantity)
		es = es.with("write_start", int(q.WriteAddress)).with("write_quantity", q.WriteQuantity)
		return es.with("write_byte_count", len(q.Data)).with("write_registers", ints(appendWords(nil, q.Data)))
	case ReadFIFOQueue:
		return es.with("fifo_pointer_address", int(q.Address))
	case EncapsulatedInterface:
		if q.MEI == MEIDeviceID {
			return es.with("read_device_id_code", int(q.Code)).with("object_id", int(q.Object))
		}
		return es.with("mei_type", int(q.MEI)).with("request_data", ints(q.Data))
	}
	return es
}

// Decoded is what the answer alone says, under the same names. Its bits are all
// 8 times the byte count, unless asked is the request that it answers (nil when
// that is not known). It is empty for an exception.
func (r Response) Decoded(asked *Request) Entries {
	var es Entries
	if r.Exception != 0 {
		return es
	}
	switch r.Function {
	case ReadCoils, ReadDiscreteInputs:
		n := 8 * len(r.Data)
		if asked != nil && asked.Function == r.Function {
			n = min(n, asked.Quantity)
		}
		return es.with("byte_count", len(r.Data)).with("bits", bits(r.Data, n))
	case ReadHoldingRegisters, ReadInputRegisters, ReadWriteMultipleRegisters:
		return es.with("byte_count", len(r.Data)).with("registers", ints(appendWords(nil, r.Data)))
	case WriteSingleCoil:
		return item(es, r.Address).with("value_word", int(r.Value))
	case WriteSingleRegister:
		return item(es, r.Address).with("value", int(r.Value))
	case WriteMultipleCoils, WriteMultipleRegisters:
		return span(es, int(r.Address), r.Quantity)
	case MaskWriteRegister:
		return item(es, r.Address).with("and_mask", int(r.And)).with("or_mask", int(r.Or))
	case ReadExceptionStatus:
		return es.with("output_data", int(r.Value)).with("outputs_lowest_first", bits([]byte{byte(r.Value)}, 8))
	case Diagnostics:
		return es.with("sub_function", int(r.SubFunction))
	case GetCommEventCounter:
		return es.with("status", int(r.Status)).with("event_count", int(r.EventCount))
	case GetCommEventLog:
		es = es.with("byte_count", eventWords+len(r.Data)).with("status", int(r.Status)).with("event_count", int(r.EventCount))
		return es.with("message_count", int(r.MessageCount)).with("events", ints(r.Data))
	case WriteFileRecord:
		return fileWritten(r.Data)
	case ReadFileRecord:
		return es.with("data_length", len(r.Data)).with("group_registers", groupRegisters(r.Data, r.Function, true))
	case ReadFIFOQueue:
		es = es.with("byte_count", 2+len(r.Data)).with("fifo_count", len(r.Data)/2)
		return es.with("registers", ints(appendWords(nil, r.Data)))
	}
	return r.decodedIdentity()
}

// decodedIdentity is Decoded of the functions that identify a device.
func (r Response) decodedIdentity() Entries {
	var es Entries
	switch {
	case r.Function == ReportServerID:
		es = es.with("byte_count", len(r.Data))
		id, running, rest, ok := r.ServerID()
		if !ok {
			return es.with("server_id", ints(r.Data))
		}
		indicator := 0x00
		if running {
			indicator = 0xFF
		}
		return es.with("server_id", ints(id)).with("run_indicator", indicator).with("additional_data", ints(rest))
	case r.MEI == MEIDeviceID:
		more := moreNone
		if r.More {
			more = moreFollows
		}
		es = es.with("read_device_id_code", int(r.Code)).with("conformity_level", int(r.Conformity))
		es = es.with("more_follows", more).with("next_object_id", int(r.Next)).with("number_of_objects", int(r.Count))
		objects := []Entries{}
		for id, value := range r.Objects() {
			objects = append(objects, Entries{{"id", int(id)}, {"length", len(value)}, {"value", string(value)}})
		}
		return es.with("objects", objects)
	case r.MEI != 0:
		return es.with("mei_type", int(r.MEI)).with("data", ints(r.Data))
	}
	return es
}

func span(es Entries, start, quantity int) Entries {
	return es.with("start_address", start).with("quantity", quantity)
}

func fileWritten(data []byte) Entries {
	return Entries{{"data_length", len(data)}, {"groups", groupList(data, WriteFileRecord)},
		{"group_registers", groupRegisters(data, WriteFileRecord, false)}}
}

func groupList(data []byte, f Function) []Entries {
	list := []Entries{}
	for g := range groups(data, f, false) {
		list = append(list, Entries{{"file", int(g.File)}, {"record", int(g.Record)}, {"length", g.Length}})
	}
	return list
}

func groupRegisters(data []byte, f Function, answer bool) [][]int {
	list := [][]int{}
	for g := range groups(data, f, answer) {
		list = append(list, ints(g.Registers(nil)))
	}
	return list
}

// dataWords is the data of Diagnostics: one word as a number, more as a list.
func dataWords(data []byte) any {
	w := ints(appendWords(nil, data))
	if len(w) == 1 {
		return w[0]
	}
	return w
}

func ints[T byte | uint16](values []T) []int {
	out := make([]int, len(values))
	for i, v := range values {
		out[i] = int(v)
	}
	return out
}

func bits(data []byte, n int) []int {
	out := make([]int, n)
	for i := range out {
		if bitOf(data, i) {
			out[i] = 1
		}
	}
	return out
}

// item is one item's address and its number, which counts from 1.
// Source: V1.1b3 4.4.
func item(es Entries, a regmap.Address) Entries {
	return es.with("address", int(a)).with("number", int(a)+1)
}
