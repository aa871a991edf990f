package process

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// cistern is a map of the invented nursery's cistern with a point for all that
// a process shows and reads.
const cistern = `
device: Cistern
points:
  level: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}, signal: 4-20mA, units: m}
  flow: {input-register: 2, type: float32, units: m3/h}
  flow-litres: {input-register: 60, type: float32, units: L/s}
  total: {input-register: 4, type: uint32, scale: {times: 0.1}, units: m3, counter: true}
  pressure: {input-register: 6, type: uint16, scale: {times: 0.001}, units: bar}
  volume: {input-register: 8, type: float64, units: m3}
  true-level: {input-register: 12, type: float64, units: m}
  current: {input-register: 16, type: float64, units: mA}
  inflow: {input-register: 20, type: float64, units: m3/h}
  spilled: {input-register: 24, type: float64, units: m3}
  hours-1: {input-register: 30, type: float64, units: h}
  hours-2: {input-register: 34, type: float64, units: h}
  hours-short: {input-register: 38, type: uint16, scale: {times: 0.1}, units: h, counter: true}
  starts-1: {input-register: 40, type: uint16, counter: true}
  starts-2: {input-register: 41, type: uint16, counter: true}
  starts-3: {input-register: 42, type: uint16, counter: true}
  starts-4: {input-register: 43, type: bcd16, counter: true}
  percent: {input-register: 44, type: uint16, scale: {times: 0.1}, units: "%"}
  odd: {input-register: 45, type: uint16, units: kg}
  temperature: {input-register: 70, type: float64, units: Cel}
  temperature-2: {input-register: 74, type: float32, units: "[degF]"}
  heat: {input-register: 80, type: float64, units: kW}
  energy: {input-register: 84, type: float64, units: kW.h}
  wanted: {holding-register: 84, type: int16, scale: {times: 0.1}, units: Cel, write: {}}
  power-of-ten: {input-register: 46, type: uint16, scale: {exponent: {input-register: 47}}}
  state: {holding-register: 16, type: bits, bits: {0: run-1, 1: run-2, 2: run-3, 3: run-4, 4: fault-1, 5: fault-2, 6: high, 7: low, 8: {name: healthy, active: 0}, 9-10: lead, 11: sensor, 12: order, 13: called-1, 14: called-2}}
  mode-1: {holding-register: 17, type: uint16, values: {0: hand, 1: off, 2: automatic}, write: {}}
  mode-2: {holding-register: 18, type: uint16, write: {}}
  mode-odd: {holding-register: 19, type: uint16, values: {0: hand, 1: auto}, write: {}}
  stop: {holding-register: 31, type: int16, scale: {times: 0.001}, units: m, write: {}}
  lead-start: {holding-register: 32, type: int16, scale: {times: 0.1}, units: cm, write: {}}
  lag-start: {holding-register: 33, type: int16, scale: {times: 0.1}, units: "%", write: {}}
  high-limit: {holding-register: 34, type: int16, scale: {times: 0.001}, units: m, write: {}}
  enable-1: {coil: 0, write: {}}
  enable-2: {coil: 1, write: {}}
  hand-run: {coil: 2, write: {}}
  reset: {coil: 4, write: {hold: 500ms}}
  float-switch: {discrete-input: 0, active: 0}
  supply: {discrete-input: 1}
  name: {holding-register: 50, type: string, length: 4}
  sum: {derive: 'p("flow") + 1'}
`

// A desk is contents for a process: it holds what was set last.
type desk struct {
	device *regmap.Map
	values map[*regmap.Point]regmap.Value
	sets   int
}

func (d *desk) Value(p *regmap.Point) regmap.Value {
	if v, ok := d.values[p]; ok {
		return v
	}
	return p.ValueOf(make([]uint16, p.Count))
}

func (d *desk) Set(p *regmap.Point, v regmap.Value) {
	if _, err := p.AppendRaw(nil, v, make([]uint16, p.Count)); err != nil {
		panic(fmt.Sprintf("%s is given what it cannot hold: %v", p.Name, err))
	}
	d.values[p] = v
	d.sets++
}

