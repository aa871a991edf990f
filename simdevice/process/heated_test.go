package process

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
)

// tankText is a heated tank: 1 m3 of water, 20 kW, 0.1 kW/K, well stirred.
func tankText(change map[string]string) string {
	keys := map[string]string{
		"kind": "heated-tank", "step": "1s", "volume": "1.0", "start": "20", "heater": "20", "loss": "0.1", "ambient": "10",
		"transmitter": "{point: temperature, current: current, span: [0, 100]}",
		"thermostat":  "{set-point: 40, band: 4, stirrer: always}",
		"shows":       "{heating: state.run-1, stirring: state.run-2, over-temperature: state.high, sensor-fault: state.sensor, supply: supply, heat: heat, energy: energy, hours: hours-1, starts: starts-1, true-temperature: temperature-2}",
	}
	for k, v := range change {
		keys[k] = v
	}
	var b strings.Builder
	for k, v := range keys {
		fmt.Fprintf(&b, "%s: %s\n", k, v)
	}
	return b.String()
}

// TestHeatingTime: a stirred tank goes to its end temperature as 1 - e^(-t/T),
// T = C / UA, and cools the same way (Newton's law of cooling; from memory). So
// the times of the thermostat are T ln of the two distances.
func TestHeatingTime(t *testing.T) {
	const c, ua, ambient, power = 4186.0, 0.1, 10.0, 20.0 // kJ/K, kW/K
	end := ambient + power/ua
	rise := c / ua * math.Log((end-38)/(end-42)) // s
	fall := c / ua * math.Log((42-ambient)/(38-ambient))
	p, d := made(t, tankText(map[string]string{"start": "38"}), nil)
	on := func() bool { return d.get(t, "state.run-1") == 1 }
	off := func() bool { return !on() }
	at := time.Duration(0)
	for range 3 {
		up := until(t, p, d, at, time.Second, 24*time.Hour, on)
		down := until(t, p, d, up, time.Second, 24*time.Hour, off)
		again := until(t, p, d, down, time.Second, 24*time.Hour, on)
		if got := (down - up).Seconds(); math.Abs(got-rise) > 1.5 {
			t.Errorf("from 38 to 42 Cel took %v s, want %v within a step", got, rise)
		}
		if got := (again - down).Seconds(); math.Abs(got-fall) > 1.5+fall*0.001 {
			t.Errorf("from 42 to 38 Cel took %v s, want %v within a step", got, fall)
		}
		at = again
	}
}

// TestDrawnTank: drawn and heated for long, a stirred tank stands where heat and
// losses are even: T = (P + UA Ta + q c Tc) / (UA + q c), worked by hand.
func TestDrawnTank(t *testing.T) {
	p, d := made(t, tankText(map[string]string{"draw": "{constant: 0.36}", "cold": "8", "thermostat": "{set-point: 40, mode: hand, stirrer: always}"}), nil)
	p.Step(100*time.Hour, d)
	const qc = 0.36 / 3600 * 4186 // kW/K
	d.near(t, "temperature", (20+0.1*10+qc*8)/(0.1+qc), 0.001)
	d.near(t, "temperature-2", (20+0.1*10+qc*8)/(0.1+qc)*9/5+32, 0.01) // [degF]
}

// TestHeatIsKept: what the heater gave is what was lost, carried away, and is
// there, to 1e-9.
func TestHeatIsKept(t *testing.T) {
	d := seeded(t)
	for range 20 {
		text := tankText(map[string]string{
			"step": fmt.Sprintf("%dms", 100+d.IntN(2000)), "still": fmt.Sprintf("%.3f", d.between(0, 5)), "loss": fmt.Sprintf("%.3f", d.between(0, 1)),
			"draw": d.profile(2), "cold": fmt.Sprintf("%.1f", d.between(0, 20)), "start": fmt.Sprintf("%.1f", d.between(0, 60)),
			"thermostat":  fmt.Sprintf("{set-point: 40, stirrer: %s, rest: %dm, run-on: %dm, limit: 60}", d.one(stirrings...), d.IntN(5), d.IntN(5)),
			"power-fails": d.windows(3 * time.Hour), "heater-fails": d.windows(3 * time.Hour),
		})
		p, desk := made(t, text, nil)
		h := p.(*heated)
		began := h.half() * (h.lower + h.upper)
		for at := time.Duration(0); at < 6*time.Hour; at += time.Duration(1 + d.IntN(int(10*time.Minute))) {
			p.Step(at, desk)
			rest := h.heatedIn.value() - h.lost.value() - h.carried.value() - (h.half()*(h.lower+h.upper) - began)
			if all := h.heatedIn.value() + math.Abs(h.lost.value()) + math.Abs(h.carried.value()) + math.Abs(began); math.Abs(rest) > 1e-9*all {
				t.Fatalf("at %s %v kJ of %v came from nowhere\n%s", at, rest, all, text)
			}
		}
	}
}

