package frame

import (
	"bytes"
	"reflect"
	"testing"

	"plumbline/regmap"
)

// Which requests change a station. Source: V1.1b3 6, function by function; the
// sub-functions of 08 by 6.8.1.
func TestChanges(t *testing.T) {
	changing := map[Function]bool{5: true, 6: true, 0x0F: true, 0x10: true, 0x15: true, 0x16: true, 0x17: true}
	for c := range 256 {
		f := Function(c)
		if f == Diagnostics || f == EncapsulatedInterface {
			continue
		}
		if got, want := (Request{Function: f}).Changes(), changing[f] || !f.Known(); got != want {
			t.Errorf("%v: %v, want %v", f, got, want)
		}
	}
	reading := map[SubFunction]bool{0: true, 2: true, 0x0B: true, 0x0C: true, 0x0D: true, 0x0E: true, 0x0F: true, 0x10: true, 0x11: true, 0x12: true}
	for s := range 65536 {
		if got := Diagnose(SubFunction(s), 0).Changes(); got == reading[SubFunction(s)] {
			t.Errorf("08/%d: %v", s, got)
		}
	}
	for mei := range 256 {
		q := Request{Function: EncapsulatedInterface, MEI: uint8(mei)}
		if got := q.Changes(); got != (mei != 0x0E) {
			t.Errorf("2B/%02X: %v", mei, got)
		}
	}
}

func TestSpans(t *testing.T) {
	none := regmap.Span{}
	for _, c := range []struct {
		q             Request
		reads, writes regmap.Span
	}{
		{Read(regmap.Coil, 1, 2), regmap.Span{Table: regmap.Coil, First: 1, Count: 2}, none},
		{Read(regmap.DiscreteInput, 1, 2), regmap.Span{Table: regmap.DiscreteInput, First: 1, Count: 2}, none},
		{Read(regmap.InputRegister, 1, 2), regmap.Span{Table: regmap.InputRegister, First: 1, Count: 2}, none},
		{Read(regmap.HoldingRegister, 65535, 125), regmap.Span{Table: regmap.HoldingRegister, First: 65535, Count: 125}, none},
		{WriteCoil(7, true), none, regmap.Span{Table: regmap.Coil, First: 7, Count: 1}},
		{WriteRegister(7, 9), none, regmap.Span{Table: regmap.HoldingRegister, First: 7, Count: 1}},
		{MaskWrite(7, 1, 2), none, regmap.Span{Table: regmap.HoldingRegister, First: 7, Count: 1}},
		{WriteCoils(7, true, false), none, regmap.Span{Table: regmap.Coil, First: 7, Count: 2}},
		{WriteRegisters(7, 1, 2, 3), none, regmap.Span{Table: regmap.HoldingRegister, First: 7, Count: 3}},
		{ReadWrite(1, 2, 30, 4, 5, 6), regmap.Span{Table: regmap.HoldingRegister, First: 1, Count: 2}, regmap.Span{Table: regmap.HoldingRegister, First: 30, Count: 3}},
		{Request{Function: ReadFIFOQueue, Address: 5}, none, none},
		{Request{Function: WriteFileRecord}, none, none},
		{Request{}, none, none},
		{ReadDeviceID(1, 0), none, none},
	} {
		if s, ok := c.q.Reads(); s != c.reads || ok != (c.reads != none) {
			t.Errorf("%v reads %v, %v, want %v", c.q.Function, s, ok, c.reads)
		}
		if s, ok := c.q.Writes(); s != c.writes || ok != (c.writes != none) {
			t.Errorf("%v writes %v, %v, want %v", c.q.Function, s, ok, c.writes)
		}
	}
}

// The constructors build the requests of the vectors.
func TestConstructors(t *testing.T) {
	bits := func(s string) (out []bool) {
		for _, c := range s {
			out = append(out, c == '1')
		}
		return out
	}
	built := map[string]Request{
		"fc01-read-coils-20-38":               Read(regmap.Coil, 19, 19),
		"fc02-read-discrete-inputs-197-218":   Read(regmap.DiscreteInput, 196, 22),
		"fc03-read-holding-registers-108-110": Read(regmap.HoldingRegister, 107, 3),
		"fc04-read-input-register-9":          Read(regmap.InputRegister, 8, 1),
		"fc05-write-coil-173-on":              WriteCoil(172, true),
		"fc06-write-register-2":               WriteRegister(1, 3),
		"fc08-00-return-query-data":           Diagnose(ReturnQueryData, 0xA537),
		"fc08-01-restart-clear-log":           Diagnose(RestartCommunications, 0xFF00),
		"fc0F-write-coils-20-29":              WriteCoils(19, bits("1011001110")...),
		"fc10-write-registers-2-3":            WriteRegisters(1, 0x000A, 0x0102),
		"fc16-mask-write-register-5":          MaskWrite(4, 0x00F2, 0x0025),
		"fc17-read-write-registers":           ReadWrite(3, 6, 14, 255, 255, 255),
		"fc2B0E-individual-access":            ReadDeviceID(DeviceIDObject, 1),
	}
	for _, v := range loadVectors(t).Vectors {
		q, ok := built[v.ID]
		if !ok {
			continue
		}
		delete(built, v.ID)
		pdu, err := q.Append(nil)
		if want := unhex(t, v.Request.PDU); err != nil || !bytes.Equal(pdu, want) {
			t.Errorf("%s: % X, %v, want % X", v.ID, pdu, err, want)
		}
	}
	if len(built) != 0 {
		t.Errorf("no vector for %v", built)
	}
	if pdu, err := WriteCoil(172, false).Append(nil); err != nil || !bytes.Equal(pdu, []byte{5, 0, 172, 0, 0}) {
		t.Errorf("% X, %v", pdu, err)
	}
	if !zeroRequest(Read(0, 1, 2)) || !zeroRequest(Read(9, 1, 2)) {
		t.Error("a read of no table")
	}
}

