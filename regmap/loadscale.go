package regmap

import (
	"math/big"

	"plumbline/regmap/doc"
)

// scaleDraft is a scale block while it is read.
type scaleDraft struct {
	raw, value  []*big.Rat
	times, plus *big.Rat
	clamp       bool
	exponent    doc.Node
	table       doc.Node
	root        doc.Node
}

var pair = doc.Shape{Kind: doc.ListOf, Item: &doc.Shape{Kind: doc.DecimalNumber}}

var scaleTable = doc.NewTable(
	doc.Custom("raw", "the numbers in the registers at both ends of the span", pair, func(s *scaleDraft, n doc.Node) { s.raw = readPair(n) }),
	doc.Custom("value", "the values at the same ends, in units", pair, func(s *scaleDraft, n doc.Node) { s.value = readPair(n) }),
	doc.Decimal("times", "value = number x times + plus", func(s *scaleDraft) **big.Rat { return &s.times }),
	doc.Decimal("plus", "value = number x times + plus", func(s *scaleDraft) **big.Rat { return &s.plus }),
	doc.Flag("clamp", "limits the value to the span", func(s *scaleDraft) *bool { return &s.clamp }),
	doc.Custom("exponent", "the register that holds the power of ten, read together", exponentShape(), func(s *scaleDraft, n doc.Node) { s.exponent = n }),
	doc.Custom("table", "rows of number and value, straight between (strapping table)",
		doc.Shape{Kind: doc.ListOf, Item: &pair}, func(s *scaleDraft, n doc.Node) { s.table = n }),
	doc.Custom("root", "square root of a differential pressure", rootTable.Shape(), func(s *scaleDraft, n doc.Node) { s.root = n }),
)

// rootDraft is a root block while it is read.
type rootDraft struct {
	raw, value []*big.Rat
	cutoff     *big.Rat
}

var rootTable = doc.NewTable(
	doc.Custom("raw", "the numbers in the registers at both ends of the span", pair, func(r *rootDraft, n doc.Node) { r.raw = readPair(n) }).Must(),
	doc.Custom("value", "the values at the same ends, in units", pair, func(r *rootDraft, n doc.Node) { r.value = readPair(n) }).Must(),
	doc.Decimal("cutoff", "below this share of the flow, in %, the value is that of no flow", func(r *rootDraft) **big.Rat { return &r.cutoff }),
)

func exponentShape() doc.Shape {
	address := doc.Shape{Kind: doc.WholeNumber, Low: big.NewInt(0), High: big.NewInt(TableSize - 1)}
	s := doc.Shape{Kind: doc.KeyBlock}
	for _, t := range []Table{InputRegister, HoldingRegister} {
		s.Keys = append(s.Keys, doc.KeyShape{Key: t.String(), About: "protocol address of the exponent", Shape: address})
	}
	return s
}

// readPair reads a list of two numbers; nil when it is not.
func readPair(n doc.Node) []*big.Rat {
	if n.IsList() && n.Len() != 2 {
		n.Fault("two numbers are wanted here, these are %d", n.Len())
		return nil
	}
	var out []*big.Rat
	for _, item := range n.Items() {
		if r, ok := item.Decimal(); ok {
			out = append(out, r)
		}
	}
	if len(out) != 2 {
		return nil
	}
	return out
}

// settleNumber reads what belongs to numbers: scale, signal, names, 'no value'
// words.
func (p *pointDraft) settleNumber() {
	number := p.Type.Number()
	if !number {
		p.refuse(p.scale, "scale is for numbers")
		p.refuse(p.node.Get("units"), "units are for numbers")
		p.refuse(p.node.Get("decimals"), "decimals are for numbers")
		if p.Counter {
			p.refuse(p.node.Get("counter"), "counter is for numbers")
		}
	}
	if number && p.scale.Present() {
		p.settleScale()
	}
	p.settleSignal()
	p.settleRange()
	p.settleValues()
	p.settleAbsent()
}

func (p *pointDraft) settleScale() {
	var s scaleDraft
	before := p.scale.Report().Count()
	scaleTable.Read(p.scale, &s)
	if p.scale.Report().Count() > before {
		return
	}
	p.buildScale(s)
	if !s.clamp {
		return
	}
	if _, _, _, _, spanned := p.Scale.Span(); spanned {
		p.Scale = p.Scale.Clamped()
	} else if p.scale.Report().Count() == before {
		p.scale.Get("clamp").KeyFault("clamp needs a span").Hint = "give raw and value"
	}
}

