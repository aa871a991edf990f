package process

import (
	"math"
	"testing"
	"time"

	"plumbline/regmap"
)

// station is a duplex station with the panel's set-points and switches in
// registers: stop 0.5 m, lead 1.25 m (in cm), lag 2.0 m (in per cent of 4 m).
func station(t *testing.T, change map[string]string) (Process, *desk) {
	t.Helper()
	keys := map[string]string{
		"transmitter":  "{point: level, span: [0, 4]}",
		"geometry":     "{area: 2.0, height: 4.0}",
		"float-switch": "{at: 2.7, point: float-switch}",
		"pumps": "[{rate: 36, mode: mode-1, enable: enable-1, hand-run: hand-run, running: state.run-1, called: state.called-1, fault: state.fault-1, hours: hours-1, starts: starts-1}," +
			" {rate: 36, mode: mode-2, enable: enable-2, running: state.run-2, called: state.called-2, fault: state.fault-2, hours: hours-2, starts: starts-2}]",
		"control": "{cut-off: 0.2, stop: stop, lead-start: lead-start, lag-start: lag-start, alarm: high-limit, reset: reset}",
	}
	for k, v := range change {
		keys[k] = v
	}
	return made(t, vesselText(keys), map[string]float64{"stop": 0.5, "lead-start": 125, "lag-start": 50, "high-limit": 2.5,
		"mode-1": 2, "mode-2": 2, "enable-1": 1, "enable-2": 1})
}

// shows compares what bits show, by the letters of a text.
func (d *desk) shows(t *testing.T, when string, want map[string]float64) {
	t.Helper()
	for name, f := range want {
		if got := d.get(t, name); got != f {
			t.Errorf("%s: %s shows %v, want %v", when, name, got, f)
		}
	}
}

type bits = map[string]float64

// TestLeadAndLag: lead start, lag start, the delay between two starts, the
// alarm, and both stopping. Order of levels: common practice, and trade
// handbooks on duplex stations.
func TestLeadAndLag(t *testing.T) {
	p, d := station(t, map[string]string{"inflow": "{series: [[0s, 90], [10m, 90], [10m1s, 0]]}", "start": "1.2"}) // 25 L/s, 12.5 mm/s
	step := 100 * time.Millisecond
	up := func(name string) func() bool { return func() bool { return d.get(t, name) == 1 } }
	lead := until(t, p, d, 0, step, time.Minute, up("state.called-1"))
	d.near(t, "true-level", 1.25, 0.002)
	if run := until(t, p, d, lead, step, time.Minute, up("state.run-1")); run-lead != time.Second {
		t.Errorf("the lead ran %s after its contactor closed, want its run-up of 1s", run-lead)
	}
	until(t, p, d, lead, step, 10*time.Minute, up("state.called-2"))
	d.near(t, "true-level", 2.0, 0.002)
	d.shows(t, "both run", bits{"state.called-1": 1, "state.lead": 0, "state.high": 0, "starts-1": 1, "starts-2": 1})
	high := until(t, p, d, lead, step, 10*time.Minute, up("state.high"))
	d.near(t, "true-level", 2.5, 0.002)
	d.shows(t, "alarm", bits{"float-switch": 0, "state.healthy": 1})
	float := until(t, p, d, high, step, 10*time.Minute, up("float-switch"))
	d.near(t, "true-level", 2.7, 0.002)
	stop := until(t, p, d, float, step, time.Hour, func() bool { return d.get(t, "state.run-2") == 0 })
	d.near(t, "true-level", 0.5, 0.002)
	d.shows(t, "stopped", bits{"state.run-1": 0, "state.lead": 0, "state.high": 0, "float-switch": 0})
	p.Step(stop+time.Hour, d)
	d.shows(t, "an hour on", bits{"state.run-1": 0, "state.run-2": 0, "starts-1": 1, "starts-2": 1})

	// Above every level at once: the second start waits.
	p, d = station(t, map[string]string{"start": "2.4"})
	first := until(t, p, d, 0, step, time.Minute, up("state.called-1"))
	second := until(t, p, d, 0, step, time.Minute, up("state.called-2"))
	if second-first != 10*time.Second {
		t.Errorf("the second start came %s after the first, want 10s", second-first)
	}
}

