package regmap

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

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

// BenchmarkValue converts registers of one span, a value a round; beside it the
// same written by hand. The ratio of the two is the figure.
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

// judgedValue is what a conversion must tell: the value, and how far to trust it.
type judgedValue struct {
	value   float64
	quality Quality
}

// BenchmarkSeries is harsher: thousands of registers of one kind of point in a
// row, one call a value, beside a loop written by hand for just that point, into
// which the compiler puts everything and which calls nothing. x-by-hand is the
// time of the one in times of the other.
func BenchmarkSeries(b *testing.B) {
	for _, v := range []struct {
		name, point string
		hand        func([]judgedValue, []uint16)
	}{
		{"uint16 on a span", "type: uint16, scale: {raw: [4000, 20000], value: [0, 3]}", handSpan},
		{"with signal and range", "type: uint16, scale: {raw: [4000, 20000], value: [0, 3]}, signal: 4-20mA, range: [0, 3]", handSpan},
		{"int16 times, with absent", "type: int16, scale: {times: 0.1}, absent: 0x8000", handTimes},
		{"float32", "type: float32", handFloat},
	} {
		rep := new(doc.Report)
		m := Load("one.yaml", []byte("device: d\npoints: {x: {input-register: 0, "+v.point+"}}"), rep)
		if m == nil {
			b.Fatal(rep.Err())
		}
		p := m.Point("x")
		raw := make([]uint16, 16000)
		for i := range raw {
			raw[i] = uint16(4000 + i*7919%16000) // all of the span, in no order
		}
		b.Run(v.name, func(b *testing.B) {
			var byMap, byHand time.Duration
			got, want := make([]judgedValue, len(raw)/p.Count), make([]judgedValue, len(raw)/p.Count)
			for b.Loop() {
				start := time.Now()
				byTheMap(p, got, raw)
				middle := time.Now()
				v.hand(want, raw)
				byMap, byHand = byMap+middle.Sub(start), byHand+time.Since(middle)
			}
			if !slices.Equal(got, want) {
				b.Fatal("the two give different values")
			}
			values := float64(b.N) * float64(len(got))
			b.ReportMetric(float64(byMap)/values, "ns/value")
			b.ReportMetric(values/byMap.Seconds(), "values/s")
			b.ReportMetric(float64(byMap)/float64(byHand), "x-by-hand")
		})
	}
}

func byTheMap(p *Point, out []judgedValue, raw []uint16) {
	for i := range out {
		v := p.ValueOf(raw[:p.Count])
		f, _ := v.Float()
		out[i] = judgedValue{f, v.Quality()}
		raw = raw[p.Count:]
	}
}

func handSpan(out []judgedValue, raw []uint16) {
	for i, n := range raw {
		q := Good
		if n < 4000 || n > 20000 {
			q = Uncertain
		}
		out[i] = judgedValue{float64(int(n)*3-12000) / 16000, q}
	}
}

func handTimes(out []judgedValue, raw []uint16) {
	for i, n := range raw {
		if n == 0x8000 {
			out[i] = judgedValue{}
			continue
		}
		out[i] = judgedValue{float64(int16(n)) / 10, Good}
	}
}

func handFloat(out []judgedValue, raw []uint16) {
	for i := range out {
		f := float64(math.Float32frombits(uint32(raw[2*i])<<16 | uint32(raw[2*i+1])))
		if math.IsNaN(f) || math.IsInf(f, 0) {
			out[i] = judgedValue{}
			continue
		}
		out[i] = judgedValue{f, Good}
	}
}
