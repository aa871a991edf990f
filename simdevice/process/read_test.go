package process

import (
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// TestFaults: what cannot be meant is refused, at its place.
func TestFaults(t *testing.T) {
	control := func(change string) map[string]string { return map[string]string{"control": change} }
	for _, row := range []struct {
		change map[string]string
		says   string
	}{
		{map[string]string{"kind": "vesel"}, "did you mean vessel?"},
		{map[string]string{"geometry": "{area: 2}"}, "area and height, by diameter and length, or by a table"},
		{map[string]string{"geometry": "{area: 2, height: 3, diameter: 1}"}, "area and height, by diameter and length"},
		{map[string]string{"geometry": "{area: 0, height: 3}"}, "0 m2 is outside 0.001 to 100000 m2"},
		{map[string]string{"geometry": "{table: [[0, 0]]}"}, "at least 2 pairs, this has 1"},
		{map[string]string{"geometry": "{table: [[0, 0], [1, 2], [1, 3]]}"}, "the first numbers of the pairs must rise"},
		{map[string]string{"geometry": "{table: [[0, 0], [1, 2], [2, 2]]}"}, "volumes of a strapping table must rise"},
		{map[string]string{"geometry": "{table: [[0, 1], [1, 2]]}"}, "begins with [0, 0]"},
		{map[string]string{"geometry": "{table: [[0, 0], 5]}"}, "a pair of two numbers"},
		{map[string]string{"start": "3.5"}, "3.5 m is above 3 m"},
		{map[string]string{"start": ""}, "start is missing"},
		{map[string]string{"overflow": "3.5"}, "3.5 m is above 3 m"},
		{map[string]string{"suction": "3.5"}, "3.5 m is above 3 m"},
		{map[string]string{"step": "0s"}, "0s is outside 1ms to 1m0s"},
		{map[string]string{"step": "5"}, "no unit of time"},
		{map[string]string{"running": "3"}, "3 pumps are to run, and there are 2"},
		{map[string]string{"inflow": "{daily: [[1h, 2], [25h, 3]]}"}, "less than 24h"},
		{map[string]string{"inflow": "{series: [[1s, 2], [2s, 3]]}"}, "a series begins at 0s"},
		{map[string]string{"inflow": "{storm: {peak: 5, rise: 1h, fall: 1h, every: 1h}}"}, "lasts 2h0m0s"},
		{map[string]string{"inflow": "{constant: -1}"}, "-1 m3/h is outside 0"},
		{map[string]string{"inflow": "{rain: 1}"}, `"rain" is an unknown key`},
		{map[string]string{"leaks": "[{flow: 1, at: 1, height: 2}]"}, "not above the hole"},
		{map[string]string{"power-fails": "[{at: 1m, for: 10m, every: 5m}]"}, "comes again every 5m0s, but lasts 10m0s"},
		{map[string]string{"system": "{lift: 3, loss: 2}"}, "loss and at belong together"},
		{map[string]string{"transmitter": "{span: [0]}"}, "a pair of two numbers"},
		{map[string]string{"transmitter": "{span: [1, 1]}"}, "the ends of a span differ"},
		{map[string]string{"transmitter": "{span: [0, 3], broken-current: 4}"}, "4 mA is no failure of a loop"},
		{map[string]string{"transmitter": "{point: state.run-1, span: [0, 3]}"}, "state.run-1 is bool; a number is wanted here"},
		{map[string]string{"transmitter": "{point: odd, span: [0, 3]}"}, "odd is in kg; what the process gives here is in m"},
		{map[string]string{"transmitter": "{point: levle, span: [0, 3]}"}, "did you mean level?"},
		{map[string]string{"transmitter": "{point: sum, span: [0, 3]}"}, "worked out of other points"},
		{map[string]string{"transmitter": "{point: power-of-ten, span: [0, 3]}"}, "power of ten in another register"},
		{map[string]string{"transmitter": "{point: flow, span: [0, 3]}"}, "flow is in m3/h; what the process gives here is in m"},
		{map[string]string{"shows": "{true-level: level}"}, "level is set by another output already"},
		{map[string]string{"shows": "{supply: level}"}, "a point that is on or off is wanted here"},
		{map[string]string{"shows": "{supply: name}"}, "a point that is on or off is wanted here"},
		{map[string]string{"shows": "{flow: name}"}, "name is string; a number is wanted here"},
		{map[string]string{"shows": "{pressure: pressure}"}, "the pressure comes from what the pumps deliver against"},
		{map[string]string{"pumps": "[]"}, "at least one pump"},
		{map[string]string{"pumps": "[{rate: 1}, {rate: 1}, {rate: 1}, {rate: 1}, {rate: 1}]"}, "at most 4 pumps"},
		{map[string]string{"pumps": "[{}, {rate: 1}]"}, "a pump has a rate or a curve"},
		{map[string]string{"pumps": "[{rate: 1, curve: [[0, 2], [1, 1]]}, {rate: 1}]"}, "this is the second"},
		{map[string]string{"pumps": "[{curve: [[0, 2], [1, 1]]}, {rate: 1}]"}, "needs to know what it pumps against"},
		{map[string]string{"pumps": "[{curve: [[0, 1], [1, 1]]}, {rate: 1}]", "system": "{lift: 1}"}, "the head of a curve falls"},
		{map[string]string{"pumps": "[{curve: [[1, 2], [2, 1]]}, {rate: 1}]", "system": "{lift: 1}"}, "begins at no flow"},
		{map[string]string{"pumps": "[{rate: 1, check-valve: false}, {rate: 1}]"}, "back-flow says how much"},
		{map[string]string{"pumps": "[{rate: 1, mode: mode-odd}, {rate: 1}]"}, "not all of hand, off, automatic"},
		{map[string]string{"pumps": "[{rate: 1, mode: manual}, {rate: 1}]"}, `"manual" is no point of this map`},
		{map[string]string{"pumps": "[{rate: 1, starts: state.run-1}, {rate: 1}]"}, "a number is wanted here"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25}"), "alarm is missing"},
		{control("{cut-off: 0.6, stop: 0.5, lead-start: 1.25, alarm: 2}"), "cut-off at 0.6 m is not below stop at 0.5 m"},
		{control("{cut-off: 0.1, stop: 1.5, lead-start: 1.25, alarm: 2}"), "stop at 1.5 m is not below lead-start at 1.25 m"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25, lag-start: 1.1, alarm: 2}"), "lead-start at 1.25 m is not below lag-start at 1.1 m"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25, lag-start: 1.5, alarm: 1.5}"), "lag-start at 1.5 m is not below alarm at 1.5 m"},
		{control("{cut-off: 0.1, stop: 0.5, lag-stop: 1.3, lead-start: 1.25, alarm: 2}"), "lag-stop at 1.3 m is not between stop at 0.5 m and lead-start at 1.25 m"},
		{control("{cut-off: 0.1, stop: stop, lead-start: 1.25, alarm: 2}"), "cut-off at 0.1 m is not below stop (stop) at 0 m"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25, third-start: 1.5, alarm: 2}"), "third-start needs the starts before it"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25, lag-start: 1.3, third-start: 1.5, alarm: 2}"), "more starts (3) than pumps (2)"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25, alarm: 2, fallback: float}"), "no float switch to fall back on"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25, alarm: 2, fallback: timed, backup-run: 10m, backup-every: 5m}"), "run 10m0s of each 5m0s"},
		{control("{cut-off: 0.1, stop: 0.5, lead-start: 1.25, alarm: 2, alternate: sometimes}"), "none of each-stop, hours, never"},
		{map[string]string{"service": "filling"}, "cut-off at 0.1 m is not above stop at 0.5 m"},
	} {
		text := vesselText(row.change)
		m, _, rep := read(t, text, nil)
		var all []string
		for _, f := range rep.Faults() {
			all = append(all, f.Error()+" "+f.Hint)
			if f.Pos.Line < 1 || f.Pos.Column < 1 {
				t.Errorf("%v has no place", f)
			}
		}
		if m != nil || !strings.Contains(strings.Join(all, "\n"), row.says) {
			t.Errorf("%v: wants %q, got\n%s", row.change, row.says, strings.Join(all, "\n"))
		}
	}
	for _, row := range []struct{ text, says string }{
		{tankText(map[string]string{"loss": "900"}), "write a shorter step"},
		{tankText(map[string]string{"volume": "0"}), "0 m3 is outside"},
		{tankText(map[string]string{"thermostat": "{band: 3}"}), "set-point is missing"},
		{"kind: heated-tank\n", "volume is missing"},
		{"{}", "kind is missing"},
		{"[]", "a process is a block of keys"},
	} {
		if m, _, rep := read(t, row.text, nil); m != nil || !strings.Contains(rep.Err().Error()+rep.Faults()[0].Hint, row.says) {
			t.Errorf("%s: wants %q, got %v", row.text, row.says, rep.Err())
		}
	}
}

