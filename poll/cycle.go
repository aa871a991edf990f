package poll

import (
	"context"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/plan"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A job is one request of a cycle.
type job struct {
	plan.Request
	timing line.Timing // the station's; a unit in doubt is asked once only
	probe  bool        // asks whether a silent unit is back
	look   bool        // a person looks at it
}

// A landing is what became of a job.
type landing struct {
	job
	x     *decode.Exchange
	err   error
	fault *fault // a panic on its way
}

// pass is one cycle: every request that is due. false when the context ended.
func (p *Poller) pass(ctx context.Context, skipped int) bool {
	p.cycle++
	began := p.Clock()
	p.judgeClock(began)
	wanted := p.wanted(began.Steady)
	p.exchanges = 0
	p.work(ctx, p.jobs(wanted))
	p.askHoles(ctx, wanted)
	p.guard(nil, p.deliverDerived)
	if ctx.Err() != nil {
		return false
	}
	p.Sink(decode.Event{At: p.Clock(), Cycle: &decode.Cycle{
		Line: p.Line.Name, Number: p.cycle, Began: began, Exchanges: p.exchanges, Skipped: skipped}})
	return true
}

// wanted lists the requests that are due and sets when they are due again. The
// first time all are due; from then on each keeps its phase.
func (p *Poller) wanted(now time.Duration) []plan.Request {
	if p.cycle == 1 {
		p.grid = now + p.Offset
	}
	var out []plan.Request
	for _, r := range p.plan.Requests {
		at := placeOf(&r)
		due, known := p.due[at]
		if !known && p.fresh(&r, now) { // a plan made anew
			due, known = p.grid+r.Next(now-p.grid), true
			p.due[at] = due
		}
		if !known || now >= due {
			p.due[at] = p.grid + r.Next(now-p.grid)
			out = append(out, r)
		}
	}
	return out
}

// fresh says whether all points of a request were read within their period.
func (p *Poller) fresh(r *plan.Request, now time.Duration) bool {
	for _, point := range r.Points() {
		last, known := p.last[seat{r.Station.Unit, point}]
		if !known || last.Value.Quality() == regmap.Bad || now-last.Time.Steady >= r.Every-p.plan.Tick/2 {
			return false
		}
	}
	return true
}

// jobs puts the wanted requests in their order: first what a person looks at,
// then as planned, last the questions whether a silent unit is back. The points
// of a silent unit that is not asked are lost at once.
func (p *Poller) jobs(wanted []plan.Request) []job {
	var first, then []job
	for _, r := range wanted {
		if !p.askable(&r) {
			continue
		}
		j := job{Request: r, timing: r.Station.Timing}
		if j.look = p.looked(&r); j.look {
			first = append(first, j)
		} else {
			then = append(then, j)
		}
	}
	return append(append(first, then...), p.probes(wanted)...)
}

// work makes the exchanges of the jobs, as many at a time as the line carries.
func (p *Poller) work(ctx context.Context, queue []job) {
	flying := 0
	for {
		for flying < p.Width && len(queue) > 0 && ctx.Err() == nil {
			j := queue[0]
			queue = queue[1:]
			switch {
			case !j.probe && !p.askable(&j.Request): // its unit fell silent meanwhile
			case j.probe && p.Width > 1:
				p.unitOf(&j.Request).asking = true
				p.outriders++
				p.launch(ctx, j, p.probed)
			default:
				if p.hesitant(&j.Request) {
					j.timing.Retries = 0
				}
				if p.Width > 1 && flying == 0 && len(queue) == 0 {
					p.land(ctx, p.fly(ctx, j)) // nothing else to do meanwhile, and no doubts on such a line
					return
				}
				if p.landed == nil {
					p.landed = make(chan *landing, p.Width)
				}
				p.launch(ctx, j, p.landed)
				flying++
			}
		}
		if flying == 0 && (len(queue) == 0 || ctx.Err() != nil) {
			return
		}
		select {
		case l := <-p.landed:
			flying--
			p.land(ctx, l)
		case l := <-p.probed:
			p.outriders--
			p.land(ctx, l)
		case <-p.told:
			p.settleDoubts()
		}
	}
}

// launch asks a job's request beside the poller's own work.
func (p *Poller) launch(ctx context.Context, j job, to chan<- *landing) {
	if p.Width == 1 {
		p.during = nil
	}
	go func() { to <- p.fly(ctx, j) }()
}

// fly asks a job's request.
func (p *Poller) fly(ctx context.Context, j job) (l *landing) {
	l = &landing{job: j}
	defer func() { l.fault = caught(recover()) }()
	opts := []link.Option{link.With(j.timing)}
	if j.Once() {
		opts = append(opts, link.Once())
	}
	if j.look {
		opts = append(opts, link.Urgent())
	}
	l.x, l.err = p.Link.Ask(ctx, j.Station.Unit, j.Frame(), opts...)
	return l
}

// land gives on what became of a job: its exchange and its readings. A refused
// block is narrowed down at once.
func (p *Poller) land(ctx context.Context, l *landing) {
	if l.fault != nil {
		p.tellFault(&l.Request, l.fault)
		return
	}
	p.guard(&l.Request, func() {
		if !p.arrived(ctx, l) {
			return
		}
		p.presence(l)
		switch {
		case !refused(l.x):
		case len(l.Items) > 1:
			p.narrow(ctx, l.Request)
			return
		default:
			p.remember(l.Request, l.x)
		}
		p.deliver(l.Station, l.Points(), l.x)
	})
}

// arrived counts an exchange and gives it on; false when there is none, because
// the poller was stopped.
func (p *Poller) arrived(ctx context.Context, l *landing) bool {
	if l.err != nil || ctx.Err() != nil && l.x.Cause == regmap.Interrupted {
		return false
	}
	p.exchanges++
	p.Sink(decode.Event{At: l.x.Done, Exchange: l.x})
	return true
}

// refused says whether the station has no such registers, or not so many at a
// time: exception 02 or 03 (V1.1b3, 7).
func refused(x *decode.Exchange) bool {
	e := x.Response.Exception
	return x.Cause == regmap.Excepted && (e == frame.IllegalDataAddress || e == frame.IllegalDataValue)
}

// ask makes one exchange while all else waits, and gives it on. What is doubted
// meanwhile is given on at once and not at its end: after a doubt the line may
// be kept silent for a minute.
func (p *Poller) ask(ctx context.Context, r *plan.Request) (*decode.Exchange, bool) {
	done := make(chan *landing, 1)
	p.launch(ctx, job{Request: *r, timing: r.Station.Timing}, done)
	for {
		select {
		case l := <-done:
			if l.fault != nil {
				p.tellFault(r, l.fault)
				return nil, false
			}
			return l.x, p.arrived(ctx, l)
		case <-p.told:
			p.settleDoubts()
		}
	}
}
