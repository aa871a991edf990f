package simdevice

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// pdu builds a request of a function and 16-bit fields.
func pdu(f byte, fields ...int) []byte {
	b := []byte{f}
	for _, v := range fields {
		b = binary.BigEndian.AppendUint16(b, uint16(v))
	}
	return b
}

// code is the exception of an answer; 0 for a good one, -1 for silence.
func code(answer []byte) int {
	switch {
	case len(answer) == 0:
		return -1
	case answer[0]&0x80 == 0:
		return 0
	}
	return int(answer[1])
}

// A9: quantity 0, limit + 1 and 65535 are 03, tested before the address.
// Source: V1.1b3 6.1 to 6.4, 6.11, 6.12, 6.17 and figures 11 to 14, 21, 22, 27.
func TestA9Quantities(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	for f, most := range map[byte]int{1: 2000, 2: 2000, 3: 125, 4: 125} {
		for _, start := range []int{0, 200, 65535} { // there, not there, at the very end
			for _, quantity := range []int{0, most + 1, 65535} {
				if got := code(s.Answer(nil, testUnit, pdu(f, start, quantity))); got != 3 {
					t.Errorf("function %d, start %d, quantity %d: exception %d, want 3", f, start, quantity, got)
				}
			}
		}
	}
	for f, most := range map[byte]int{0x0F: 1968, 0x10: 123} {
		for _, quantity := range []int{0, most + 1, 65535} {
			for _, data := range []int{0, 2, 246} {
				b := append(pdu(f, 200, quantity), byte(data))
				b = append(b, make([]byte, data)...)
				if got := code(s.Answer(nil, testUnit, b)); got != 3 {
					t.Errorf("function %d, quantity %d, %d bytes: exception %d, want 3", f, quantity, data, got)
				}
			}
		}
	}
	for _, q := range []struct{ read, write int }{{0, 1}, {126, 1}, {65535, 1}, {1, 0}, {1, 122}, {1, 65535}} {
		data := min(2*q.write, 242)
		b := append(pdu(0x17, 200, q.read, 300, q.write), byte(data))
		b = append(b, make([]byte, data)...)
		if got := code(s.Answer(nil, testUnit, b)); got != 3 {
			t.Errorf("function 23, read %d, write %d: exception %d, want 3", q.read, q.write, got)
		}
	}
}

// The map's own limits of one request are met as the protocol's are.
func TestLimitsOfTheMap(t *testing.T) {
	s := stationOf(t, hundred("limits: {registers: 10, coils: 20, write-registers: 3, write-coils: 5}\n"), Options{})
	for _, row := range []struct {
		pdu  []byte
		code int
	}{
		{pdu(3, 0, 10), 0}, {pdu(3, 0, 11), 3}, {pdu(4, 0, 10), 0}, {pdu(4, 0, 11), 3},
		{pdu(1, 0, 20), 0}, {pdu(1, 0, 21), 3}, {pdu(2, 0, 20), 0}, {pdu(2, 90, 21), 3},
		{append(pdu(0x10, 0, 3), 6, 0, 0, 0, 0, 0, 0), 0}, {append(pdu(0x10, 0, 4), 8, 0, 0, 0, 0, 0, 0, 0, 0), 3},
		{append(pdu(0x0F, 0, 5), 1, 0), 0}, {append(pdu(0x0F, 0, 6), 1, 0), 3},
		{append(pdu(0x17, 0, 10, 0, 3), 6, 0, 0, 0, 0, 0, 0), 0},
		{append(pdu(0x17, 0, 11, 0, 3), 6, 0, 0, 0, 0, 0, 0), 3},
		{append(pdu(0x17, 0, 10, 0, 4), 8, 0, 0, 0, 0, 0, 0, 0, 0), 3},
	} {
		if got := code(s.Answer(nil, testUnit, row.pdu)); got != row.code {
			t.Errorf("% X: exception %d, want %d", row.pdu, got, row.code)
		}
	}
}

