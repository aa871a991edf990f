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

// Config is what a poller needs. Line, Link, Clock and Sink must be set.
type Config struct {
	Line  *line.Line
	Link  Asker
	Clock decode.Clock
	Sink  decode.Sink

	// Width is how many requests are open at once, on lines that carry several:
	// MBAP, up to link.MaxSlots; 0: one.
	Width int
	// Offset moves the grid of the cycles: the first begins at once, the others
	// so much later than they would. Where many lines are polled it spreads
	// their requests over the period.
	Offset time.Duration
	// Fault takes the report of a fault of the program itself, with its stack,
	// once a unit; nil: it is lost. The points it struck are bad, the others go on.
	Fault func(report string)
}

// A Poller reads one line. Only Doubt and Look are safe for concurrent use.
type Poller struct {
	Config
	plan    plan.Plan
	learnt  plan.Learnt
	due     map[place]time.Duration  // on the steady clock: when a request is wanted again
	grid    time.Duration            // where the phases are counted from
	last    map[seat]*decode.Reading // those that were given on; never changed
	life    map[seat]life            // of points that must change
	alarms  map[seat]*alarms
	changed []decode.AlarmChange // of derived points, not yet told
	holes   []hole
	cycle   uint64

	exchanges int // of this cycle
	units     map[regmap.Unit]*unit
	deaf      map[place]patience // requests that alone are not answered
	landed    chan *landing      // made when more than one is asked at a time
	probed    chan *landing      // of questions that go on beside the cycles
	outriders int                // such questions under way
	drift     time.Duration
	faulty    map[string]bool // subjects of faults of the program

	during []link.Doubt         // given on since the exchange under way was asked for
	rests  map[seat][]decode.ID // what the last reading of a derived point rests on

	mu     sync.Mutex
	doubts []link.Doubt // told, not yet given on
	look   map[place]bool
	told   chan struct{} // holds one when there are such
}

// seat is one reading's place: a station and a point of its map.
type seat struct {
	unit  regmap.Unit
	point *regmap.Point
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
	c.Width = max(c.Width, 1)
	p := &Poller{
		Config: c, due: map[place]time.Duration{}, last: map[seat]*decode.Reading{},
		told: make(chan struct{}, 1), probed: make(chan *landing, len(c.Line.Stations)),
	}
	p.plan = plan.For(c.Line, &p.learnt)
	return p
}

// Run polls until the context ends or the given number of cycles is done; 0
// means without end. It gives back how many cycles were finished.
func (p *Poller) Run(ctx context.Context, cycles int) int {
	var cancel context.CancelFunc
	apart(func() { ctx, cancel = context.WithCancel(ctx) })
	defer p.gather()
	defer cancel()
	tick := p.plan.Tick
	next := p.Clock().Steady
	if p.Offset > 0 {
		next += p.Offset - tick // the place on the grid before the second
	}
	done, skipped, more := 0, 0, true
	for ctx.Err() == nil {
		if apart(func() { more = p.pass(ctx, skipped) }); !more {
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

// apart does work on a stack of its own, which is given back: a poller spends
// its life asleep, and a process may hold thousands.
func apart(work func()) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		work()
	}()
	<-done
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
		case l := <-p.probed:
			p.outriders--
			apart(func() { p.land(ctx, l) })
		case <-p.told:
			apart(p.settleDoubts)
		}
	}
}

// gather waits for the questions that go on beside the cycles.
func (p *Poller) gather() {
	for ; p.outriders > 0; p.outriders-- {
		<-p.probed
	}
}

// deliver makes the readings of an exchange, remembers them and gives them on.
func (p *Poller) deliver(s *line.Station, points []*regmap.Point, x *decode.Exchange) {
	n := 0
	for _, point := range points {
		n += 1 + len(point.Fields)
	}
	readings := make([]decode.Reading, 0, n)
	var changes []decode.AlarmChange
	add := func(point *regmap.Point) {
		readings = append(readings, decode.Read(x, point))
		r := &readings[len(readings)-1]
		if doubted(p.during, x.ID) {
			*r = r.Doubted(regmap.LateDoubt)
		}
		r.Cycle, r.Station = p.cycle, s.Name
		at := seat{s.Unit, point}
		p.judgeLife(at, r)
		changes = append(changes, p.keep(at, r)...)
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
	r.Last, r.LastAt = p.lastGood(at)
	changes := p.judgeAlarms(at, r)
	p.last[at] = r
	return changes
}

// lastGood is the last value of a point that was not bad, and its time.
func (p *Poller) lastGood(at seat) (regmap.Value, decode.Stamp) {
	before, ok := p.last[at]
	switch {
	case !ok:
		return regmap.Value{}, decode.Stamp{}
	case before.Value.Quality() != regmap.Bad:
		return before.Value, before.Time
	}
	return before.Last, before.LastAt
}

// put sets an entry of a map that is made when it has its first. Most lines need
// few of a poller's maps, and a process may have thousands of pollers.
func put[K comparable, V any](m *map[K]V, k K, v V) {
	if *m == nil {
		*m = map[K]V{}
	}
	(*m)[k] = v
}
