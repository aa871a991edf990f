package process

import (
	"math"
	"time"
)

// A heated is a heated tank at work: two halves of water, each of one
// temperature, the heater in the lower one, the transmitter in the upper.
type heated struct {
	*heatedSpec
	clock        clock
	begun        bool
	lower, upper float64 // Cel

	heatedIn, lost, carried sum // kJ since the beginning
	gauge                   *transmitter
	thermostat              thermostat
	switches                pumpSigns
	wanted                  float64 // Cel
	pressed, supply         bool
	heating                 bool
	on                      sum // hours
	starts                  sum
	bases                   [3]float64 // energy, hours, starts
}

func newHeated(spec *heatedSpec) *heated {
	h := &heated{heatedSpec: spec, clock: clock{step: spec.step}, lower: spec.start, upper: spec.start}
	h.gauge = spec.gauge.transmitter(spec.start, 0)
	h.thermostat = thermostat{thermostatRules: spec.rules, offAt: -spec.rules.rest, stirUntil: -1}
	h.supply = !spec.power.open(0)
	return h
}

// Step is Process.Step.
func (h *heated) Step(at time.Duration, io IO) {
	b := &h.binds
	b.switches.signs(io, &h.switches)
	if f := b.set.value(io); !math.IsNaN(f) {
		h.wanted = f
	}
	h.pressed = b.reset.on(io, false)
	if !h.begun {
		h.begun = true
		h.bases = [3]float64{b.energy.base(io), b.hoursRun.base(io), b.startsCount.base(io)}
	}
	h.clock.run(at, h.advance)
	h.publish(io)
}

// half is what a half takes up for each degree, kJ/K.
func (h *heated) half() float64 { return h.volume * h.capacity / 2 }

// advance is one fixed step.
func (h *heated) advance(now time.Duration, seconds float64) {
	h.supply = !h.power.open(now)
	seen, ok := h.gauge.measured()
	h.thermostat.step(now, thermostatSigns{h.supply, seen, ok, h.pressed, h.wanted, h.switches})
	was := h.heating
	h.heating = h.thermostat.on
	if h.heating {
		h.on.add(seconds / 3600)
		if !was {
			h.starts.add(1)
		}
	}
	given := 0.0
	if h.heating && !h.heaterFails.open(now) {
		given = h.heat
	}
	h.warm(now, seconds, given)
	h.gauge.advance(now+h.step, seconds, h.upper)
}

// warm moves the heat of one step; each kilojoule is counted once.
func (h *heated) warm(now time.Duration, seconds, given float64) {
	half := h.half()
	drawn := min(h.draw.at(now+h.step/2, h.heatedSpec.clock)*seconds, h.volume/2) // m3
	lossLow, lossHigh := h.loss/2*(h.lower-h.ambient)*seconds, h.loss/2*(h.upper-h.ambient)*seconds
	up := h.still * (h.lower - h.upper) * seconds
	flowLow := drawn * h.capacity * (h.lower - h.cold) // warm leaves the half, cold comes
	flowHigh := drawn * h.capacity * (h.upper - h.lower)
	h.heatedIn.add(given * seconds)
	h.lost.add(lossLow + lossHigh)
	h.carried.add(flowLow + flowHigh)
	h.lower += (given*seconds - lossLow - up - flowLow) / half
	h.upper += (up - lossHigh - flowHigh) / half
	if h.thermostat.stirring {
		mean := (h.lower + h.upper) / 2
		h.lower, h.upper = mean, mean
	}
}

func (h *heated) publish(io IO) {
	b, t := &h.binds, &h.thermostat
	h.gauge.publish(io)
	b.heating.set(io, h.heating)
	b.stirring.set(io, t.stirring)
	b.hot.set(io, t.tripped)
	b.sensor.set(io, t.blind)
	b.supply.set(io, h.supply)
	given := 0.0
	if h.heating && !h.heaterFails.open(time.Duration(h.clock.done)*h.step) {
		given = h.heat
	}
	b.heat.set(io, given)
	b.trueLevel.set(io, h.upper)
	b.energy.count(io, h.bases[0], h.heatedIn.value()/3600)
	b.hoursRun.count(io, h.bases[1], h.on.value())
	b.startsCount.count(io, h.bases[2], h.starts.value())
}

// A thermostat switches the heater and the stirrer.
type thermostat struct {
	thermostatRules
	on, stirring   bool
	tripped, blind bool
	offAt          time.Duration // when it last went off
	stirUntil      time.Duration
	wasPressed     bool
}

// thermostatSigns is what a thermostat sees.
type thermostatSigns struct {
	power    bool
	seen     float64
	ok       bool
	reset    bool
	wanted   float64
	switches pumpSigns
}

// step is one scan.
func (t *thermostat) step(now time.Duration, in thermostatSigns) {
	t.blind = in.power && !in.ok
	if in.power && in.ok && in.seen >= t.limit {
		t.tripped = true
	} else if in.reset && !t.wasPressed {
		t.tripped = false
	}
	t.wasPressed = in.reset
	was, run := t.on, false
	switch {
	case !in.power || t.tripped || !in.switches.enabled || in.switches.mode == off:
	case in.switches.mode == hand:
		run = in.switches.handRun
	case !in.ok:
	case was:
		run = in.seen < in.wanted+t.band/2
	default:
		run = in.seen <= in.wanted-t.band/2 && now-t.offAt >= t.rest
	}
	if t.on = run; was && !run {
		t.offAt, t.stirUntil = now, now+t.runOn
	}
	after := now < t.stirUntil
	t.stirring = in.power && (t.stir == stirAlways || t.stir == stirWithHeater && (run || after))
}
