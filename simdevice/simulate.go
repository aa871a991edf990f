package simdevice

import (
	"math/big"
	"sort"
	"strings"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/simdevice/process"
)

// SimulateKey is the block of a map that belongs to the station.
const SimulateKey = "simulate"

// Simulate is the section that reads a map's `simulate:` block: what the
// station's points hold, in engineering units. Give it to regmap.Load; NewBank
// takes what it made. Points that the map does not have and values that they
// cannot hold are faults in the report of the file, in the same run as those of
// the map itself.
func Simulate() regmap.Section {
	return regmap.Section{
		Key:   SimulateKey,
		About: "what the points of the simulated station hold, in engineering units, and the process behind them",
		Shape: simulationTable.Shape(),
		Read: func(n doc.Node, m *regmap.Map) any {
			s := &Simulation{device: m}
			simulationTable.Read(n, s)
			sort.SliceStable(s.sources, func(i, j int) bool { return s.sources[i].turn() < s.sources[j].turn() })
			if s.processAt.Present() {
				s.model = s.readProcess(s.processAt)
			}
			return s
		},
	}
}

// A Simulation is what a `simulate:` block says, checked against its map.
type Simulation struct {
	device    *regmap.Map
	sources   []source
	processAt doc.Node
	model     *process.Model // nil: no process

	names []string // of the map's points, made for the first hint
	hints int      // given so far
}

// pointSpec is the block of one point as written.
type pointSpec struct {
	start, constant, rampAt doc.Node
	ramp                    *rampSpec
}

// rampSpec is a ramp as written.
type rampSpec struct {
	from, to     *big.Rat
	fromAt, toAt doc.Node
	over         time.Duration
	repeat       bool
}

// source is what drives one point, checked against its map.
type source struct {
	point    *regmap.Point
	value    regmap.Value // of a start or constant
	once     bool         // a start: given once, then writes may change it
	from, to *big.Rat     // of a ramp; nil otherwise
	over     time.Duration
	repeat   bool
}

const pointsAbout = "a block for each point that holds something: start, constant or ramp"

var simulationTable = doc.NewTable(
	doc.Custom("points", pointsAbout, pointsShape(), func(s *Simulation, n doc.Node) {
		for name, e := range n.Entries() {
			var spec pointSpec
			pointTable.Read(e, &spec)
			switch p := s.device.Point(name); {
			case p == nil && s.device.Names(name): // it has faults of its own
			case p == nil:
				s.unknown(e)
			case p.Derived():
				e.KeyFault("%s is worked out of other points", name).Hint = "leave it out, and say what those hold"
			default:
				if src, ok := spec.source(e, p); ok {
					s.sources = append(s.sources, src)
				}
			}
		}
	}),
	doc.Custom("process", "the plant behind the points and its controller", process.Shape(), func(s *Simulation, n doc.Node) { s.processAt = n }),
)

// mostHints is how many unknown names are compared with all known ones: beyond
// it nobody reads, and each costs as much as there are names.
const mostHints = 100

// unknown reports a point that the map does not have.
func (s *Simulation) unknown(n doc.Node) {
	f := n.KeyFault("%q is no point of this map", n.Name())
	if s.hints++; s.hints > mostHints {
		return
	}
	if s.names == nil {
		for p := range s.device.Readings {
			s.names = append(s.names, p.Name)
		}
	}
	if near := doc.Near(n.Name(), s.names); near != "" {
		f.Hint = "did you mean " + near + "?"
	}
}

var pointTable = doc.NewTable(
	doc.Custom("start", "what it holds at the beginning; writes may change it", valueShape,
		func(p *pointSpec, n doc.Node) { p.start = n }),
	doc.Custom("constant", "what it always holds; put back at each step", valueShape,
		func(p *pointSpec, n doc.Node) { p.constant = n }),
	doc.Block("ramp", "a straight way from one value to another", rampTable,
		func(p *pointSpec, r *rampSpec, n doc.Node) { p.ramp, p.rampAt = r, n }),
)

// rampWords is what a ramp does when its time is over; the first is meant
// where nothing is written.
var rampWords = []string{"hold", "repeat"}

var rampTable = doc.NewTable(
	rampEnd("from", "the value at the beginning", func(r *rampSpec) (**big.Rat, *doc.Node) { return &r.from, &r.fromAt }),
	rampEnd("to", "the value at the end", func(r *rampSpec) (**big.Rat, *doc.Node) { return &r.to, &r.toAt }),
	doc.Custom("over", "how long it takes", doc.Shape{Kind: doc.TimeSpan}, func(r *rampSpec, n doc.Node) {
		if d, ok := n.Duration(); ok && d == 0 {
			n.Fault("a ramp over 0s has no way; it takes more than 0s")
		} else if ok {
			r.over = d
		}
	}).Must(),
	doc.Choice("then", "what comes after: hold stays at the end, repeat begins again; left out, hold", rampWords,
		func(r *rampSpec, i int) { r.repeat = rampWords[i] == "repeat" }),
)