// TestInSequence: with a lag stop of its own the pump that started first rests
// first.
func TestInSequence(t *testing.T) {
	p, d := station(t, map[string]string{"start": "2.2", "control": "{cut-off: 0.2, stop: stop, lag-stop: 1.0, lead-start: lead-start, lag-start: lag-start, alarm: high-limit}"})
	until(t, p, d, 0, time.Second, time.Hour, func() bool { return d.get(t, "state.run-1") == 0 && d.get(t, "state.run-2") == 1 })
	d.near(t, "true-level", 1.0, 0.02)
	d.shows(t, "one rests", bits{"state.lead": 1})
	until(t, p, d, 0, time.Second, time.Hour, func() bool { return d.get(t, "state.run-2") == 0 })
	d.near(t, "true-level", 0.5, 0.02)
}

// TestLeadFails: a lead that does not prove running within its check time hands
// over; the fault stays until it is reset.
func TestLeadFails(t *testing.T) {
	p, d := station(t, map[string]string{"start": "1.3", "inflow": "{constant: 18}",
		"pumps": "[{rate: 36, fails: [{at: 0s, for: 3m}], mode: mode-1, running: state.run-1, called: state.called-1, fault: state.fault-1, starts: starts-1}," +
			" {rate: 36, mode: mode-2, running: state.run-2, called: state.called-2, fault: state.fault-2, starts: starts-2}]"})
	at := until(t, p, d, 0, 100*time.Millisecond, time.Minute, func() bool { return d.get(t, "state.fault-1") == 1 })
	if at < 5*time.Second || at > 5200*time.Millisecond {
		t.Errorf("the lead failed after %s, want its check time of 5s", at)
	}
	at = until(t, p, d, at, 100*time.Millisecond, time.Minute, func() bool { return d.get(t, "state.run-2") == 1 })
	d.shows(t, "handed over", bits{"state.called-1": 0, "state.fault-1": 1, "state.healthy": 0, "state.lead": 1, "starts-1": 1, "starts-2": 1})
	if at > 12*time.Second {
		t.Errorf("the lag ran only after %s", at)
	}
	for ; at < 30*time.Minute; at += time.Minute {
		p.Step(at, d)
		if d.get(t, "state.called-1") == 1 {
			t.Fatalf("at %s the failed pump is called", at)
		}
	}
	if d.get(t, "starts-2") < 3 {
		t.Errorf("the lag went on only %v times", d.get(t, "starts-2"))
	}
	d.put(t, "reset", regmap.BoolValue(true))
	p.Step(at, d)
	d.shows(t, "reset", bits{"state.fault-1": 0, "state.healthy": 1})
	d.put(t, "reset", regmap.BoolValue(false))
	until(t, p, d, at, time.Second, time.Hour, func() bool { return d.get(t, "state.run-1") == 1 })
}

// TestARunningPumpTrips: a pump that stops proving while it runs is given up as
// well.
func TestARunningPumpTrips(t *testing.T) {
	p, d := station(t, map[string]string{"start": "1.3", "pumps": "[{rate: 36, fails: [{at: 10s, for: 1h}], running: state.run-1, fault: state.fault-1}, {rate: 36, running: state.run-2, fault: state.fault-2}]"})
	p.Step(9*time.Second, d)
	d.shows(t, "runs", bits{"state.run-1": 1})
	p.Step(14900*time.Millisecond, d)
	d.shows(t, "tripped", bits{"state.run-1": 0, "state.fault-1": 0})
	p.Step(20*time.Second, d)
	d.shows(t, "given up", bits{"state.fault-1": 1, "state.run-2": 1})
}

