package main

import (
	"encoding/json"
	"fmt"
	"io"
	"sync"

	"plumbline/decode"
	"plumbline/decode/traffic"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// A panelReport is what the station saw of how the panel is set up: what it
// reads and writes, how often, and where that and the map disagree. It is the
// traffic's own engine, seen from the station.
type panelReport struct {
	mu    sync.Mutex
	state *traffic.State
}

func newPanelReport(l *line.Line) *panelReport {
	return &panelReport{state: traffic.New(traffic.ConfigOf(l, traffic.Station))}
}

// observe takes an exchange of the station.
func (p *panelReport) observe(x *decode.Exchange) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.state.Add(decode.Event{At: x.Done, Exchange: x})
}

// document is the report.
func (p *panelReport) document() paper.Document {
	p.mu.Lock()
	defer p.mu.Unlock()
	d := traffic.Report(p.state)
	d.Title = "What the panel asked"
	return d
}

// panelRange is the JSON of one range that the panel reads or writes.
type panelRange struct {
	Unit     int      `json:"unit"`
	Function int      `json:"function"`
	Address  int      `json:"address"`
	Quantity int      `json:"quantity"`
	Count    uint64   `json:"count"`
	Period   *float64 `json:"period_seconds"` // null: asked once
	Jitter   float64  `json:"jitter_seconds"`
	Mapped   bool     `json:"mapped"`
	Problem  *string  `json:"problem"`
}

// writeJSON writes a line for each range, then one for each finding.
func (p *panelReport) writeJSON(out io.Writer) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range p.state.Ranges() {
		row := panelRange{Unit: int(r.Unit), Function: int(r.Function), Address: int(r.Address), Quantity: r.Quantity,
			Count: r.Count, Jitter: r.Jitter.Seconds(), Mapped: r.Mapped}
		if r.Period > 0 {
			seconds := r.Period.Seconds()
			row.Period = &seconds
		}
		if r.Problem != "" {
			row.Problem = &r.Problem
		}
		text, err := json.Marshal(row)
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintln(out, string(text)); err != nil {
			return err
		}
	}
	return p.state.WriteJSON(out, p.state.Findings())
}

// write gives the report: JSON lines, text, or a file by its ending.
func (p *panelReport) write(out io.Writer, asJSON bool, file string) error {
	if asJSON && file == "" {
		return p.writeJSON(out)
	}
	return writeDocument(out, p.document(), file)
}