func rampEnd(key, about string, at func(*rampSpec) (**big.Rat, *doc.Node)) doc.Field[rampSpec] {
	return doc.Custom(key, about, doc.Shape{Kind: doc.DecimalNumber}, func(r *rampSpec, n doc.Node) {
		value, place := at(r)
		*place = n
		if v, ok := n.Decimal(); ok {
			*value = v
		}
	}).Must()
}

var valueShape = doc.Shape{Kind: doc.Either, Forms: []doc.Shape{
	{Kind: doc.DecimalNumber}, {Kind: doc.TrueOrFalse}, {Kind: doc.AnyText},
}}

func pointsShape() doc.Shape {
	point := pointTable.Shape()
	return doc.Shape{Kind: doc.KeyBlock, Rest: &point}
}

// turn is the place of a source among the others: first words, then bits inside
// them, then points whose power of ten lies in one of those words.
func (s *source) turn() int {
	switch {
	case s.point.Exponent != nil:
		return 2
	case inside(s.point):
		return 1
	}
	return 0
}

// inside says whether a point is some of the bits of a register.
func inside(p *regmap.Point) bool {
	return p.Part.Width > 0 || p.Type == regmap.TypeBool && !p.Table.Bits()
}

// source is what a point's block makes of it; ok is false when it has faults.
func (spec *pointSpec) source(at doc.Node, p *regmap.Point) (src source, ok bool) {
	given := 0
	for _, n := range []doc.Node{spec.start, spec.constant, spec.rampAt} {
		if n.Present() {
			if given++; given == 2 {
				n.KeyFault("a point holds one of start, constant and ramp, this is a second one")
			}
		}
	}
	if given != 1 {
		if given == 0 && at.IsMapping() && at.Len() == 0 {
			at.Fault("one of start, constant and ramp is wanted here")
		}
		return source{}, false
	}
	src = source{point: p, once: spec.start.Present()}
	switch {
	case spec.ramp != nil:
		ok = spec.ramp.fit(&src)
	case src.once:
		src.value, ok = valueAt(spec.start, p)
	default:
		src.value, ok = valueAt(spec.constant, p)
	}
	return src, ok
}

// fit puts a ramp into the source of its point.
func (r *rampSpec) fit(src *source) bool {
	if p := src.point; p.Type == regmap.TypeBool || p.Type == regmap.TypeString {
		r.fromAt.Fault("%s is %s; a ramp needs a number", p.Name, p.Type)
		return false
	}
	if r.from == nil || r.to == nil || r.over == 0 {
		return false // reported where it was read
	}
	src.from, src.to, src.over, src.repeat = r.from, r.to, r.over, r.repeat
	low := holds(r.fromAt, src.point, regmap.ExactValue(r.from))
	return holds(r.toAt, src.point, regmap.ExactValue(r.to)) && low
}

// onWords are the words for a bool point.
var onWords = map[string]bool{"true": true, "on": true, "1": true, "false": false, "off": false, "0": false}

// valueAt reads an engineering value for a point: a number, true or false (or
// on, off), a text, or the map's name for a value.
func valueAt(n doc.Node, p *regmap.Point) (v regmap.Value, ok bool) {
	if !n.IsScalar() || p.Type == regmap.TypeString {
		text, ok := n.Text()
		v = regmap.TextValue(text)
		return v, ok && holds(n, p, v)
	}
	if v, ok := named(n, p); ok {
		return v, holds(n, p, v)
	}
	if p.Type == regmap.TypeBool {
		text, ok := n.Text()
		on, known := onWords[text]
		if ok && !known {
			n.Fault("%q is neither true nor false (or on, off)", text)
		}
		return regmap.BoolValue(on), ok && known
	}
	r, ok := n.Decimal()
	if !ok {
		return regmap.Value{}, false
	}
	v = regmap.ExactValue(r)
	return v, holds(n, p, v)
}

// named is a value given by the map's name for it.
func named(n doc.Node, p *regmap.Point) (regmap.Value, bool) {
	for _, name := range p.Values {
		if text, ok := n.Text(); ok && text == name.Name {
			return regmap.ExactValue(name.Value), true
		}
	}
	return regmap.Value{}, false
}

// holds says whether the point can hold the value, and reports it if not. What
// a point with an exponent register can hold shows only when that is filled:
// NewBank says so.
func holds(n doc.Node, p *regmap.Point, v regmap.Value) bool {
	if p.Exponent != nil && v.Rat() != nil {
		return true
	}
	_, err := p.AppendRaw(nil, v, make([]uint16, p.Count))
	if err != nil {
		n.Fault("%s", strings.TrimPrefix(err.Error(), p.Name+": ")).Err = err
	}
	return err == nil
}

// at is what the source gives its point at a time.
func (s *source) at(t time.Duration) regmap.Value {
	if s.from == nil {
		return s.value
	}
	switch {
	case s.repeat:
		t %= s.over
	case t > s.over:
		t = s.over
	}
	way := new(big.Rat).Sub(s.to, s.from)
	way.Mul(way, big.NewRat(int64(max(t, 0)), int64(s.over)))
	return regmap.ExactValue(way.Add(way, s.from))
}
