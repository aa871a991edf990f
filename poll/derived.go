package poll

import (
	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// deliverDerived works out the derived points whose inputs were read in this
// cycle, from the latest reading of each input, and gives them on.
func (p *Poller) deliverDerived() {
	for i := range p.Line.Stations {
		s := &p.Line.Stations[i]
		var readings []decode.Reading
		for j := range s.Map.Points {
			if point := &s.Map.Points[j]; point.Derived() {
				if r, ok := p.derive(s, point); ok {
					readings = append(readings, r)
				}
			}
		}
		if len(readings) > 0 {
			p.Sink(decode.Event{At: p.Clock(), Readings: readings})
		}
		p.tellAlarms(p.changed)
		p.changed = nil
	}
}

// derive works one derived point out, once a cycle; ok is false when none of
// its inputs was read in this cycle. It rests on the exchange of the input read
// last.
func (p *Poller) derive(s *line.Station, point *regmap.Point) (r decode.Reading, ok bool) {
	at := seat{s.Unit, point}
	if known := p.last[at]; known != nil && known.Cycle == p.cycle {
		return *known, true // another derived point asked for it
	}
	r = decode.Reading{Cycle: p.cycle, Unit: s.Unit, Station: s.Name, Point: point}
	fresh := false
	var worst decode.Reading
	var rests []decode.ID
	r.Value = point.Combine(func(input *regmap.Point) regmap.Value {
		var in decode.Reading
		if known := p.last[seat{s.Unit, input}]; known != nil {
			in = *known
		}
		if input.Derived() {
			if now, ok := p.derive(s, input); ok {
				in = now
			}
		}
		fresh = fresh || in.Cycle == p.cycle
		switch {
		case input.Derived():
			rests = append(rests, p.rests[seat{s.Unit, input}]...)
		case in.From != nil:
			rests = append(rests, in.From.ID)
		}
		if in.From != nil && (r.From == nil || in.Time.Steady >= r.Time.Steady) {
			r.From, r.Time = in.From, in.Time
		}
		if in.Value.Quality() < worst.Value.Quality() || worst.Point == nil {
			worst = in
		}
		return in.Value
	})
	if !fresh {
		return decode.Reading{}, false
	}
	switch {
	case r.Value.Quality() == regmap.Good:
	case worst.Point != nil && worst.Value.Quality() != regmap.Good:
		r.Reason = worst.Point.Name + ": " + worst.Reason
	default:
		r.Reason = r.Value.Cause().Words()
	}
	kept := new(decode.Reading)
	*kept = r
	p.changed = append(p.changed, p.keep(at, kept)...)
	r = *kept
	put(&p.rests, at, rests)
	return r, true
}
