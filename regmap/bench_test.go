package regmap

import (
	"fmt"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"plumbline/regmap/doc"
)

// manyPoints is a map of n points as lists have them: spans, alarms, bits,
// set-points.
func manyPoints(n int) []byte {
	var b strings.Builder
	b.WriteString("device: many\nlimits: {gap: 4}\npoints:\n")
	tables := []string{"input-register", "holding-register"}
	for i := range n {
		at, table := i/2*4, tables[i%2]
		switch i % 4 {
		case 0:
			fmt.Fprintf(&b, "  level-%d:\n    tag: LT-%d\n    about: Level of vessel %d\n    %s: %d\n    type: uint16\n    scale: {raw: [4000, 20000], value: [0, 3.00]}\n    signal: 4-20mA\n    units: m\n    decimals: 2\n    alarm: {high: 2.60, low: 0.30, deadband: 0.05, delay: 5s}\n", i, i, i, table, at)
		case 1:
			fmt.Fprintf(&b, "  lead-start-%d: {%s: %d, type: int16, scale: {times: 0.001}, units: m, write: {min: 0.50, max: 2.50}}\n", i, table, at)
		case 2:
			fmt.Fprintf(&b, "  flow-%d: {tag: FT-%d, %s: %d, type: float32, order: CDAB, units: m3/h, decimals: 2}\n", i, i, table, at)
		case 3:
			fmt.Fprintf(&b, "  state-%d: {%s: %d, type: bits, bits: {0: running, 1: {name: fault, alarm: true}, 4-5: duty}}\n", i, table, at)
		}
	}
	return []byte(b.String())
}

// BenchmarkLoad reads and checks maps; BenchmarkNodes is the YAML library's own
// parse of the same text to its nodes. The ratio of the two is the figure.
func BenchmarkLoad(b *testing.B) {
	for _, n := range []int{1000, 10_000} {
		text := manyPoints(n)
		b.Run(fmt.Sprintf("%d points", n), func(b *testing.B) {
			for b.Loop() {
				rep := new(doc.Report)
				if Load("many.yaml", text, rep) == nil {
					b.Fatal(rep.Err())
				}
			}
		})
		b.Run(fmt.Sprintf("%d points, nodes only", n), func(b *testing.B) {
			for b.Loop() {
				var node yaml.Node
				if err := yaml.Unmarshal(text, &node); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkValue converts registers of one span; beside it the same sum written
// by hand.
func BenchmarkValue(b *testing.B) {
	rep := new(doc.Report)
	m := Load("one.yaml", []byte("device: d\npoints: {level: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3]}}}"), rep)
	if m == nil {
		b.Fatal(rep.Err())
	}
	p := m.Point("level")
	raw := []uint16{0}
	b.Run("map", func(b *testing.B) {
		sum := 0.0
		for i := 0; b.Loop(); i++ {
			raw[0] = uint16(4000 + i%16000)
			f, _ := p.ValueOf(raw).Float()
			sum += f
		}
		b.ReportMetric(sum/float64(b.N), "mean")
	})
	b.Run("by hand", func(b *testing.B) {
		sum := 0.0
		for i := 0; b.Loop(); i++ {
			raw[0] = uint16(4000 + i%16000)
			if n := raw[0]; n >= 4000 && n <= 20000 {
				sum += float64(int(n)*3-12000) / 16000
			}
		}
		b.ReportMetric(sum/float64(b.N), "mean")
	})
}
