package regmap

import (
	"errors"

	"plumbline/regmap/derive"
)

// notDerived are the keys that have no meaning for a derived point.
var notDerived = []string{"coil", "discrete-input", "input-register", "holding-register", "reference", "type", "order", "length", "size",
	"count-from", "first", "bit", "bits", "active", "scale", "signal", "absent", "write", "counter", "overlay", "every", "together",
	"changes-on-read", "heartbeat", "changes-within"}

// settleDerived reads a point that is worked out of others. It is a number
// with units, decimals and alarm limits, and has no registers.
func (p *pointDraft) settleDerived() bool {
	for _, key := range notDerived {
		if n := p.node.Get(key); n.Present() {
			n.KeyFault("%s has no meaning for a derived point", key).Hint = "leave it out"
		}
	}
	p.Type, p.Table, p.Address, p.Count = TypeFloat64, 0, 0, 0
	text, ok := p.derive.Text()
	if !ok {
		return false
	}
	f, err := derive.Parse(text)
	if err != nil {
		var at *derive.Error
		errors.As(err, &at)
		p.derive.Fault("%v", at)
		return false
	}
	p.Formula = f
	p.settleRange()
	p.settleValues()
	p.settleAlarm()
	return true
}

// checkCircles reports derived points that are worked out of themselves.
func checkCircles(points []*pointDraft) {
	byName := map[string]*pointDraft{}
	for _, p := range points {
		byName[p.Name] = p
	}
	const (
		open = iota + 1
		done
	)
	state := map[*pointDraft]int{}
	var visit func(p *pointDraft) bool
	visit = func(p *pointDraft) bool {
		if p == nil || !p.Derived() || state[p] == done {
			return true
		}
		if state[p] == open {
			return false
		}
		state[p] = open
		defer func() { state[p] = done }()
		for _, name := range p.Formula.Inputs() {
			if !visit(byName[name]) {
				p.derive.Fault("%s is worked out of itself, through %s", p.Name, name)
				return true
			}
		}
		return true
	}
	for _, p := range points {
		visit(p)
	}
}
