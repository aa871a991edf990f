package regmap

import (
	"math/big"

	"plumbline/regmap/alarm"
)

// Alarms are the alarms of a point: its limits, or the alarm of a bit. The set
// is empty for a point that has none.
func (p *Point) Alarms() alarm.Set {
	var limits []alarm.Limit
	switch a := p.Alarm; {
	case p.AlarmBit:
		limits = []alarm.Limit{{Kind: alarm.Bit}}
	case a != nil:
		add := func(k alarm.Kind, value *big.Rat) {
			if value != nil {
				limits = append(limits, alarm.Limit{Kind: k, Value: value, Deadband: a.Deadband, OnDelay: a.Delay, OffDelay: a.OffDelay, Latch: a.Latch})
			}
		}
		add(alarm.HighHigh, a.HighHigh)
		add(alarm.High, a.High)
		add(alarm.Low, a.Low)
		add(alarm.LowLow, a.LowLow)
	}
	set, err := alarm.NewSet(limits...)
	if err != nil {
		return alarm.Set{} // the reader refuses maps whose limits cannot be meant
	}
	return set
}

// AlarmInput is a value as alarms judge it: an uncertain one may be judged, a
// bad one may not.
func AlarmInput(v Value) alarm.Input {
	if v.Quality() == Bad {
		return alarm.Input{}
	}
	if on, ok := v.Bool(); ok {
		return alarm.OnOff(on)
	}
	if r := v.Rat(); r != nil {
		return alarm.Number(r)
	}
	return alarm.Input{}
}
