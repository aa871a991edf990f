package process

import (
	"math"
	"math/big"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/ucum"
)

// site is a Site with the points that outputs have taken so far.
type site struct {
	Site
	outputs map[*regmap.Point]bool
	list    []Output
}

// point finds the point that a node names.
func (s *site) point(n doc.Node) *regmap.Point {
	name, ok := n.Text()
	if !ok {
		return nil
	}
	p := s.Map.Point(name)
	switch {
	case p == nil && s.Map.Names(name): // it has faults of its own
		return nil
	case p == nil:
		var names []string
		for q := range s.Map.Readings {
			names = append(names, q.Name)
		}
		f := n.Fault("%q is no point of this map", name)
		if near := doc.Near(name, names); near != "" {
			f.Hint = "did you mean " + near + "?"
		}
	case p.Derived():
		n.Fault("%s is worked out of other points and has no registers", name)
	case p.Exponent != nil:
		n.Fault("%s has its power of ten in another register; a process needs a point with a scale of its own", name)
	default:
		return p
	}
	return nil
}

// take notes that an output sets a point.
func (s *site) take(p *regmap.Point, n doc.Node, count bool) bool {
	if s.outputs[p] {
		n.Fault("%s is set by another output already", p.Name)
		return false
	}
	s.outputs[p] = true
	s.list = append(s.list, Output{p, n, count})
	return true
}

// isNumber says whether a point holds a number, which a field of several bits
// does too.
func isNumber(p *regmap.Point) bool {
	return p.Type.Number() || p.Type == regmap.TypeBits && p.Part.Width > 1
}

func (s *site) numberPoint(n doc.Node) *regmap.Point {
	p := s.point(n)
	if p != nil && !isNumber(p) {
		n.Fault("%s is %s; a number is wanted here", p.Name, p.Type)
		return nil
	}
	return p
}

func (s *site) statePoint(n doc.Node) *regmap.Point {
	p := s.point(n)
	if p == nil {
		return nil
	}
	if _, err := p.AppendRaw(nil, regmap.BoolValue(true), make([]uint16, p.Count)); err != nil {
		n.Fault("%s is %s; a point that is on or off is wanted here", p.Name, p.Type)
		return nil
	}
	return p
}

// A measure is the unit that a process counts in. A point in per cent means the
// part of a span, where there is one.
type measure struct {
	unit string
	span *[2]float64
}

var (
	inFlow   = measure{unit: "m3/h"}
	inVolume = measure{unit: "m3"}
	inBar    = measure{unit: "bar"}
	inHours  = measure{unit: "h"}
	inMilli  = measure{unit: "mA"}
	inWatts  = measure{unit: "kW"}
	inNumber = measure{}
)

// factors is how a number of the process becomes one of the point: times x
// plus.
func (m measure) factors(p *regmap.Point, n doc.Node) (times, plus float64) {
	if m.unit == "" || p.Units == "" || p.Units == m.unit {
		return 1, 0
	}
	if p.Units == "%" && m.span != nil {
		times = 100 / (m.span[1] - m.span[0])
		return times, -m.span[0] * times
	}
	of, err := ucum.Parse(p.Units)
	if err != nil {
		n.Warn("the units of %s, %q, are no code of UCUM; they are taken for %s", p.Name, p.Units, m.unit)
		return 1, 0
	}
	own, err := ucum.Parse(m.unit)
	if err != nil {
		return 1, 0
	}
	at := func(x int64) float64 {
		r, fault := ucum.Convert(big.NewRat(x, 1), own, of)
		if fault != nil {
			err = fault
			return 0
		}
		f, _ := r.Float64()
		return f
	}
	plus = at(0)
	times = at(1) - plus
	if err != nil {
		n.Fault("%s is in %s; what the process gives here is in %s", p.Name, p.Units, m.unit)
		return 1, 0
	}
	return times, plus
}

// number is an output of a number. The nil number is bound to nothing.
type number struct {
	point       *regmap.Point
	times, plus float64
	low, high   float64 // what the point can hold
}

// number binds an output; nil where the node is absent or has a fault.
func (s *site) number(n doc.Node, m measure) *number {
	if !n.Present() {
		return nil
	}
	p := s.numberPoint(n)
	if p == nil || !s.take(p, n, false) {
		return nil
	}
	o := &number{point: p}
	o.times, o.plus = m.factors(p, n)
	o.low, o.high = ends(p)
	return o
}

