package regmap

import (
	"fmt"
	"math/big"
	"time"

	"plumbline/regmap/doc"
)

// pointDraft is a point while its block is read: the point so far, and the
// values that mean something only together.
type pointDraft struct {
	Point
	node      doc.Node
	places    []doc.Node // the table keys and the reference, as written
	typed     bool
	order     doc.Node
	length    doc.Node
	size      int
	countFrom int
	mostFirst bool
	bit       doc.Node
	bits      doc.Node
	active    doc.Node
	alarm     doc.Node
	scale     doc.Node
	limits    doc.Node
	signal    doc.Node
	values    doc.Node
	absent    doc.Node
	write     doc.Node
	derive    doc.Node
}

var pointTable = doc.NewTable(pointFields()...)

// keep is a field that is read once the type and table are known.
func keep(key, about string, shape doc.Shape, at func(*pointDraft) *doc.Node) doc.Field[pointDraft] {
	return doc.Custom(key, about, shape, func(p *pointDraft, n doc.Node) { *at(p) = n })
}

func pointFields() []doc.Field[pointDraft] {
	type draft = pointDraft
	address := doc.Shape{Kind: doc.WholeNumber, Low: big.NewInt(0), High: big.NewInt(TableSize - 1)}
	fields := []doc.Field[draft]{
		doc.Text("tag", "the tag on the drawing", func(p *draft) *string { return &p.Tag }),
		doc.Text("about", "what the point is", func(p *draft) *string { return &p.About }),
	}
	for _, t := range Tables {
		fields = append(fields, doc.Custom(t.String(), "the point lies in this table at this protocol address, counted from 0", address, readPlace))
	}
	return append(fields,
		doc.Custom("reference", "the traditional number instead, counted from 1: 40001 or 400001", doc.Shape{Kind: doc.AnyText}, readReference),
		doc.Choice("type", "how the registers are read", TypeNames(), func(p *draft, i int) { p.Type, p.typed = Type(i+1), true }),
		keep("order", "byte order, A the most significant byte", doc.Shape{Kind: doc.OneWord, Words: allOrders()}, func(p *draft) *doc.Node { return &p.order }),
		keep("length", "characters of a string", doc.Shape{Kind: doc.WholeNumber, Low: big.NewInt(1), High: big.NewInt(250)}, func(p *draft) *doc.Node { return &p.length }),
		doc.Choice("size", "width of a bits word", []string{"16", "32"}, func(p *draft, i int) { p.size = 16 << i }),
		doc.Integer("count-from", "number of the first bit in the list, 0 or 1", 0, 1, func(p *draft) *int { return &p.countFrom }),
		doc.Choice("first", "which bit is the first: the least or the most significant", []string{"least", "most"}, func(p *draft, i int) { p.mostFirst = i == 1 }),
		keep("bit", "which bit of the register a bool is, 0 the least significant", doc.Shape{Kind: doc.WholeNumber, Low: big.NewInt(0), High: big.NewInt(15)}, func(p *draft) *doc.Node { return &p.bit }),
		keep("bits", "names of the bits or runs of bits of a word", doc.Shape{Kind: doc.KeyBlock, Rest: &doc.Shape{Kind: doc.Either, Forms: []doc.Shape{{Kind: doc.NameWord}, bitTable.Shape()}}}, func(p *draft) *doc.Node { return &p.bits }),
		keep("active", "0 where a bit means its name when it is 0", doc.Shape{Kind: doc.WholeNumber, Low: big.NewInt(0), High: big.NewInt(1)}, func(p *draft) *doc.Node { return &p.active }),
		keep("alarm", "alarm limits of a number; true for a bit that is an alarm", doc.Shape{Kind: doc.Either, Forms: []doc.Shape{{Kind: doc.TrueOrFalse}, alarmTable.Shape()}}, func(p *draft) *doc.Node { return &p.alarm }),
		keep("scale", "from the number in the registers to units", scaleTable.Shape(), func(p *draft) *doc.Node { return &p.scale }),
		keep("signal", "the raw span is this current loop", doc.Shape{Kind: doc.OneWord, Words: []string{"4-20mA"}}, func(p *draft) *doc.Node { return &p.signal }),
		doc.Text("units", "engineering units, a UCUM code where there is one", func(p *draft) *string { return &p.Units }),
		keep("range", "what the quantity can be, lowest and highest, in units; a value outside is uncertain", pair, func(p *draft) *doc.Node { return &p.limits }),
		doc.Integer("decimals", "digits shown after the point", 0, 9, func(p *draft) *int { return &p.Decimals }),
		keep("values", "names for numbers", doc.Shape{Kind: doc.KeyBlock, Rest: &doc.Shape{Kind: doc.AnyText}}, func(p *draft) *doc.Node { return &p.values }),
		keep("absent", "contents by which the device says 'no value'", doc.Shape{Kind: doc.Either, Forms: []doc.Shape{{Kind: doc.WholeNumber}, {Kind: doc.ListOf, Item: &doc.Shape{Kind: doc.WholeNumber}}}}, func(p *draft) *doc.Node { return &p.absent }),
		keep("derive", "worked out of other points: p(\"inflow\") - p(\"outflow\")", doc.Shape{Kind: doc.AnyText}, func(p *draft) *doc.Node { return &p.derive }),
		keep("write", "the point may be written, within these limits", writeTable.Shape(), func(p *draft) *doc.Node { return &p.write }),
		doc.Flag("counter", "counts up and rolls over", func(p *draft) *bool { return &p.Counter }),
		doc.Flag("overlay", "may lie over other points", func(p *draft) *bool { return &p.Overlay }),
		doc.NameField("together", "points of one name are read in one request", func(p *draft) *string { return &p.Together }),
		doc.Flag("changes-on-read", "reading it changes it: read alone, never repeated", func(p *draft) *bool { return &p.OnRead }),
		doc.Duration("heartbeat", "a sign of life that changes at least so often", func(p *draft) *time.Duration { return &p.Heartbeat }),
		doc.Duration("changes-within", "it changes at least so often, or is bad", func(p *draft) *time.Duration { return &p.Within }),
		doc.Text("terminal", "where its wire ends", func(p *draft) *string { return &p.Terminal }),
		doc.Text("owner", "who answers for it", func(p *draft) *string { return &p.Owner }),
		doc.Duration("every", "how often it is read", func(p *draft) *time.Duration { return &p.Every }),
	)
}

