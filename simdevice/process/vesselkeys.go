package process

import (
	"time"

	"plumbline/regmap/doc"
)

// vesselSpec is a vessel as declared, with everything in it.
type vesselSpec struct {
	node    doc.Node
	step    time.Duration
	filling bool
	shape   shape
	start   float64 // m
	running int     // pumps at the beginning
	clock   time.Duration

	overflow float64 // m
	suction  float64 // m
	main     float64 // m3
	inflow   profile
	demand   profile
	leaks    []leak
	power    windows
	system   *system

	level *transmitterSpec
	float *floatSpec
	pumps []*pumpSpec
	rules rules
	set   setPointSpec
	shows vesselShows
}

// A leak is a hole: its flow goes with the root of the head above it.
// Source: outflow by Torricelli (from memory).
type leak struct {
	flow   float64 // m3/h with the level at `at`
	at     float64 // m
	height float64 // m
	when   windows
}

// floatSpec is a float switch. It hangs in the vessel and knows nothing of the
// transmitter.
type floatSpec struct {
	at, deadband float64
	node         doc.Node
	shows        *state
}

// setPointSpec is where the controller's set-points come from.
type setPointSpec struct {
	nodes  [keyStart + mostPumps]doc.Node
	inputs [keyStart + mostPumps]*input
	reset  *command
	resets doc.Node
}

// vesselShows is what else can be shown.
type vesselShows struct {
	flowNode, totalNode, pressureNode, volumeNode, inflowNode, spilledNode, trueNode doc.Node
	highNode, lowNode, healthyNode, leadNode, sensorNode, orderNode, supplyNode      doc.Node
	leadFrom                                                                         int

	flow, pressure, volume, inflow, trueLevel, lead *number
	total, spilled                                  *counter
	high, low, healthy, sensor, order, supply       *state
}

const longest = 365 * day // longer than any time that is meant

var leakTable = doc.NewTable(
	quantity("flow", "what it loses with the level at `at`", "m3/h", 0, mostFlow, func(l *leak) *float64 { return &l.flow }).Must(),
	quantity("at", "the level for which the flow is given", "m", leastSize, mostHeight, func(l *leak) *float64 { return &l.at }).Must(),
	quantity("height", "the hole above the floor; left out, 0", "m", 0, mostHeight, func(l *leak) *float64 { return &l.height }),
	windowsField("when", "when it leaks; left out, always", func(l *leak) *windows { return &l.when }),
)

var floatTable = doc.NewTable(
	quantity("at", "the level at which it comes on", "m", 0, mostHeight, func(f *floatSpec) *float64 { return &f.at }).Must(),
	quantity("deadband", "how far the level falls before it goes off; left out, 0.05", "m", 0, mostHeight, func(f *floatSpec) *float64 { return &f.deadband }),
	pointField("point", "that the float is up", func(f *floatSpec) *doc.Node { return &f.node }),
)

// setPointKeys are the keys of the set-points, in the order of their numbers.
var setPointKeys = [...]string{"cut-off", "stop", "lag-stop", "alarm", "lead-start", "lag-start", "third-start", "fourth-start"}

func setPointField(key int, about string) doc.Field[vesselSpec] {
	return numberOrPoint(setPointKeys[key], about, "m", func(v *vesselSpec) *doc.Node { return &v.set.nodes[key] })
}

var controlTable = doc.NewTable(
	setPointField(keyCutOff, "low cut-off: no pump runs at or below it, in hand neither; filling: no pump runs at or above it").Must(),
	setPointField(keyStop, "the pumps stop here").Must(),
	setPointField(keyLagStop, "all but the lead stop here; left out, as stop"),
	setPointField(keyStart, "the lead pump starts here").Must(),
	setPointField(keyStart+1, "the lag pump starts here; left out, it only takes over from a lead that fails"),
	setPointField(keyStart+2, "the third pump starts here"),
	setPointField(keyStart+3, "the fourth pump starts here"),
	setPointField(keyAlarm, "high-level alarm; filling: low-level alarm").Must(),
	quantity("deadband", "how far the level must go back before alarm and cut-off end; left out, 0.02", "m", 0, mostHeight, func(v *vesselSpec) *float64 { return &v.rules.deadband }),
	doc.Choice("alternate", "who starts next: each-stop takes the pumps in turn, hours the one with the fewest, never keeps their order; left out, each-stop", alternations,
		func(v *vesselSpec, i int) { v.rules.alternate = alternation(i) }),
	period("start-delay", "from one start to the next; left out, 10s", 0, day, func(v *vesselSpec) *time.Duration { return &v.rules.startDelay }),
	period("restart-delay", "from the return of the power to the first start; left out, 20s", 0, day, func(v *vesselSpec) *time.Duration { return &v.rules.restartDelay }),
	period("check-time", "within this a called pump proves that it runs, or the next takes over; left out, 5s", 0, day, func(v *vesselSpec) *time.Duration { return &v.rules.checkTime }),
	period("fail-delay", "so long the transmitter has failed before the fallback begins; left out, 2s", 0, day, func(v *vesselSpec) *time.Duration { return &v.rules.failDelay }),
	doc.Choice("fallback", "without a level: stop, float (the lead runs while the float switch is up and backup-run after it; with a level too it runs while the float is up), timed (it runs backup-run of each backup-every); left out, stop", fallbacks,
		func(v *vesselSpec, i int) { v.rules.fallback = fallback(i) }),
	period("backup-run", "how long the fallback runs the lead; left out, 5m", 0, longest, func(v *vesselSpec) *time.Duration { return &v.rules.backupRun }),
	period("backup-every", "how often the timed fallback runs it; left out, 30m", time.Second, longest, func(v *vesselSpec) *time.Duration { return &v.rules.backupEvery }),
	pointField("reset", "that failed pumps may start again, when it comes on", func(v *vesselSpec) *doc.Node { return &v.set.resets }),
)

