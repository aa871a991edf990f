package plan

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"gopkg.in/yaml.v3"

	"plumbline/regmap/line"
)

// manyPoints is a map of n points as lists have them. kind "registers" mixes
// wide points, small gaps, 'together' and periods; kind "bits" is all coils,
// whose requests may hold the most points.
func manyPoints(kind string, n int) string {
	var b strings.Builder
	b.WriteString("limits: {gap: 4}\npoints:\n")
	for i := range n {
		at := i / 2 * 4
		switch {
		case kind == "bits":
			fmt.Fprintf(&b, "  valve-%d: {coil: %d, about: Valve %d is open}\n", i, i, i)
		case i%4 == 0:
			fmt.Fprintf(&b, "  level-%d:\n    tag: LT-%d\n    about: Level of vessel %d\n    input-register: %d\n    type: uint16\n    scale: {raw: [4000, 20000], value: [0, 3.00]}\n    units: m\n    decimals: 2\n", i, i, i, at)
		case i%4 == 1:
			fmt.Fprintf(&b, "  start-%d: {holding-register: %d, type: int16, scale: {times: 0.001}, units: m, every: %ds}\n", i, at, 1+i%8)
		case i%4 == 2:
			fmt.Fprintf(&b, "  flow-%d: {tag: FT-%d, input-register: %d, type: float32, order: CDAB, units: m3/h}\n", i, i, at)
		default:
			fmt.Fprintf(&b, "  state-%d: {holding-register: %d, type: bits, bits: {0: running, 1: fault}}\n", i, at)
		}
	}
	return b.String()
}

// BenchmarkFor plans maps; the figure is x-yaml, the time beside that of the
// YAML library's own parse of the same text to its nodes, in the same run.
func BenchmarkFor(b *testing.B) {
	for _, kind := range []string{"registers", "bits"} {
		for _, n := range []int{1000, 10_000} {
			for _, on := range []line.Line{tcp, {Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial("p")}} {
				b.Run(fmt.Sprintf("%s/%d points/%s", kind, n, on.Medium), func(b *testing.B) {
					text := manyPoints(kind, n)
					l := onLine(loadMap(b, text), on)
					var ours, peer time.Duration
					for b.Loop() {
						began := time.Now()
						For(l, new(Learnt))
						planned := time.Now()
						var node yaml.Node
						if err := yaml.Unmarshal([]byte(text), &node); err != nil {
							b.Fatal(err)
						}
						ours, peer = ours+planned.Sub(began), peer+time.Since(planned)
					}
					b.ReportMetric(ours.Seconds()/peer.Seconds(), "x-yaml")
					b.ReportMetric(ours.Seconds()*1e3/float64(b.N), "ms/plan")
				})
			}
		}
	}
}
