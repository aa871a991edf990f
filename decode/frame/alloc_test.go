package frame

import (
	"fmt"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// answer125 is a good answer to a read of 125 registers in one framing.
func answer125(t testing.TB, f line.Framing) (Request, []byte) {
	t.Helper()
	values := make([]uint16, 125)
	for i := range values {
		values[i] = uint16(i * 257)
	}
	pdu, err := Response{Function: ReadHoldingRegisters, Data: words(values)}.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	adu, err := AppendADU(nil, ADU{Framing: f, Unit: 17, Transaction: 1, PDU: pdu})
	if err != nil {
		t.Fatal(err)
	}
	return Read(regmap.HoldingRegister, 0, 125), adu
}

var framings = []line.Framing{line.MBAP, line.RTU, line.ASCII}

// The good path allocates nothing: finding, matching, reading and building.
func TestNoAllocations(t *testing.T) {
	scratch := make([]byte, 0, 260)
	for _, f := range framings {
		q, raw := answer125(t, f)
		registers := make([]uint16, 0, 125)
		room := make([]byte, 0, MaxASCII)
		c := Codec{Framing: f, Awaits: &q, Unit: 17, Scratch: scratch}
		do := func() {
			adu, _, _, err := c.Next(raw)
			if err != nil {
				t.Fatal(err)
			}
			if adu, err = ParseADUInto(scratch, f, raw); err != nil {
				t.Fatal(err)
			}
			a, err := Match(q, adu.PDU)
			if err != nil {
				t.Fatal(err)
			}
			registers = a.Registers(registers[:0])
			pdu, err := q.Append(room[:0])
			if err != nil {
				t.Fatal(err)
			}
			if _, err = ParseRequest(pdu); err != nil {
				t.Fatal(err)
			}
			if _, _, _, err = c.Next(raw[:len(raw)-1]); err != ErrMore {
				t.Fatal(err)
			}
		}
		if n := testing.AllocsPerRun(100, do); n != 0 {
			t.Errorf("%v: %v allocations", f, n)
		}
		if len(registers) != 125 || registers[124] != 124*257 {
			t.Errorf("%v: %v", f, registers)
		}
		adu := ADU{Framing: f, Unit: 17, PDU: []byte{3, 0, 0, 0, 1}}
		if n := testing.AllocsPerRun(100, func() {
			if _, err := AppendADU(room[:0], adu); err != nil {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("%v: %v allocations to build", f, n)
		}
	}
}

func TestNoAllocationsOfVectors(t *testing.T) {
	for _, s := range seedFrames(t) {
		pdu := s.pdu
		if _, err := parseEither(pdu, s.answer); err != nil {
			continue
		}
		n := testing.AllocsPerRun(20, func() {
			if s.answer {
				_, _ = ParseResponse(pdu)
			} else {
				_, _ = ParseRequest(pdu)
			}
		})
		if n != 0 {
			t.Errorf("%s: %v allocations", s.id, n)
		}
	}
}

func BenchmarkParseRead125(b *testing.B) {
	for _, f := range framings {
		b.Run(f.String(), func(b *testing.B) {
			q, raw := answer125(b, f)
			scratch, registers := make([]byte, 0, 260), make([]uint16, 0, 125)
			b.SetBytes(int64(len(raw)))
			b.ReportAllocs()
			for b.Loop() {
				adu, err := ParseADUInto(scratch, f, raw)
				if err != nil {
					b.Fatal(err)
				}
				a, err := Match(q, adu.PDU)
				if err != nil {
					b.Fatal(err)
				}
				registers = a.Registers(registers[:0])
			}
			if fmt.Sprint(registers[:3]) != "[0 257 514]" {
				b.Fatal(registers[:3])
			}
		})
	}
}