func TestItemsOfRequests(t *testing.T) {
	q := WriteCoils(0, true, false, true)
	for i, want := range []bool{true, false, true, false} {
		if q.Bit(i) != want {
			t.Errorf("bit %d of 0F", i)
		}
	}
	if !WriteCoil(0, true).Bit(0) || WriteCoil(0, true).Bit(1) || WriteCoil(0, false).Bit(0) || q.Bit(-1) || (Request{}).Bit(0) {
		t.Error("bits of 05")
	}
	// Padding bits are not items; V1.1b3 6.11.
	if (Request{Function: WriteMultipleCoils, Quantity: 3, Data: []byte{0xFF}}).Bit(3) {
		t.Error("a padding bit counts")
	}
	for _, c := range []struct {
		q    Request
		want []uint16
	}{
		{WriteRegister(0, 7), []uint16{1, 7}},
		{WriteRegisters(0, 7, 0xFFFE), []uint16{1, 7, 0xFFFE}},
		{ReadWrite(0, 1, 0, 7, 8), []uint16{1, 7, 8}},
		{Diagnose(0, 9), []uint16{1, 9}},
		{Read(regmap.Coil, 0, 1), []uint16{1}},
	} {
		if got := c.q.Registers([]uint16{1}); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%v: %v, want %v", c.q.Function, got, c.want)
		}
	}
}

func parsed(t *testing.T, s string) Response {
	t.Helper()
	a, err := ParseResponse(unhex(t, s))
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestItemsOfResponses(t *testing.T) {
	for _, c := range []struct {
		a    Response
		i    int
		bits bool
		want uint16
	}{
		{parsed(t, "03 04 12 34 56 78"), 0, false, 0x1234},
		{parsed(t, "03 04 12 34 56 78"), 1, false, 0x5678},
		{parsed(t, "03 04 12 34 56 78"), 2, false, 0},
		{parsed(t, "03 04 12 34 56 78"), -1, false, 0},
		{parsed(t, "03 04 12 34 56 78"), 0, true, 0},
		{parsed(t, "01 01 06"), 1, true, 1},
		{parsed(t, "01 01 06"), 3, true, 0},
		{parsed(t, "01 01 06"), 8, true, 0},
		{parsed(t, "01 01 06"), -1, true, 0},
		{parsed(t, "01 01 06"), 0, false, 0},
		{parsed(t, "07 6D"), 0, true, 1},
		{parsed(t, "07 6D"), 1, true, 0},
		{parsed(t, "07 6D"), 8, true, 0},
		{parsed(t, "18 00 06 00 02 01 B8 12 84"), 1, false, 0x1284},
		{parsed(t, "83 02"), 0, false, 0},
		{parsed(t, "81 02"), 0, true, 0},
		{Response{}, 0, false, 0},
	} {
		if got := c.a.Item(c.i, c.bits); got != c.want {
			t.Errorf("%+v: item %d, %v: %04X, want %04X", c.a, c.i, c.bits, got, c.want)
		}
	}
	for _, c := range []struct {
		s    string
		want []uint16
	}{
		{"03 04 12 34 56 78", []uint16{1, 0x1234, 0x5678}}, {"06 00 01 00 03", []uint16{1, 3}},
		{"18 00 06 00 02 01 B8 12 84", []uint16{1, 440, 4740}}, {"86 02", []uint16{1}}, {"01 01 06", []uint16{1}},
		{"08 00 0B 01 0B", []uint16{1, 0x010B}},
	} {
		if got := parsed(t, c.s).Registers([]uint16{1}); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %v, want %v", c.s, got, c.want)
		}
	}
}

// The sequences of other functions are empty, end with the data, and stop when
// told to.
func TestSequences(t *testing.T) {
	for range parsed(t, "03 04 12 34 56 78").Objects() {
		t.Error("an object of function 03")
	}
	for range parsed(t, "03 04 12 34 56 78").Groups() {
		t.Error("a group of function 03")
	}
	if _, _, _, ok := parsed(t, "03 02 12 34").ServerID(); ok {
		t.Error("a server id of function 03")
	}
	for range parsed(t, "2B 0E 01 01 00 00 02 00 01 41 01 01 42").Objects() {
		break
	}
	n := 0
	for g := range parsed(t, "14 08 03 06 00 01 03 06 00 02").Groups() {
		n += g.Length
		break
	}
	if n != 1 {
		t.Errorf("%d", n)
	}
	// Data made by hand that does not add up ends the sequence.
	for _, r := range []Response{
		{Function: ReadFileRecord, Data: []byte{9, 6}}, {Function: ReadFileRecord, Data: []byte{0, 6}},
		{Function: WriteFileRecord, Data: []byte{6, 0}}, {Function: WriteFileRecord, Data: []byte{6, 0, 1, 0, 0, 0, 9, 0}},
		{Function: EncapsulatedInterface, MEI: MEIDeviceID, Data: []byte{0, 5, 1}},
	} {
		for g := range r.Groups() {
			t.Errorf("%+v: %+v", r, g)
		}
		for id := range r.Objects() {
			t.Errorf("%+v: %d", r, id)
		}
	}
}
