package process

import (
	"fmt"
	"math"
	"testing"
	"time"
)

// The table of cycles: D = 10 L/s, V = 1.5 m3. Source: t = V/Q + V/(D-Q), as
// manuals on pumping stations give it; shortest, 4V/D, at Q = D/2.
var cycles = []struct{ inflow, seconds float64 }{ // L/s, s
	{1, 1666.67}, {2.5, 800}, {4, 625}, {5, 600}, {6, 625}, {7.5, 800}, {9, 1666.67},
}

// TestCycleTime: the station takes the time of the formula within its step,
// and each pump starts every second cycle.
func TestCycleTime(t *testing.T) {
	for _, row := range cycles {
		for _, alternate := range []string{"each-stop", "never"} {
			p, d := made(t, vesselText(map[string]string{
				"step":     "1s",
				"inflow":   fmt.Sprintf("{constant: %v}", row.inflow*3.6),
				"start":    "0.5",
				"pumps":    "[{rate: 36, run-up: 0s, running: state.run-1, starts: starts-1}, {rate: 36, run-up: 0s, running: state.run-2, starts: starts-2}]",
				"control":  "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, lag-start: 2.0, alarm: 2.5, alternate: " + alternate + "}", // V = 2 m2 x 0.75 m
				"overflow": "3.0",
			}), nil)
			const many = 10
			var began []time.Duration
			running, at := false, time.Duration(0)
			for ; len(began) <= many; at += time.Second {
				p.Step(at, d)
				now := d.get(t, "state.run-1")+d.get(t, "state.run-2") > 0
				if now && !running {
					began = append(began, at)
				}
				running = now
			}
			for i := 1; i < len(began); i++ { // both ends are seen within a step
				if got := (began[i] - began[i-1]).Seconds(); math.Abs(got-row.seconds) > 1 {
					t.Errorf("inflow %v L/s, cycle %d: %v s, want %v within one step", row.inflow, i, got, row.seconds)
				}
			}
			if mean := (began[many] - began[0]).Seconds() / many; math.Abs(mean-row.seconds) > 1.0/many+0.005 { // the table has two decimals
				t.Errorf("inflow %v L/s: %v s in the mean, want %v", row.inflow, mean, row.seconds)
			}
			one, two := d.get(t, "starts-1"), d.get(t, "starts-2")
			if alternate == "never" && (one != many+1 || two != 0) || alternate != "never" && (math.Abs(one-two) > 1 || one+two != many+1) {
				t.Errorf("inflow %v L/s, alternate %s: %v and %v starts of %d", row.inflow, alternate, one, two, many+1)
			}
		}
	}
}

// TestShortestCycle: no inflow has a shorter cycle than half the pump's rate,
// which takes 4V/D, and there filling takes as long as drawing down. Source:
// manuals on pumping stations, V = tD/4.
func TestShortestCycle(t *testing.T) {
	cycle := func(inflow float64) (fill, draw time.Duration) {
		p, d := made(t, vesselText(map[string]string{"step": "1s", "start": "0.5", "inflow": fmt.Sprintf("{constant: %v}", inflow),
			"pumps":   "[{rate: 36, run-up: 0s, running: state.run-1}]",
			"control": "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, alarm: 2.5}"}), nil)
		on := func() bool { return d.get(t, "state.run-1") == 1 }
		off := func() bool { return !on() }
		first := until(t, p, d, 0, time.Second, time.Hour, on)
		stop := until(t, p, d, first, time.Second, time.Hour, off)
		again := until(t, p, d, stop, time.Second, time.Hour, on)
		return again - stop, stop - first
	}
	fill, draw := cycle(18)
	if fill != 300*time.Second || draw != 300*time.Second { // 2 V / D each, V = 1.5 m3, D = 36 m3/h
		t.Errorf("at half the rate filling takes %s and drawing down %s, want 5m0s each", fill, draw)
	}
	for _, inflow := range []float64{4, 9, 14, 17, 19, 22, 27, 32} {
		if f, d := cycle(inflow); f+d <= fill+draw {
			t.Errorf("at %v m3/h a cycle takes %s, no longer than the %s at half the rate", inflow, f+d, fill+draw)
		}
	}
}
