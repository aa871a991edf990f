package misread

import "plumbline/regmap"

// address is one lower or higher: numbers counted from 1 taken as addresses,
// or the reverse.
func (f *finder) address() {
	for _, step := range []int{-1, 1} {
		q := *f.p
		a := int(q.Address) + step
		if a < 0 || a >= regmap.TableSize {
			continue
		}
		q.Address = regmap.Address(a)
		f.add(AddressOffByOne, q, "at address %d, not %d", q.Address, f.p.Address)
	}
}

// otherTable is the table that is mistaken for another: the two of registers,
// the two of bits.
var otherTable = map[regmap.Table]regmap.Table{
	regmap.Coil: regmap.DiscreteInput, regmap.DiscreteInput: regmap.Coil,
	regmap.InputRegister: regmap.HoldingRegister, regmap.HoldingRegister: regmap.InputRegister,
}

// table moves the point and its exponent: one request reads both.
func (f *finder) table() {
	q := *f.p
	q.Table = otherTable[q.Table]
	if q.Exponent != nil {
		e := *q.Exponent
		e.Span.Table = q.Table
		q.Exponent = &e
	}
	f.add(Table, q, "in the table %s, not %s", q.Table, f.p.Table)
}

// bitIndex is each other place of a bit, or run of bits, in its word: counted
// from 1, from the most significant side, or miscounted.
func (f *finder) bitIndex() {
	p := f.p
	width, bits := int(p.Part.Width), 16*p.Count
	if width == 0 || p.Table.Bits() {
		return
	}
	for low := 0; low+width <= bits; low++ {
		q := *p
		q.Part.Low = uint8(low)
		from := ""
		switch low {
		case int(p.Part.Low) - 1, int(p.Part.Low) + 1:
			from = " (counted from 0 or from 1)"
		case bits - width - int(p.Part.Low):
			from = " (counted from the most significant side)"
		}
		if width == 1 {
			f.add(BitIndex, q, "bit %d, not %d%s", low, p.Part.Low, from)
			continue
		}
		f.add(BitIndex, q, "bits %d-%d, not %d-%d%s", low, low+width-1, p.Part.Low, int(p.Part.Low)+width-1, from)
	}
}
