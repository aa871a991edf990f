package poll

import (
	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/regmap/alarm"
)

// alarms are the alarms of one point and where they stand; nil for a point
// that has none.
type alarms struct {
	set    alarm.Set
	states alarm.States
}

// judgeAlarms goes on to a reading with the alarms of its point, names the
// active one in it, and gives on what changed.
func (p *Poller) judgeAlarms(at seat, r *decode.Reading) (changes []decode.AlarmChange) {
	a, known := p.alarms[at]
	if !known {
		if set := at.point.Alarms(); len(set.Limits()) > 0 {
			a = &alarms{set: set}
		}
		put(&p.alarms, at, a)
	}
	if a == nil {
		return nil
	}
	var events []alarm.Change
	a.states, events = a.set.Step(a.states, regmap.AlarmInput(r.Value), r.Time.Steady)
	if kind, active := a.set.Active(a.states); active {
		r.Alarm = kind.String()
	}
	for _, e := range events {
		changes = append(changes, decode.AlarmChange{Reading: *r, Change: e})
	}
	return changes
}

// tellAlarms gives on what changed, after the readings that changed it.
func (p *Poller) tellAlarms(changes []decode.AlarmChange) {
	for i := range changes {
		p.Sink(decode.Event{At: changes[i].Reading.Time, Alarm: &changes[i]})
	}
}
