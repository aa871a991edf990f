package poll

import (
	"plumbline/decode"
	"plumbline/poll/link"
	"plumbline/regmap"
)

// Doubt tells the poller what its link came to doubt; it returns at once. While
// Run runs the readings are given on without delay.
func (p *Poller) Doubt(d link.Doubt) {
	p.mu.Lock()
	p.doubts = append(p.doubts, d)
	p.mu.Unlock()
	select {
	case p.told <- struct{}{}:
	default: // told already
	}
}

// settleDoubts gives on what is doubted. The exchange under way may be among
// it: its readings are not there yet, and are made uncertain when they come.
func (p *Poller) settleDoubts() {
	p.mu.Lock()
	doubts := p.doubts
	p.doubts = nil
	p.mu.Unlock()
	p.during = append(p.during, doubts...)
	for _, d := range doubts {
		p.doubt(d)
	}
}

// doubt turns the last readings that rest on the doubted exchanges uncertain
// and gives them on: an answer came later than was believed possible, so any
// of these may be the answer to another request.
func (p *Poller) doubt(d link.Doubt) {
	var readings []decode.Reading
	for i := range p.Line.Stations {
		s := &p.Line.Stations[i]
		for point := range s.Map.Readings {
			at := seat{s.Unit, point}
			r, ok := p.last[at]
			if !ok || r.Value.Quality() != regmap.Good || !p.restsOn(d, at, *r) {
				continue
			}
			doubted := r.Doubted(regmap.LateDoubt)
			p.last[at] = &doubted
			readings = append(readings, doubted)
		}
	}
	if len(readings) > 0 {
		p.Sink(decode.Event{At: p.Clock(), Readings: readings})
	}
}

// restsOn says whether a reading rests on an exchange in doubt: its own, or for
// a derived point that of any input.
func (p *Poller) restsOn(d link.Doubt, at seat, r decode.Reading) bool {
	if !at.point.Derived() {
		return doubted([]link.Doubt{d}, r.From.ID)
	}
	for _, id := range p.rests[at] {
		if doubted([]link.Doubt{d}, id) {
			return true
		}
	}
	return false
}

// doubted says whether an exchange is among those in doubt.
func doubted(doubts []link.Doubt, id decode.ID) bool {
	for _, d := range doubts {
		if id.Source == d.First.Source && d.First.Number <= id.Number && id.Number <= d.Last.Number {
			return true
		}
	}
	return false
}