var showsTable = doc.NewTable(
	pointField("flow", "the flow delivered, m3/h", func(s *vesselShows) *doc.Node { return &s.flowNode }),
	pointField("total", "what was delivered, m3, on from what the point holds at the start", func(s *vesselShows) *doc.Node { return &s.totalNode }),
	pointField("pressure", "the pressure in the header at the height of the vessel's floor, bar; needs system", func(s *vesselShows) *doc.Node { return &s.pressureNode }),
	pointField("volume", "what is in the vessel, m3", func(s *vesselShows) *doc.Node { return &s.volumeNode }),
	pointField("inflow", "the inflow, m3/h", func(s *vesselShows) *doc.Node { return &s.inflowNode }),
	pointField("overflowed", "what ran over, m3, on from what the point holds at the start", func(s *vesselShows) *doc.Node { return &s.spilledNode }),
	pointField("true-level", "the level itself, past the transmitter, m", func(s *vesselShows) *doc.Node { return &s.trueNode }),
	pointField("high-level", "the high-level alarm: the level at its set-point, or the float switch", func(s *vesselShows) *doc.Node { return &s.highNode }),
	pointField("low-level", "emptying: the low cut-off holds; filling: the low-level alarm", func(s *vesselShows) *doc.Node { return &s.lowNode }),
	pointField("healthy", "power there, level seen, no pump failed, set-points in order", func(s *vesselShows) *doc.Node { return &s.healthyNode }),
	pointField("lead", "which pump leads, counted from lead-counts-from", func(s *vesselShows) *doc.Node { return &s.leadNode }),
	doc.Integer("lead-counts-from", "what the first pump is called; left out, 0", 0, 1, func(s *vesselShows) *int { return &s.leadFrom }),
	pointField("sensor-fault", "the level transmitter has failed", func(s *vesselShows) *doc.Node { return &s.sensorNode }),
	pointField("set-point-fault", "the set-points are not in order; the controller goes on with the last that were", func(s *vesselShows) *doc.Node { return &s.orderNode }),
	pointField("supply", "that the power is there", func(s *vesselShows) *doc.Node { return &s.supplyNode }),
)

var services = []string{"emptying", "filling"}

var levelTransmitter = transmitterTable("m", -mostHeight, mostHeight)

