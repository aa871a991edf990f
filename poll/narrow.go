package poll

import (
	"context"

	"plumbline/decode"
	"plumbline/poll/plan"
	"plumbline/regmap"
)

// narrow finds what a station refuses in a block, by halves: a point that is
// refused on its own is a hole; where both halves answer but the whole does
// not, the place between them must not be read across. Both are remembered,
// and the plan is made anew without them.
func (p *Poller) narrow(ctx context.Context, r plan.Request) {
	p.halve(ctx, r)
	p.plan = plan.For(p.Line, &p.learnt)
}

// halve asks both halves of a refused block.
func (p *Poller) halve(ctx context.Context, r plan.Request) {
	before := len(p.holes)
	whole := true
	middle := len(r.Items) / 2
	for _, items := range [][]plan.Item{r.Items[:middle], r.Items[middle:]} {
		half := r.With(items)
		x, ok := p.ask(ctx, &half)
		if !ok {
			return
		}
		switch {
		case refused(x) && len(items) > 1:
			whole = false
			p.halve(ctx, half)
			continue
		case refused(x):
			p.remember(half, x)
		case !x.Answered():
			whole = false
		}
		p.deliver(r.Station, half.Points(), x)
	}
	if whole && len(p.holes) == before {
		p.learnt.Cut(r.Station.Unit, r.Span.Table, r.Items[middle].Span.First)
	}
}

// remember notes the points of an item that its station refused on its own.
func (p *Poller) remember(r plan.Request, x *decode.Exchange) {
	for _, point := range r.Points() {
		p.learnt.Refuse(r.Station.Unit, point)
		p.holes = append(p.holes, hole{station: r.Station, point: point, refused: x, again: p.Clock().Steady + askAgain})
	}
	p.plan = plan.For(p.Line, &p.learnt)
}

// askHoles gives the readings of refused points whose period came round, and
// asks one again now and then.
func (p *Poller) askHoles(ctx context.Context, wanted []plan.Request) {
	kept := p.holes[:0]
	for _, h := range p.holes {
		now := p.Clock().Steady
		switch {
		case p.justRead(h):
			kept = append(kept, h)
			continue
		case now >= h.again && ctx.Err() == nil:
			x, ok := p.ask(ctx, plan.Alone(h.station, h.point))
			if !ok {
				kept = append(kept, h)
				continue
			}
			if !refused(x) && x.Answered() {
				p.learnt.Allow(h.station.Unit, h.point)
				p.plan = plan.For(p.Line, &p.learnt)
				p.deliver(h.station, []*regmap.Point{h.point}, x)
				continue
			}
			if refused(x) {
				h.refused = x
			}
			h.again = now + askAgain
			p.deliver(h.station, []*regmap.Point{h.point}, x)
		case wantedOf(h.station, wanted):
			p.deliver(h.station, []*regmap.Point{h.point}, h.refused)
		}
		kept = append(kept, h)
	}
	p.holes = kept
}

// justRead says whether the point's reading of this cycle is already given.
func (p *Poller) justRead(h hole) bool {
	r, ok := p.last[seat{h.station.Unit, h.point}]
	return ok && r.Cycle == p.cycle
}