// buildScale makes the one scale that the block gives.
func (p *pointDraft) buildScale(s scaleDraft) {
	has := func(key string) bool { return p.scale.Get(key).Present() }
	span, line := has("raw") || has("value"), has("times") || has("plus") || has("exponent")
	given := 0
	for _, is := range []bool{span, line, has("table"), has("root")} {
		if is {
			given++
		}
	}
	const allowed = "raw and value, times and plus, exponent, table, or root"
	switch {
	case given == 0:
		p.scale.Fault("the scale says nothing").Hint = allowed
	case span && line && !has("exponent"):
		p.scale.Fault("a span and times or plus are given together").Hint = "raw and value, or times and plus"
	case given > 1:
		p.scale.Fault("the scale is given in two ways").Hint = "one of " + allowed
	case span && (s.raw == nil || s.value == nil):
		p.scale.Fault("a span needs both raw and value").Hint = "such as {raw: [4000, 20000], value: [0, 3.00]}"
	case span:
		p.settleSpan(s)
	case line:
		p.settleLine(s)
	case has("table"):
		p.settleTable(s.table)
	default:
		p.settleRoot(s.root)
	}
}

// settleLine is times and plus, with the power of ten of another register.
func (p *pointDraft) settleLine(s scaleDraft) {
	if s.times == nil {
		s.times = big.NewRat(1, 1)
	}
	if s.plus == nil {
		s.plus = new(big.Rat)
	}
	scale, err := TimesPlus(s.times, s.plus)
	if err != nil {
		p.scale.Get("times").Fault("times 0 makes every value the same")
	}
	p.Scale = scale
	if !s.exponent.Present() {
		return
	}
	if s.exponent.Len() != 1 {
		s.exponent.Fault("exactly one register holds the exponent").Hint = "such as {holding-register: 40}"
		return
	}
	for key, n := range s.exponent.Entries() {
		t, ok := ParseTable(key)
		a, okAddress := n.Integer(0, TableSize-1)
		switch {
		case !ok || t.Bits():
			n.KeyFault("%q holds no exponent", key).Hint = "input-register or holding-register"
		case t != p.Table:
			n.KeyFault("the exponent lies in another table than its point, so they cannot be read together").Hint = "give the " + p.Table.String()
		case okAddress:
			p.Exponent = &Exponent{Span{t, Address(a), 1}}
		}
	}
}

// settleTable reads the rows of a strapping table.
func (p *pointDraft) settleTable(list doc.Node) {
	var raw, value []*big.Rat
	for _, n := range list.Items() {
		if row := readPair(n); row != nil {
			raw, value = append(raw, row[0]), append(value, row[1])
		}
	}
	if len(raw) != list.Len() {
		return
	}
	if len(raw) < 2 {
		list.Fault("a table needs at least two rows").Hint = "such as [[0, 0], [1000, 1.13], [2000, 3.07]]"
		return
	}
	for i, n := range list.Items() {
		if i > 0 && raw[i].Cmp(raw[i-1]) <= 0 {
			n.Fault("raw %s does not come after %s", ratText(raw[i]), ratText(raw[i-1])).Hint = "rows in rising order of raw"
			return
		}
	}
	p.Scale, _ = TableScale(raw, value) // both its errors are excluded above
}

// settleRoot reads a square-root scale.
func (p *pointDraft) settleRoot(n doc.Node) {
	var r rootDraft
	rootTable.Read(n, &r)
	if r.raw == nil || r.value == nil || !p.endsDiffer(n, r.raw, r.value) {
		return
	}
	if r.cutoff != nil {
		if r.cutoff.Sign() < 0 || r.cutoff.Cmp(big.NewRat(100, 1)) >= 0 {
			n.Get("cutoff").Fault("a cut-off is 0 to 100 %% of the flow")
			return
		}
		r.cutoff.Quo(r.cutoff, big.NewRat(100, 1))
	}
	p.Scale, _ = RootScale(r.raw[0], r.raw[1], r.value[0], r.value[1], r.cutoff) // its errors are excluded above
}