var vesselTable = doc.NewTable(
	kindField[vesselSpec]("vessel"),
	stepField(func(v *vesselSpec) *time.Duration { return &v.step }),
	doc.Choice("service", "emptying: the pumps draw from the vessel; filling: they fill it; left out, emptying", services,
		func(v *vesselSpec, i int) { v.filling = services[i] == "filling" }),
	doc.Block("geometry", "the vessel's shape", shapeTable, func(v *vesselSpec, s *shapeSpec, n doc.Node) { v.shape = s.shape(n) }).Must(),
	quantity("start", "the level at the beginning", "m", 0, mostHeight, func(v *vesselSpec) *float64 { return &v.start }).Must(),
	doc.Integer("running", "how many pumps run at the beginning; left out, none", 0, mostPumps, func(v *vesselSpec) *int { return &v.running }),
	period("clock", "the time of day at the beginning; left out, 0h", 0, day, func(v *vesselSpec) *time.Duration { return &v.clock }),
	quantity("overflow", "the crest over which it runs; left out, the brim", "m", leastSize, mostHeight, func(v *vesselSpec) *float64 { return &v.overflow }),
	quantity("suction", "the pumps draw no water at or below it; left out, 0", "m", 0, mostHeight, func(v *vesselSpec) *float64 { return &v.suction }),
	quantity("main-volume", "what the discharge main holds: it is filled before anything is delivered, and runs back through open check valves; left out, 0", "m3", 0, mostVolume, func(v *vesselSpec) *float64 { return &v.main }),
	profileField("inflow", "what comes in by itself", func(v *vesselSpec) *profile { return &v.inflow }),
	profileField("demand", "what is drawn by itself", func(v *vesselSpec) *profile { return &v.demand }),
	doc.Custom("leaks", "holes through which it loses water", doc.Shape{Kind: doc.ListOf, Item: shapeOf(leakTable)}, func(v *vesselSpec, n doc.Node) {
		for _, e := range n.Items() {
			var l leak
			leakTable.Read(e, &l)
			if l.height >= l.at && l.at > 0 {
				e.Fault("the flow is given for a level of %s m, which is not above the hole", digits(l.at))
			}
			v.leaks = append(v.leaks, l)
		}
	}),
	windowsField("power-fails", "when the power is off", func(v *vesselSpec) *windows { return &v.power }),
	doc.Block("system", "what the pumps deliver against", systemTable, func(v *vesselSpec, s *system, n doc.Node) {
		if v.system = s; (s.loss > 0) != (s.at > 0) {
			n.Fault("loss and at belong together: so much loss at so much flow")
		}
	}),
	doc.Block("transmitter", "the level transmitter, 4 to 20 mA", levelTransmitter, func(v *vesselSpec, t *transmitterSpec, _ doc.Node) { v.level = t }).Must(),
	doc.Custom("float-switch", "the high-level float switch", floatTable.Shape(), func(v *vesselSpec, n doc.Node) {
		v.float = &floatSpec{deadband: 0.05}
		floatTable.Read(n, v.float)
	}),
	doc.Custom("pumps", "one to four pumps", doc.Shape{Kind: doc.ListOf, Item: shapeOf(pumpTable)}, readPumps).Must(),
	doc.Custom("control", "the controller; levels above the floor", controlTable.Shape(), func(v *vesselSpec, n doc.Node) { controlTable.Read(n, v) }).Must(),
	doc.Custom("shows", "the points that show the rest", showsTable.Shape(), func(v *vesselSpec, n doc.Node) { showsTable.Read(n, &v.shows) }),
)

func shapeOf[T any](t *doc.Table[T]) *doc.Shape {
	s := t.Shape()
	return &s
}

func readPumps(v *vesselSpec, n doc.Node) {
	for i, e := range n.Items() {
		if i == mostPumps {
			e.Fault("a vessel has at most %d pumps", mostPumps)
			return
		}
		p := &pumpSpec{node: e, runUp: time.Second}
		pumpTable.Read(e, p)
		v.pumps = append(v.pumps, p)
	}
	if len(v.pumps) == 0 {
		n.Fault("a vessel has at least one pump")
	}
}

// readVessel reads a vessel and ties it to the points of the map.
func readVessel(n doc.Node, s *site) *Model {
	v := &vesselSpec{node: n, step: defaultStep, rules: rules{
		deadband: 0.02, startDelay: 10 * time.Second, restartDelay: 20 * time.Second, checkTime: 5 * time.Second,
		failDelay: 2 * time.Second, backupRun: 5 * time.Minute, backupEvery: 30 * time.Minute,
	}}
	vesselTable.Read(n, v)
	if v.level == nil || v.level.span[0] == v.level.span[1] {
		return nil // reported where it was read
	}
	m := measure{unit: "m", span: &v.level.span}
	v.level.bind(s, m)
	for _, p := range v.pumps {
		p.check(v.system != nil)
		p.bind(s)
	}
	v.bindControl(s, m)
	v.bindShows(s, m)
	if v.shape != nil {
		v.checkLevels()
	}
	return &Model{New: func() Process { return newVessel(v) }}
}

