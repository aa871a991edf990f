package frame

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"plumbline/regmap"
)

// Echoes: each flipped bit of an echo is another write, never this one.
// Source: V1.1b3 6.5, 6.6, 6.11, 6.12, 6.15, 6.16.
func TestMatchFlippedEchoes(t *testing.T) {
	checked := 0
	for _, v := range loadVectors(t).Vectors {
		q, err := ParseRequest(unhex(t, v.Request.PDU))
		if err != nil {
			t.Fatal(err)
		}
		if _, writes := q.Writes(); (!writes || q.Function == ReadWriteMultipleRegisters) && q.Function != WriteFileRecord {
			continue
		}
		checked++
		good := unhex(t, v.Response.PDU)
		for i := range good {
			for bit := range 8 {
				pdu := bytes.Clone(good)
				pdu[i] ^= 1 << bit
				a, err := Match(q, pdu)
				if i == 0 && bit == 7 {
					// The exception bit makes it an exception of the wrong length.
					if !errors.Is(err, ErrLong) {
						t.Errorf("%s: % X: %v", v.ID, pdu, err)
					}
					continue
				}
				if err == nil || !zeroResponse(a) || !errors.Is(err, ErrMismatch) && !errors.Is(err, ErrMalformed) {
					t.Errorf("%s: % X: %+v, %v", v.ID, pdu, a, err)
				}
			}
		}
	}
	if checked != 6 {
		t.Errorf("%d writes with an echo, want 6", checked)
	}
}

// Byte counts 0 to 255 with 0 to 252 bytes, against the quantity asked.
// Source: V1.1b3 6.1, 6.3, 6.17.
func TestMatchByteCounts(t *testing.T) {
	for _, q := range []Request{Read(regmap.HoldingRegister, 0, 3), Read(regmap.Coil, 0, 43), ReadWrite(0, 3, 0, 1)} {
		for count := range 256 {
			for present := range 252 {
				pdu := append([]byte{byte(q.Function), byte(count)}, make([]byte, present)...)
				_, err := Match(q, pdu)
				if (err == nil) != (count == 6 && present == 6) {
					t.Fatalf("%v: byte count %d, %d bytes: %v", q.Function, count, present, err)
				}
				whole := count == present && count > 0 && (q.Function == ReadCoils || count%2 == 0) && count <= 250
				if err != nil && errors.Is(err, ErrMismatch) != whole {
					t.Fatalf("%v: byte count %d, %d bytes: %v", q.Function, count, present, err)
				}
			}
		}
	}
}

// Every other function is no answer, and never an exception of the station.
// Source: TCP guide 4.4.1.3.
func TestMatchOtherFunctions(t *testing.T) {
	q := Read(regmap.HoldingRegister, 0, 1)
	for c := range 256 {
		a, err := Match(q, []byte{byte(c), 2})
		switch {
		case c == 0x83:
			if err != nil || a.Exception != IllegalDataAddress || a.Function != ReadHoldingRegisters {
				t.Errorf("83 02: %+v, %v", a, err)
			}
		case c == 3:
			if !errors.Is(err, ErrShort) {
				t.Errorf("03 02: %v", err)
			}
		case !errors.Is(err, ErrMismatch) || !zeroResponse(a) || errors.Is(err, ErrMalformed):
			t.Errorf("%02X 02: %+v, %v", c, a, err)
		}
	}
	for code := range 256 { // V1.1b3 7: raw codes are passed on, 0 is none
		a, err := Match(q, []byte{0x83, byte(code)})
		if (err == nil) != (code != 0) || int(a.Exception) != code {
			t.Errorf("83 %02X: %+v, %v", code, a, err)
		}
	}
	if _, err := Match(q, nil); !errors.Is(err, ErrShort) {
		t.Error(err)
	}
	_, err := Match(q, []byte{0x84, 2})
	if want := "an exception of Read Input Registers, 4 (0x04) came; Read Holding Registers, 3 (0x03) was asked"; err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v", err)
	}
	_, err = Match(q, []byte{0x41, 2})
	if want := "an answer of function 65 (0x41) came"; err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v", err)
	}
}

func TestMatchRules(t *testing.T) {
	ask := func(s string) Request {
		q, err := ParseRequest(unhex(t, s))
		if err != nil {
			t.Fatal(err)
		}
		return q
	}
	for _, c := range []struct {
		clause, request, answer string
		want                    error
	}{
		{"6.8.1 loop back", "08 00 00 A5 37", "08 00 00 A5 38", ErrMismatch},
		{"6.8.1 loop back of two words", "08 00 00 A5 37 00 01", "08 00 00 A5 37", ErrMismatch},
		{"6.8.1 another sub-function", "08 00 0B 00 00", "08 00 0C 00 01", ErrMismatch},
		{"6.8.1 counter", "08 00 0B 00 00", "08 00 0B FF FF", nil},
		{"6.14 groups in order", "14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 01", "14 0A 05 06 0D FE 00 20 03 06 33 CD", nil},
		{"6.14 groups swapped", "14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 01", "14 0A 03 06 33 CD 05 06 0D FE 00 20", ErrMismatch},
		{"6.14 a group missing", "14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 01", "14 06 05 06 0D FE 00 20", ErrMismatch},
		{"6.14 a group too many", "14 07 06 00 04 00 01 00 02", "14 0A 05 06 0D FE 00 20 03 06 33 CD", ErrMismatch},
		{"6.19 another MEI type", "2B 0D 01", "2B 0E 01 01 00 00 00", ErrMismatch},
		{"6.20 content not judged", "2B 0D 01", "2B 0D 99", nil},
		{"6.21 another access code", "2B 0E 02 00", "2B 0E 01 01 00 00 01 00 01 41", ErrMismatch},
		{"6.21 stream begins again at 0", "2B 0E 01 77", "2B 0E 01 01 00 00 01 00 01 41", nil},
		{"6.21 stream begins elsewhere", "2B 0E 01 00", "2B 0E 01 01 00 00 01 01 01 41", ErrMismatch},
		{"6.21 no object", "2B 0E 01 00", "2B 0E 01 01 00 00 00", nil},
		{"6.21 single object", "2B 0E 04 05", "2B 0E 04 83 00 00 01 05 01 41", nil},
		{"6.21 single object 0 in place of 5", "2B 0E 04 05", "2B 0E 04 83 00 00 01 00 01 41", ErrMismatch},
		{"6.18 any count up to 31", "18 04 DE", "18 00 02 00 00", nil},
	} {
		pdu := unhex(t, c.answer)
		a, err := Match(ask(c.request), pdu)
		if !errors.Is(err, c.want) || (err != nil) != zeroResponse(a) {
			t.Errorf("%s: %s to %s: %+v, %v, want %v", c.clause, c.answer, c.request, a, err, c.want)
		}
	}
}