// endsDiffer reports a span without extent.
func (p *pointDraft) endsDiffer(n doc.Node, raw, value []*big.Rat) bool {
	switch {
	case raw[0].Cmp(raw[1]) == 0:
		n.Get("raw").Fault("the span is empty: both raw ends are %s", ratText(raw[0]))
		return false
	case value[0].Cmp(value[1]) == 0:
		n.Get("value").Fault("the span is empty: both value ends are %s", ratText(value[0]))
		return false
	}
	return true
}

func (p *pointDraft) settleSpan(s scaleDraft) {
	if !p.endsDiffer(p.scale, s.raw, s.value) {
		return
	}
	for i, r := range s.raw {
		if _, err := p.Type.code(r, false); err != nil {
			p.scale.Get("raw").Fault("raw end %s is beyond what %s can hold", ratText(s.raw[i]), p.Type)
			return
		}
	}
	p.Scale, _ = SpanScale(s.raw[0], s.raw[1], s.value[0], s.value[1]) // both its errors are excluded above
}

// settleRange reads what the quantity can be.
func (p *pointDraft) settleRange() {
	n := p.limits
	switch {
	case !n.Present():
		return
	case !p.Type.Number():
		p.refuse(n, "range is for numbers")
		return
	}
	ends := readPair(n)
	if ends == nil {
		return
	}
	if ends[0].Cmp(ends[1]) >= 0 {
		n.Fault("low %s is not below high %s", ratText(ends[0]), ratText(ends[1])).Hint = "the lowest value first"
		return
	}
	p.Range = &Range{ends[0], ends[1]}
	if _, _, a, b, ok := p.Scale.Span(); ok && !p.Range.meets(a, b) {
		n.Fault("no value of the span, %s to %s, lies in the range", ratText(a), ratText(b)).Hint = "both are in units"
	}
}

// meets says whether any value between two ends lies in the range.
func (r *Range) meets(a, b *big.Rat) bool {
	if a.Cmp(b) > 0 {
		a, b = b, a
	}
	return a.Cmp(r.High) <= 0 && b.Cmp(r.Low) >= 0
}

func (p *pointDraft) settleSignal() {
	if !p.signal.Present() {
		return
	}
	if _, ok := p.signal.Choice([]string{"4-20mA"}); !ok {
		return
	}
	if _, _, _, _, ok := p.Scale.Span(); !ok || p.Scale.Curved() && !p.Scale.curve.root {
		if !p.scale.Get("raw").Present() {
			p.signal.KeyFault("signal needs a scale with a span").Hint = "its raw ends are the numbers at 4 and 20 mA"
		}
		return
	}
	p.Signal = true
}

// settleValues reads names for numbers.
func (p *pointDraft) settleValues() {
	if !p.values.Present() {
		return
	}
	if p.Type == TypeString {
		p.refuse(p.values, "values are names for numbers")
		return
	}
	p.Values = readValues(p.values)
}

func readValues(block doc.Node) []Named {
	var out []Named
	numbers, names := map[string]bool{}, map[string]*big.Rat{}
	for _, n := range block.Entries() {
		number, okNumber := n.KeyNode().Decimal()
		name, okName := n.Text()
		if okName && name == "" {
			n.Fault("a name is wanted here, this is empty")
		}
		if !okNumber || !okName {
			continue
		}
		if numbers[number.RatString()] {
			n.KeyFault("%s is named twice", ratText(number))
		}
		if other := names[name]; other != nil {
			n.Fault("%q is the name of %s too", name, ratText(other))
		} else {
			names[name] = number
		}
		numbers[number.RatString()] = true
		out = append(out, Named{number, name})
	}
	return out
}

// settleAbsent reads 'no value' words: one, or a list.
func (p *pointDraft) settleAbsent() {
	if !p.absent.Present() {
		return
	}
	if p.Table.Bits() || p.Type == TypeString || p.Type == TypeBool {
		p.refuse(p.absent, "absent is for numbers and words")
		return
	}
	high := ^uint64(0) >> (64 - 16*p.Count)
	if !p.absent.IsList() {
		if v, ok := p.absent.Unsigned(high); ok {
			p.Absent = []uint64{v}
		}
		return
	}
	for _, n := range p.absent.Items() {
		if v, ok := n.Unsigned(high); ok {
			p.Absent = append(p.Absent, v)
		}
	}
}
