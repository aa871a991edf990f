package poll

import (
	"context"
	"sync"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/plan"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// An Asker makes exchanges; *link.Link is one. The error is for requests that
// may not be asked; a silent station is an outcome in the exchange.
type Asker interface {
	Ask(ctx context.Context, u regmap.Unit, q frame.Request, opts ...link.Option) (*decode.Exchange, error)
}

// Config is what a poller needs. All fields must be set.
type Config struct {
	Line  *line.Line
	Link  Asker
	Clock decode.Clock
	Sink  decode.Sink
}

// A Poller reads one line. Only Doubt is safe for concurrent use.
type Poller struct {
	Config
	plan    plan.Plan
	learnt  plan.Learnt
	due     map[key]time.Duration // on the steady clock: when the points of a period are wanted again
	last    map[seat]decode.Reading
	life    map[seat]life // of points that must change
	alarms  map[seat]*alarms
	changed []decode.AlarmChange // of derived points, not yet told
	holes   []hole
	cycle   uint64

	during []link.Doubt         // given on since the exchange under way was asked for
	rests  map[seat][]decode.ID // what the last reading of a derived point rests on

	mu     sync.Mutex
	doubts []link.Doubt  // told, not yet given on
	told   chan struct{} // holds one when there are such
}

// seat is one reading's place: a station and a point of its map.
type seat struct {
	unit  regmap.Unit
	point *regmap.Point
}

// key is the points that are read together: a station's of one period.
type key struct {
	unit  regmap.Unit
	every time.Duration
}

// hole is a point that its station refused on its own.
type hole struct {
	station *line.Station
	point   *regmap.Point
	refused *decode.Exchange
	again   time.Duration // on the steady clock: when it is asked again
}

// askAgain is how long a refused point is left alone before it is tried once
// more, so that a mended station is noticed.
const askAgain = time.Minute

// New makes a poller for a line.
func New(c Config) *Poller {
	p := &Poller{
		Config: c, due: map[key]time.Duration{}, last: map[seat]decode.Reading{}, life: map[seat]life{}, alarms: map[seat]*alarms{},
		rests: map[seat][]decode.ID{}, told: make(chan struct{}, 1),
	}
	p.plan = plan.For(c.Line, &p.learnt)
	return p
}

// Run polls until the context ends or the given number of cycles is done; 0
// means without end. It gives back how many cycles were finished.
func (p *Poller) Run(ctx context.Context, cycles int) int {
	tick := p.tick()
	next := p.Clock().Steady
	done, skipped := 0, 0
	for ctx.Err() == nil {
		if !p.pass(ctx, skipped) {
			break
		}
		if done++; done == cycles {
			break
		}
		next, skipped = follow(next, tick, p.Clock().Steady)
		if !p.sleep(ctx, next-p.Clock().Steady) {
			break
		}
	}
	return done
}

// follow is when the next cycle begins, on the grid of the first: a cycle
// that ran over is followed at the next free place, and the places it missed
// are counted, not made up for.
func follow(began, tick, now time.Duration) (next time.Duration, skipped int) {
	if tick == 0 {
		return now, 0
	}
	next = began + tick
	if late := now - next; late > 0 {
		skipped = int(late / tick)
		next += time.Duration(skipped) * tick
		if late%tick != 0 {
			skipped++
			next += tick
		}
	}
	return next, skipped
}

// sleep waits, and gives on what is doubted meanwhile; false when the context
// ended first.
func (p *Poller) sleep(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-t.C:
			return true
		case <-p.told:
			p.settleDoubts()
		}
	}
}

// tick is the shortest period of the plan; 0: without pause.
func (p *Poller) tick() time.Duration {
	var tick time.Duration
	for i, r := range p.plan.Requests {
		if i == 0 || r.Every < tick {
			tick = r.Every
		}
	}
	return tick
}

// pass is one cycle: every request that is due. false when the context ended.
func (p *Poller) pass(ctx context.Context, skipped int) bool {
	p.cycle++
	began := p.Clock()
	exchanges := 0
	wanted := p.wanted(began.Steady)
	for _, r := range wanted {
		if ctx.Err() != nil {
			return false
		}
		exchanges += p.fetch(ctx, r)
	}
	exchanges += p.askHoles(ctx, wanted)
	p.deliverDerived()
	if ctx.Err() != nil {
		return false
	}
	p.Sink(decode.Event{At: p.Clock(), Cycle: &decode.Cycle{
		Line: p.Line.Name, Number: p.cycle, Began: began, Exchanges: exchanges, Skipped: skipped}})
	return true
}

