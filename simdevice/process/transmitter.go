package process

import (
	"math"
	"math/rand/v2"
	"time"

	"plumbline/regmap/doc"
)

// The currents of a 4-20 mA loop in mA: a measurement runs from lowMeasure to
// highMeasure; at lowFailure or less and highFailure or more the loop has
// failed. Source: NAMUR NE 43, as trade pages give it.
const (
	liveZero, fullScale     = 4.0, 20.0
	lowMeasure, highMeasure = 3.8, 20.5
	lowFailure, highFailure = 3.6, 21.0
)

// transmitterSpec is a transmitter as declared: it turns a quantity of the
// plant into a current, and the current into what its point shows.
type transmitterSpec struct {
	pointNode, currentNode, spanNode doc.Node
	seed                             int
	span                             [2]float64 // what 4 and 20 mA stand for
	lag                              time.Duration
	noise                            float64 // standard deviation, in the quantity's unit
	frozen, broken                   windows
	brokenAt                         float64 // mA

	shows   *number
	current *number
	atFour  float64 // what the point shows at 4 mA and 20 mA, in its own units
	atFull  float64
}

func transmitterTable(unit string, low, high float64) *doc.Table[transmitterSpec] {
	pair := doc.Shape{Kind: doc.ListOf, Item: &doc.Shape{Kind: doc.DecimalNumber}}
	return doc.NewTable(
		pointField("point", "the quantity, as the loop's current stands for it", func(t *transmitterSpec) *doc.Node { return &t.pointNode }),
		pointField("current", "the loop's current, mA", func(t *transmitterSpec) *doc.Node { return &t.currentNode }),
		doc.Custom("span", "what 4 mA and 20 mA stand for, "+unit+": [low, high]", pair, func(t *transmitterSpec, n doc.Node) { t.readSpan(n, unit, low, high) }).Must(),
		period("lag", "time constant: after it 63 % of a change are shown", 0, time.Hour, func(t *transmitterSpec) *time.Duration { return &t.lag }),
		quantity("noise", "standard deviation of what it adds by chance", unit, 0, high, func(t *transmitterSpec) *float64 { return &t.noise }),
		doc.Integer("seed", "where its chance begins: the same seed gives the same noise", 0, 1<<31-1, func(t *transmitterSpec) *int { return &t.seed }),
		windowsField("freeze", "when its current stands still", func(t *transmitterSpec) *windows { return &t.frozen }),
		windowsField("broken", "when its loop is broken", func(t *transmitterSpec) *windows { return &t.broken }),
		doc.Custom("broken-current", "what a broken loop carries, mA: at most 3.6, or at least 21 (NE 43); left out, 0", doc.Shape{Kind: doc.DecimalNumber},
			func(t *transmitterSpec, n doc.Node) {
				f, ok := within(n, "mA", 0, 25)
				if ok && f > lowFailure && f < highFailure {
					n.Fault("%s mA is no failure of a loop; that is 3.6 mA or less, or 21 mA or more", digits(f))
				}
				t.brokenAt = f
			}),
	)
}

func (t *transmitterSpec) readSpan(n doc.Node, unit string, low, high float64) {
	t.spanNode = n
	if !n.IsList() || n.Len() != 2 {
		n.Fault("a span is a pair of two numbers")
		return
	}
	for i, v := range n.Items() {
		f, _ := within(v, unit, low, high)
		t.span[i] = f
	}
	if t.span[0] == t.span[1] {
		n.Fault("the ends of a span differ")
	}
}

// bind ties the transmitter to its points. A point with `signal: 4-20mA` shows
// what its own scale makes of the current, so that a span of the map that is
// not the transmitter's shows itself; any other shows the transmitter's span.
func (t *transmitterSpec) bind(s *site, m measure) {
	t.current = s.number(t.currentNode, inMilli)
	if t.shows = s.number(t.pointNode, m); t.shows == nil {
		return
	}
	p := t.shows.point
	t.atFour, t.atFull = t.span[0]*t.shows.times+t.shows.plus, t.span[1]*t.shows.times+t.shows.plus
	if _, _, a, b, ok := p.Scale.Span(); ok && p.Signal {
		t.atFour, _ = a.Float64()
		t.atFull, _ = b.Float64()
	}
}

// ideal says whether it shows the quantity as it is.
func (t *transmitterSpec) ideal() bool { return t.lag == 0 && t.noise == 0 }

// A transmitter is one at work.
type transmitter struct {
	*transmitterSpec
	chance  *rand.Rand
	share   float64 // of a change that one step shows
	step    float64 // seconds it was worked out for
	settled float64 // behind the lag
	mA      float64
}

// transmitter is one that has stood long before a quantity of a value.
func (t *transmitterSpec) transmitter(value float64, now time.Duration) *transmitter {
	x := &transmitter{transmitterSpec: t, settled: value}
	if t.noise > 0 {
		x.chance = rand.New(rand.NewPCG(uint64(t.seed), 0))
	}
	x.mA = x.loop(value)
	if t.broken.open(now) {
		x.mA = t.brokenAt
	}
	return x
}

// loop is the current for a value, within what a working loop carries.
func (t *transmitter) loop(value float64) float64 {
	p := (value - t.span[0]) / (t.span[1] - t.span[0])
	return min(max(liveZero+(fullScale-liveZero)*p, lowMeasure), highMeasure)
}

// advance is one step of a quantity's value.
func (t *transmitter) advance(now time.Duration, seconds, value float64) {
	if t.step != seconds {
		t.step, t.share = seconds, 1
		if t.lag > 0 {
			t.share = -math.Expm1(-seconds / t.lag.Seconds())
		}
	}
	t.settled += (value - t.settled) * t.share
	seen := t.settled
	if t.chance != nil {
		seen += t.noise * t.chance.NormFloat64()
	}
	switch {
	case t.broken.open(now):
		t.mA = t.brokenAt
	case t.frozen.open(now):
	default:
		t.mA = t.loop(seen)
	}
}

// measured is the value that the current stands for, as a controller on the
// loop sees it; ok is false when the loop has failed.
func (t *transmitter) measured() (value float64, ok bool) {
	p := (t.mA - liveZero) / (fullScale - liveZero)
	return t.span[0] + (t.span[1]-t.span[0])*p, t.mA > lowFailure && t.mA < highFailure
}

// publish shows the current and what the point makes of it.
func (t *transmitter) publish(io IO) {
	t.current.set(io, t.mA)
	if t.shows != nil {
		p := (t.mA - liveZero) / (fullScale - liveZero)
		t.shows.raw(io, t.atFour+(t.atFull-t.atFour)*p)
	}
}
