package regmap

import (
	"math/big"
	"time"

	"plumbline/regmap/doc"
)

var alarmTable = doc.NewTable(
	doc.Decimal("high-high", "alarm above, the higher limit", func(a *Alarm) **big.Rat { return &a.HighHigh }),
	doc.Decimal("high", "alarm above", func(a *Alarm) **big.Rat { return &a.High }),
	doc.Decimal("low", "alarm below", func(a *Alarm) **big.Rat { return &a.Low }),
	doc.Decimal("low-low", "alarm below, the lower limit", func(a *Alarm) **big.Rat { return &a.LowLow }),
	doc.Decimal("deadband", "how far back inside the limit it ends", func(a *Alarm) **big.Rat { return &a.Deadband }),
	doc.Duration("delay", "how long it must last before it is an alarm", func(a *Alarm) *time.Duration { return &a.Delay }),
	doc.Duration("off-delay", "how long it must be gone", func(a *Alarm) *time.Duration { return &a.OffDelay }),
	doc.Flag("latch", "stays until it is acknowledged", func(a *Alarm) *bool { return &a.Latch }),
)

// settleAlarm reads alarm limits of a number, or 'true' of a bit.
func (p *pointDraft) settleAlarm() {
	switch {
	case !p.alarm.Present():
	case p.Type == TypeBool:
		p.AlarmBit, _ = p.alarm.Flag()
	case !p.Type.Number():
		p.refuse(p.alarm, "alarm is for numbers and bools")
	case !p.alarm.IsMapping():
		p.alarm.Fault("alarm limits are wanted here").Hint = "such as {high: 2.60, low: 0.30}"
	default:
		a := new(Alarm)
		alarmTable.Read(p.alarm, a)
		p.checkAlarm(a)
		p.Alarm = a
	}
}

// checkAlarm looks at the order of the limits, lowest first.
func (p *pointDraft) checkAlarm(a *Alarm) {
	rows := []struct {
		key   string
		limit *big.Rat
	}{{"low-low", a.LowLow}, {"low", a.Low}, {"high", a.High}, {"high-high", a.HighHigh}}
	belowKey := ""
	var below *big.Rat
	for _, row := range rows {
		if row.limit == nil {
			continue
		}
		if below != nil && row.limit.Cmp(below) <= 0 {
			p.alarm.Get(row.key).Fault("%s %s is not above %s %s", row.key, ratText(row.limit), belowKey, ratText(below))
		}
		belowKey, below = row.key, row.limit
	}
	if below == nil && p.alarm.Len() > 0 {
		p.alarm.Fault("an alarm needs at least one limit").Hint = "high-high, high, low or low-low"
	}
	if a.Deadband != nil && a.Deadband.Sign() < 0 {
		p.alarm.Get("deadband").Fault("a deadband is not below zero")
	}
}

var writeTable = doc.NewTable(
	doc.Decimal("min", "lowest value, in units", func(w *Write) **big.Rat { return &w.Min }),
	doc.Decimal("max", "highest value, in units", func(w *Write) **big.Rat { return &w.Max }),
	doc.Decimal("step", "values are multiples of this, counted from min", func(w *Write) **big.Rat { return &w.Step }),
	doc.Duration("hold", "a pulse: how long it is held", func(w *Write) *time.Duration { return &w.Hold }),
	doc.Custom("function", "the function code our client writes with", doc.Shape{Kind: doc.WholeNumber, Low: big.NewInt(5), High: big.NewInt(16)}, readFunction),
	doc.Choice("by", "how bits of a word are written", byNames, func(w *Write, i int) { w.By = byNames[i] }),
	doc.Custom("only-when", "points that must show these values", doc.Shape{Kind: doc.KeyBlock, Rest: &doc.Shape{Kind: doc.AnyText}}, readConditions),
	doc.Text("read-back", "the point that shows the value taken", func(w *Write) *string { return &w.ReadBack }),
	doc.Choice("outside", "what the station does with a value beyond min or max", OutsideNames, func(w *Write, i int) { w.Outside = Outside(i) }),
)

var byNames = []string{"mask", "read-modify-write"}

func readFunction(w *Write, n doc.Node) {
	v, ok := n.Integer(0, 255)
	switch {
	case !ok:
	case v == 5 || v == 6 || v == 15 || v == 16:
		w.Function = int(v)
	default:
		n.Fault("function %d writes no point", v).Hint = "6 or 16 for registers, 5 or 15 for coils"
	}
}

func readConditions(w *Write, n doc.Node) {
	for point, v := range n.Entries() {
		if s, ok := v.Text(); ok {
			w.OnlyWhen = append(w.OnlyWhen, Condition{point, s})
		}
	}
}

// settleWrite reads how the point may be written.
func (p *pointDraft) settleWrite() {
	if !p.write.Present() {
		return
	}
	w := new(Write)
	writeTable.Read(p.write, w)
	p.Write = w
	for i := range p.Fields {
		p.Fields[i].Write = &Write{By: w.By, OnlyWhen: w.OnlyWhen}
	}
	p.checkWriteKeys(w)
	p.checkWriteLimits(w)
	if ok, why := p.Scale.OneToOne(); !ok {
		p.write.KeyFault("%s is not one-to-one, so a value has no one raw number", why).Hint = "leave out that or write"
	} else if p.Scale.Curved() && p.Scale.curve.root && (p.Count > 2 || p.Type == TypeFloat32) {
		p.write.KeyFault("a square root of %s does not come back from its value to the bit", p.Type).Hint = "leave write out"
	}
	if p.Type == TypeString && p.Length%2 == 1 {
		p.write.KeyFault("a string of %d characters shares its last register", p.Length).Hint = "give an even length to write it"
	}
}

func (p *pointDraft) checkWriteKeys(w *Write) {
	if !p.Type.Number() {
		for _, key := range []string{"min", "max", "step", "outside"} {
			p.refuse(p.write.Get(key), key+" is for numbers")
		}
	}
	if coil := w.Function == 5 || w.Function == 15; w.Function != 0 && coil != (p.Table == Coil) {
		p.write.Get("function").Fault("function %d does not write a %s", w.Function, p.Table)
	}
	if (w.Function == 5 || w.Function == 6) && p.Count > 1 {
		p.write.Get("function").Fault("function %d writes one register, %s takes %d", w.Function, p.Type, p.Count)
	}
	if w.By != "" && p.Type != TypeBits && (p.Type != TypeBool || p.Table.Bits()) {
		p.refuse(p.write.Get("by"), "by is for bits of a word")
	}
}

func (p *pointDraft) checkWriteLimits(w *Write) {
	if w.Min != nil && w.Max != nil && w.Min.Cmp(w.Max) >= 0 {
		p.write.Get("min").Fault("min %s is not below max %s", ratText(w.Min), ratText(w.Max))
	}
	if w.Step != nil && w.Step.Sign() <= 0 {
		p.write.Get("step").Fault("a step is above zero")
	}
	if !p.Type.Number() {
		return
	}
	for key, limit := range map[string]*big.Rat{"min": w.Min, "max": w.Max} {
		if limit == nil {
			continue
		}
		if _, err := p.AppendRaw(nil, ExactValue(limit), nil); err != nil {
			p.write.Get(key).Fault("%s %s is beyond what %s can hold with this scale", key, ratText(limit), p.Type)
		}
	}
}
