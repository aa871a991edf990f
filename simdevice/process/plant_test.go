package process

import (
	"math"
	"testing"
	"time"
)

// TestProfiles: what flows in at a time.
func TestProfiles(t *testing.T) {
	h := time.Hour
	for _, row := range []struct {
		inflow string
		at     time.Duration
		want   float64 // m3/h
	}{
		{"{constant: 7.5}", 99 * h, 7.5},
		{"{daily: [[6h, 2], [12h, 8]]}", 0, 8}, // the clock begins at 12h
		{"{daily: [[6h, 2], [12h, 8]]}", 9 * h, 5},
		{"{daily: [[6h, 2], [12h, 8]]}", 18 * h, 2},
		{"{daily: [[6h, 2], [12h, 8]]}", 21 * h, 5},
		{"{daily: [[6h, 2], [12h, 8]]}", 45 * h, 5}, // the next day
		{"{storm: {peak: 10, begin: 1h, rise: 30m, fall: 2h}}", h, 0},
		{"{storm: {peak: 10, begin: 1h, rise: 30m, fall: 2h}}", 75 * time.Minute, 5},
		{"{storm: {peak: 10, begin: 1h, rise: 30m, fall: 2h}}", 90 * time.Minute, 10},
		{"{storm: {peak: 10, begin: 1h, rise: 30m, fall: 2h}}", 150 * time.Minute, 5},
		{"{storm: {peak: 10, begin: 1h, rise: 30m, fall: 2h}}", 4 * h, 0},
		{"{storm: {peak: 10, begin: 1h, rise: 30m, fall: 2h, every: 6h}}", 8*h + 30*time.Minute, 5},
		{"{series: [[0s, 1], [10m, 3]]}", 5 * time.Minute, 2},
		{"{series: [[0s, 1], [10m, 3]]}", 5 * h, 3},
		{"{series: [[0s, 1], [10m, 3]], then: repeat}", 25 * time.Minute, 2},
		{"{constant: 1, series: [[0s, 1], [10m, 3]]}", 5 * time.Minute, 3},
	} {
		p, d := made(t, vesselText(map[string]string{"step": "1s", "clock": "12h", "inflow": row.inflow, "shows": "{inflow: inflow}"}), nil)
		p.Step(row.at, d)
		if got := d.get(t, "inflow"); math.Abs(got-row.want) > 1e-9 {
			t.Errorf("%s at %s: %v m3/h, want %v", row.inflow, row.at, got, row.want)
		}
	}
}

// TestCurve: the flow is where the pump's curve and the pipes' loss cross. With
// head 20 - Q and loss 0.05 Q^2 above 10 m of lift: Q = (-1 + sqrt(1 + 2)) x 10
// for one pump, and half of each for two (worked by hand).
func TestCurve(t *testing.T) {
	pumps := "[{curve: [[0, 20], [20, 0]], run-up: 0s, running: state.run-1}, {curve: [[0, 20], [20, 0]], run-up: 0s, running: state.run-2}]"
	for _, row := range []struct {
		running string
		flow    float64
	}{
		{"1", 10 * (math.Sqrt(3) - 1)},        // 20 - Q = 10 + Q^2/20
		{"2", 5 * (math.Sqrt(1+4*2.0*1) - 1)}, // 20 - Q/2 = 10 + Q^2/20: Q^2 + 10 Q - 200 = 0
	} {
		p, d := made(t, vesselText(map[string]string{"start": "2.0", "running": row.running, "pumps": pumps,
			"system": "{lift: 12.0, loss: 5.0, at: 10}", "shows": "{flow: flow, pressure: pressure}"}), nil)
		p.Step(0, d)
		d.near(t, "flow", row.flow, 1e-6)
		d.near(t, "pressure", (12+row.flow*row.flow/20)*0.0980665, 0.0005) // 1 m of water is 9.80665 kPa (UCUM)
	}
}

// TestUnits: what a point is in by the map is what it is given.
func TestUnits(t *testing.T) {
	p, d := made(t, vesselText(map[string]string{"running": "1", "shows": "{flow: flow-litres}"}), nil)
	p.Step(time.Minute, d)
	d.near(t, "flow-litres", 10, 1e-6) // 36 m3/h
}

// TestCheckValves: through a valve that stands open the main runs back, and
// part of what another pump lifts.
func TestCheckValves(t *testing.T) {
	p, d := made(t, vesselText(map[string]string{"start": "2.9", "running": "1", "main-volume": "1.0",
		"pumps":   "[{rate: 36, check-valve: false, back-flow: 6, running: state.run-1}, {rate: 36, stuck: [{at: 60s, for: 60s}], back-flow: 9, running: state.run-2}]",
		"control": "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, alarm: 2.95}", "shows": "{flow: flow, true-level: true-level, volume: volume}"}), nil)
	p.Step(59*time.Second, d)
	d.near(t, "flow", 36, 1e-6)
	p.Step(61*time.Second, d)
	d.near(t, "flow", 27, 1e-6)
	p.Step(121*time.Second, d)
	d.near(t, "flow", 36, 1e-6)
	v := p.(*vessel)
	at := until(t, p, d, 121*time.Second, time.Second, time.Hour, func() bool { return d.get(t, "state.run-1") == 0 })
	low := v.contents.value()
	p.Step(at+time.Hour, d)
	if back := v.contents.value() - low; math.Abs(back-1) > 0.02 || v.inMain > 1e-9 {
		t.Errorf("%v m3 came back of a main of 1 m3, and %v are in it", back, v.inMain)
	}
}

// TestOverflowAndLeak: what is above the crest runs over; a leak goes with the
// root of its head: from 1 m to 0.25 m takes as long as from there to the hole
// (Torricelli: t goes with the root of the head).
func TestOverflowAndLeak(t *testing.T) {
	p, d := made(t, still("2.0", "{point: level, span: [0, 3]}")+"overflow: 2.0\ninflow: {constant: 3.6}\n", nil)
	p.Step(1000*time.Second, d)
	d.near(t, "true-level", 2.0, 1e-9)
	if v := p.(*vessel); math.Abs(v.spilled.value()-1) > 1e-9 {
		t.Errorf("%v m3 ran over, want 1", v.spilled.value())
	}
	p, d = made(t, still("1.0", "{point: level, span: [0, 3]}")+"leaks: [{flow: 7.2, at: 1.0}]\n", nil) // 2 L/s from 2 m2
	half := until(t, p, d, 0, time.Second, 2*time.Hour, func() bool { return d.get(t, "true-level") <= 0.25 })
	if want := 1000 * time.Second; half < want-2*time.Second || half > want+2*time.Second { // 2 A h / Q x (1 - 1/2)
		t.Errorf("from 1 m to 0.25 m took %s, want %s", half, want)
	}
	empty := until(t, p, d, half, time.Second, 2*time.Hour, func() bool { return d.get(t, "true-level") < 1e-6 })
	if want := 2000 * time.Second; empty < want-5*time.Second || empty > want+5*time.Second {
		t.Errorf("empty after %s, want %s", empty, want)
	}
}

// TestDryRunning: below the intake pumps run and deliver nothing.
func TestDryRunning(t *testing.T) {
	p, d := made(t, vesselText(map[string]string{"start": "0.8", "suction": "0.7", "pumps": "[{rate: 36, mode: hand, running: state.run-1}]",
		"control": "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, alarm: 2.95}"}), nil)
	p.Step(5*time.Minute, d)
	d.near(t, "true-level", 0.7, 1e-9)
	d.shows(t, "dry", bits{"state.run-1": 1, "flow": 0})
}