// TestUnitsThatAreNoCode: they are doubtful, and taken for the process's own.
func TestUnitsThatAreNoCode(t *testing.T) {
	text := strings.Replace(cistern, "units: L/s", "units: litres per blink", 1)
	var rep doc.Report
	m := regmap.Load("m.yaml", []byte(text), &rep)
	n := doc.Parse("p.yaml", []byte(vesselText(map[string]string{"shows": "{flow: flow-litres}"})), &rep)
	if Read(n, Site{Map: m, Start: func(*regmap.Point) (v regmap.Value, ok bool) { return v, false }}) == nil {
		t.Fatal(rep.Err())
	}
	if w := rep.Warnings(); len(w) != 1 || !strings.Contains(w[0].Error(), "no code of UCUM") {
		t.Errorf("warnings %v", w)
	}
}

// TestEveryKeyIsExplained: each key says what it means, and each quantity its
// unit.
func TestEveryKeyIsExplained(t *testing.T) {
	units := []string{"m2", "m3", "m,", ", m", "m3/h", "mA", "kW", "Cel", "K", "bar"}
	keys := 0
	var walk func(path string, s doc.Shape)
	walk = func(path string, s doc.Shape) {
		for _, k := range s.Keys {
			keys++
			if len(k.About) < 8 {
				t.Errorf("%s.%s: %q explains nothing", path, k.Key, k.About)
			}
			hasUnit := false
			for _, u := range units {
				hasUnit = hasUnit || strings.Contains(k.About, u)
			}
			if k.Shape.Kind == doc.DecimalNumber && !hasUnit {
				t.Errorf("%s.%s: %q names no unit", path, k.Key, k.About)
			}
			walk(path+"."+k.Key, k.Shape)
		}
		if s.Item != nil {
			walk(path+"[]", *s.Item)
		}
		for _, f := range s.Forms {
			walk(path, f)
		}
	}
	walk("process", Shape())
	if keys < 100 {
		t.Errorf("only %d keys were walked", keys)
	}
}

