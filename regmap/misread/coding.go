package misread

import "plumbline/regmap"

// order exchanges words, then bytes, never both: that would be two changes.
// Bits of a word are found by bitIndex.
func (f *finder) order() {
	p := f.p
	if p.Table.Bits() || p.Part.Width > 0 {
		return
	}
	registers := p.Count
	if p.Type == regmap.TypeString { // its characters have no word order
		registers = 1
	}
	for _, swap := range []struct {
		change, what string
		by           regmap.Order
	}{{WordOrder, "words", regmap.WordsSwapped}, {ByteOrder, "bytes", regmap.BytesSwapped}} {
		q := *p
		q.Order ^= swap.by
		if now, was := q.Order.Letters(registers), p.Order.Letters(registers); now != was {
			f.add(swap.change, q, "%s in the order %s, not %s", swap.what, now, was)
		}
	}
}

// The types that one coding can be taken for, by the change. Both directions
// are listed, because a map may err either way.
var (
	otherSign = map[regmap.Type][]regmap.Type{
		regmap.TypeInt16:     {regmap.TypeUint16, regmap.TypeSignMag16},
		regmap.TypeUint16:    {regmap.TypeInt16, regmap.TypeSignMag16},
		regmap.TypeSignMag16: {regmap.TypeInt16, regmap.TypeUint16},
		regmap.TypeInt32:     {regmap.TypeUint32},
		regmap.TypeUint32:    {regmap.TypeInt32},
		regmap.TypeInt64:     {regmap.TypeUint64},
		regmap.TypeUint64:    {regmap.TypeInt64},
	}
	otherFloat = map[regmap.Type][]regmap.Type{
		regmap.TypeInt32:   {regmap.TypeFloat32},
		regmap.TypeUint32:  {regmap.TypeFloat32},
		regmap.TypeFloat32: {regmap.TypeInt32, regmap.TypeUint32},
		regmap.TypeInt64:   {regmap.TypeFloat64},
		regmap.TypeUint64:  {regmap.TypeFloat64},
		regmap.TypeFloat64: {regmap.TypeInt64, regmap.TypeUint64},
	}
	otherCoding = map[regmap.Type][]regmap.Type{
		regmap.TypeInt16:       {regmap.TypeBCD16},
		regmap.TypeUint16:      {regmap.TypeBCD16},
		regmap.TypeSignMag16:   {regmap.TypeBCD16},
		regmap.TypeBCD16:       {regmap.TypeUint16, regmap.TypeInt16},
		regmap.TypeInt32:       {regmap.TypeBCD32, regmap.TypeDecimalPair},
		regmap.TypeUint32:      {regmap.TypeBCD32, regmap.TypeDecimalPair},
		regmap.TypeBCD32:       {regmap.TypeUint32, regmap.TypeInt32},
		regmap.TypeDecimalPair: {regmap.TypeUint32, regmap.TypeInt32},
	}
	wholeOf = map[regmap.Type][]regmap.Type{
		regmap.TypeInt16:     {regmap.TypeInt32, regmap.TypeUint32},
		regmap.TypeUint16:    {regmap.TypeUint32, regmap.TypeInt32, regmap.TypeDecimalPair},
		regmap.TypeSignMag16: {regmap.TypeInt32},
		regmap.TypeBCD16:     {regmap.TypeBCD32},
	}
	halfOf = map[regmap.Type][]regmap.Type{
		regmap.TypeInt32:       {regmap.TypeInt16, regmap.TypeUint16},
		regmap.TypeUint32:      {regmap.TypeUint16, regmap.TypeInt16},
		regmap.TypeDecimalPair: {regmap.TypeUint16},
		regmap.TypeBCD32:       {regmap.TypeBCD16},
	}
)

func (f *finder) signedness() { f.as(Signedness, otherSign) }
func (f *finder) intOrFloat() { f.as(IntOrFloat, otherFloat) }
func (f *finder) bcd()        { f.as(BCD, otherCoding) }

// as reads the same registers as other types.
func (f *finder) as(change string, others map[regmap.Type][]regmap.Type) {
	for _, t := range others[f.p.Type] {
		q := *f.p
		q.Type = t
		f.add(change, q, "%s, not %s", t, f.p.Type)
	}
}

// halfOfPair reads one half of a pair, or both where there is one register:
// the pair may begin at the point or at the address before it. Contents that
// mean 'no value' at one width mean nothing at the other.
func (f *finder) halfOfPair() {
	p := f.p
	for _, t := range wholeOf[p.Type] {
		for _, step := range []int{0, -1} {
			for _, words := range []regmap.Order{0, regmap.WordsSwapped} {
				q := *p
				if int(q.Address)+step < 0 {
					continue
				}
				q.Address = regmap.Address(int(q.Address) + step)
				q.Type, q.Count, q.Order, q.Absent = t, 2, p.Order&regmap.BytesSwapped|words, nil
				f.add(HalfOfPair, q, "%s %s at address %d, not the one register %d", t, q.Order.Letters(2), q.Address, p.Address)
			}
		}
	}
	for _, t := range halfOf[p.Type] {
		for step := range 2 {
			q := *p
			q.Address += regmap.Address(step)
			q.Type, q.Count, q.Order, q.Absent = t, 1, p.Order&regmap.BytesSwapped, nil
			f.add(HalfOfPair, q, "%s at address %d, half of %s", t, q.Address, p.Type)
		}
	}
}
