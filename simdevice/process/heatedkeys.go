package process

import (
	"time"

	"plumbline/regmap/doc"
)

// heatedSpec is a heated tank as declared.
type heatedSpec struct {
	node doc.Node
	step time.Duration

	volume, capacity, start float64 // m3, kJ/(m3 K), Cel
	heat                    float64 // kW of the heater
	loss, still             float64 // kW/K to the surroundings; between the halves while nothing stirs
	ambient, cold           float64 // Cel
	draw                    profile
	clock                   time.Duration
	power                   windows
	heaterFails             windows

	gauge *transmitterSpec
	rules thermostatRules
	binds heatedBinds
}

// thermostatRules are what the thermostat goes by.
type thermostatRules struct {
	band  float64       // K, from on to off
	limit float64       // Cel
	rest  time.Duration // from off to on at least
	runOn time.Duration
	stir  stirring
}

// stirrings are when the stirrer runs.
var stirrings = []string{"with-heater", "always", "never"}

type stirring int

const (
	stirWithHeater stirring = iota
	stirAlways
	stirNever
)

// heatedBinds are the points of a heated tank.
type heatedBinds struct {
	setNode, modeNode, enableNode, handNode, resetNode                                         doc.Node
	heatingNode, stirringNode, hotNode, sensorNode, supplyNode, heatNode, energyNode, trueNode doc.Node
	hoursNode, startsNode                                                                      doc.Node

	set                           *input
	switches                      pumpSpec // mode, enable and hand-run, as a pump has them
	reset                         *command
	heating, stirring             *state
	hot, sensor, supply           *state
	heat, trueLevel               *number
	energy, hoursRun, startsCount *counter
}

const (
	waterCapacity = 4186  // kJ/(m3 K) of water at about 20 Cel (from memory)
	coldest       = -50.0 // Cel
	hottest       = 400.0
	mostHeat      = 1e5 // kW
)

var temperatureTransmitter = transmitterTable("Cel", -273, 2000)

var thermostatTable = doc.NewTable(
	numberOrPoint("set-point", "the temperature wanted", "Cel", func(h *heatedSpec) *doc.Node { return &h.binds.setNode }).Must(),
	quantity("band", "from where the heater comes on to where it goes off, half below the set-point and half above; left out, 2", "K", 0.01, 100, func(h *heatedSpec) *float64 { return &h.rules.band }),
	quantity("limit", "cut-out: here the heater goes off until it is reset; left out, never", "Cel", coldest, hottest, func(h *heatedSpec) *float64 { return &h.rules.limit }),
	period("rest", "how long the heater stays off at least", 0, day, func(h *heatedSpec) *time.Duration { return &h.rules.rest }),
	doc.Choice("stirrer", "when it stirs; left out, with-heater", stirrings, func(h *heatedSpec, i int) { h.rules.stir = stirring(i) }),
	period("run-on", "how long it stirs after the heater", 0, day, func(h *heatedSpec) *time.Duration { return &h.rules.runOn }),
	pointField("mode", "who commands the heater: a point with the values hand, off and automatic (0, 1 and 2 where it has no such names), or one of these words; left out, automatic",
		func(h *heatedSpec) *doc.Node { return &h.binds.modeNode }),
	pointField("enable", "that it may heat; left out, it may", func(h *heatedSpec) *doc.Node { return &h.binds.enableNode }),
	pointField("hand-run", "that it is to heat in hand; left out, it heats while in hand", func(h *heatedSpec) *doc.Node { return &h.binds.handNode }),
	pointField("reset", "that it may heat again after the cut-out, when it comes on", func(h *heatedSpec) *doc.Node { return &h.binds.resetNode }),
)

var heatedShows = doc.NewTable(
	pointField("heating", "that the heater is on", func(b *heatedBinds) *doc.Node { return &b.heatingNode }),
	pointField("stirring", "that it stirs", func(b *heatedBinds) *doc.Node { return &b.stirringNode }),
	pointField("over-temperature", "the cut-out holds", func(b *heatedBinds) *doc.Node { return &b.hotNode }),
	pointField("sensor-fault", "the transmitter has failed; nothing is heated but in hand", func(b *heatedBinds) *doc.Node { return &b.sensorNode }),
	pointField("supply", "that the power is there", func(b *heatedBinds) *doc.Node { return &b.supplyNode }),
	pointField("heat", "what the heater gives, kW", func(b *heatedBinds) *doc.Node { return &b.heatNode }),
	pointField("energy", "what it has given, kW.h, on from what the point holds at the start", func(b *heatedBinds) *doc.Node { return &b.energyNode }),
	pointField("hours", "the hours that it has heated, on from what the point holds at the start", func(b *heatedBinds) *doc.Node { return &b.hoursNode }),
	pointField("starts", "how often it has come on, on from what the point holds at the start", func(b *heatedBinds) *doc.Node { return &b.startsNode }),
	pointField("true-temperature", "the temperature of the upper half itself, past the transmitter, Cel", func(b *heatedBinds) *doc.Node { return &b.trueNode }),
)

