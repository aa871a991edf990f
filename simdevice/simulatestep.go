package simdevice

import (
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/simdevice/process"
)

// readProcess reads the block of a process that stands beside these sources.
// It is nil when it has faults.
func (s *Simulation) readProcess(n doc.Node) *process.Model {
	model := process.Read(n, process.Site{Map: s.device, Start: s.start})
	if model == nil {
		return nil
	}
	before := n.Report().Count()
	for _, o := range model.Outputs {
		for i := range s.sources {
			switch src := &s.sources[i]; {
			case src.point != o.Point:
			case !src.once:
				o.Node.Fault("%s is set by the process, and the points block drives it too", o.Point.Name).Hint = "leave one of the two out"
			case !o.Count:
				o.Node.Warn("%s is set by the process; its start in the points block is never seen", o.Point.Name)
			}
		}
	}
	if n.Report().Count() > before {
		return nil
	}
	return model
}

// start is what a point holds at the beginning.
func (s *Simulation) start(p *regmap.Point) (regmap.Value, bool) {
	for i := range s.sources {
		if src := &s.sources[i]; src.point == p {
			return src.at(0), true
		}
	}
	return regmap.Value{}, false
}

// ReadProcess reads the file of a process for a map: the block that could stand
// under `simulate: process:`. What is wrong goes to the report; then it is nil.
func ReadProcess(file string, text []byte, m *regmap.Map, rep *doc.Report) *process.Model {
	before := rep.Count()
	n := doc.Parse(file, text, rep)
	if !n.Present() {
		return nil
	}
	s, ok := m.Blocks[SimulateKey].(*Simulation)
	if !ok {
		s = &Simulation{device: m}
	}
	if model := s.readProcess(n); rep.Count() == before {
		return model
	}
	return nil
}

// Run puts a process behind the bank, in the place of the one that its map
// declares, and shows its beginning. It is called before the first Step.
func (b *Bank) Run(m *process.Model) error {
	b.stepping.Lock()
	b.process = m.New()
	b.stepping.Unlock()
	return b.Step(0)
}

// Step brings everything that changes by itself to a time, counted from the
// start of the station, and publishes it at one moment: constants are put
// back, ramps and the process move on. The error, of a value that a point
// cannot hold, wraps regmap.ErrKind or regmap.ErrRange; then nothing was
// published.
func (b *Bank) Step(at time.Duration) error {
	b.stepping.Lock()
	defer b.stepping.Unlock()
	b.sets = b.sets[:0]
	for i := range b.sources {
		if s := &b.sources[i]; !s.once {
			b.sets = append(b.sets, Set{s.point, s.at(at)})
		}
	}
	if b.process != nil {
		b.copyInto(&b.seen)
		b.process.Step(at, stepping{b})
	}
	return b.Publish(b.sets...)
}

// stepping is a bank as its process sees it.
type stepping struct{ bank *Bank }

func (s stepping) Value(p *regmap.Point) regmap.Value { return p.Value(&s.bank.seen) }

func (s stepping) Set(p *regmap.Point, v regmap.Value) {
	s.bank.sets = append(s.bank.sets, Set{p, v})
}

// publishSources gives the points what they hold at the beginning.
func (b *Bank) publishSources() error {
	var sets []Set
	for i := range b.sources {
		sets = append(sets, Set{b.sources[i].point, b.sources[i].at(0)})
	}
	return b.Publish(sets...)
}
