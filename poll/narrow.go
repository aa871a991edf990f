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
		p.border(ctx, r, middle)
	}
}

// border finds why a block is refused whose halves both answer: there is
// something between them, or it is too long. The items on both sides of the
// border tell, asked for together.
func (p *Poller) border(ctx context.Context, r plan.Request, middle int) {
	pair := r.With(r.Items[middle-1 : middle+1])
	if len(r.Items) > 2 && pair.Span.Count < r.Span.Count {
		x, ok := p.ask(ctx, &pair)
		if ok && x.Answered() {
			p.measure(ctx, r, middle)
			return
		}
		if !ok || !refused(x) {
			return // nothing is learnt from silence
		}
	}
	p.learnt.Cut(r.Station.Unit, r.Span.Table, r.Items[middle].Span.First)
}

// measure finds how many items a station gives at a time: the block is too long,
// its first part of good items is not.
func (p *Poller) measure(ctx context.Context, r plan.Request, good int) {
	for bad := len(r.Items); bad-good > 1; {
		n := (good + bad) / 2
		part := r.With(r.Items[:n])
		x, ok := p.ask(ctx, &part)
		if !ok || !x.Answered() && !refused(x) {
			break
		}
		if x.Answered() {
			good = n
		} else {
			bad = n
		}
	}
	p.learnt.Limit(r.Station.Unit, r.Span.Table, r.With(r.Items[:good]).Span.Count)
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
