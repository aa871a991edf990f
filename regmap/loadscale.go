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
}

var pair = doc.Shape{Kind: doc.ListOf, Item: &doc.Shape{Kind: doc.DecimalNumber}}

var scaleTable = doc.NewTable(
	doc.Custom("raw", "the numbers in the registers at both ends of the span", pair, func(s *scaleDraft, n doc.Node) { s.raw = readPair(n) }),
	doc.Custom("value", "the values at the same ends, in units", pair, func(s *scaleDraft, n doc.Node) { s.value = readPair(n) }),
	doc.Decimal("times", "value = number x times + plus", func(s *scaleDraft) **big.Rat { return &s.times }),
	doc.Decimal("plus", "value = number x times + plus", func(s *scaleDraft) **big.Rat { return &s.plus }),
	doc.Flag("clamp", "limits the value to the span", func(s *scaleDraft) *bool { return &s.clamp }),
)

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
	p.settleValues()
	p.settleAbsent()
}

func (p *pointDraft) settleScale() {
	var s scaleDraft
	before := len(p.scale.Report().Faults())
	scaleTable.Read(p.scale, &s)
	if len(p.scale.Report().Faults()) > before {
		return
	}
	has := func(key string) bool { return p.scale.Get(key).Present() }
	span, line := has("raw") || has("value"), has("times") || has("plus")
	switch {
	case span && line:
		p.scale.Fault("a span and times or plus are given together").Hint = "raw and value, or times and plus"
	case span && (s.raw == nil || s.value == nil):
		p.scale.Fault("a span needs both raw and value").Hint = "such as {raw: [4000, 20000], value: [0, 3.00]}"
	case span:
		p.settleSpan(s)
	case line:
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
		if s.clamp {
			p.scale.Get("clamp").KeyFault("clamp needs a span").Hint = "give raw and value"
		}
	default:
		p.scale.Fault("the scale says nothing").Hint = "raw and value, or times and plus"
	}
}

func (p *pointDraft) settleSpan(s scaleDraft) {
	switch {
	case s.raw[0].Cmp(s.raw[1]) == 0:
		p.scale.Get("raw").Fault("the span is empty: both raw ends are %s", ratText(s.raw[0]))
		return
	case s.value[0].Cmp(s.value[1]) == 0:
		p.scale.Get("value").Fault("the span is empty: both value ends are %s", ratText(s.value[0]))
		return
	}
	for i, r := range s.raw {
		if _, err := p.Type.code(r, false); err != nil {
			p.scale.Get("raw").Fault("raw end %s is beyond what %s can hold", ratText(s.raw[i]), p.Type)
			return
		}
	}
	p.Scale, _ = SpanScale(s.raw[0], s.raw[1], s.value[0], s.value[1]) // both its errors are excluded above
	if s.clamp {
		p.Scale = p.Scale.Clamped()
	}
}

func (p *pointDraft) settleSignal() {
	if !p.signal.Present() {
		return
	}
	if _, ok := p.signal.Choice([]string{"4-20mA"}); !ok {
		return
	}
	if _, _, _, _, ok := p.Scale.Span(); !ok {
		if !p.scale.Present() || p.scale.Get("raw").Present() == false {
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
	for _, n := range block.Entries() {
		number, okNumber := n.KeyNode().Decimal()
		name, okName := n.Text()
		if okName && name == "" {
			n.Fault("a name is wanted here, this is empty")
		}
		if !okNumber || !okName {
			continue
		}
		for _, o := range out {
			if o.Value.Cmp(number) == 0 {
				n.KeyFault("%s is named twice", ratText(number))
			}
			if o.Name == name {
				n.Fault("%q is the name of %s too", name, ratText(o.Value))
			}
		}
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
