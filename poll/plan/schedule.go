package plan

import (
	"cmp"
	"slices"
	"time"

	"plumbline/regmap"
)

// mostTicks bounds how far ahead the schedule looks, in ticks: an hour and more
// of seconds. Where the periods' common multiple is longer, the time beyond is
// not looked at.
const mostTicks = 4096

// Next is when the request is due next after time t, both counted from the
// first tick: the least Phase + n x Every beyond t. A poller whose ticks miss
// it, because Every is no multiple of the tick, asks at the first tick after.
// Without pause it is t itself.
//
// A poller reads everything once when it starts, so that all values are there,
// and then each request whenever Next comes. A plan made anew may give other
// phases; a request for points whose last reading is older than Every is due at
// once.
func (r *Request) Next(t time.Duration) time.Duration {
	switch {
	case r.Every <= 0:
		return t
	case t < r.Phase:
		return r.Phase
	}
	return r.Phase + ((t-r.Phase)/r.Every+1)*r.Every
}

// schedule gives the requests phases so that the busiest tick is as light as a
// first-fit by falling cost makes it. What a station is asked with one period
// stays in one tick, so that its values are of one moment; only where a tick
// would be overrun are its requests spread one by one. No tick is ever heavier
// than with all in phase.
func (p *Plan) schedule() {
	for i := range p.Requests {
		if r := &p.Requests[i]; i == 0 || r.Every < p.Tick {
			p.Tick = r.Every
		}
	}
	if p.Busiest = p.Cycle; p.Tick == 0 {
		return
	}
	p.Busiest = p.place(p.bundles(false))
	if p.Busiest <= p.Tick {
		return
	}
	phases := make([]time.Duration, len(p.Requests))
	for i := range p.Requests {
		phases[i] = p.Requests[i].Phase
	}
	if apart := p.place(p.bundles(true)); apart < p.Busiest {
		p.Busiest = apart
		return
	}
	for i := range p.Requests {
		p.Requests[i].Phase = phases[i]
	}
}

// A bundle is requests that are due together.
type bundle struct {
	every    time.Duration
	cost     time.Duration
	requests []*Request
}

// bundles are a station's requests of one period each, or every request apart;
// the dearest first.
func (p *Plan) bundles(apart bool) []*bundle {
	type key struct {
		unit  regmap.Unit
		every time.Duration
	}
	var out []*bundle
	at := map[key]*bundle{}
	for i := range p.Requests {
		r := &p.Requests[i]
		k := key{r.Station.Unit, r.Every}
		b := at[k]
		if b == nil || apart {
			b = &bundle{every: r.Every}
			at[k] = b
			out = append(out, b)
		}
		b.requests = append(b.requests, r)
		b.cost += r.Cost
	}
	slices.SortStableFunc(out, func(a, b *bundle) int { return cmp.Compare(b.cost, a.cost) })
	return out
}

// place sets the bundles' phases, each where the heaviest of its ticks stays
// lightest, and gives the cost of the busiest tick.
func (p *Plan) place(bundles []*bundle) time.Duration {
	load := make([]time.Duration, p.ticks())
	for _, b := range bundles {
		best, least := 0, time.Duration(-1)
		for phase := range min(max(int(b.every/p.Tick), 1), len(load)) {
			heaviest := time.Duration(0)
			for at := range p.occasions(b.every, phase, len(load)) {
				heaviest = max(heaviest, load[at])
			}
			if least < 0 || heaviest < least {
				best, least = phase, heaviest
			}
			if least == 0 {
				break
			}
		}
		for at := range p.occasions(b.every, best, len(load)) {
			load[at] += b.cost
		}
		for _, r := range b.requests {
			r.Phase = time.Duration(best) * p.Tick
		}
	}
	return slices.Max(load)
}

// occasions walks the ticks in which something of a period and a phase, given
// in ticks, is due.
func (p *Plan) occasions(every time.Duration, phase, ticks int) func(func(int) bool) {
	return func(yield func(int) bool) {
		for due := time.Duration(phase) * p.Tick; ; due += every {
			at := int((due + p.Tick - 1) / p.Tick)
			if at >= ticks || !yield(at) {
				return
			}
		}
	}
}

// ticks is after how many ticks all periods begin anew together, at most
// mostTicks.
func (p *Plan) ticks() int {
	all := int64(1)
	for i := range p.Requests {
		every, tick := int64(p.Requests[i].Every), int64(p.Tick)
		again := every / divisor(every, tick)
		if again >= mostTicks {
			return mostTicks
		}
		if all = all / divisor(all, again) * again; all >= mostTicks {
			return mostTicks
		}
	}
	return int(all)
}

// divisor is the greatest common divisor.
func divisor(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
