package fault

import (
	"bytes"
	"encoding/hex"
	"testing"
)

// rtuShaper is the framing of a serial line, as far as these tests need it: a
// read's answer with its byte count. It reads the unit of anything that has a
// byte, so that the verbs can be tried on short chunks.
type rtuShaper struct{}

func (rtuShaper) Field(adu []byte, f Field) (int, bool) {
	switch {
	case f == UnitField && len(adu) > 0:
		return int(adu[0]), true
	case f == FunctionField && len(adu) > 4:
		return int(adu[1]), true
	case f == LengthField && len(adu) > 4:
		return len(adu) - 4, true
	}
	return 0, false
}

func (s rtuShaper) With(adu []byte, f Field, value int) ([]byte, bool) {
	if len(adu) < 5 {
		return nil, false
	}
	body := bytes.Clone(adu[:len(adu)-2])
	switch f {
	case UnitField:
		body[0] = byte(value)
	case FunctionField:
		body[1] = byte(value)
	case LengthField:
		data := append(body[3:], make([]byte, 252)...)[:max(value-1, 0)]
		body = append([]byte{body[0], body[1], byte(len(data))}, data...)
	default:
		return nil, false
	}
	crc := rtuCRC(body)
	return append(body, byte(crc), byte(crc>>8)), true
}

// rtuCRC is the bit by bit calculation of Modbus over Serial Line V1.02,
// 6.2.2.
func rtuCRC(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			odd := crc&1 != 0
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

func TestAnswerAs(t *testing.T) {
	// Modbus over Serial Line V1.02, 6.2.2, figure of the CRC example: 02 07
	// is followed by 41 12.
	if got := rtuCRC([]byte{2, 7}); got != 0x1241 {
		t.Fatalf("crc %04x, want 1241", got)
	}
	frame := []byte{0x11, 0x03, 0x02, 0x01, 0x02}
	crc := rtuCRC(frame)
	frame = append(frame, byte(crc), byte(crc>>8))
	for _, c := range []struct{ rule, body string }{
		{"unit 18", "1203020102"},
		{"unit +1", "1203020102"},
		{"unit -18", "ff03020102"},
		{"function 131", "1183020102"},
		{"function +255", "1102020102"},
		{"length 5", "11030401020000"},
		{"length -1", "11030101"},
		{"transaction 7", "1103020102"}, // no such field: as it was
	} {
		s, err := Parse("answers: answer-as " + c.rule)
		if err != nil {
			t.Fatal(err)
		}
		run, err := s.Start(rtuShaper{})
		if err != nil {
			t.Fatal(err)
		}
		want, _ := hex.DecodeString(c.body)
		crc := rtuCRC(want)
		want = append(want, byte(crc), byte(crc>>8))
		if got := run.Answers().Deliveries(frame); len(got) != 1 || !bytes.Equal(got[0].Bytes, want) {
			t.Errorf("answer-as %s: %+v, want %x", c.rule, got, want)
		}
		// What is no frame passes as it is.
		if got := run.Answers().Deliveries([]byte{1}); len(got) != 1 || !bytes.Equal(got[0].Bytes, []byte{1}) {
			t.Errorf("answer-as %s of no frame: %+v, want 01", c.rule, got)
		}
	}
	units := map[byte]bool{}
	s, _ := Parse("seed 1\nboth: answer-as unit random")
	run, err := s.Start(rtuShaper{})
	if err != nil {
		t.Fatal(err)
	}
	for range 2000 {
		units[run.Requests().Deliveries(frame)[0].Bytes[0]] = true
	}
	if units[0x11] || len(units) != 255 {
		t.Errorf("random unit: %d different ones, own among them %v; want the 255 others", len(units), units[0x11])
	}
}
