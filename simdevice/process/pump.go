package process

import (
	"math"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// pumpSpec is a pump as declared.
type pumpSpec struct {
	node  doc.Node
	rate  float64  // m3/h; with curve 0
	curve []corner // m3/h, m of head, falling
	runUp time.Duration

	noValve  bool
	stuck    windows // its check valve stands open
	backFlow float64 // m3/h through an open valve while it stands
	fails    windows // it does not run when called

	modeNode, enableNode, handNode                        doc.Node
	runningNode, calledNode, faultNode, hoursNode, starts doc.Node

	modePoint      *regmap.Point
	fixedMode      mode
	modes          [3]float64 // the numbers that mean hand, off and automatic
	enable, byHand *command
	running        *state
	called         *state
	fault          *state
	hoursRun       *counter
	startsCount    *counter
}

var modeWords = []string{"hand", "off", "automatic"}

var pumpTable = doc.NewTable(
	quantity("rate", "what it delivers, whatever the head", "m3/h", 0, mostFlow, func(p *pumpSpec) *float64 { return &p.rate }),
	doc.Custom("curve", "in place of a rate: pairs of flow in m3/h and head in m, the head falling; needs system", cornersShape(doc.DecimalNumber), readCurve),
	period("run-up", "from the contactor to the proof that it runs; left out, 1s", 0, time.Hour, func(p *pumpSpec) *time.Duration { return &p.runUp }),
	doc.Custom("check-valve", "whether its check valve holds; left out, true", doc.Shape{Kind: doc.TrueOrFalse}, func(p *pumpSpec, n doc.Node) {
		on, ok := n.Flag()
		p.noValve = ok && !on
	}),
	windowsField("stuck", "when its check valve stands open", func(p *pumpSpec) *windows { return &p.stuck }),
	quantity("back-flow", "what comes back through an open check valve while it stands", "m3/h", 0, mostFlow, func(p *pumpSpec) *float64 { return &p.backFlow }),
	windowsField("fails", "when it does not run though it is called", func(p *pumpSpec) *windows { return &p.fails }),
	pointField("mode", "who commands it: a point with the values hand, off and automatic (0, 1 and 2 where it has no such names), or one of these words; left out, automatic",
		func(p *pumpSpec) *doc.Node { return &p.modeNode }),
	pointField("enable", "that it may run; left out, it may", func(p *pumpSpec) *doc.Node { return &p.enableNode }),
	pointField("hand-run", "that it is to run in hand; left out, it runs while in hand", func(p *pumpSpec) *doc.Node { return &p.handNode }),
	pointField("running", "that it runs", func(p *pumpSpec) *doc.Node { return &p.runningNode }),
	pointField("called", "that its contactor is closed", func(p *pumpSpec) *doc.Node { return &p.calledNode }),
	pointField("fault", "that it was called and did not prove running", func(p *pumpSpec) *doc.Node { return &p.faultNode }),
	pointField("hours", "the hours that it has run, on from what the point holds at the start", func(p *pumpSpec) *doc.Node { return &p.hoursNode }),
	pointField("starts", "how often its contactor has closed, on from what the point holds at the start", func(p *pumpSpec) *doc.Node { return &p.starts }),
)

// mostHead is more head than any pump has, m.
const mostHead = 10000

func readCurve(p *pumpSpec, n doc.Node) {
	t, ok := corners(n, func(x doc.Node) (float64, bool) { return within(x, "m3/h", 0, mostFlow) }, "m", 0, mostHead)
	if !ok {
		return
	}
	if t[0].x != 0 {
		n.Fault("a curve begins at no flow: [0, head]")
		return
	}
	for i := 1; i < len(t); i++ {
		if t[i].y >= t[i-1].y {
			n.Fault("the head of a curve falls as the flow rises; %s m comes after %s m", digits(t[i].y), digits(t[i-1].y))
			return
		}
	}
	p.curve = t
}

// check says what one key of a pump asks of another.
func (p *pumpSpec) check(hasSystem bool) {
	switch {
	case p.curve == nil && !p.node.Get("rate").Present() && !p.node.Get("curve").Present():
		p.node.Fault("a pump has a rate or a curve").Hint = "write rate: and what it delivers in m3/h"
	case p.node.Get("rate").Present() && p.node.Get("curve").Present():
		p.node.Get("curve").KeyFault("a pump has a rate or a curve, this is the second")
	case p.curve != nil && !hasSystem:
		p.node.Get("curve").Fault("a curve needs to know what it pumps against").Hint = "write system: {lift, loss, at}"
	}
	if (p.noValve || p.stuck != nil) && !p.node.Get("back-flow").Present() {
		p.node.Fault("with an open check valve water comes back; back-flow says how much")
	}
}

// bind ties the pump to its points.
func (p *pumpSpec) bind(s *site) {
	p.fixedMode = automatic
	p.bindMode(s)
	p.enable, p.byHand = s.command(p.enableNode), s.command(p.handNode)
	p.running, p.called, p.fault = s.state(p.runningNode), s.state(p.calledNode), s.state(p.faultNode)
	p.hoursRun, p.startsCount = s.counter(p.hoursNode, inHours), s.counter(p.starts, inNumber)
}

func (p *pumpSpec) bindMode(s *site) {
	n := p.modeNode
	if !n.Present() {
		return
	}
	word, ok := n.Text()
	for i, w := range modeWords {
		if ok && w == word && !s.Map.Names(w) {
			p.fixedMode = mode(i)
			return
		}
	}
	q := s.numberPoint(n)
	if q == nil {
		return
	}
	p.modePoint, p.modes = q, [3]float64{0, 1, 2}
	if len(q.Values) == 0 {
		return
	}
	var found [3]bool
	for _, v := range q.Values {
		for i, w := range modeWords {
			if v.Name == w {
				p.modes[i], _ = v.Value.Float64()
				found[i] = true
			}
		}
	}
	if found != [3]bool{true, true, true} {
		n.Fault("%s has names for its values, but not all of %s", q.Name, join(modeWords))
	}
}

// signs is what the controller sees of a pump's switches.
func (p *pumpSpec) signs(io IO, into *pumpSigns) {
	into.mode = p.fixedMode
	if p.modePoint != nil {
		into.mode = off // for a number that means nothing
		f, ok := io.Value(p.modePoint).Float()
		for i, x := range p.modes {
			if ok && f == x {
				into.mode = mode(i)
			}
		}
	}
	into.enabled, into.handRun = p.enable.on(io, true), p.byHand.on(io, true)
}

// A pump is one at work.
type pump struct {
	*pumpSpec
	contactor, proven bool
	since             time.Duration // closed for so long
	hours, starts     sum
	baseHours         float64
	baseStarts        float64
}

// command closes or opens the contactor: the motor runs when called, powered
// and well.
func (p *pump) command(now time.Duration, called, power bool) {
	closed := called && power
	if closed && !p.contactor {
		p.starts.add(1)
		p.since = 0
	}
	p.contactor = closed
	p.proven = closed && p.since >= p.runUp && !p.fails.open(now)
}

// pass lets time go by.
func (p *pump) pass(lasts time.Duration) {
	if p.contactor {
		p.since += lasts
	}
	if p.proven {
		p.hours.add(lasts.Hours())
	}
}

// open says whether water can come back through a pump.
func (p *pump) open(now time.Duration) bool {
	return !p.proven && (p.noValve || p.stuck.open(now))
}

// flow is what the pump delivers against a head, m3/s.
func (p *pumpSpec) flow(head float64) float64 {
	if p.curve == nil {
		return p.rate * perHour
	}
	c := p.curve
	if head >= c[0].y {
		return 0
	}
	for i := 1; i < len(c); i++ {
		if head >= c[i].y {
			a, b := c[i-1], c[i]
			return (a.x + (b.x-a.x)*(a.y-head)/(a.y-b.y)) * perHour
		}
	}
	return c[len(c)-1].x * perHour // it delivers no more than its curve goes
}

// A system is what the pumps deliver against.
type system struct {
	lift float64 // m
	loss float64 // m at the flow
	at   float64 // m3/h
}

var systemTable = doc.NewTable(
	quantity("lift", "emptying: the outlet above the vessel's floor; filling: the vessel's floor above the water pumped from", "m", -mostHeight, mostHead, func(s *system) *float64 { return &s.lift }).Must(),
	quantity("loss", "head lost in the pipes at the flow of `at`; it goes with the square of the flow", "m", 0, mostHead, func(s *system) *float64 { return &s.loss }),
	quantity("at", "the flow at which the loss is given", "m3/h", leastSize, mostFlow, func(s *system) *float64 { return &s.at }),
)

// friction is the head lost at a flow in m3/s. Source: loss with the square of
// a turbulent flow (Darcy and Weisbach, from memory).
func (s *system) friction(q float64) float64 {
	if s == nil || s.at == 0 {
		return 0
	}
	part := q / (s.at * perHour)
	return s.loss * part * part
}

// hydraulics finds the flow at which the running pumps and the pipes agree.
// head is what the water has to be lifted. each gets every pump's share.
func hydraulics(pumps []*pump, sys *system, head float64, each *[mostPumps]float64) (total float64) {
	curved := false
	for i, p := range pumps {
		each[i] = 0
		if !p.proven {
			continue
		}
		if p.curve != nil {
			curved = true
			each[i] = p.curve[len(p.curve)-1].x * perHour // the most that it can
		} else {
			each[i] = p.flow(0)
		}
		total += each[i]
	}
	if !curved {
		return total
	}
	// More flow means more loss and less delivery: the two cross once.
	low, high := 0.0, total
	for range 60 {
		mid := low + (high-low)/2
		if mid <= low || mid >= high {
			break
		}
		if deliver(pumps, head+sys.friction(mid), each) > mid {
			low = mid
		} else {
			high = mid
		}
	}
	return deliver(pumps, head+sys.friction(high), each)
}

// deliver is what the running pumps give together against a head.
func deliver(pumps []*pump, head float64, each *[mostPumps]float64) (total float64) {
	for i, p := range pumps {
		if p.proven {
			each[i] = p.flow(head)
			total += each[i]
		}
	}
	return total
}

// barPerMetre is the pressure of a metre of water. Source: UCUM 2.2, m[H2O] is
// 9.80665 kPa.
const barPerMetre = 0.0980665

// pressure is the head of a flow as a pressure, bar; never below 0, where the
// water would part.
func pressure(head float64) float64 { return math.Max(head*barPerMetre, 0) }
