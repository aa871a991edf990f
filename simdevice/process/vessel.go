package process

import (
	"math"
	"time"
)

// A vessel is one at work: the plant, and the controller beside it.
type vessel struct {
	*vesselSpec
	water
	clock                  clock
	begun                  bool
	crest                  float64 // m3
	intake                 float64 // m3 that the pumps cannot reach
	baseTotal, baseSpilled float64
	known, knownFor        float64 // level, and the contents that it is for

	transmitter *transmitter
	floated     bool
	plant       []*pump
	control     controller
	signs       signs
}

// water is where the water is, and where it went since the beginning, m3.
type water struct {
	contents                                      sum
	inMain                                        float64 // in the discharge main
	delivery                                      float64 // m3/s
	in, pumped, drawn, leaked, spilled, delivered sum
}

func newVessel(spec *vesselSpec) *vessel {
	v := &vessel{vesselSpec: spec, clock: clock{step: spec.step}, water: water{inMain: spec.main}}
	v.contents.add(spec.shape.volume(spec.start))
	v.crest, v.intake = spec.shape.volume(spec.overflow), spec.shape.volume(spec.suction)
	v.transmitter = spec.level.transmitter(spec.start, 0)
	v.control = controller{rules: spec.rules}
	for i, p := range spec.pumps {
		q := &pump{pumpSpec: p}
		if i < spec.running && !spec.power.open(0) {
			q.contactor, q.proven, q.since = true, true, p.runUp
			v.control.pumps[i].called = true
			v.control.running = append(v.control.running, i)
			v.control.next = (i + 1) % len(spec.pumps)
			v.control.wanted = i + 1
		}
		v.plant = append(v.plant, q)
	}
	v.floated = spec.float != nil && spec.start >= spec.float.at
	return v
}

// Step is Process.Step.
func (v *vessel) Step(at time.Duration, io IO) {
	v.look(io)
	if !v.begun {
		v.begin(io)
	}
	v.clock.run(at, v.advance)
	v.publish(io)
}

// look reads what the panel has written.
func (v *vessel) look(io IO) {
	var set setPoints
	v.set.collect(&set, func(in *input) float64 { return in.value(io) })
	v.control.take(&set)
	v.signs.reset = v.set.reset.on(io, false)
	for i, p := range v.plant {
		p.pumpSpec.signs(io, &v.signs.pumps[i])
	}
}

// begin takes what the counters hold, and works out what flows before the
// first step.
func (v *vessel) begin(io IO) {
	v.begun = true
	v.baseTotal, v.baseSpilled = v.shows.total.base(io), v.shows.spilled.base(io)
	for _, p := range v.plant {
		p.baseHours, p.baseStarts = p.hoursRun.base(io), p.startsCount.base(io)
	}
	v.signs.power = !v.power.open(0)
	v.control.dead = !v.signs.power
	var each [mostPumps]float64
	if total := hydraulics(v.plant, v.system, v.head(), &each); v.contents.value() > v.intake || v.filling {
		v.delivery = total
	}
	v.sense()
}

// sense brings the controller's signs to what is so now.
func (v *vessel) sense() {
	s := &v.signs
	s.level, s.levelOK = v.transmitter.measured()
	s.float = v.floated
	for i, p := range v.plant {
		s.pumps[i].proven = p.proven
		s.pumps[i].hours = p.baseHours + p.hours.value()
	}
}

// level is the height of the water; the last one is remembered, because a step
// asks for it several times.
func (v *vessel) level() float64 {
	if c := v.contents.value(); c != v.knownFor {
		v.knownFor, v.known = c, v.shape.level(c)
	}
	return v.known
}

// head is how high the running pumps lift the water, m.
func (v *vessel) head() float64 {
	switch {
	case v.system == nil:
		return 0
	case v.filling:
		return v.system.lift + v.level()
	}
	return v.system.lift - v.level()
}

// mostParts is how many set-points one step can meet on its way.
const mostParts = 8

// advance is one fixed step: the controller sees what was, then the plant
// moves. Where the level meets a set-point on the way, the step is parted there:
// a controller that noticed only at the end would let the level run on, and a
// cycle would be longer by the time that brings it back.
func (v *vessel) advance(now time.Duration, _ float64) {
	left := v.step
	for parts := 0; left > 0; parts++ {
		v.scan(now)
		before, from := v.water, v.level()
		v.flow(now, left)
		lasts := left
		if parts < mostParts && v.vesselSpec.level.ideal() {
			if lasts = v.meets(from, v.level(), left); lasts < left {
				v.water = before
				v.flow(now, lasts)
			}
		}
		v.settle(now, lasts)
		now, left = now+lasts, left-lasts
	}
}

// meets is how long it takes until a level that goes straight from one height
// to another has just passed the first set-point between them; at most all of
// the time.
func (v *vessel) meets(from, to float64, lasts time.Duration) time.Duration {
	first, set := 1.0, &v.control.set
	meet := func(at float64) {
		if from < at && at < to || to < at && at < from {
			first = min(first, (at-from)/(to-from))
		}
	}
	meet(set.cutOff)
	meet(set.stop)
	meet(set.lagStop)
	for i := range v.rules.levels {
		meet(set.starts[i])
	}
	const past = 10 // ns, so that rounding leaves no doubt
	return min(time.Duration(math.Ceil(first*float64(lasts)))+past, lasts)
}