// TestHandOffAutomatic: hand runs a pump whatever the level, but not at the
// cut-off; a pump in off is passed over; hours count in hand too.
func TestHandOffAutomatic(t *testing.T) {
	p, d := station(t, map[string]string{"start": "1.0"})
	p.Step(time.Minute, d)
	d.shows(t, "below the start", bits{"state.run-1": 0, "state.run-2": 0})
	d.put(t, "mode-1", regmap.IntValue(0))
	p.Step(2*time.Minute, d)
	d.shows(t, "in hand, not told", bits{"state.run-1": 0})
	d.put(t, "hand-run", regmap.BoolValue(true))
	at := until(t, p, d, 2*time.Minute, time.Second, time.Hour, func() bool { return d.get(t, "state.low") == 1 })
	d.near(t, "true-level", 0.2, 0.006)
	p.Step(at+time.Second, d)
	d.shows(t, "cut off", bits{"state.run-1": 0, "starts-1": 1})
	d.near(t, "hours-1", 0.8*2/36, 0.002) // 1.6 m3 at 36 m3/h

	p, d = station(t, map[string]string{"start": "1.3"}) // a start in hand holds back the others too
	d.put(t, "mode-1", regmap.IntValue(0))
	d.put(t, "hand-run", regmap.BoolValue(true))
	if at := until(t, p, d, 0, 100*time.Millisecond, time.Minute, func() bool { return d.get(t, "state.called-2") == 1 }); at < 10*time.Second {
		t.Errorf("pump 2 started %s after the start in hand, want 10s", at)
	}

	p, d = station(t, map[string]string{"start": "1.3", "inflow": "{constant: 18}"})
	d.put(t, "mode-1", regmap.IntValue(1))
	for at := time.Duration(0); at < 2*time.Hour; at += time.Minute {
		p.Step(at, d)
		d.shows(t, "pump 1 in off", bits{"state.called-1": 0, "state.lead": 1})
	}
	if n := d.get(t, "starts-2"); n < 5 {
		t.Errorf("pump 2 alone started %v times", n)
	}
	d.put(t, "mode-1", regmap.IntValue(2))
	d.put(t, "enable-2", regmap.BoolValue(false))
	until(t, p, d, 2*time.Hour, time.Second, time.Hour, func() bool { return d.get(t, "state.run-1") == 1 && d.get(t, "state.run-2") == 0 })
	d.put(t, "mode-1", regmap.IntValue(7)) // means nothing
	p.Step(3*time.Hour, d)
	d.shows(t, "a mode that means nothing", bits{"state.called-1": 0})
}

// TestPowerComesBack: everything stops, and the starts afterwards are staggered.
func TestPowerComesBack(t *testing.T) {
	p, d := station(t, map[string]string{"start": "2.4", "inflow": "{constant: 72}", "power-fails": "[{at: 60s, for: 30s}]"})
	p.Step(59*time.Second, d)
	d.shows(t, "both run", bits{"state.run-1": 1, "state.run-2": 1, "supply": 1})
	p.Step(61*time.Second, d)
	d.shows(t, "off", bits{"state.called-1": 0, "state.called-2": 0, "supply": 0, "state.healthy": 0, "flow": 0})
	called := func() float64 { return d.get(t, "state.called-1") + d.get(t, "state.called-2") }
	first := until(t, p, d, 61*time.Second, 100*time.Millisecond, time.Hour, func() bool { return called() == 1 })
	second := until(t, p, d, first, 100*time.Millisecond, time.Hour, func() bool { return called() == 2 })
	if first < 110*time.Second || first > 110300*time.Millisecond || second-first != 10*time.Second {
		t.Errorf("the pumps came back at %s and %s, want 20 s and 30 s after the power", first, second)
	}
}

// TestSetPoints: the panel moves the levels by writing them; a set out of order
// is not taken, and says so.
func TestSetPoints(t *testing.T) {
	p, d := station(t, map[string]string{"start": "1.0"})
	p.Step(time.Minute, d)
	d.put(t, "lead-start", regmap.FloatValue(90)) // cm
	p.Step(62*time.Second, d)
	d.shows(t, "lead start at 0.9 m", bits{"state.run-1": 1})
	d.put(t, "stop", regmap.FloatValue(0.95)) // above the lead start: not meant yet
	p.Step(78*time.Second, d)
	d.near(t, "true-level", 0.925, 0.015) // below what was written
	d.shows(t, "out of order", bits{"state.run-1": 1, "state.order": 1, "state.healthy": 0})
	d.put(t, "lead-start", regmap.FloatValue(110))
	p.Step(80*time.Second, d)
	d.shows(t, "in order", bits{"state.run-1": 0, "state.order": 0, "state.healthy": 1})
	d.near(t, "true-level", 0.95, 0.06)
	for _, bad := range []struct {
		name string
		to   float64
	}{{"stop", 0.1}, {"lag-start", 20}, {"lag-start", 80}, {"high-limit", 1.9}, {"lead-start", 260}} {
		was := d.values[d.device.Point(bad.name)]
		d.put(t, bad.name, regmap.FloatValue(bad.to))
		p.Step(80*time.Second, d)
		d.shows(t, bad.name, bits{"state.order": 1})
		d.put(t, bad.name, was)
		p.Step(80*time.Second, d)
		d.shows(t, bad.name, bits{"state.order": 0})
	}
}

