package poll

import (
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/plan"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// How rarely a silent unit is asked whether it is back, where others on the
// line would wait for it: after one period, then twice as long each time, up to
// a minute. Ours.
const (
	mostPatience  = time.Minute
	mostDoublings = 16
)

// patience is how often something was asked in vain, and when it is asked
// again. The zero patience is for what answers.
type patience struct {
	misses int
	next   time.Duration // on the steady clock
}

// missed is the patience after one more question in vain.
func (q patience) missed(now, base time.Duration) patience {
	q.misses++
	q.next = now + min(base<<min(q.misses-1, mostDoublings), mostPatience)
	return q
}

// unit is what the poller knows of the presence of one unit.
type unit struct {
	patience                  // misses > 0: believed silent
	silences int              // requests in a row without any answer
	answered uint64           // the cycle in which it last answered anything
	lost     *decode.Exchange // the one that made it silent
	heard    place            // what it last answered
	asking   bool             // whether it is back
}

// place is what a request asks for: a unit's span.
type place struct {
	unit regmap.Unit
	span regmap.Span
}

func placeOf(r *plan.Request) place { return place{r.Station.Unit, r.Span} }

// unitOf finds what is known of a request's unit.
func (p *Poller) unitOf(r *plan.Request) *unit {
	u := p.units[r.Station.Unit]
	if u == nil {
		u = new(unit)
		put(&p.units, r.Station.Unit, u)
	}
	return u
}

// silent says whether nothing came from the unit: no answer, or a gateway's
// word that there was none. Source: V1.1b3, 7 (codes 0A and 0B).
func silent(x *decode.Exchange) bool {
	e := x.Response.Exception
	return x.Cause == regmap.Silent || x.Cause == regmap.Excepted &&
		(e == frame.GatewayPathUnavailable || e == frame.GatewayTargetDeviceFailedToRespond)
}

// presence notes what an exchange says about its unit. A unit is believed
// silent when two different requests in a row brought nothing, or its only one.
func (p *Poller) presence(l *landing) {
	u, at, now := p.unitOf(&l.Request), placeOf(&l.Request), p.Clock().Steady
	if l.probe {
		u.asking = false
	}
	switch {
	case l.x.Cause == regmap.NoLine || l.x.Cause == regmap.PortGone || l.x.Cause == regmap.Interrupted:
		return // says nothing about the unit
	case !silent(l.x):
		if u.misses > 0 {
			p.wantNow(l.Station.Unit)
		}
		*u = unit{answered: p.cycle, heard: at}
		delete(p.deaf, at)
		return
	case l.probe:
		u.patience = u.missed(now, p.base(&l.Request))
		u.lost = l.x
		return
	}
	u.silences++
	put(&p.deaf, at, p.deaf[at].missed(now, p.base(&l.Request)))
	if u.answered != p.cycle && (u.silences > 1 || p.requestsOf(l.Station.Unit) == 1) {
		u.patience, u.lost = patience{}.missed(now, p.base(&l.Request)), l.x
		for known := range p.deaf {
			if known.unit == l.Station.Unit {
				delete(p.deaf, known)
			}
		}
	}
}

// base is the first pause before a silent unit is asked again.
func (p *Poller) base(r *plan.Request) time.Duration { return max(r.Every, r.Station.Timing.Response) }

// wantNow makes all requests of a unit due: it is back.
func (p *Poller) wantNow(u regmap.Unit) {
	for at := range p.due {
		if at.unit == u {
			delete(p.due, at)
		}
	}
}

// askable says whether a request is worth the line's time now; if not, its
// points are lost for this cycle. A request that alone is never answered, by a
// unit that answers others, is asked more and more rarely too.
func (p *Poller) askable(r *plan.Request) bool {
	u := p.unitOf(r)
	if u.misses > 0 {
		p.lose(r, u.lost)
		return false
	}
	d := p.deaf[placeOf(r)]
	if d.misses < 3 || p.Clock().Steady >= d.next {
		return true
	}
	last, known := p.last[seat{r.Station.Unit, r.Items[0].Points[0]}]
	if !known || last.From == nil {
		return true
	}
	p.lose(r, last.From)
	return false
}

// hesitant says whether a request is tried once only, because its unit or the
// request itself was silent before.
func (p *Poller) hesitant(r *plan.Request) bool {
	return p.unitOf(r).silences > 0 || p.deaf[placeOf(r)].misses > 0
}

// lose gives the readings of points that were not asked, resting on the
// exchange that was in vain.
func (p *Poller) lose(r *plan.Request, x *decode.Exchange) {
	p.guard(r, func() { p.deliver(r.Station, r.Points(), x) })
}

// probes are the questions whether silent units are back, one each and without
// repeats. Where other units answer, and would have to wait, only those whose
// time has come, on a serial line one a cycle: the one that waits longest.
func (p *Poller) probes(wanted []plan.Request) []job {
	now, spare := p.Clock().Steady, p.othersAnswer()
	var out []job
	var first time.Duration
	for i := range p.Line.Stations {
		s := &p.Line.Stations[i]
		u := p.units[s.Unit]
		switch {
		case u == nil || u.misses == 0 || u.asking:
			continue
		case spare && now < u.next, !spare && !wantedOf(s, wanted):
			continue
		}
		r := p.probe(s, u)
		if r == nil {
			continue
		}
		j := job{Request: *r, timing: s.Timing, probe: true}
		j.timing.Retries = 0
		switch {
		case !spare || p.Width > 1:
			out = append(out, j)
		case len(out) == 0 || u.next < first:
			out, first = []job{j}, u.next
		}
	}
	return out
}

// othersAnswer says whether any unit of the line is believed there.
func (p *Poller) othersAnswer() bool {
	for i := range p.plan.Requests {
		if p.unitOf(&p.plan.Requests[i]).misses == 0 {
			return true
		}
	}
	return false
}

// probe is the request to ask a silent unit with: every other time what it
// answered last, else its requests in turn.
func (p *Poller) probe(s *line.Station, u *unit) *plan.Request {
	var own []*plan.Request
	for i := range p.plan.Requests {
		r := &p.plan.Requests[i]
		if r.Station.Unit != s.Unit {
			continue
		}
		if placeOf(r) == u.heard && u.misses%2 == 1 {
			return r
		}
		own = append(own, r)
	}
	if len(own) == 0 {
		return nil
	}
	return own[u.misses/2%len(own)]
}

// requestsOf counts the requests of a unit.
func (p *Poller) requestsOf(u regmap.Unit) (n int) {
	for i := range p.plan.Requests {
		if p.plan.Requests[i].Station.Unit == u {
			n++
		}
	}
	return n
}

// wantedOf says whether any request of the station is due in this cycle.
func wantedOf(s *line.Station, wanted []plan.Request) bool {
	for _, r := range wanted {
		if r.Station.Unit == s.Unit {
			return true
		}
	}
	return len(wanted) == 0
}
