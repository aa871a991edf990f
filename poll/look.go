package poll

import (
	"plumbline/poll/plan"
	"plumbline/regmap"
)

// Look says which points of a unit a person looks at just now, in place of those
// looked at before: their requests go first in each cycle. No points: none.
func (p *Poller) Look(u regmap.Unit, points ...*regmap.Point) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.look = map[place]bool{}
	for _, point := range points {
		p.look[place{u, point.Span()}] = true
	}
}

// looked says whether a person looks at a point of the request.
func (p *Poller) looked(r *plan.Request) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for at := range p.look {
		if at.unit == r.Station.Unit && r.Span.Overlaps(at.span) {
			return true
		}
	}
	return false
}