// TestFallbacks: what happens when the transmitter fails.
func TestFallbacks(t *testing.T) {
	for _, row := range []struct {
		fallback string
		running  func(at time.Duration, float bool) bool
	}{
		{"stop", func(time.Duration, bool) bool { return false }},
		{"timed, backup-run: 1m, backup-every: 5m", func(at time.Duration, _ bool) bool { return (at-12*time.Second)%(5*time.Minute) < time.Minute }},
	} {
		p, d := station(t, map[string]string{"start": "1.3", "inflow": "{constant: 6}", "transmitter": "{point: level, span: [0, 4], broken: [{at: 10s, for: 1h}]}",
			"control": "{cut-off: 0.2, stop: stop, lead-start: lead-start, lag-start: lag-start, alarm: high-limit, fallback: " + row.fallback + "}"})
		p.Step(9*time.Second, d)
		d.shows(t, "before", bits{"state.run-1": 1, "state.sensor": 0})
		p.Step(11*time.Second, d)
		d.shows(t, "not long enough", bits{"state.run-1": 1, "state.sensor": 0})
		for at := 12500 * time.Millisecond; at < time.Hour; at += 10 * time.Second {
			p.Step(at, d)
			want := row.running(at, false)
			called := d.get(t, "state.called-1")+d.get(t, "state.called-2") > 0
			near := (at-12*time.Second)%time.Minute < 1500*time.Millisecond || (at-12*time.Second)%time.Minute > 58500*time.Millisecond
			if called != want && !near {
				t.Fatalf("%s: at %s called is %v", row.fallback, at, called)
			}
		}
		until(t, p, d, time.Hour+11*time.Second, 100*time.Millisecond, time.Hour, func() bool { return d.get(t, "state.sensor") == 0 })
	}

	// The float takes over, runs the lead, and lets it run on for a while.
	p, d := station(t, map[string]string{"start": "2.6", "inflow": "{constant: 18}", "transmitter": "{point: level, span: [0, 4], broken: [{at: 0s, for: 9h}]}",
		"control": "{cut-off: 0.2, stop: stop, lead-start: lead-start, lag-start: lag-start, alarm: high-limit, fallback: float, backup-run: 3m}"})
	on := until(t, p, d, 0, time.Second, time.Hour, func() bool { return d.get(t, "float-switch") == 1 })
	p.Step(on+2*time.Second, d)
	d.shows(t, "float up", bits{"state.run-1": 1, "state.run-2": 0, "state.high": 1})
	down := until(t, p, d, on, time.Second, time.Hour, func() bool { return d.get(t, "float-switch") == 0 })
	stop := until(t, p, d, down, time.Second, time.Hour, func() bool { return d.get(t, "state.called-1") == 0 })
	if past := stop - down; past < 179*time.Second || past > 181*time.Second {
		t.Errorf("the lead ran on for %s, want 3m", past)
	}
	until(t, p, d, stop, time.Second, time.Hour, func() bool { return d.get(t, "state.run-2") == 1 }) // and takes turns
}