// A10: start + quantity is summed without wrapping. Source: V1.1b3 4.4, p48.
func TestA10EndOfTheTable(t *testing.T) {
	s := stationOf(t, `
device: Last addresses
points:
  first: {holding-register: 0, type: uint16, write: {}}
  last: {holding-register: 65535, type: uint16, write: {}}
  input: {input-register: 65535, type: uint16}
  coil: {coil: 65535, write: {}}
  coil0: {coil: 0, write: {}}
  contact: {discrete-input: 65535}
`, Options{})
	for f := byte(1); f <= 4; f++ {
		if got := code(s.Answer(nil, testUnit, pdu(f, 65535, 1))); got != 0 {
			t.Errorf("function %d, address 65535: exception %d, want an answer", f, got)
		}
		for quantity := 2; quantity <= 125; quantity++ {
			if got := code(s.Answer(nil, testUnit, pdu(f, 65535, quantity))); got != 2 {
				t.Errorf("function %d, address 65535, quantity %d: exception %d, want 2", f, quantity, got)
			}
		}
	}
	write := func(read, readCount, first, count int) []byte {
		return append(append(pdu(0x17, read, readCount, first, count), byte(2*count)), make([]byte, 2*count)...)
	}
	many := func(count int) []byte {
		return append(append(pdu(0x10, 65535, count), byte(2*count)), make([]byte, 2*count)...)
	}
	for _, row := range []struct {
		pdu  []byte
		code int
	}{
		{write(65535, 1, 65535, 1), 0}, {write(65535, 2, 65535, 1), 2}, {write(65535, 1, 65535, 2), 2},
		{write(0, 1, 65535, 121), 2}, {write(65535, 125, 0, 1), 2}, {many(1), 0}, {many(2), 2},
		{append(pdu(0x0F, 65535, 1), 1, 1), 0}, {append(pdu(0x0F, 65535, 2), 1, 3), 2},
		{pdu(5, 65535, 0xFF00), 0}, {pdu(6, 65535, 1), 0}, {pdu(0x16, 65535, 1, 1), 0},
	} {
		if got := code(s.Answer(nil, testUnit, row.pdu)); got != row.code {
			t.Errorf("% X: exception %d, want %d", row.pdu, got, row.code)
		}
	}
}

// A11: a byte count that disagrees with the quantity or the bytes present is
// 03, and nothing is written. Source: V1.1b3 figures 21, 22, 27.
func TestA11ByteCounts(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	before := image(s.Bank(testUnit))
	for _, head := range [][]byte{pdu(0x0F, 0, 16), pdu(0x10, 0, 2), pdu(0x17, 0, 1, 0, 2)} {
		right := 4
		if head[0] == 0x0F {
			right = 2
		}
		for count := range 256 {
			for _, present := range []int{0, 1, 2, 3, 4, 5, 6, count} {
				if count == right && present == right || len(head)+1+present > 253 {
					continue
				}
				b := append(append(slices.Clone(head), byte(count)), bytes.Repeat([]byte{0xFF}, present)...)
				if got := code(s.Answer(nil, testUnit, b)); got != 3 {
					t.Fatalf("% X: exception %d, want 3", b, got)
				}
			}
		}
	}
	if !slices.Equal(before, image(s.Bank(testUnit))) {
		t.Error("refused writes changed the contents")
	}
}

// A12: of function 23 nothing is written when either half is bad, and the
// write comes before the read. Source: V1.1b3 6.17.
func TestA12ReadWrite(t *testing.T) {
	s := stationOf(t, hundred("  r: {holding-register: 200, type: uint16}\n"), Options{})
	before := image(s.Bank(testUnit))
	for _, row := range []struct {
		name                         string
		read, readCount, first, many int
	}{
		{"read not there", 100, 1, 0, 1}, {"read runs out", 99, 2, 0, 1}, {"write not there", 0, 1, 100, 1},
		{"write runs out", 0, 1, 99, 2}, {"not writable", 0, 1, 200, 1},
	} {
		b := append(pdu(0x17, row.read, row.readCount, row.first, row.many), byte(2*row.many))
		b = append(b, bytes.Repeat([]byte{0xAB}, 2*row.many)...)
		if got := code(s.Answer(nil, testUnit, b)); got != 2 {
			t.Errorf("%s: exception %d, want 2", row.name, got)
		}
	}
	if !slices.Equal(before, image(s.Bank(testUnit))) {
		t.Error("a refused function 23 changed the contents")
	}
	wants(t, s, "17 00 00 00 03 00 01 00 03 06 11 11 22 22 33 33", "17 06 00 00 11 11 22 22")
}

// A17: functions that are not there are 01 up to 127; above that nothing can
// be answered that could be told from an exception. Source: V1.1b3 4.1, 7.
func TestA17AllFunctions(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	have := []byte{1, 2, 3, 4, 5, 6, 8, 15, 16, 22, 23, 43}
	for f := range 256 {
		for _, rest := range [][]byte{nil, {0, 0, 0, 1}, make([]byte, 252)} {
			got := s.Answer(nil, testUnit, append([]byte{byte(f)}, rest...))
			switch {
			case f >= 128:
				if len(got) != 0 {
					t.Errorf("function %d was answered: % X", f, got)
				}
			case !slices.Contains(have, byte(f)):
				if !bytes.Equal(got, []byte{byte(f) | 0x80, 1}) {
					t.Errorf("function %d: answer % X, want exception 01", f, got)
				}
			case len(got) == 0 || got[0]&0x7F != byte(f):
				t.Errorf("function %d: answer % X", f, got)
			}
		}
	}
	if got := s.Answer(nil, testUnit, nil); len(got) != 0 {
		t.Errorf("an empty PDU was answered: % X", got)
	}
	if c := s.Counts(); c.Unanswerable != 128*3+1 {
		t.Errorf("%d requests were counted as unanswerable, want %d", c.Unanswerable, 128*3+1)
	}
}

