package process

import (
	"runtime"
	"testing"
	"time"

	"plumbline/regmap"
)

// quiet is contents that keep nothing.
type quiet struct {
	held map[*regmap.Point]regmap.Value
}

func (q quiet) Value(p *regmap.Point) regmap.Value { return q.held[p] }
func (q quiet) Set(*regmap.Point, regmap.Value)    {}

// BenchmarkStep is one fixed step of a plant by itself: steps a second are what
// a speed costs.
func BenchmarkStep(b *testing.B) {
	for name, change := range map[string]map[string]string{
		"Prism":    {"inflow": "{constant: 18}"},
		"Cylinder": {"inflow": "{constant: 6}", "geometry": "{diameter: 3.0, length: 2.0}"},
		"Curves":   {"inflow": "{constant: 18}", "pumps": "[{curve: [[0, 20], [40, 0]]}, {curve: [[0, 20], [40, 0]]}]", "system": "{lift: 8.0, loss: 5.0, at: 20}", "start": "2.2"},
		"Noise":    {"inflow": "{constant: 18}", "transmitter": "{point: level, span: [0, 3], lag: 2s, noise: 0.001}"},
	} {
		b.Run(name, func(b *testing.B) {
			p, d := made(b, vesselText(change), nil)
			v := p.(*vessel)
			p.Step(0, quiet{d.values})
			b.ReportAllocs()
			b.ResetTimer()
			p.Step(time.Duration(b.N)*v.step, quiet{d.values})
			b.ReportMetric(float64(time.Second)/float64(b.Elapsed())*float64(b.N), "steps/s")
		})
	}
}

// BenchmarkMemory is what one more plant takes.
func BenchmarkMemory(b *testing.B) {
	model, d, _ := read(b, vesselText(map[string]string{"inflow": "{constant: 18}"}), nil)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	all := make([]Process, b.N)
	for i := range all {
		all[i] = model.New()
		all[i].Step(time.Second, quiet{d.values})
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/float64(b.N), "B/plant")
	runtime.KeepAlive(all)
}