// wanted lists the requests that are due and sets when they are due again.
func (p *Poller) wanted(now time.Duration) []plan.Request {
	var out []plan.Request
	ready := map[key]bool{}
	for _, r := range p.plan.Requests {
		k := key{r.Station.Unit, r.Every}
		if _, seen := ready[k]; !seen {
			due, known := p.due[k]
			if ready[k] = !known || now >= due; ready[k] {
				if !known {
					due = now
				}
				p.due[k], _ = follow(due, r.Every, now)
			}
		}
		if ready[k] {
			out = append(out, r)
		}
	}
	return out
}

// fetch asks one request and gives its readings on; a refused block is
// narrowed down at once. It says how many exchanges it took.
func (p *Poller) fetch(ctx context.Context, r plan.Request) int {
	x, ok := p.ask(ctx, &r)
	if !ok {
		return 0
	}
	if refused(x) && len(r.Items) > 1 {
		return 1 + p.narrow(ctx, r)
	}
	if refused(x) {
		p.remember(r, x)
	}
	p.deliver(r.Station, r.Points(), x)
	return 1
}

// refused says whether the station has no such registers, or not so many at a
// time: exception 02 or 03 (V1.1b3, 7).
func refused(x *decode.Exchange) bool {
	e := x.Response.Exception
	return x.Cause == regmap.Excepted && (e == frame.IllegalDataAddress || e == frame.IllegalDataValue)
}

// ask makes the exchange of a request and gives it on.
func (p *Poller) ask(ctx context.Context, r *plan.Request) (*decode.Exchange, bool) {
	x, err := p.exchange(ctx, r)
	if err != nil || ctx.Err() != nil && x.Cause == regmap.Interrupted {
		return nil, false
	}
	p.Sink(decode.Event{At: x.Done, Exchange: x})
	return x, true
}

// exchange makes an exchange. What is doubted meanwhile is given on at once and
// not at its end: after a doubt the line may be kept silent for a minute.
func (p *Poller) exchange(ctx context.Context, r *plan.Request) (x *decode.Exchange, err error) {
	opts := []link.Option{link.With(r.Station.Timing)}
	if r.Once() {
		opts = append(opts, link.Once())
	}
	p.during = nil
	done := make(chan struct{})
	go func() {
		defer close(done)
		x, err = p.Link.Ask(ctx, r.Station.Unit, r.Frame(), opts...)
	}()
	for {
		select {
		case <-done:
			return x, err
		case <-p.told:
			p.settleDoubts()
		}
	}
}

// deliver makes the readings of an exchange, remembers them and gives them on.
func (p *Poller) deliver(s *line.Station, points []*regmap.Point, x *decode.Exchange) {
	var readings []decode.Reading
	var changes []decode.AlarmChange
	add := func(point *regmap.Point) {
		r := decode.Read(x, point)
		if doubted(p.during, x.ID) {
			r = r.Doubted(regmap.LateDoubt)
		}
		r.Cycle, r.Station = p.cycle, s.Name
		at := seat{s.Unit, point}
		p.judgeLife(at, &r)
		changes = append(changes, p.keep(at, &r)...)
		readings = append(readings, r)
	}
	for _, point := range points {
		add(point)
		for i := range point.Fields {
			add(&point.Fields[i])
		}
	}
	p.Sink(decode.Event{At: x.Done, Readings: readings})
	p.tellAlarms(changes)
}

// keep completes a reading with the point's last good value and its alarms,
// and remembers it. It gives the alarms that changed.
func (p *Poller) keep(at seat, r *decode.Reading) []decode.AlarmChange {
	if before, ok := p.last[at]; ok {
		r.Last, r.LastAt = before.Last, before.LastAt
		if before.Value.Quality() != regmap.Bad {
			r.Last, r.LastAt = before.Value, before.Time
		}
	}
	changes := p.judgeAlarms(at, r)
	p.last[at] = *r
	return changes
}