// A18: all 65536 values of function 05. Source: V1.1b3 6.5, figure 15.
func TestA18CoilValues(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	for _, on := range []uint16{0, 1} {
		for v := range 65536 {
			s.Answer(nil, testUnit, pdu(5, 7, int(on)*0xFF00))
			got := s.Answer(nil, testUnit, pdu(5, 7, v))
			want, state := []byte{0x85, 3}, on
			if v == 0 || v == 0xFF00 {
				want, state = pdu(5, 7, v), uint16(v>>15)
			}
			raw, _ := s.Bank(testUnit).AppendRaw(nil, regmap.Span{Table: regmap.Coil, First: 7, Count: 1})
			if !bytes.Equal(got, want) || raw[0] != state {
				t.Fatalf("value %04X on a coil that is %d: answer % X, coil %d; want % X, %d", v, on, got, raw[0], want, state)
			}
		}
	}
}

// A19: functions that are nothing but their code. Source: V1.1b3 6.7, 6.13.
func TestA19BareFunctions(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	for _, f := range []byte{7, 0x0B, 0x0C, 0x11} {
		if got := s.Answer(nil, testUnit, []byte{f}); !bytes.Equal(got, []byte{f | 0x80, 1}) {
			t.Errorf("function %d: answer % X, want exception 01", f, got)
		}
	}
}

