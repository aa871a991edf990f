package main

import (
	"plumbline/poll/plan"
	"plumbline/regmap/line"
)

// planDocument is the JSON of plan. Its sums go over all lines; load and
// busiest tick are those of the line where they are highest.
type planDocument struct {
	Format             int           `json:"format"`
	Requests           []planRequest `json:"requests"`
	CycleSeconds       float64       `json:"cycle_seconds"`
	OptimumSeconds     float64       `json:"optimum_seconds"`
	Load               *float64      `json:"load"` // 1 is all of the time; null where a line is polled without pause
	Fits               bool          `json:"fits"`
	BusiestTickSeconds float64       `json:"busiest_tick_seconds"`
	Lines              []planLine    `json:"lines"`
	Units              []planUnit    `json:"units"`
}

type planRequest struct {
	Line         string   `json:"line"`
	Unit         int      `json:"unit"`
	Function     int      `json:"function"`
	Address      int      `json:"address"`
	Quantity     int      `json:"quantity"`
	Points       []string `json:"points"`
	Seconds      float64  `json:"seconds"`
	EverySeconds float64  `json:"every_seconds"` // 0: without pause
	PhaseSeconds float64  `json:"phase_seconds"`
}

type planLine struct {
	Line               string      `json:"line"`
	CycleSeconds       float64     `json:"cycle_seconds"`
	OptimumSeconds     float64     `json:"optimum_seconds"`
	Load               *float64    `json:"load"`
	Fits               bool        `json:"fits"`
	TickSeconds        float64     `json:"tick_seconds"`
	BusiestTickSeconds float64     `json:"busiest_tick_seconds"`
	Relief             *planRelief `json:"relief"` // null where it fits
}

// planRelief is what would make a line fit; null where it would not.
type planRelief struct {
	EverySeconds *float64 `json:"every_seconds"`
	EveryLoad    *float64 `json:"every_load"`
	Baud         *int     `json:"baud"`
	BaudLoad     *float64 `json:"baud_load"`
	Points       int      `json:"points"`
	PointsOf     int      `json:"points_of"`
}

// planUnit is what a unit costs that falls silent: by how much its cycle grows,
// and each later question whether it is back.
type planUnit struct {
	Line            string  `json:"line"`
	Unit            int     `json:"unit"`
	DeadUnitSeconds float64 `json:"dead_unit_seconds"`
	InquirySeconds  float64 `json:"inquiry_seconds"`
}

func newPlanDocument() *planDocument {
	none := 0.0
	return &planDocument{Format: 1, Requests: []planRequest{}, Load: &none, Fits: true, Lines: []planLine{}, Units: []planUnit{}}
}

// add takes in the plan of one line, for which nothing was learnt: it is the
// optimum.
func (d *planDocument) add(l *line.Line, p *plan.Plan) {
	row := planLine{Line: l.Name, CycleSeconds: p.Cycle.Seconds(), OptimumSeconds: p.Cycle.Seconds(), Fits: p.Fits(),
		TickSeconds: p.Tick.Seconds(), BusiestTickSeconds: p.Busiest.Seconds()}
	load, paced := p.Load()
	switch {
	case !paced:
		d.Load = nil
	default:
		row.Load = &load
		if d.Load != nil && load > *d.Load {
			d.Load = &load
		}
	}
	if !row.Fits {
		row.Relief = reliefRow(plan.Relieve(l, p, new(plan.Learnt)))
	}
	d.Lines = append(d.Lines, row)
	d.CycleSeconds += row.CycleSeconds
	d.OptimumSeconds += row.OptimumSeconds
	d.Fits = d.Fits && row.Fits
	d.BusiestTickSeconds = max(d.BusiestTickSeconds, row.BusiestTickSeconds)
	for i := range p.Requests {
		d.Requests = append(d.Requests, requestRow(l, &p.Requests[i]))
	}
	for _, s := range l.Stations {
		silence := p.Silence(l, s.Unit)
		d.Units = append(d.Units, planUnit{l.Name, int(s.Unit), silence.Cycle.Seconds(), silence.Inquiry.Seconds()})
	}
}

func requestRow(l *line.Line, r *plan.Request) planRequest {
	q := planRequest{Line: l.Name, Unit: int(r.Station.Unit), Function: int(r.Frame().Function), Address: int(r.Span.First), Quantity: r.Span.Count,
		Seconds: r.Cost.Seconds(), EverySeconds: r.Every.Seconds(), PhaseSeconds: r.Phase.Seconds()}
	for _, point := range r.Points() {
		q.Points = append(q.Points, point.Name)
	}
	return q
}

func reliefRow(r plan.Relief) *planRelief {
	out := &planRelief{Points: r.Points, PointsOf: r.Of}
	if r.Every > 0 {
		every := r.Every.Seconds()
		out.EverySeconds, out.EveryLoad = &every, &r.EveryLoad
	}
	if r.Baud > 0 {
		out.Baud, out.BaudLoad = &r.Baud, &r.BaudLoad
	}
	return out
}