// TestTankStepping: however the way is cut, the end is the same.
func TestTankStepping(t *testing.T) {
	text := tankText(map[string]string{"still": "0.4", "draw": "{daily: [[6h, 0.1], [7h, 2], [9h, 0.1]]}", "transmitter": "{point: temperature, span: [0, 100], lag: 20s, noise: 0.1, seed: 3}",
		"thermostat": "{set-point: 40, rest: 2m, run-on: 1m}"})
	end := func(step time.Duration) float64 {
		p, d := made(t, text, nil)
		for at := time.Duration(0); at < 8*time.Hour; at += step {
			p.Step(at, d)
		}
		p.Step(8*time.Hour, d)
		return d.get(t, "temperature")
	}
	if a, b, c := end(8*time.Hour), end(100*time.Millisecond+time.Minute), end(7*time.Second); a != b || b != c {
		t.Errorf("it ended at %v, %v and %v Cel", a, b, c)
	}
}

// TestThermostat: cut-out with reset, hand, off, a broken loop, no power, and
// layers while nothing stirs.
func TestThermostat(t *testing.T) {
	p, d := made(t, tankText(map[string]string{"start": "39", "still": "0.05", "power-fails": "[{at: 3h, for: 1m}]",
		"transmitter": "{point: temperature, current: current, span: [0, 100], broken: [{at: 2h, for: 10m}]}",
		"thermostat":  "{set-point: wanted, band: 4, limit: 55, stirrer: with-heater, run-on: 1m, mode: mode-1, reset: reset}"}), map[string]float64{"wanted": 20, "mode-1": 2})
	p.Step(time.Minute, d)
	d.shows(t, "warm", bits{"state.run-1": 0, "state.run-2": 0, "state.sensor": 0, "supply": 1})
	d.put(t, "mode-1", regmap.IntValue(0))
	p.Step(2*time.Minute, d)
	d.shows(t, "in hand", bits{"state.run-1": 1, "state.run-2": 1, "heat": 20})
	at := until(t, p, d, 2*time.Minute, time.Second, 3*time.Hour, func() bool { return d.get(t, "state.high") == 1 })
	d.near(t, "temperature", 55, 0.02)
	d.shows(t, "cut out", bits{"state.run-1": 0, "state.run-2": 1, "heat": 0})
	p.Step(at+2*time.Minute, d)
	d.shows(t, "run on", bits{"state.run-1": 0, "state.run-2": 0})
	energy := d.get(t, "energy")
	if hours := d.get(t, "hours-1"); math.Abs(energy-20*hours) > 1e-6 || hours < 0.5 {
		t.Errorf("%v kW.h in %v h", energy, hours)
	}
	p.Step(119*time.Minute, d)
	d.put(t, "reset", regmap.BoolValue(true))
	p.Step(119*time.Minute+2*time.Second, d)
	d.shows(t, "reset", bits{"state.high": 0, "state.run-1": 1})
	d.put(t, "mode-1", regmap.IntValue(2))
	d.put(t, "wanted", regmap.FloatValue(60))
	p.Step(121*time.Minute, d)
	d.shows(t, "broken loop", bits{"state.sensor": 1, "state.run-1": 0, "current": 0})
	p.Step(180*time.Minute+30*time.Second, d)
	d.shows(t, "no power", bits{"supply": 0, "state.run-1": 0, "state.run-2": 0})
	d.put(t, "mode-1", regmap.IntValue(1))
	p.Step(40*time.Hour, d)
	d.shows(t, "off", bits{"state.run-1": 0})
	d.near(t, "temperature", 10, 10)

	p, d = made(t, tankText(map[string]string{"still": "0.05", "thermostat": "{set-point: 90, stirrer: never}"}), nil)
	p.Step(20*time.Minute, d)
	if h := p.(*heated); h.lower < h.upper+5 {
		t.Errorf("unstirred, %v Cel below and %v above", h.lower, h.upper)
	}
}