var heatedTable = doc.NewTable(
	kindField[heatedSpec]("heated-tank"),
	stepField(func(h *heatedSpec) *time.Duration { return &h.step }),
	quantity("volume", "what is in the tank", "m3", leastSize, mostVolume, func(h *heatedSpec) *float64 { return &h.volume }).Must(),
	quantity("capacity", "heat that warms the contents; left out, 4186 for water", "kJ/(m3 K)", 1, 1e6, func(h *heatedSpec) *float64 { return &h.capacity }),
	quantity("start", "the temperature at the beginning", "Cel", coldest, hottest, func(h *heatedSpec) *float64 { return &h.start }).Must(),
	quantity("heater", "what the heater gives, low in the tank", "kW", 0, mostHeat, func(h *heatedSpec) *float64 { return &h.heat }).Must(),
	quantity("loss", "what the tank loses for each degree above its surroundings", "kW/K", 0, mostHeat, func(h *heatedSpec) *float64 { return &h.loss }),
	quantity("still", "what passes between the lower and the upper half for each degree while nothing stirs", "kW/K", 0, mostHeat, func(h *heatedSpec) *float64 { return &h.still }),
	quantity("ambient", "the surroundings; left out, 15", "Cel", coldest, hottest, func(h *heatedSpec) *float64 { return &h.ambient }),
	profileField("draw", "what is drawn from the upper half; as much comes in below, cold", func(h *heatedSpec) *profile { return &h.draw }),
	quantity("cold", "what comes in; left out, 10", "Cel", coldest, hottest, func(h *heatedSpec) *float64 { return &h.cold }),
	period("clock", "the time of day at the beginning; left out, 0h", 0, day, func(h *heatedSpec) *time.Duration { return &h.clock }),
	windowsField("power-fails", "when the power is off", func(h *heatedSpec) *windows { return &h.power }),
	windowsField("heater-fails", "when the heater gives nothing though it is on", func(h *heatedSpec) *windows { return &h.heaterFails }),
	doc.Block("transmitter", "the temperature transmitter in the upper half, 4 to 20 mA", temperatureTransmitter, func(h *heatedSpec, t *transmitterSpec, _ doc.Node) { h.gauge = t }).Must(),
	doc.Custom("thermostat", "what switches the heater", thermostatTable.Shape(), func(h *heatedSpec, n doc.Node) { thermostatTable.Read(n, h) }).Must(),
	doc.Custom("shows", "the points that show the rest", heatedShows.Shape(), func(h *heatedSpec, n doc.Node) { heatedShows.Read(n, &h.binds) }),
)

// readHeated reads a heated tank and ties it to the points of the map.
func readHeated(n doc.Node, s *site) *Model {
	h := &heatedSpec{node: n, step: defaultStep, capacity: waterCapacity, ambient: 15, cold: 10,
		rules: thermostatRules{band: 2, limit: hottest}}
	heatedTable.Read(n, h)
	if h.gauge == nil || h.gauge.span[0] == h.gauge.span[1] {
		return nil // reported where it was read
	}
	m := measure{unit: "Cel", span: &h.gauge.span}
	h.gauge.bind(s, m)
	b := &h.binds
	b.switches = pumpSpec{fixedMode: automatic, modeNode: b.modeNode}
	b.switches.bindMode(s)
	b.switches.enable, b.switches.byHand = s.command(b.enableNode), s.command(b.handNode)
	b.set, b.reset = s.input(b.setNode, m, coldest, hottest), s.command(b.resetNode)
	b.heating, b.stirring, b.hot = s.state(b.heatingNode), s.state(b.stirringNode), s.state(b.hotNode)
	b.sensor, b.supply = s.state(b.sensorNode), s.state(b.supplyNode)
	b.heat, b.trueLevel = s.number(b.heatNode, inWatts), s.number(b.trueNode, m)
	b.energy, b.hoursRun = s.counter(b.energyNode, measure{unit: "kW.h"}), s.counter(b.hoursNode, inHours)
	b.startsCount = s.counter(b.startsNode, inNumber)
	h.checkStep()
	return &Model{New: func() Process { return newHeated(h) }}
}

// checkStep refuses a step in which a good part of the heat would pass: then
// the steps would swing instead of following the plant.
func (h *heatedSpec) checkStep() {
	const most = 0.1 // of what a half holds
	half := h.volume * h.capacity / 2
	if part := (h.loss + 2*h.still) * h.step.Seconds() / half; half > 0 && part > most {
		h.node.Fault("in one step of %s %s %% of the heat would pass; a step may pass %s %%", h.step, digits(part*100), digits(most*100)).
			Hint = "write a shorter step"
	}
}
