package plan

import (
	"cmp"
	"slices"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Load is the part of the time that the line is busy, 1 for all of it: the sum
// of line time by period. paced is false where something is read without pause,
// which takes all that is left.
func (p *Plan) Load() (load float64, paced bool) {
	for i := range p.Requests {
		r := &p.Requests[i]
		if r.Every == 0 {
			return 1, false
		}
		load += r.Cost.Seconds() / r.Every.Seconds()
	}
	return load, true
}

// Fits says whether the line can hold the plan's periods.
func (p *Plan) Fits() bool {
	load, paced := p.Load()
	return !paced || load <= 1
}

// A Silence is what a unit that falls silent costs the others.
type Silence struct {
	Unit    regmap.Unit
	Tries   int           // of its first request
	More    bool          // and one try of its second, after which it is believed silent
	Cycle   time.Duration // by how much the cycle grows in which it falls silent
	Inquiry time.Duration // each later question whether it is back
}

// Silence works out what it costs when the unit falls silent. The unit is
// believed silent once two of its requests, or its only one, brought nothing;
// its other requests of the cycle are then not made.
func (p *Plan) Silence(l *line.Line, u regmap.Unit) Silence {
	out := Silence{Unit: u}
	var own []*Request
	for i := range p.Requests {
		if r := &p.Requests[i]; r.Station.Unit == u {
			own = append(own, r)
			out.Cycle -= r.Cost
		}
	}
	if len(own) == 0 {
		return out
	}
	out.Tries, out.Inquiry = 1+own[0].Station.Timing.Retries, inVain(l, own[0])
	if own[0].Once() {
		out.Tries = 1
	}
	out.Cycle += time.Duration(out.Tries) * out.Inquiry
	if out.More = len(own) > 1; out.More {
		out.Cycle += inVain(l, own[1])
	}
	out.Cycle = max(out.Cycle, 0)
	return out
}

// inVain is how long one try takes that nothing answers: the request, the time
// limit and on serial lines the answer's own line time.
func inVain(l *line.Line, r *Request) time.Duration {
	t := r.Station.Timing
	if l.Medium != line.SerialPort {
		return t.Response + t.Pause
	}
	return r.Cost - t.Latency + t.Response
}

// A Relief is what would make a plan fit that does not; what is 0 would not.
type Relief struct {
	Every     time.Duration // the shortest round period that does when nothing is read more often
	EveryLoad float64
	Baud      int // the slowest usual speed that does
	BaudLoad  float64
	Points    int // how many of the points fit as they are
	Of        int
}

// bauds are the usual speeds of serial lines; common practice.
var bauds = [...]int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200}

// roundPeriods are those that a person would choose.
var roundPeriods = [...]time.Duration{
	100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond,
	time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 20 * time.Second, 30 * time.Second,
	time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 20 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 5 * time.Hour, 12 * time.Hour, 24 * time.Hour,
}

// Relieve says what would have to give for the line's plan to fit.
func Relieve(l *line.Line, p *Plan, learnt *Learnt) Relief {
	var out Relief
	for _, every := range roundPeriods {
		if load := p.loadAt(every); load <= 1 {
			out.Every, out.EveryLoad = every, load
			break
		}
	}
	for _, baud := range bauds {
		if l.Medium != line.SerialPort || baud <= l.Serial.Baud {
			continue
		}
		faster := *l
		faster.Serial.Baud = baud
		planned := For(&faster, learnt)
		if load, _ := planned.Load(); load <= 1 {
			out.Baud, out.BaudLoad = baud, load
			break
		}
	}
	out.Points, out.Of = p.pointsThatFit()
	return out
}

// loadAt is the load of the same requests with no period below every.
func (p *Plan) loadAt(every time.Duration) (load float64) {
	for i := range p.Requests {
		r := &p.Requests[i]
		load += r.Cost.Seconds() / max(r.Every, every).Seconds()
	}
	return load
}

// pointsThatFit counts the points of the requests that fit, taken in order of
// their load a point.
func (p *Plan) pointsThatFit() (fit, all int) {
	type share struct {
		load   float64
		points int
	}
	var shares []share
	for i := range p.Requests {
		r := &p.Requests[i]
		points := len(r.Points())
		all += points
		shares = append(shares, share{r.Cost.Seconds() / r.Every.Seconds(), points})
	}
	slices.SortStableFunc(shares, func(a, b share) int {
		return cmp.Compare(a.load*float64(b.points), b.load*float64(a.points))
	})
	load := 0.0
	for _, s := range shares {
		if load += s.load; load > 1 {
			break
		}
		fit += s.points
	}
	return fit, all
}