// scan lets the controller see what is, and the pumps do what it calls for.
func (v *vessel) scan(now time.Duration) {
	v.signs.power = !v.power.open(now)
	v.sense()
	v.control.step(now, &v.signs)
	for i, p := range v.plant {
		p.command(now, v.control.pumps[i].called, v.signs.power)
	}
}

// settle ends a step, or a part of one, after the water has moved.
func (v *vessel) settle(now, lasts time.Duration) {
	for _, p := range v.plant {
		p.pass(lasts)
	}
	level := v.level()
	v.transmitter.advance(now+lasts, lasts.Seconds(), level)
	if f := v.float; f != nil {
		v.floated = level >= f.at || v.floated && level > f.at-f.deadband
	}
}

// flow moves the water of one step: each litre that comes or goes is counted
// once, so that what came in is what went out and what is there.
func (v *vessel) flow(now, lasts time.Duration) {
	middle, seconds := now+lasts/2, lasts.Seconds()
	v.gain(&v.in, v.inflow.at(middle, v.vesselSpec.clock)*seconds)
	if v.filling {
		v.fill(now, seconds)
	} else {
		v.empty(now, seconds)
	}
	v.lose(&v.drawn, v.demand.at(middle, v.vesselSpec.clock)*seconds)
	for i := range v.leaks {
		v.lose(&v.leaked, v.leaks[i].rate(now, v.level())*seconds)
	}
	if over := v.contents.value() - v.crest; over > 0 {
		v.lose(&v.spilled, over)
	}
}

// gain adds to the contents and to where it is counted.
func (v *vessel) gain(counted *sum, volume float64) {
	counted.add(volume)
	v.contents.add(volume)
}

// lose takes from the contents what is wanted and there.
func (v *vessel) lose(counted *sum, volume float64) {
	if volume = min(volume, v.contents.value()); volume > 0 {
		counted.add(volume)
		v.contents.add(-volume)
	}
}

// rate is what a leak loses, m3/s.
func (l *leak) rate(now time.Duration, level float64) float64 {
	if level <= l.height || l.when != nil && !l.when.open(now) {
		return 0
	}
	return l.flow * perHour * math.Sqrt((level-l.height)/(l.at-l.height))
}

// empty is the pumps drawing from the vessel into the main, and what comes
// back.
func (v *vessel) empty(now time.Duration, seconds float64) {
	var each [mostPumps]float64
	out := hydraulics(v.plant, v.system, v.head(), &each) * seconds
	out = min(out, max(v.contents.value()-v.intake, 0)) // below the intake they run dry
	back := min(v.returned(now)*seconds, v.inMain+out)
	v.pumped.add(out - back)
	v.contents.add(back - out)
	v.inMain += out - back
	delivered := max(v.inMain-v.main, 0)
	v.inMain -= delivered
	v.delivered.add(delivered)
	v.delivery = delivered / seconds
}

// fill is the pumps filling the vessel, and what runs back out of it.
func (v *vessel) fill(now time.Duration, seconds float64) {
	var each [mostPumps]float64
	into := hydraulics(v.plant, v.system, v.head(), &each) * seconds
	back := min(v.returned(now)*seconds, v.contents.value()+into)
	v.pumped.add(into - back)
	v.contents.add(into - back)
	v.delivered.add(max(into-back, 0))
	v.delivery = max(into-back, 0) / seconds
}

// returned is what can come back through open check valves, m3/s.
func (v *vessel) returned(now time.Duration) (flow float64) {
	for _, p := range v.plant {
		if p.open(now) {
			flow += p.backFlow * perHour
		}
	}
	return flow
}

// headerPressure is the pressure in the header, bar: what the water is lifted
// and loses; while nothing flows what stands in the main.
func (v *vessel) headerPressure() float64 {
	if v.system == nil {
		return 0
	}
	lift := v.system.lift
	if v.filling {
		lift += v.level()
	}
	if v.main > 0 && v.delivery == 0 {
		lift *= v.inMain / v.main
	}
	return pressure(lift + v.system.friction(v.delivery))
}

// publish shows everything at one moment.
func (v *vessel) publish(io IO) {
	v.transmitter.publish(io)
	for i, p := range v.plant {
		p.running.set(io, p.proven)
		p.called.set(io, p.contactor)
		p.fault.set(io, v.control.pumps[i].failed)
		p.hoursRun.count(io, p.baseHours, p.hours.value())
		p.startsCount.count(io, p.baseStarts, p.starts.value())
	}
	if v.float != nil {
		v.float.shows.set(io, v.floated)
	}
	w, c := &v.shows, &v.control
	w.flow.set(io, v.delivery/perHour)
	w.total.count(io, v.baseTotal, v.delivered.value())
	w.spilled.count(io, v.baseSpilled, v.spilled.value())
	w.pressure.set(io, v.headerPressure())
	w.volume.set(io, v.contents.value())
	w.trueLevel.set(io, v.level())
	w.inflow.set(io, v.inflow.at(time.Duration(v.clock.done)*v.step, v.vesselSpec.clock)/perHour)
	w.lead.set(io, float64(c.lead(&v.signs)+w.leadFrom))
	if v.filling {
		w.high.set(io, v.floated || c.blocked)
		w.low.set(io, c.alarm)
	} else {
		w.high.set(io, v.floated || c.alarm)
		w.low.set(io, c.blocked)
	}
	w.healthy.set(io, c.healthy())
	w.sensor.set(io, c.blind)
	w.order.set(io, c.disordered)
	w.supply.set(io, v.signs.power)
}