// set gives the point a number of the process; one that it cannot hold becomes
// the nearest that it can.
func (o *number) set(io IO, x float64) {
	if o != nil {
		o.raw(io, x*o.times+o.plus)
	}
}

// raw gives the point a number in its own units.
func (o *number) raw(io IO, x float64) {
	x = min(max(x, o.low), o.high)
	if o.point.Type == regmap.TypeBits {
		io.Set(o.point, regmap.UintValue(uint64(math.Round(x))))
		return
	}
	io.Set(o.point, regmap.FloatValue(x))
}

// state is an output that is on or off; nil is bound to nothing.
type state struct{ point *regmap.Point }

func (s *site) state(n doc.Node) *state {
	if !n.Present() {
		return nil
	}
	p := s.statePoint(n)
	if p == nil || !s.take(p, n, false) {
		return nil
	}
	return &state{p}
}

func (o *state) set(io IO, on bool) {
	if o != nil {
		io.Set(o.point, regmap.BoolValue(on))
	}
}

// counter is an output that counts on from what its point holds at the
// beginning, in whole steps of the register, and rolls over at its end.
type counter struct {
	number
	step, modulus float64 // units a count; how many counts there are, 0: no end
}

// counter binds a counting output.
func (s *site) counter(n doc.Node, m measure) *counter {
	if !n.Present() {
		return nil
	}
	p := s.numberPoint(n)
	if p == nil || !s.take(p, n, true) {
		return nil
	}
	c := &counter{number: number{point: p}}
	c.times, c.plus = m.factors(p, n)
	c.low, c.high = ends(p)
	if p.Scale.Curved() {
		n.Fault("%s has a scale that is no straight line; a counter needs one", p.Name)
		return nil
	}
	step, _ := p.Scale.TimesPlus()
	c.step, _ = step.Float64()
	_, most := rawEnds(p)
	if r := most.Rat(); r != nil && p.Type != regmap.TypeFloat32 && p.Type != regmap.TypeFloat64 {
		f, _ := r.Float64()
		c.modulus = f + 1
	}
	if c.step <= 0 {
		n.Fault("%s falls as its number rises; a counter goes up", p.Name)
		return nil
	}
	return c
}

// base is what the counter holds at the beginning, in its own units.
func (c *counter) base(io IO) float64 {
	if c == nil {
		return 0
	}
	f, _ := io.Value(c.point).Float()
	return f
}

// count shows what has been added to the base so far.
// Source: counters rise to their top and go on from zero (trade practice; RFC
// 2578, 7.1.6 has the same rule for network counters).
func (c *counter) count(io IO, base, added float64) {
	if c == nil {
		return
	}
	x := base + added*c.times
	if c.modulus > 0 {
		const whole = 1e-9 // of a count: what rounding may take from a full one
		n := math.Mod(math.Floor(x/c.step+whole), c.modulus)
		x = n * c.step
	}
	c.raw(io, x)
}

// rawEnds is the least and greatest number of the point's registers.
func rawEnds(p *regmap.Point) (low, high regmap.Value) {
	zero := regmap.IntValue(0)
	switch p.Type {
	case regmap.TypeInt16:
		return regmap.IntValue(math.MinInt16), regmap.IntValue(math.MaxInt16)
	case regmap.TypeUint16:
		return zero, regmap.IntValue(math.MaxUint16)
	case regmap.TypeInt32:
		return regmap.IntValue(math.MinInt32), regmap.IntValue(math.MaxInt32)
	case regmap.TypeUint32:
		return zero, regmap.IntValue(math.MaxUint32)
	case regmap.TypeInt64:
		return regmap.IntValue(math.MinInt64), regmap.IntValue(math.MaxInt64)
	case regmap.TypeUint64:
		return zero, regmap.UintValue(math.MaxUint64)
	case regmap.TypeSignMag16:
		return regmap.IntValue(-math.MaxInt16), regmap.IntValue(math.MaxInt16)
	case regmap.TypeBCD16:
		return zero, regmap.IntValue(9999)
	case regmap.TypeBCD32, regmap.TypeDecimalPair:
		return zero, regmap.IntValue(99999999)
	case regmap.TypeBits:
		return zero, regmap.UintValue(1<<p.Part.Width - 1)
	}
	return regmap.FloatValue(-math.MaxFloat32), regmap.FloatValue(math.MaxFloat32)
}