func allOrders() []string {
	var out []string
	for _, n := range []int{1, 2, 4} {
		for _, s := range orderLetters[n] {
			if s != "" {
				out = append(out, s)
			}
		}
	}
	return out
}

func readPlace(p *pointDraft, n doc.Node) {
	p.places = append(p.places, n)
	if a, ok := n.Integer(0, TableSize-1); ok {
		p.Table, _ = ParseTable(n.Name())
		p.Address = Address(a)
	}
}

func readReference(p *pointDraft, n doc.Node) {
	p.places = append(p.places, n)
	s, ok := n.Text()
	if !ok {
		return
	}
	r, err := ParseReference(s)
	if err != nil {
		f := n.Fault("%v", err)
		f.Err = ErrReference
		f.Hint = "write five digits or six, such as 40001 or 400001"
		return
	}
	p.Reference, p.Table, p.Address = r, r.Table, r.Address()
}

// readPoint reads one point; ok is false when it has no place or no type and
// cannot be checked against the others.
func (d *mapDraft) readPoint(n doc.Node) (p *pointDraft, ok bool) {
	p = &pointDraft{node: n, size: 16}
	p.Decimals = -1
	p.Name, ok = n.KeyName()
	if !ok {
		p.Name = n.Name()
	}
	p.Pos = n.KeyPos()
	pointTable.Read(n, p)
	switch {
	case !n.IsMapping():
		return nil, false
	case p.derive.Present():
		return p, p.settleDerived()
	case len(p.places) == 0:
		n.Fault("nothing says where it lies").Hint = "give one of " + tableList() + ", reference or derive"
		return nil, false
	case len(p.places) > 1:
		p.places[1].KeyFault("%s is given beside %s", p.places[1].Name(), p.places[0].Name()).Hint = "exactly one says where the point lies"
		return nil, false
	case p.Table == 0:
		return nil, false // its place is already reported
	}
	if !p.typed {
		if !p.Table.Bits() {
			if !n.Get("type").Present() {
				n.Fault("type is missing").Hint = "how its registers are read, such as uint16 or float32"
			}
			return nil, false
		}
		p.Type = TypeBool
	}
	p.settle(d)
	return p, p.Count > 0
}

