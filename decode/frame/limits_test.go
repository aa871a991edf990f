package frame

import (
	"errors"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// asks builds the request of a function with a quantity; its byte count and
// data follow the quantity as far as a byte reaches.
func asks(f Function, read, write int) []byte {
	pdu := appendInts([]byte{byte(f)}, 0, read)
	switch f {
	case WriteMultipleCoils:
		n := (read + 7) / 8
		return append(append(pdu, byte(n)), make([]byte, byte(n))...)
	case WriteMultipleRegisters:
		return append(append(pdu, byte(2*read)), make([]byte, byte(2*read))...)
	case ReadWriteMultipleRegisters:
		return append(append(appendInts(pdu, 0, write), byte(2*write)), make([]byte, byte(2*write))...)
	}
	return pdu
}

func accepts(pdu []byte) bool { _, err := ParseRequest(pdu); return err == nil }

// Every quantity from 0 to 65535 against the limits of the file. Source: V1.1b3
// 6.1 to 6.4, 6.11, 6.12, 6.17, as in vectors.yaml limits.
func TestQuantityLimits(t *testing.T) {
	checked := 0
	for _, l := range loadVectors(t).Limits.PerFunction {
		f := Function(l.Function)
		if l.Name != f.String() {
			t.Errorf("%d: %q, want %q", l.Function, f, l.Name)
		}
		r := rowOf(f)
		if l.QuantityMax > 0 {
			checked++
			if number(t, l.MaxHex) != l.QuantityMax || dataBytes(r, l.QuantityMax) != l.MaxData {
				t.Errorf("%s: %d items take %d bytes, want %d", f, l.QuantityMax, dataBytes(r, l.QuantityMax), l.MaxData)
			}
			for n := range 65536 {
				if got, want := accepts(asks(f, n, 0)), n >= l.QuantityMin && n <= l.QuantityMax; got != want {
					t.Fatalf("%s: quantity %d accepted: %v", f, n, got)
				}
			}
		}
		if l.ReadMax > 0 {
			checked++
			for n := range 65536 {
				if got, want := accepts(asks(f, n, 1)), n >= l.ReadMin && n <= l.ReadMax; got != want {
					t.Fatalf("%s: read quantity %d accepted: %v", f, n, got)
				}
				if got, want := accepts(asks(f, 1, n)), n >= l.WriteMin && n <= l.WriteMax; got != want {
					t.Fatalf("%s: write quantity %d accepted: %v", f, n, got)
				}
			}
		}
	}
	if checked != 7 { // 01 02 03 04 0F 10 17
		t.Errorf("%d functions with a quantity, want 7", checked)
	}
}

// The longest PDUs of each function. Source: vectors.yaml limits, computed there
// from the field sizes of V1.1b3 6.
func TestPDULengths(t *testing.T) {
	limits := loadVectors(t).Limits
	for _, l := range limits.PerFunction {
		r := rowOf(Function(l.Function))
		if l.MaxRequest > 0 && r.request.max != l.MaxRequest {
			t.Errorf("%s: request of %d, want %d", r.name, r.request.max, l.MaxRequest)
		}
		if l.MaxResponse > 0 && r.response.max != l.MaxResponse {
			t.Errorf("%s: response of %d, want %d", r.name, r.response.max, l.MaxResponse)
		}
		s := r.response
		if l.Function == 20 || l.Function == 21 {
			s = r.request
		}
		if l.BytesMax > 0 && s.max != s.count+s.width+l.BytesMax {
			t.Errorf("%s: %d bytes at most, want byte count %d", r.name, s.max, l.BytesMax)
		}
		if l.BytesMin > 0 && s.min != s.count+s.width+l.BytesMin {
			t.Errorf("%s: %d bytes at least, want byte count %d", r.name, s.min, l.BytesMin)
		}
		for _, serial := range limits.SerialOnly {
			if serial == l.Function && !r.serial {
				t.Errorf("%s is of a serial line only", r.name)
			}
		}
	}
	s := limits.Sizes
	if s.PDU != MaxPDU || s.RTU != MaxRTU || s.TCP != MaxMBAP || s.ASCII != MaxASCII {
		t.Errorf("sizes %d %d %d %d, want %+v", MaxPDU, MaxRTU, MaxMBAP, MaxASCII, s)
	}
	for f, n := range map[line.Framing]int{line.MBAP: s.TCP, line.RTU: s.RTU, line.ASCII: s.ASCII, 0: 0} {
		if got := ADULength(f, s.PDU); got != n {
			t.Errorf("%v: %d, want %d", f, got, n)
		}
	}
}

// Byte count against quantity and against the bytes present. Source: V1.1b3
// figures 21, 22, 27.
func TestByteCounts(t *testing.T) {
	for _, f := range []Function{WriteMultipleCoils, WriteMultipleRegisters, ReadWriteMultipleRegisters} {
		good := asks(f, 16, 3)
		at := rowOf(f).request.count
		for count := range 256 {
			for present := range 250 {
				pdu := append(good[:at:at], byte(count))
				pdu = append(pdu, make([]byte, present)...)
				want := count == int(good[at]) && present == count
				_, err := ParseRequest(pdu)
				if (err == nil) != want {
					t.Fatalf("%s: byte count %d with %d bytes: %v", f, count, present, err)
				}
				if e, ok := err.(*Error); err != nil && (!ok || e.Exception != IllegalDataValue) {
					t.Fatalf("%s: byte count %d with %d bytes: %v, want 03", f, count, present, err)
				}
			}
		}
	}
}

// Only FF00 and 0000. Source: V1.1b3 6.5.
func TestCoilValues(t *testing.T) {
	for v := range 65536 {
		pdu := appendInts([]byte{5}, 0, v)
		want := v == 0xFF00 || v == 0
		if accepts(pdu) != want {
			t.Fatalf("request with %04X accepted: %v", v, !want)
		}
		if _, err := ParseResponse(pdu); (err == nil) != want {
			t.Fatalf("response with %04X: %v", v, err)
		}
	}
}

// Function codes: 01 for each that is not public. Source: V1.1b3 4.1, 5.1.
func TestAllFunctionCodes(t *testing.T) {
	for c := range 256 {
		_, err := ParseRequest([]byte{byte(c)})
		var e *Error
		if err != nil && !errors.As(err, &e) {
			t.Fatalf("%T", err)
		}
		switch known := Function(c).Known(); {
		case !known && (err == nil || !errors.Is(err, ErrFunction) || e.Exception != IllegalFunction):
			t.Errorf("%02X: %v, want exception 01", c, err)
		case known && err != nil && (!errors.Is(err, ErrShort) || e.Exception != IllegalDataValue):
			t.Errorf("%02X: %v, want exception 03", c, err)
		}
	}
}

func file(f Function, groups ...[]int) []byte {
	var data []byte
	for _, g := range groups {
		data = appendInts(append(data, byte(g[0])), g[1], g[2], g[3])
		data = append(data, make([]byte, g[4])...)
	}
	return append([]byte{byte(f), byte(len(data))}, data...)
}

// File records. Source: V1.1b3 6.14, 6.15; the exceptions as in NOTES of the
// vectors: reference, file, record and range give 02, lengths 03.
func TestFileRecords(t *testing.T) {
	many := func(n, length int) []byte {
		var g [][]int
		for range n {
			g = append(g, []int{6, 1, 0, length, 0})
		}
		return file(ReadFileRecord, g...)
	}
	for _, c := range []struct {
		what  string
		pdu   []byte
		want  Exception
		class error
	}{
		{"read", file(20, []int{6, 1, 0, 1, 0}), 0, nil},
		{"read up to the last record", file(20, []int{6, 65535, 9999, 1, 0}), 0, nil},
		{"read type 5", file(20, []int{5, 1, 0, 1, 0}), 2, ErrValue},
		{"read file 0", file(20, []int{6, 0, 0, 1, 0}), 2, ErrValue},
		{"read record 10000", file(20, []int{6, 1, 10000, 1, 0}), 2, ErrValue},
		{"read beyond the last record", file(20, []int{6, 1, 9999, 2, 0}), 2, ErrValue},
		{"read nothing", file(20, []int{6, 1, 0, 0, 0}), 3, ErrValue},
		{"read no group", []byte{20, 0}, 3, ErrCount},
		{"read 1.5 groups", append([]byte{20, 10, 6, 0, 1, 0, 0, 0, 1}, 6, 0, 1), 3, ErrCount},
		{"read 121 registers", many(1, 121), 0, nil},
		{"read 122 registers", many(1, 122), 3, ErrValue},
		{"read 35 groups", many(35, 2), 0, nil},
		{"read 35 groups whose answers do not fit", many(35, 3), 3, ErrValue},
		{"read 35 groups whose sum leaves 16 bits", many(35, 9000), 3, ErrValue},
		{"read 36 groups", many(36, 1), 3, ErrLong},
		{"write", file(21, []int{6, 1, 0, 1, 2}), 0, nil},
		{"write two groups", file(21, []int{6, 1, 0, 1, 2}, []int{6, 1, 5, 3, 6}), 0, nil},
		{"write 122 registers", file(21, []int{6, 1, 0, 122, 244}), 0, nil},
		{"write nothing", file(21, []int{6, 1, 0, 0, 2}), 3, ErrValue},
		{"write past the end", file(21, []int{6, 1, 0, 2, 2}), 3, ErrCount},
		{"write a remainder", file(21, []int{6, 1, 0, 1, 3}), 3, ErrCount},
		{"write a length that wraps", file(21, []int{6, 1, 0, 0x8001, 2}), 3, ErrCount},
		{"write file 0", file(21, []int{6, 0, 0, 1, 2}), 2, ErrValue},
	} {
		q, err := ParseRequest(c.pdu)
		var e *Error
		errors.As(err, &e)
		switch {
		case c.want == 0 && err != nil:
			t.Errorf("%s: %v", c.what, err)
		case c.want != 0 && (e == nil || e.Exception != c.want || !errors.Is(err, c.class)):
			t.Errorf("%s: %v, want exception %02X and %v", c.what, err, uint8(c.want), c.class)
		}
		if c.want == 0 {
			if back, err := q.Append(nil); err != nil || string(back) != string(c.pdu) {
				t.Errorf("%s: back % X, %v", c.what, back, err)
			}
		}
	}
}

// Source: V1.1b3, clause in front of each row.
var refusedResponses = []struct {
	what, pdu string
	class     error
}{
	{"6.3 odd byte count", "03 03 00 01 02", ErrCount},
	{"6.3 byte count 0", "03 00", ErrCount},
	{"6.3 byte count 252", "03 FC", ErrCount},
	{"6.1 byte count 251", "01 FB", ErrCount},
	{"6.3 byte count above the bytes", "03 04 00 01", ErrShort},
	{"6.3 byte count below the bytes", "03 02 00 01 00 02", ErrLong},
	{"6.3 two-byte byte count, seen in the field", "03 00 02 23 2C", ErrCount},
	{"6.11 quantity 0", "0F 00 00 00 00", ErrValue},
	{"6.12 quantity 124", "10 00 00 00 7C", ErrValue},
	{"6.9 status", "0B 00 01 00 00", ErrValue},
	{"6.10 status", "0C 06 12 34 00 00 00 00", ErrValue},
	{"6.10 byte count 5", "0C 05 00 00 00 00 00", ErrCount},
	{"6.10 65 events", "0C 47", ErrCount},
	{"6.13 byte count 0", "11 00", ErrCount},
	{"6.14 inner length 1", "14 04 01 06 00 00", ErrCount},
	{"6.14 inner length even", "14 05 04 06 00 00 00", ErrCount},
	{"6.14 inner length past the end", "14 04 05 06 00 00", ErrCount},
	{"6.14 reference type", "14 04 03 05 00 00", ErrValue},
	{"6.15 remainder", "15 0B 06 00 01 00 00 00 01 00 00 00 00", ErrCount},
	{"6.15 reference type in the echo", "15 09 30 00 01 00 00 00 01 00 00", ErrValue},
	{"6.18 32 queued", "18 00 42 00 20", ErrCount},
	{"6.18 32 queued inside the byte count", "18 00 02 00 20", ErrValue},
	{"6.18 counts disagree", "18 00 04 00 02 00 01", ErrCount},
	{"6.18 byte count 1", "18 00 01 00", ErrCount},
	{"6.8.1 reserved", "08 00 05 00 00", ErrFunction},
	{"6.8.1 two words from a counter", "08 00 0B 00 00 00 00", ErrLong},
	{"6.8.1 restart with other data", "08 00 01 12 34", ErrValue},
	{"6.19 MEI type", "2B 05 00", ErrFunction},
	{"6.19 no MEI type", "2B", ErrShort},
	{"6.21 code 0", "2B 0E 00 01 00 00 00", ErrValue},
	{"6.21 code 5", "2B 0E 05 01 00 00 00", ErrValue},
	{"6.21 level 0", "2B 0E 01 00 00 00 00", ErrValue},
	{"6.21 level 4", "2B 0E 01 84 00 00 00", ErrValue},
	{"6.21 more follows 1", "2B 0E 01 01 01 02 00", ErrValue},
	{"6.21 nothing follows, next 2", "2B 0E 01 01 00 02 00", ErrValue},
	{"6.21 more follows, next 0", "2B 0E 01 01 FF 00 00", ErrValue},
	{"6.21 more follows a single object", "2B 0E 04 81 FF 02 01 00 00", ErrValue},
	{"6.21 two single objects", "2B 0E 04 81 00 00 02 00 00 01 00", ErrCount},
	{"6.21 object past the end", "2B 0E 01 01 00 00 01 00 05 41", ErrShort},
	{"6.21 bytes after the objects", "2B 0E 01 01 00 00 01 00 01 41 42", ErrLong},
	{"6.21 objects beyond a PDU", "2B 0E 01 01 00 00 FF 00 FF 41 42", ErrShort},
	{"4.1 exception of function 0", "80 01", ErrFunction},
	{"7 exception without code", "83", ErrShort},
	{"7 exception with two codes", "83 02 02", ErrLong},
	{"7 exception code 0", "83 00", ErrValue},
	{"5.1 function 0", "00 00", ErrFunction},
	{"5.1 function 9", "09 00", ErrFunction},
}

// Answers that do not add up are refused whole.
func TestResponsesRefused(t *testing.T) {
	for _, c := range refusedResponses {
		pdu := unhex(t, c.pdu)
		a, err := ParseResponse(pdu)
		var e *Error
		if !errors.Is(err, c.class) || !errors.Is(err, ErrMalformed) || !errors.As(err, &e) || e.Words == "" || e.Offset > len(pdu) || e.Exception != 0 {
			t.Errorf("%s: %s: %+v, want %v", c.what, c.pdu, err, c.class)
		}
		if err != nil && !zeroResponse(a) {
			t.Errorf("%s: refused, yet %+v", c.what, a)
		}
	}
	if _, err := ParseResponse(make([]byte, 254)); !errors.Is(err, ErrLong) {
		t.Errorf("254 bytes: %v", err)
	}
	if _, err := ParseRequest(append([]byte{0x2B, 0x0D}, make([]byte, 252)...)); !errors.Is(err, ErrLong) {
		t.Errorf("254 bytes: %v", err)
	}
}

// The requests of Diagnostics and 2B. Source: V1.1b3 6.8.1, 6.19, 6.21.
func TestDiagnosticsAndMEI(t *testing.T) {
	for _, c := range []struct {
		what, pdu string
		want      Exception
	}{
		{"loop back of two words", "08 00 00 12 34 56 78", 0},
		{"loop back of no word", "08 00 00", 3},
		{"loop back of a byte and a half", "08 00 00 12 34 56", 3},
		{"restart, log cleared", "08 00 01 FF 00", 0},
		{"restart with other data", "08 00 01 00 FF", 3},
		{"restart with two words", "08 00 01 FF 00 00 00", 3},
		{"delimiter", "08 00 03 3B 00", 0},
		{"delimiter with another byte", "08 00 03 3B 3B", 3},
		{"listen only with data", "08 00 04 00 01", 3},
		{"counter with data", "08 00 0B 00 01", 3},
		{"sub-function 19", "08 00 13 00 00", 1},
		{"sub-function 21", "08 00 15 00 00", 1},
		{"MEI type 13", "2B 0D 01 02 03", 0},
		{"MEI type 13 alone", "2B 0D", 0},
		{"MEI type 12", "2B 0C", 1},
		{"access code 0", "2B 0E 00 00", 3},
		{"access code 4", "2B 0E 04 FF", 0},
	} {
		q, err := ParseRequest(unhex(t, c.pdu))
		if back, wrong := q.Append(nil); err == nil && (wrong != nil || string(back) != string(unhex(t, c.pdu))) {
			t.Errorf("%s: back % X, %v", c.what, back, wrong)
		}
		var e *Error
		if errors.As(err, &e); c.want == 0 && err != nil || c.want != 0 && (e == nil || e.Exception != c.want) {
			t.Errorf("%s: %v, want exception %02X", c.what, err, uint8(c.want))
		}
	}
}

// What the constructors build and Append refuses.
func TestAppendRefuses(t *testing.T) {
	long := make([]uint16, 200)
	for _, c := range []struct {
		what  string
		q     Request
		class error
	}{
		{"zero request", Request{}, ErrFunction},
		{"no table", Read(0, 0, 1), ErrFunction},
		{"0 registers", Read(regmap.HoldingRegister, 0, 0), ErrValue},
		{"126 registers", Read(regmap.InputRegister, 0, 126), ErrValue},
		{"2001 coils", Read(regmap.Coil, 0, 2001), ErrValue},
		{"65537 coils", Read(regmap.Coil, 0, 65537), ErrValue},
		{"-65535 coils", Read(regmap.Coil, 0, -65535), ErrValue},
		{"124 registers written", WriteRegisters(0, long[:124]...), ErrValue},
		{"no register written", WriteRegisters(0), ErrValue},
		{"200 registers written", WriteRegisters(0, long...), ErrValue},
		{"1969 coils written", WriteCoils(0, make([]bool, 1969)...), ErrValue},
		{"no coil written", WriteCoils(0), ErrValue},
		{"122 registers written in 17", ReadWrite(0, 1, 0, long[:122]...), ErrValue},
		{"write quantity of 65536", Request{Function: ReadWriteMultipleRegisters, Quantity: 1, WriteQuantity: 65537, Data: []byte{0, 0}}, ErrValue},
		{"access code 5", ReadDeviceID(5, 0), ErrValue},
		{"file data that wraps the byte count", Request{Function: WriteFileRecord, Data: make([]byte, 256+9)}, ErrLong},
		{"coil value", Request{Function: WriteSingleCoil, Value: 1}, ErrValue},
	} {
		pdu, err := c.q.Append([]byte("x"))
		if pdu != nil || !errors.Is(err, c.class) {
			t.Errorf("%s: % X, %v, want %v", c.what, pdu, err, c.class)
		}
		if n := RequestLength(c.q); n != 0 {
			t.Errorf("%s: length %d", c.what, n)
		}
	}
	for _, c := range []struct {
		what  string
		a     Response
		class error
	}{
		{"zero response", Response{}, ErrFunction},
		{"exception of 83", Except(0x83, 2), ErrFunction},
		{"exception of 0", Except(0, 2), ErrFunction},
		{"quantity that wraps", Response{Function: WriteMultipleRegisters, Quantity: 65537}, ErrValue},
		{"data that wraps", Response{Function: ReadCoils, Data: make([]byte, 257)}, ErrLong},
		{"odd data", Response{Function: ReadHoldingRegisters, Data: make([]byte, 3)}, ErrCount},
		{"32 queued", Response{Function: ReadFIFOQueue, Data: make([]byte, 64)}, ErrCount},
		{"65 events", Response{Function: GetCommEventLog, Data: make([]byte, 65)}, ErrCount},
	} {
		if pdu, err := c.a.Append([]byte("x")); pdu != nil || !errors.Is(err, c.class) {
			t.Errorf("%s: % X, %v, want %v", c.what, pdu, err, c.class)
		}
	}
}