// ends is the least and greatest value that the point can hold, in its units.
func ends(p *regmap.Point) (low, high float64) {
	a, b := rawEnds(p)
	if p.Type == regmap.TypeBits {
		low, _ = a.Float()
		high, _ = b.Float()
		return low, high
	}
	bare := *p // the registers' own numbers, without the scale
	bare.Scale, bare.Absent = regmap.Scale{}, nil
	value := func(raw regmap.Value) float64 {
		r, err := bare.AppendRaw(nil, raw, nil)
		if err != nil {
			return 0
		}
		f, ok := p.ValueOf(r).Float()
		if !ok { // a number that means 'no value'
			f, _ = raw.Float()
			if !p.Scale.Curved() {
				times, plus := p.Scale.TimesPlus()
				t, _ := times.Float64()
				o, _ := plus.Float64()
				f = f*t + o
			}
		}
		return f
	}
	low, high = value(a), value(b)
	if p.Scale.Clamps() {
		if _, _, x, y, ok := p.Scale.Span(); ok {
			low, _ = x.Float64()
			high, _ = y.Float64()
		}
	}
	low, high = min(low, high), max(low, high)
	if p.Type == regmap.TypeInt64 || p.Type == regmap.TypeUint64 { // the nearest float64 lies beyond
		low, high = math.Nextafter(low, high), math.Nextafter(high, low)
	}
	return low, high
}

// input is a number out of the file, or of a point that the panel writes.
type input struct {
	point       *regmap.Point
	times, plus float64
	fixed       float64
	node        doc.Node
}

// input binds a number or a point that holds it; nil where the node is absent
// or has a fault.
func (s *site) input(n doc.Node, m measure, low, high float64) *input {
	if !n.Present() {
		return nil
	}
	if namesPoint(n) {
		p := s.numberPoint(n)
		if p == nil {
			return nil
		}
		in := &input{point: p, node: n}
		in.times, in.plus = m.factors(p, n)
		return in
	}
	f, ok := within(n, m.unit, low, high)
	if !ok {
		return nil
	}
	return &input{fixed: f, node: n}
}

// namesPoint says whether a scalar is a name: no number begins with a letter.
func namesPoint(n doc.Node) bool {
	if !n.IsScalar() {
		return false
	}
	text, ok := n.Text()
	return ok && text != "" && text[0] >= 'a' && text[0] <= 'z'
}

// value is the number in the measure's unit; NaN where the point holds none.
func (in *input) value(io IO) float64 {
	if in.point == nil {
		return in.fixed
	}
	return in.convert(io.Value(in.point))
}

func (in *input) convert(v regmap.Value) float64 {
	f, ok := v.Float()
	if !ok {
		return math.NaN()
	}
	return (f - in.plus) / in.times
}

// start is the number at the beginning.
func (in *input) start(s *site) float64 {
	if in.point == nil {
		return in.fixed
	}
	if v, ok := s.Start(in.point); ok {
		return in.convert(v)
	}
	return in.convert(in.point.ValueOf(make([]uint16, in.point.Count)))
}

// unset says whether it comes from a point that nothing gives a start.
func (in *input) unset(s *site) bool {
	if in.point == nil {
		return false
	}
	_, given := s.Start(in.point)
	return !given
}

// says names the input for a complaint: where the number comes from.
func (in *input) says(key string) string {
	if in.point == nil {
		return key
	}
	return key + " (" + in.point.Name + ")"
}

// command is an input that is on or off; nil is bound to nothing.
type command struct{ point *regmap.Point }

func (s *site) command(n doc.Node) *command {
	if !n.Present() {
		return nil
	}
	if p := s.statePoint(n); p != nil {
		return &command{p}
	}
	return nil
}

// on is what the point holds; otherwise where nothing is bound.
func (c *command) on(io IO, otherwise bool) bool {
	if c == nil {
		return otherwise
	}
	b, ok := io.Value(c.point).Bool()
	if !ok {
		n, number := io.Value(c.point).Uint()
		return number && n == 1
	}
	return b
}