// A20: broadcasts are never answered; writes are done once on all units, reads
// and diagnostics do nothing. Source: serial guide V1.02, 2.1, 2.4.2.
func TestA20Broadcast(t *testing.T) {
	a, b := bankOf(t, hundred("")), bankOf(t, "device: Small\npoints:\n  h: {holding-register: 1, type: uint16, write: {}}\n")
	s, err := New(map[regmap.Unit]*Bank{17: a, 18: b}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range vectors(t).Vectors {
		if got := ask(t, s, 0, v.Request.PDU); got != "" {
			t.Errorf("%s as a broadcast was answered: %q", v.ID, got)
		}
	}
	for _, bad := range []string{"", "06", "06 00 C8 00 01", "85 02", "41 00"} {
		if got := ask(t, s, 0, bad); got != "" {
			t.Errorf("%q as a broadcast was answered: %q", bad, got)
		}
	}
	ask(t, s, 0, "06 00 01 12 34")
	for _, u := range []regmap.Unit{17, 18} {
		if got := ask(t, s, u, "03 00 01 00 01"); got != "03 02 12 34" {
			t.Errorf("unit %d after the broadcast: %q, want 03 02 12 34", u, got)
		}
	}
	// One unit has the address and takes the write, the other has not.
	ask(t, s, 0, "06 00 02 00 07")
	if got := ask(t, s, 17, "03 00 02 00 01"); got != "03 02 00 07" {
		t.Errorf("unit 17: %q, want 03 02 00 07", got)
	}
	// Done once: the mask inverts nothing when done on each unit's own contents.
	ask(t, s, 0, "16 00 01 FF 00 00 CD")
	if got := ask(t, s, 18, "03 00 01 00 01"); got != "03 02 12 CD" {
		t.Errorf("unit 18 after the mask: %q, want 03 02 12 CD", got)
	}
}

// A21: another unit is silence on a serial line and on TCP; a station alone on
// TCP is also 0 and 255. Source: serial guide V1.02, 2.2; TCP guide V1.0b, 4.4.1.2.
func TestA21AllUnits(t *testing.T) {
	for _, tcp := range []bool{false, true} {
		one := stationOf(t, hundred(""), Options{TCP: tcp})
		two, err := New(map[regmap.Unit]*Bank{17: bankOf(t, hundred("")), 18: bankOf(t, hundred(""))}, Options{TCP: tcp})
		if err != nil {
			t.Fatal(err)
		}
		for u := range 256 {
			u := regmap.Unit(u)
			alone := u == 17 || tcp && (u == 0 || u == 255)
			if got := ask(t, one, u, "03 00 00 00 01") != ""; got != alone {
				t.Errorf("tcp %v, one unit: unit %d answers: %v, want %v", tcp, u, got, alone)
			}
			if got := ask(t, two, u, "03 00 00 00 01") != ""; got != (u == 17 || u == 18) {
				t.Errorf("tcp %v, two units: unit %d answers: %v", tcp, u, got)
			}
		}
	}
}

// A22: restart and listen-only are not allowed. Function 08 is of the serial
// line, its loop back takes any words. Source: V1.1b3 6.8.1, figure 18.
func TestA22Diagnostics(t *testing.T) {
	serial, tcp := stationOf(t, hundred(""), Options{}), stationOf(t, hundred(""), Options{TCP: true})
	for sub := range 65536 {
		if sub == 0 {
			continue
		}
		if got := serial.Answer(nil, testUnit, pdu(8, sub, 0)); !bytes.Equal(got, []byte{0x88, 1}) {
			t.Fatalf("sub-function %d: answer % X, want exception 01", sub, got)
		}
	}
	wants(t, serial, "08 00 00 A5 37 12 34", "08 00 00 A5 37 12 34")
	wants(t, serial, "08 00 00", "88 03")
	wants(t, serial, "08", "88 03")
	wants(t, tcp, "08 00 00 A5 37", "88 01")
}

// Only addresses that the map lets answer are read: bridged gaps as zero, all
// else 02.
func TestUnmappedAddresses(t *testing.T) {
	s := stationOf(t, cistern+"holes: {coil: [2-8]}\nsimulate: {points: {level: {start: 65.535}, flow: {constant: 4.0}}}\n", Options{})
	for _, row := range []struct{ pdu, want string }{
		{"04 00 00 00 04", "04 08 FF FF 00 00 40 80 00 00"}, // over the gap at 1
		{"04 00 01 00 01", "04 02 00 00"},                   // the gap itself
		{"04 00 00 00 05", "84 02"}, {"04 00 04 00 01", "84 02"},
		{"02 00 00 00 01", "02 01 00"}, {"02 00 00 00 0A", "82 02"}, // eight addresses are too many to bridge
		{"03 00 10 00 01", "03 02 00 00"}, {"03 00 0F 00 01", "83 02"}, {"03 00 00 00 01", "83 02"},
		{"03 00 28 00 05", "03 0A 00 00 00 00 00 00 00 00 00 00"}, // string 41-42, gap 43, bits 44
		{"01 00 00 00 02", "01 01 00"}, {"01 00 02 00 01", "81 02"}, {"01 00 09 00 01", "81 02"},
	} {
		wants(t, s, row.pdu, row.want)
	}
}

// Bits are packed from the least significant one on, the rest zero, wherever
// the read begins. Source: V1.1b3 6.1.
func TestBitPacking(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	var want [100]bool
	for i := range want {
		want[i] = i*i%7 < 3
		v := 0
		if want[i] {
			v = 0xFF00
		}
		s.Answer(nil, testUnit, pdu(5, i, v))
	}
	for first := range 100 {
		for count := 1; first+count <= 100; count++ {
			got := s.Answer(nil, testUnit, pdu(1, first, count))
			answer, err := frame.Match(frame.Read(regmap.Coil, regmap.Address(first), count), got)
			if err != nil {
				t.Fatal(err)
			}
			for i := range 8 * len(answer.Data) {
				if on := i < count && want[first+i]; answer.Bit(i) != on {
					t.Fatalf("coil %d of a read from %d: %v, want %v", first+i, first, answer.Bit(i), on)
				}
			}
		}
	}
}

// What stood in dst stays, and nothing is put in front of it.
func TestAnswerAppends(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	for _, u := range []regmap.Unit{17, 18} {
		got := s.Answer([]byte("before"), u, pdu(3, 0, 1))
		if want := "before"; !bytes.HasPrefix(got, []byte(want)) || u == 18 && len(got) != len(want) {
			t.Errorf("unit %d: %q", u, got)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	b := bankOf(t, hundred(""))
	for name, banks := range map[string]map[regmap.Unit]*Bank{
		"no unit": nil, "broadcast": {0: b}, "no bank": {1: nil},
	} {
		if s, err := New(banks, Options{}); err == nil || s != nil {
			t.Errorf("%s: %v, %v; want an error", name, s, err)
		}
	}
	s, err := New(map[regmap.Unit]*Bank{18: b, 3: b}, Options{})
	if err != nil || fmt.Sprint(s.Units()) != "[3 18]" || s.Bank(18) != b || s.Bank(4) != nil || s.Bank(3).Map().Device != "Hundred" {
		t.Errorf("units %v, %v", s.Units(), err)
	}
}

// The standard's limits leave every answer within a PDU. Source: V1.1b3 4.1.
func TestLargestAnswers(t *testing.T) {
	text := "device: Large\npoints:\n  s: {holding-register: 0, type: string, length: 250}\n"
	for i := range 2000 {
		text += fmt.Sprintf("  c%d: {coil: %d}\n", i, i)
	}
	s := stationOf(t, text, Options{})
	for _, b := range [][]byte{pdu(3, 0, 125), pdu(1, 0, 2000)} {
		if got := s.Answer(nil, testUnit, b); len(got) != 252 || got[1] != 250 {
			t.Errorf("% X: %d bytes, byte count %d", b, len(got), got[1])
		}
	}
}
