package regmap

import (
	"plumbline/regmap/doc"
)

// bitDraft is one entry under bits while it is read.
type bitDraft struct {
	name, about string
	active      int
	alarm       bool
	values      doc.Node
}

var bitTable = doc.NewTable(
	doc.NameField("name", "what the bit is called", func(b *bitDraft) *string { return &b.name }).Must(),
	doc.Text("about", "what the bit means", func(b *bitDraft) *string { return &b.about }),
	doc.Integer("active", "0 where the bit means its name when it is 0", 0, 1, func(b *bitDraft) *int { return &b.active }),
	doc.Flag("alarm", "an alarm when active", func(b *bitDraft) *bool { return &b.alarm }),
	doc.Custom("values", "names for the numbers of a run of bits", doc.Shape{Kind: doc.KeyBlock, Rest: &doc.Shape{Kind: doc.AnyText}}, func(b *bitDraft, n doc.Node) { b.values = n }),
)

// settleBits reads bit numbers, polarity and the named bits of a word.
func (p *pointDraft) settleBits() {
	if p.Type == TypeBool && !p.Table.Bits() {
		if !p.bit.Present() {
			p.node.Fault("bit is missing").Hint = "which bit of the register it is, 0 the least significant"
		} else if n, ok := p.bit.Integer(0, 15); ok {
			p.Part = Part{uint8(n), 1}
		}
	} else {
		p.refuse(p.bit, "bit is for a bool in a register")
	}
	if p.Type == TypeBool {
		if p.active.Present() {
			n, ok := p.active.Integer(0, 1)
			p.Inverse = ok && n == 0
		}
	} else {
		p.refuse(p.active, "active is for bools and named bits")
	}
	if p.Type == TypeBits && p.bits.Present() {
		p.readBits()
	}
}

// readBits makes a point of each named bit or run of bits.
func (p *pointDraft) readBits() {
	var owner [32]string
	for _, n := range p.bits.Entries() {
		first, last, ok := run(n.KeyNode(), p.size-1+p.countFrom)
		if !ok {
			continue
		}
		if first < p.countFrom {
			n.KeyFault("bit %d: the bits are counted from %d", first, p.countFrom)
			continue
		}
		f, ok := p.readBit(n)
		if !ok {
			continue
		}
		f.Part = p.part(first-p.countFrom, last-p.countFrom)
		twice := false
		for b := f.Part.Low; b < f.Part.Low+f.Part.Width; b++ {
			if owner[b] != "" && !twice {
				n.KeyFault("bit %s is already part of %s", n.Name(), owner[b])
				twice = true
			}
			owner[b] = f.Name
		}
		for _, o := range p.Fields {
			if o.Name == f.Name {
				n.Fault("%q is the name of another bit too", f.Name)
			}
		}
		p.Fields = append(p.Fields, f)
	}
}

// part is where a run of bits of the list lies in the word.
func (p *pointDraft) part(first, last int) Part {
	if p.mostFirst {
		first, last = p.size-1-last, p.size-1-first
	}
	return Part{uint8(first), uint8(last - first + 1)}
}

// readBit reads one entry, a bare name or a block. The parent's place, order
// and writing hold for it.
func (p *pointDraft) readBit(n doc.Node) (f Point, ok bool) {
	b := bitDraft{active: 1}
	if n.IsScalar() {
		if b.name, ok = n.NameText(); !ok {
			return f, false
		}
	} else {
		bitTable.Read(n, &b)
		if b.name == "" {
			return f, false
		}
	}
	f = Point{
		Name: p.Name + "." + b.name, About: b.about, Table: p.Table, Address: p.Address,
		Type: TypeBits, Order: p.Order, Count: p.Count, Decimals: -1,
		Inverse: b.active == 0, AlarmBit: b.alarm, Every: p.Every, Pos: n.KeyPos(),
	}
	first, last, _ := run(n.KeyNode(), p.size-1+p.countFrom)
	single := first == last
	if single {
		f.Type = TypeBool
	} else if f.Inverse || f.AlarmBit {
		n.Fault("active and alarm are for single bits, this is a run")
	}
	if b.values.Present() {
		f.Values = readValues(b.values)
	}
	return f, true
}
