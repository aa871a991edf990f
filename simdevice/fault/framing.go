package fault

import (
	"slices"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Framed is the Shaper of a framing of the standards. An exception answer is a
// frame as any other. When the length of an answer with a byte count changes,
// the count changes with it, so that the frame is well formed and still not
// the one that was asked for.
func Framed(f line.Framing) Shaper { return framed{f} }

type framed struct{ framing line.Framing }

// Field reads a field of a whole frame whose check is right.
func (s framed) Field(b []byte, f Field) (int, bool) {
	adu, err := frame.ParseADU(s.framing, b)
	if err != nil {
		return 0, false
	}
	switch f {
	case UnitField:
		return int(adu.Unit), true
	case FunctionField:
		return int(adu.PDU[0]), true
	case TransactionField:
		return int(adu.Transaction), s.framing == line.MBAP
	case LengthField:
		return len(adu.PDU) - 1, true
	}
	return 0, false
}

// With makes the frame anew with one field changed.
func (s framed) With(b []byte, f Field, value int) ([]byte, bool) {
	adu, err := frame.ParseADU(s.framing, b)
	if err != nil || value < 0 || value > f.max() {
		return nil, false
	}
	adu.PDU = slices.Clone(adu.PDU)
	switch f {
	case UnitField:
		adu.Unit = regmap.Unit(value)
	case FunctionField:
		adu.PDU[0] = byte(value)
	case TransactionField:
		if s.framing != line.MBAP {
			return nil, false
		}
		adu.Transaction = uint16(value)
	case LengthField:
		adu.PDU = resize(adu.PDU, value)
	default:
		return nil, false
	}
	out, err := frame.AppendADU(nil, adu)
	return out, err == nil
}

// resize gives pdu n bytes after its function code, zeros where there were
// none. A byte count that was right stays right (V1.1b3, 6.1 to 6.4: function
// code, byte count, data).
func resize(pdu []byte, n int) []byte {
	counted := len(pdu) > 1 && int(pdu[1]) == len(pdu)-2
	for len(pdu) < n+1 {
		pdu = append(pdu, 0)
	}
	pdu = pdu[:n+1]
	if counted && n > 0 {
		pdu[1] = byte(n - 1)
	}
	return pdu
}
