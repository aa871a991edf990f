package poll

import (
	"fmt"
	"runtime/debug"

	"plumbline/decode"
	"plumbline/poll/plan"
	"plumbline/regmap"
)

// A fault is one of the program itself, caught where it happened.
type fault struct{ report string }

// caught makes a fault of what was recovered; nil when nothing was.
func caught(v any) *fault {
	if v == nil {
		return nil
	}
	return &fault{fmt.Sprintf("%v\n\n%s", v, debug.Stack())}
}

// guard runs work so that a fault in it strikes only the points of one request:
// they turn bad, and all else goes on.
func (p *Poller) guard(r *plan.Request, work func()) {
	defer func() {
		if f := caught(recover()); f != nil {
			p.tellFault(r, f)
		}
	}()
	work()
}

// tellFault gives on that the points of a request were struck by a fault of the
// program, and the first time hands over its report.
func (p *Poller) tellFault(r *plan.Request, f *fault) {
	subject := "line " + p.Line.Name
	now := p.Clock()
	if r != nil {
		subject = fmt.Sprintf("unit %d", r.Station.Unit)
		var readings []decode.Reading
		for _, point := range r.Points() {
			at := seat{r.Station.Unit, point}
			reading := decode.Reading{Time: now, Cycle: p.cycle, Unit: r.Station.Unit, Station: r.Station.Name, Point: point,
				Value: regmap.BadValue(regmap.Internal), Reason: regmap.Internal.Words()}
			reading.Last, reading.LastAt = p.lastGood(at)
			p.last[at] = &reading
			readings = append(readings, reading)
		}
		p.Sink(decode.Event{At: now, Readings: readings})
	}
	if p.faulty[subject] {
		return // told before
	}
	put(&p.faulty, subject, true)
	p.Sink(decode.Event{At: now, Finding: &decode.Finding{
		Code: "internal-fault", Subject: subject, Claim: decode.Settled,
		Words: "a fault of this program, not of the station; the other points are read on",
		Do:    "send the report to the people who look after this program",
	}})
	if p.Fault != nil {
		p.Fault(subject + ": " + f.report)
	}
}
