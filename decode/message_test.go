package decode

import (
	"errors"
	"os"
	"testing"

	"gopkg.in/yaml.v3"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// vectorFile is what of the standards' worked frames is used here; each row
// names its clause in the file.
type vectorFile struct {
	Vectors []struct {
		ID       string
		Request  vectorFrame
		Response *vectorFrame
		Decoded  map[string]any
	}
	Exceptions struct{ Vectors []struct{ ID string } }
}

type vectorFrame struct{ PDU, RTU, TCP, ASCII string }

func vectors(t *testing.T) vectorFile {
	t.Helper()
	text, err := os.ReadFile("../testdata/spec/vectors.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var v vectorFile
	if err := yaml.Unmarshal(text, &v); err != nil || len(v.Vectors) < 35 {
		t.Fatalf("%d vectors, %v", len(v.Vectors), err)
	}
	return v
}

// TestRecogniseVectors: every worked frame of the standards is recognised with
// nothing known beforehand, in each framing.
func TestRecogniseVectors(t *testing.T) {
	for _, v := range vectors(t).Vectors {
		for _, side := range []*vectorFrame{&v.Request, v.Response} {
			if side == nil || side.RTU == "" || v.Decoded["malformed"] != nil && side == v.Response {
				continue
			}
			direction := frame.Asking
			if side == v.Response {
				direction = frame.Answering
			}
			for framing, text := range map[line.Framing]string{line.RTU: side.RTU, line.MBAP: side.TCP, line.ASCII: side.ASCII, 0: side.PDU} {
				b, err := Hex(text)
				if err != nil {
					t.Fatal(v.ID, err)
				}
				m := Recognise(b, Known{})
				if m.Err != nil || m.Framing != framing || m.Direction != 0 && m.Direction != direction {
					t.Errorf("%s %q: %v %v, %v; want %v %v", v.ID, text, m.Framing, m.Direction, m.Err, framing, direction)
				}
				if known := Recognise(b, Known{Framing: framing, Bare: framing == 0, Direction: direction}); known.Err != nil || known.Direction != direction {
					t.Errorf("%s %q, known: %v, %v", v.ID, text, known.Direction, known.Err)
				}
				if (m.CheckOK == nil) != (framing == line.MBAP || framing == 0) || m.CheckOK != nil && !*m.CheckOK {
					t.Errorf("%s %v: check %v", v.ID, framing, m.CheckOK)
				}
			}
		}
	}
}

func recognise(t *testing.T, text string, k Known) Message {
	t.Helper()
	b, err := Hex(text)
	if err != nil {
		t.Fatal(err)
	}
	return Recognise(b, k)
}

// TestRecogniseRefused: a frame that fits nothing is taken for what it is most
// like, with the reason.
func TestRecogniseRefused(t *testing.T) {
	for _, v := range []struct {
		text      string
		framing   line.Framing
		direction frame.Direction
		err       error
	}{
		{"11 03 00 6B 00 03 76 88", line.RTU, frame.Asking, frame.ErrChecksum},
		{"11 04 02 35 8B 2F C5", line.RTU, frame.Answering, frame.ErrChecksum},
		{"11 83 02 C1 35", line.RTU, frame.Answering, frame.ErrChecksum},
		{"11 05 00 AC FF 00 4E 8C", line.RTU, 0, frame.ErrChecksum},
		{"11 03", line.RTU, 0, frame.ErrShort},
		{"", line.RTU, 0, frame.ErrShort},
		{"00 01 00 00 00 07 11 03 00 6B 00 03", line.MBAP, 0, frame.ErrShort},
		{":1103006B00037F", line.ASCII, 0, frame.ErrChecksum},
		{":1103006B00037e", line.ASCII, 0, frame.ErrCharacter},
		{"11 03 00 00 00 7E C7 7A", line.RTU, 0, frame.ErrValue}, // quantity 126
	} {
		m := recognise(t, v.text, Known{})
		if m.Framing != v.framing || m.Direction != v.direction || !errors.Is(m.Err, v.err) {
			t.Errorf("%s: %v %v, %v; want %v %v, %v", v.text, m.Framing, m.Direction, m.Err, v.framing, v.direction, v.err)
		}
		if m.Decoded() != nil {
			t.Errorf("%s: refused, and still says %v", v.text, m.Decoded())
		}
		if _, _, ok := m.Contents(); ok {
			t.Errorf("%s: refused, and still carries contents", v.text)
		}
		length := 0
		for _, f := range m.Fields() {
			length += f.Length
		}
		if length != len(m.Bytes) {
			t.Errorf("%s: %d of %d bytes explained", v.text, length, len(m.Bytes))
		}
	}
}

// TestAnswersTakeTheirRequest: an answer that follows its request knows the
// addresses; one of another unit, function or length does not.
func TestAnswersTakeTheirRequest(t *testing.T) {
	asked := recognise(t, "11 03 00 6B 00 03 76 87", Known{}) // V1.1b3, 6.3
	answer := recognise(t, "11 03 06 02 2B 00 00 00 64 C8 BA", Known{Asked: &asked})
	c, span, ok := answer.Contents()
	if !ok || span != (regmap.Span{Table: regmap.HoldingRegister, First: 107, Count: 3}) {
		t.Fatalf("%v %v", span, ok)
	}
	if raw, ok := c.AppendRaw(nil, regmap.Span{Table: regmap.HoldingRegister, First: 109, Count: 1}); !ok || raw[0] != 100 {
		t.Errorf("register 110 is %v", raw)
	}
	if raw, ok := c.AppendRaw(nil, regmap.Span{Table: regmap.HoldingRegister, First: 109, Count: 2}); ok || raw != nil {
		t.Errorf("beyond the answer: %v", raw)
	}
	for name, other := range map[string]string{
		"another unit": "12 03 06 02 2B 00 00 00 64 8C BB", "fewer registers": "11 03 04 02 2B 00 00 29 F9",
	} {
		b, err := Hex(other)
		if err != nil {
			t.Fatal(err)
		}
		crc := frame.CRC(b[:len(b)-2])
		b[len(b)-2], b[len(b)-1] = byte(crc), byte(crc>>8)
		m := Recognise(b, Known{Asked: &asked})
		if _, _, ok := m.Contents(); ok || m.Err != nil {
			t.Errorf("%s: took the request's addresses (%v)", name, m.Err)
		}
	}
	if f, ok := answer.Function(); !ok || f != frame.ReadHoldingRegisters {
		t.Errorf("function %v", f)
	}
}

// TestWritesCarryTheirContents: what each write function brings.
func TestWritesCarryTheirContents(t *testing.T) {
	for _, v := range []struct {
		pdu  []byte
		span regmap.Span
		want []uint16 // nil: cannot be known
	}{
		{[]byte{5, 0, 0xAC, 0xFF, 0}, regmap.Span{Table: regmap.Coil, First: 172, Count: 1}, []uint16{1}},
		{[]byte{6, 0, 1, 0, 3}, regmap.Span{Table: regmap.HoldingRegister, First: 1, Count: 1}, []uint16{3}},
		{[]byte{15, 0, 19, 0, 10, 2, 0xCD, 1}, regmap.Span{Table: regmap.Coil, First: 19, Count: 10}, []uint16{1, 0, 1, 1, 0, 0, 1, 1, 1, 0}},
		{[]byte{16, 0, 1, 0, 2, 4, 0, 10, 1, 2}, regmap.Span{Table: regmap.HoldingRegister, First: 1, Count: 2}, []uint16{10, 258}},
		{[]byte{22, 0, 4, 0, 0xF2, 0, 0x25}, regmap.Span{Table: regmap.HoldingRegister, First: 4, Count: 1}, nil},
		{[]byte{3, 0, 107, 0, 3}, regmap.Span{Table: regmap.HoldingRegister, First: 107, Count: 3}, nil},
	} {
		m := Recognise(v.pdu, Known{Bare: true, Direction: frame.Asking})
		c, span, ok := m.Contents()
		if !ok || span != v.span {
			t.Errorf("% X: %v %v, %v", v.pdu, span, ok, m.Err)
			continue
		}
		raw, ok := c.AppendRaw(nil, span)
		if ok != (v.want != nil) {
			t.Errorf("% X: %v, %v", v.pdu, raw, ok)
		}
		for i := range v.want {
			if raw[i] != v.want[i] {
				t.Errorf("% X: %v, want %v", v.pdu, raw, v.want)
				break
			}
		}
	}
	m := Recognise([]byte{7}, Known{Bare: true, Direction: frame.Asking})
	if _, _, ok := m.Contents(); ok || m.Err != nil {
		t.Errorf("function 07 is about no span: %v", m.Err)
	}
}