// TestFloatAgainstALevelThatLies: a transmitter that stands still does not keep
// the float from calling the lead.
func TestFloatAgainstALevelThatLies(t *testing.T) {
	for _, start := range []string{"0.15", "0.9"} { // below the cut-off, and between stop and start
		p, d := station(t, map[string]string{"start": start, "inflow": "{constant: 18}", "transmitter": "{point: level, span: [0, 4], freeze: [{at: 0s, for: 9h}]}",
			"control": "{cut-off: 0.2, stop: stop, lead-start: lead-start, lag-start: lag-start, alarm: high-limit, fallback: float}"})
		up := until(t, p, d, 0, time.Second, 2*time.Hour, func() bool { return d.get(t, "float-switch") == 1 })
		p.Step(up+2*time.Second, d)
		d.shows(t, "float up", bits{"state.run-1": 1, "state.run-2": 0, "state.sensor": 0, "state.high": 1})
		until(t, p, d, up, time.Second, time.Hour, func() bool { return d.get(t, "state.run-1") == 0 })
		d.near(t, "true-level", 2.65, 0.02)
		until(t, p, d, up, time.Second, time.Hour, func() bool { return d.get(t, "state.run-2") == 1 })
	}
}

// TestFilling: the same with the levels turned over.
func TestFilling(t *testing.T) {
	p, d := made(t, vesselText(map[string]string{"service": "filling", "start": "2.0", "demand": "{constant: 18}",
		"control": "{cut-off: 2.8, stop: 2.5, lead-start: 1.5, lag-start: 1.0, alarm: 0.5}"}), nil)
	at := until(t, p, d, 0, time.Second, time.Hour, func() bool { return d.get(t, "state.run-1") == 1 })
	d.near(t, "true-level", 1.5, 0.01)
	at = until(t, p, d, at, time.Second, time.Hour, func() bool { return d.get(t, "state.run-1") == 0 })
	d.near(t, "true-level", 2.5, 0.01)
	until(t, p, d, at, time.Second, time.Hour, func() bool { return d.get(t, "state.run-2") == 1 })
	d.near(t, "true-level", 1.5, 0.01)

	p, d = made(t, vesselText(map[string]string{"service": "filling", "start": "1.2", "demand": "{series: [[0s, 100], [10m, 100], [11m, 0]]}",
		"control": "{cut-off: 2.8, stop: 2.5, lead-start: 1.5, lag-start: 1.0, alarm: 0.5}"}), nil)
	until(t, p, d, 0, time.Second, time.Hour, func() bool { return d.get(t, "state.run-2") == 1 })
	d.near(t, "true-level", 1.0, 0.02)
	low := until(t, p, d, 0, time.Second, time.Hour, func() bool { return d.get(t, "state.low") == 1 })
	d.near(t, "true-level", 0.5, 0.01)
	until(t, p, d, low, time.Second, time.Hour, func() bool { return d.get(t, "state.low") == 0 })
	d.near(t, "true-level", 0.52, 0.01)
}

// TestRollOver: hours and starts go through their register's end to zero, and
// the poll's reading of it is the increase. Counters: 2^16 and 10^4 counts.
func TestRollOver(t *testing.T) {
	p, d := made(t, vesselText(map[string]string{"inflow": "{constant: 18}", "start": "0.5",
		"pumps":   "[{rate: 36, running: state.run-1, starts: starts-1, hours: hours-short}, {rate: 36, running: state.run-2, starts: starts-4}]",
		"control": "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, lag-start: 2.0, alarm: 2.5}"}),
		map[string]float64{"starts-1": 65533, "starts-4": 9997, "hours-short": 6553.4})
	seen := map[string][]float64{}
	for at := time.Duration(0); at < 150*time.Minute; at += time.Minute {
		p.Step(at, d)
		for _, name := range []string{"starts-1", "starts-4", "hours-short"} {
			if f, all := d.get(t, name), seen[name]; len(all) == 0 || math.Abs(all[len(all)-1]-f) > 1e-9 {
				seen[name] = append(seen[name], f)
			}
		}
	}
	for name, want := range map[string][]float64{"starts-1": {65533, 65534, 65535, 0, 1}, "starts-4": {9997, 9998, 9999, 0, 1}, "hours-short": {6553.4, 6553.5, 0, 0.1, 0.2}} {
		for i, f := range want {
			if i >= len(seen[name]) || math.Abs(seen[name][i]-f) > 1e-9 {
				t.Errorf("%s went %v, want %v", name, seen[name], want)
				break
			}
		}
	}
}
