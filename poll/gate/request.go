package gate

import (
	"fmt"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// Function codes as map files have them. Source: V1.1b3, 6.5, 6.6, 6.11, 6.12.
const (
	multipleCoils     = 15
	multipleRegisters = 16
)

// requestOf is the request that gives a point's registers their contents. A
// point is written whole, in one request; what is wider than one register goes
// with 16 (0x10). Bits of a word go with a mask (22, 0x16), which leaves the
// others to the station; where the map says read-modify-write, or the bits lie
// in two registers, the whole word is written as it was read, and the note says
// so. words say why there is no request.
func requestOf(p *regmap.Point, raw, before []uint16) (q frame.Request, note, words string) {
	function, by := 0, ""
	if p.Write != nil {
		function, by = p.Write.Function, p.Write.By
	}
	switch {
	case p.Table == regmap.Coil && function == multipleCoils:
		return frame.WriteCoils(p.Address, raw[0] != 0), "", ""
	case p.Table == regmap.Coil:
		return frame.WriteCoil(p.Address, raw[0] != 0), "", ""
	case p.Part.Width == 0:
		return writeRegisters(p.Address, raw, function), "", ""
	}
	mask := maskOf(p)
	at, registers := 0, 0
	for i, m := range mask {
		if m != 0 {
			at, registers = i, registers+1
		}
	}
	switch {
	case by != "read-modify-write" && registers == 1:
		return frame.MaskWrite(p.Address+regmap.Address(at), ^mask[at], raw[at]&mask[at]), "", ""
	case by == "mask":
		return q, "", fmt.Sprintf("%s lies in %d registers, and a mask writes one", p.Name, registers)
	case len(before) != p.Count:
		return q, "", fmt.Sprintf("%s: what the other bits of its word are is not known", p.Name)
	}
	return writeRegisters(p.Address, raw, function),
		"the whole word is written; its other bits are sent back as they were read, and what a device changes in them meanwhile is lost", ""
}

func writeRegisters(a regmap.Address, raw []uint16, function int) frame.Request {
	if len(raw) == 1 && function != multipleRegisters {
		return frame.WriteRegister(a, raw[0])
	}
	return frame.WriteRegisters(a, raw...)
}

// maskOf is the bits of a part in its word's registers, whatever their order:
// those in which two values differ that differ in every bit of the part.
func maskOf(p *regmap.Point) []uint16 {
	low, high := regmap.UintValue(0), regmap.UintValue(1<<p.Part.Width-1)
	if p.Type == regmap.TypeBool {
		low, high = regmap.BoolValue(false), regmap.BoolValue(true)
	}
	none := make([]uint16, p.Count)
	a, err := p.AppendRaw(nil, low, none)
	b, err2 := p.AppendRaw(nil, high, none)
	if err != nil || err2 != nil {
		return none
	}
	for i := range a {
		a[i] ^= b[i]
	}
	return a
}

func hex16(raw []uint16) string { return decode.Hex16(raw) }