func (v *vesselSpec) bindControl(s *site, m measure) {
	r := &v.rules
	r.filling, r.pumps = v.filling, len(v.pumps)
	var sound = true
	for i, n := range v.set.nodes {
		v.set.inputs[i] = s.input(n, m, 0, mostHeight)
		sound = sound && (v.set.inputs[i] != nil || !n.Present())
	}
	for r.levels < mostPumps && v.set.nodes[keyStart+r.levels].Present() {
		r.levels++
	}
	for i := r.levels; i < mostPumps; i++ {
		if n := v.set.nodes[keyStart+i]; n.Present() {
			n.KeyFault("%s needs the starts before it", setPointKeys[keyStart+i])
		}
	}
	if r.levels > len(v.pumps) && len(v.pumps) > 0 {
		v.set.nodes[keyStart+r.levels-1].KeyFault("there are more starts (%d) than pumps (%d)", r.levels, len(v.pumps))
	}
	if v.running > len(v.pumps) {
		v.node.Get("running").Fault("%d pumps are to run, and there are %d", v.running, len(v.pumps))
	}
	if v.set.reset = s.command(v.set.resets); sound && r.levels > 0 && v.set.inputs[keyStop] != nil && v.set.inputs[keyCutOff] != nil && v.set.inputs[keyAlarm] != nil {
		v.checkOrder(s)
	}
	control := v.node.Get("control")
	switch {
	case r.fallback == byFloat && v.float == nil:
		control.Get("fallback").Fault("there is no float switch to fall back on").Hint = "declare float-switch, or write stop or timed"
	case r.fallback == byFloat && v.filling:
		control.Get("fallback").Fault("a high-level float does not say when to fill").Hint = "write stop or timed"
	case r.fallback == timedRuns && r.backupRun > r.backupEvery:
		control.Get("fallback").Fault("it would run %s of each %s", r.backupRun, r.backupEvery)
	}
}

// checkOrder refuses set-points that stand the wrong way round at the
// beginning.
func (v *vesselSpec) checkOrder(s *site) {
	var set setPoints
	v.set.collect(&set, func(in *input) float64 { return in.start(s) })
	low, high, ok := v.rules.order(&set)
	if ok {
		return
	}
	a, b := v.set.inputs[low], v.set.inputs[high]
	wants := "below"
	if v.filling {
		wants = "above"
	}
	n := v.node.Get("control")
	if b != nil {
		n = b.node
	}
	if low == keyStop && high == keyLagStop {
		n.Fault("%s at %s m is not between %s at %s m and %s at %s m", b.says(setPointKeys[high]), digits(b.start(s)),
			a.says(setPointKeys[low]), digits(a.start(s)), setPointKeys[keyStart], digits(set.starts[0]))
		return
	}
	f := n.Fault("%s at %s m is not %s %s at %s m", a.says(setPointKeys[low]), digits(a.start(s)), wants, b.says(setPointKeys[high]), digits(b.start(s)))
	if a.unset(s) || b.unset(s) {
		f.Hint = "a point holds raw 0 until the points block gives it a start"
	}
}

// collect brings the set-points together.
func (p *setPointSpec) collect(into *setPoints, value func(*input) float64) {
	into.cutOff, into.stop, into.alarm = value(p.inputs[keyCutOff]), value(p.inputs[keyStop]), value(p.inputs[keyAlarm])
	into.lagStop = into.stop
	if in := p.inputs[keyLagStop]; in != nil {
		into.lagStop = value(in)
	}
	for i := range into.starts {
		if in := p.inputs[keyStart+i]; in != nil {
			into.starts[i] = value(in)
		}
	}
}

func (v *vesselSpec) bindShows(s *site, m measure) {
	w := &v.shows
	w.flow, w.pressure, w.inflow = s.number(w.flowNode, inFlow), s.number(w.pressureNode, inBar), s.number(w.inflowNode, inFlow)
	w.volume, w.trueLevel, w.lead = s.number(w.volumeNode, inVolume), s.number(w.trueNode, m), s.number(w.leadNode, inNumber)
	w.total, w.spilled = s.counter(w.totalNode, inVolume), s.counter(w.spilledNode, inVolume)
	w.high, w.low, w.healthy = s.state(w.highNode), s.state(w.lowNode), s.state(w.healthyNode)
	w.sensor, w.order, w.supply = s.state(w.sensorNode), s.state(w.orderNode), s.state(w.supplyNode)
	if w.pressure != nil && v.system == nil {
		w.pressureNode.Fault("the pressure comes from what the pumps deliver against").Hint = "write system: {lift, loss, at}"
	}
	if v.float != nil {
		v.float.shows = s.state(v.float.node)
	}
}

// checkLevels says which heights do not fit into the vessel.
func (v *vesselSpec) checkLevels() {
	brim := v.shape.height()
	if v.overflow == 0 {
		v.overflow = brim
	}
	for _, x := range []struct {
		key string
		at  float64
		top float64
	}{{"overflow", v.overflow, brim}, {"start", v.start, v.overflow}, {"suction", v.suction, v.overflow}} {
		if x.at > x.top {
			v.node.Get(x.key).Fault("%s m is above %s m, the vessel's brim or crest", digits(x.at), digits(x.top))
		}
	}
}