// settle works out what depends on the type: width, order, bits, scale and the
// rest, and checks each against it.
func (p *pointDraft) settle(d *mapDraft) {
	if p.Table.Bits() && p.Type != TypeBool {
		p.node.Get("type").Fault("a %s holds single bits, not %s", p.Table, p.Type).Hint = "its type is bool"
		return
	}
	p.settleWidth()
	p.settleOrder(d.order)
	p.settleBits()
	p.settleNumber()
	p.settleAlarm()
	p.settleWrite()
	p.settlePlace(d.limits)
}

func (p *pointDraft) settleWidth() {
	p.Count = types[p.Type].registers
	switch p.Type {
	case TypeString:
		if !p.length.Present() {
			p.node.Fault("length is missing").Hint = "how many characters the string has"
			p.Count = 1
		} else if n, ok := p.length.Integer(1, 250); ok {
			p.Length, p.Count = int(n), int(n+1)/2
		}
	case TypeBits:
		p.Count = p.size / 16
	}
	if p.Type != TypeString {
		p.refuse(p.length, "length is for strings")
	}
	if p.Type != TypeBits {
		for _, key := range []string{"size", "count-from", "first", "bits"} {
			p.refuse(p.node.Get(key), key+" is for bits words")
		}
	}
}

// refuse reports a key that has no meaning for the point's type.
func (p *pointDraft) refuse(n doc.Node, why string) {
	if n.Present() {
		n.KeyFault("%s, this is %s", why, p.Type).Hint = "leave it out"
	}
}

func (p *pointDraft) settleOrder(of Order) {
	if p.Count > 1 && p.Type != TypeString {
		p.Order = of
	}
	if !p.order.Present() {
		return
	}
	if p.Table.Bits() {
		p.refuse(p.order, "order is for registers")
		return
	}
	s, ok := p.order.Text()
	if !ok {
		return
	}
	width := p.Count
	if p.Type == TypeString {
		width = 1
	}
	o, registers, known := ParseOrder(s)
	if !known || registers != width {
		var letters []string
		for _, l := range orderLetters[width] {
			if l != "" {
				letters = append(letters, l)
			}
		}
		p.order.Fault("%q is no order of %s", s, p.Type).Hint = fmt.Sprintf("allowed: %v", letters)
		return
	}
	p.Order = o
}

// settlePlace checks that the point fits its table and one request.
func (p *pointDraft) settlePlace(l Limits) {
	place := p.places[0]
	if end := p.Span().End(); end > TableSize {
		place.Fault("%s at address %d takes %d registers and goes beyond address 65535", p.Type, p.Address, p.Count)
	}
	if !p.Table.Bits() && p.Count > l.Registers {
		p.node.KeyFault("%s takes %d registers, and limits.registers lets one request ask for %d", p.Type, p.Count, l.Registers)
	}
	if p.Write != nil && !p.Table.Writable() {
		p.write.KeyFault("%s: the protocol has no function that writes this table", p.Table).Hint = "leave write out, or give the coil or holding register"
	}
}