// put is what the panel writes.
func (d *desk) put(t testing.TB, name string, v regmap.Value) {
	t.Helper()
	p := d.device.Point(name)
	if p == nil {
		t.Fatalf("no point %q", name)
	}
	d.values[p] = v
}

// get is what a point shows as a number; on is 1.
func (d *desk) get(t testing.TB, name string) float64 {
	t.Helper()
	p := d.device.Point(name)
	if p == nil {
		t.Fatalf("no point %q", name)
	}
	v := d.Value(p)
	if b, ok := v.Bool(); ok {
		if b {
			return 1
		}
		return 0
	}
	f, ok := v.Float()
	if !ok {
		t.Fatalf("%s holds no number", name)
	}
	return f
}

func (d *desk) near(t testing.TB, name string, want, within float64) {
	t.Helper()
	if got := d.get(t, name); !(math.Abs(got-want) <= within) {
		t.Errorf("%s shows %v, want %v within %v", name, got, want, within)
	}
}

// read loads the cistern with a process; starts are what points hold at the
// beginning.
func read(t testing.TB, block string, starts map[string]float64) (*Model, *desk, *doc.Report) {
	t.Helper()
	var rep doc.Report
	m := regmap.Load("test.yaml", []byte(cistern), &rep)
	if m == nil {
		t.Fatalf("the map has faults:\n%v", rep.Err())
	}
	d := &desk{device: m, values: map[*regmap.Point]regmap.Value{}}
	for name, f := range starts {
		v := regmap.FloatValue(f)
		if p := m.Point(name); p != nil && p.Type == regmap.TypeBool {
			v = regmap.BoolValue(f == 1)
		}
		d.put(t, name, v)
	}
	n := doc.Parse("process.yaml", []byte(block), &rep)
	if !n.Present() {
		t.Fatal(rep.Err())
	}
	return Read(n, Site{Map: m, Start: func(p *regmap.Point) (regmap.Value, bool) { v, ok := d.values[p]; return v, ok }}), d, &rep
}

// made is a process at its beginning.
func made(t testing.TB, block string, starts map[string]float64) (Process, *desk) {
	t.Helper()
	m, d, rep := read(t, block, starts)
	if m == nil {
		t.Fatalf("the process has faults:\n%v\n%s", rep.Err(), block)
	}
	return m.New(), d
}

// vesselText is a vessel with the keys given, and the rest of a small station:
// 2 m2, 3 m high, 36 m3/h a pump, set-points in fixed numbers.
func vesselText(change map[string]string) string {
	keys := map[string]string{
		"kind": "vessel", "geometry": "{area: 2.0, height: 3.0}", "start": "1.0",
		"transmitter": "{point: level, span: [0, 3]}",
		"pumps":       "[{rate: 36, running: state.run-1, fault: state.fault-1, hours: hours-1, starts: starts-1}, {rate: 36, running: state.run-2, fault: state.fault-2, hours: hours-2, starts: starts-2}]",
		"control":     "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, lag-start: 2.0, alarm: 2.5}",
		"shows":       "{true-level: true-level, flow: flow, high-level: state.high, low-level: state.low, healthy: state.healthy, lead: state.lead, sensor-fault: state.sensor, set-point-fault: state.order, supply: supply}",
	}
	for k, v := range change {
		keys[k] = v
	}
	var b strings.Builder
	for k, v := range keys {
		if v != "" {
			fmt.Fprintf(&b, "%s: %s\n", k, v)
		}
	}
	return b.String()
}

// until steps a process by one step at a time until something is so, and gives
// the time.
func until(t testing.TB, p Process, d *desk, from, step, most time.Duration, so func() bool) time.Duration {
	t.Helper()
	for at := from; at <= from+most; at += step {
		p.Step(at, d)
		if so() {
			return at
		}
	}
	t.Fatalf("not so within %s", most)
	return 0
}