// TestPointsCannotHold: a value beyond a register becomes the nearest that it
// holds; the desk would panic.
func TestPointsCannotHold(t *testing.T) {
	p, d := made(t, vesselText(map[string]string{"inflow": "{constant: 900000}", "running": "1", "pumps": "[{rate: 900000, run-up: 0s, running: state.run-1}]", "geometry": "{area: 90000, height: 100}", "overflow": "100", "start": "50",
		"control": "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, alarm: 2.5}", "system": "{lift: 900, loss: 900, at: 0.1}", "shows": "{flow: flow, pressure: pressure, total: total, volume: volume}"}), map[string]float64{"total": 4294967290 * 0.1})
	p.Step(time.Minute, d)
	d.near(t, "pressure", 65.535, 1e-9)
	if v := d.get(t, "total"); v > 1e6 || math.IsNaN(v) {
		t.Errorf("the total did not roll over: %v", v)
	}
}

// FuzzProcess: whatever the text, reading ends with faults that have places or
// with a process that can be stepped and sets only what its points hold.
func FuzzProcess(f *testing.F) {
	f.Add(vesselText(nil), uint16(600))
	f.Add(tankText(nil), uint16(600))
	f.Add(vesselText(map[string]string{"service": "filling", "control": "{cut-off: 2.8, stop: 2.5, lead-start: 1.5, lag-start: 1.0, alarm: 0.5}"}), uint16(9))
	f.Add(vesselText(map[string]string{"geometry": "{table: [[0, 0], [3, 2]]}", "leaks": "[{flow: 1, at: 1}]", "pumps": "[{curve: [[0, 9], [9, 0]], stuck: [{at: 1s, for: 5s}], back-flow: 2}]", "system": "{lift: -1}"}), uint16(9))
	f.Fuzz(func(t *testing.T, text string, seconds uint16) {
		var rep doc.Report
		m := regmap.Load("test.yaml", []byte(cistern), &rep)
		n := doc.Parse("process.yaml", []byte(text), &rep)
		if !n.Present() || rep.Bad() {
			return
		}
		model := Read(n, Site{Map: m, Start: func(*regmap.Point) (v regmap.Value, ok bool) { return v, false }})
		if (model == nil) != rep.Bad() {
			t.Fatalf("model %v, faults %v", model, rep.Err())
		}
		for _, fault := range rep.Faults() {
			if fault.Pos.Line < 1 || fault.Pos.Column < 1 {
				t.Fatalf("%s has no place", fault.Error())
			}
		}
		if model == nil {
			return
		}
		desk := &desk{device: m, values: map[*regmap.Point]regmap.Value{}}
		p := model.New()
		step := time.Second
		if v, ok := p.(*vessel); ok {
			step = v.step
		} else if h, ok := p.(*heated); ok {
			step = h.step
		}
		p.Step(0, desk)
		p.Step(time.Duration(seconds%500)*step, desk)
	})
}
