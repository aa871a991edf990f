package simdevice

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// example is the example map, and its bank.
func example(t testing.TB) *Bank {
	t.Helper()
	text, err := os.ReadFile("../testdata/maps/cistern.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return bankOf(t, string(text))
}

func at(t testing.TB, b *Bank, point string) float64 {
	t.Helper()
	v := b.Value(b.Map().Point(point))
	if on, ok := v.Bool(); ok {
		return map[bool]float64{true: 1}[on]
	}
	f, ok := v.Float()
	if !ok {
		t.Fatalf("%s holds no number", point)
	}
	return f
}

// TestCisternBehaves: a day of the example: levels rise and fall between their
// limits, each pump leads, both run in a storm, alarms come and go.
func TestCisternBehaves(t *testing.T) {
	b := example(t)
	seen := map[string]map[float64]bool{}
	low, high := 9.0, 0.0
	for now := time.Duration(0); now <= 24*time.Hour; now += 10 * time.Second {
		if err := b.Step(now); err != nil {
			t.Fatal(err)
		}
		level := at(t, b, "level")
		low, high = min(low, level), max(high, level)
		for _, name := range []string{"state.pump-1-running", "state.pump-2-running", "state.duty", "state.high-level", "float-switch", "state.healthy", "supply-present"} {
			if seen[name] == nil {
				seen[name] = map[float64]bool{}
			}
			seen[name][at(t, b, name)] = true
		}
		if a, c := at(t, b, "pump-1-starts")-4021, at(t, b, "pump-2-starts")-4020; a+1-c > 1 || c-a-1 > 1 { // pump 1 runs at the beginning
			t.Fatalf("at %s the pumps have started %v and %v times", now, a, c)
		}
	}
	for _, name := range []string{"state.pump-1-running", "state.pump-2-running", "state.duty", "state.high-level", "float-switch"} {
		if len(seen[name]) != 2 {
			t.Errorf("%s showed only %v", name, seen[name])
		}
	}
	if !seen["state.healthy"][1] || len(seen["state.healthy"]) != 1 || low < 0.35 || low > 0.41 || high < 2.75 || high > 2.96 {
		t.Errorf("healthy %v, level from %v to %v m", seen["state.healthy"], low, high)
	}
}

// TestTankBehaves: a day of the heated example: the thermostat keeps it, the
// stirrer goes with it, and what is drawn makes it work.
func TestTankBehaves(t *testing.T) {
	text, err := os.ReadFile("../testdata/maps/propagation.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b := bankOf(t, string(text))
	low, high := 99.0, 0.0
	for now := time.Duration(0); now <= 24*time.Hour; now += 10 * time.Second {
		if err := b.Step(now); err != nil {
			t.Fatal(err)
		}
		low, high = min(low, at(t, b, "temperature")), max(high, at(t, b, "temperature"))
	}
	starts, hours, energy := at(t, b, "heater-starts")-2210, at(t, b, "heater-hours")-406, at(t, b, "energy")-8120
	if low < 35 || low > 40.5 || high < 43.3 || high > 47 || starts < 10 || hours < 2 || energy < 19*hours || energy > 21*hours {
		t.Errorf("from %v to %v Cel, %v starts, %v h, %v kW.h", low, high, starts, hours, energy)
	}
}

// TestPanelMovesSetPoints: a write through the protocol moves a level; the
// controller goes on while nobody asks.
func TestPanelMovesSetPoints(t *testing.T) {
	b := example(t)
	s, err := New(map[regmap.Unit]*Bank{testUnit: b}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	wants(t, s, "06 00 1F 03 E8", "06 00 1F 03 E8") // stop-level 1.000 m
	for now := time.Duration(0); now < 10*time.Minute; now += time.Second {
		if err := s.Step(now); err != nil {
			t.Fatal(err)
		}
		if at(t, b, "state.pump-1-running") == 0 {
			break
		}
	}
	if level := at(t, b, "level"); level < 0.99 || level > 1.01 {
		t.Errorf("the pump stopped at %v m, want the 1.000 m that was written", level)
	}
	wants(t, s, "05 00 00 00 00", "05 00 00 00 00") // pump 1 may not run
	if err := s.Step(time.Hour); err != nil {
		t.Fatal(err)
	}
	if at(t, b, "state.pump-1-running") != 0 {
		t.Error("pump 1 runs though it may not")
	}
}

// TestStepIsOneMoment: what a step publishes is seen together: while a pump's bit is
// on the flow is there.
func TestStepIsOneMoment(t *testing.T) {
	b := example(t)
	stop := make(chan struct{})
	failed := make(chan string, 1)
	go func() {
		defer close(failed)
		flow, state := b.Map().Point("flow"), b.Map().Point("state")
		for {
			select {
			case <-stop:
				return
			default:
			}
			snap := b.Snapshot()
			f, _ := flow.Value(snap).Float()
			bits, _ := state.Value(snap).Uint()
			if running := bits&1 + bits>>1&1; (f > 0) != (running > 0) || f > 13 != (running == 2) {
				failed <- fmt.Sprintf("flow %v with %d pumps", f, running)
				return
			}
		}
	}()
	for now := time.Duration(0); now < 3*time.Hour; now += time.Second {
		if err := b.Step(now); err != nil {
			t.Fatal(err)
		}
	}
	close(stop)
	if why, bad := <-failed; bad {
		t.Error(why)
	}
}

// TestTwoDrivers: a point is driven by the process or by the points block.
func TestTwoDrivers(t *testing.T) {
	text, err := os.ReadFile("../testdata/maps/cistern.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		add, says string
		fault     bool
	}{
		{"    flow: {constant: 4}\n", "flow is set by the process, and the points block drives it too", true},
		{"    level: {ramp: {from: 1, to: 2, over: 60s}}\n", "level is set by the process, and the points block", true},
		{"    level: {start: 1.5}\n", "its start in the points block is never seen", false},
	} {
		var rep doc.Report
		m := regmap.Load("m.yaml", []byte(strings.Replace(string(text), "  points:\n    total", "  points:\n"+row.add+"    total", 1)), &rep, Simulate())
		list := rep.Warnings()
		if row.fault {
			list = rep.Faults()
		}
		if (m == nil) != row.fault || len(list) != 1 || !strings.Contains(list[0].Error(), row.says) {
			t.Errorf("%s: %v, warnings %v", row.add, rep.Err(), rep.Warnings())
		}
	}
	var rep doc.Report
	m := regmap.Load("m.yaml", []byte(strings.Replace(string(text), "stop-level: {start: 0.400}", "stop-level: {start: 1.700}", 1)), &rep, Simulate())
	if m != nil || !strings.Contains(rep.Err().Error(), "stop (stop-level) at 1.7 m is not below lead-start (lead-start) at 1.6 m") {
		t.Errorf("set-points out of order: %v", rep.Err())
	}
}

// TestProcessFile: a process of its own file takes the place of the map's.
func TestProcessFile(t *testing.T) {
	b := example(t)
	var rep doc.Report
	model := ReadProcess("p.yaml", []byte("kind: heated-tank\nvolume: 1\nstart: 12.5\nheater: 5\ntransmitter: {point: temperature, span: [0, 50]}\nthermostat: {set-point: 30}\n"), b.Map(), &rep)
	if model == nil || rep.Bad() {
		t.Fatal(rep.Err())
	}
	if err := b.Run(model); err != nil {
		t.Fatal(err)
	}
	if got := at(t, b, "temperature"); got != 12.5 {
		t.Errorf("the temperature is %v at the beginning", got)
	}
	before := at(t, b, "level")
	if err := b.Step(time.Hour); err != nil {
		t.Fatal(err)
	}
	if got := at(t, b, "temperature"); got < 14 || at(t, b, "level") != before {
		t.Errorf("after an hour %v Cel, level %v m", got, at(t, b, "level"))
	}
	for _, bad := range []string{"kind: vessel\nstart: \xff\n", "kind: heated-tank", "- 1", "kind: heated-tank\nvolume: 1\nstart: 12.5\nheater: 5\ntransmitter: {point: serial-no, span: [0, 50]}\nthermostat: {set-point: 30}\nshows: {energy: name}\n"} {
		var rep doc.Report
		if ReadProcess("p.yaml", []byte(bad), b.Map(), &rep) != nil || !rep.Bad() {
			t.Errorf("%q was taken", bad)
		}
	}
}

// TestSchemaTakesTheProcess: the schema knows what the reader knows.
func TestSchemaTakesTheProcess(t *testing.T) {
	raw, err := json.Marshal(doc.Schema("Register map", regmap.MapShape(Simulate())))
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := jsonschema.UnmarshalJSON(strings.NewReader(string(raw)))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("map.json", parsed); err != nil {
		t.Fatal(err)
	}
	schema := c.MustCompile("map.json")
	text, err := os.ReadFile("../testdata/maps/cistern.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var whole map[string]any
	if err := yaml.Unmarshal(text, &whole); err != nil {
		t.Fatal(err)
	}
	valid := func(block any) error {
		out, err := json.Marshal(map[string]any{"device": "d", "points": map[string]any{}, "simulate": block})
		if err != nil {
			t.Fatal(err)
		}
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(string(out)))
		if err != nil {
			t.Fatal(err)
		}
		return schema.Validate(v)
	}
	block := whole["simulate"].(map[string]any)
	if err := valid(block); err != nil {
		t.Errorf("the example's block: %v", err)
	}
	process := block["process"].(map[string]any)
	for key, value := range map[string]any{"kind": "vesel", "geometri": 1, "start": "high", "pumps": 5, "control": map[string]any{"stop": 1}} {
		was, had := process[key]
		process[key] = value
		if valid(block) == nil {
			t.Errorf("%s: %v is taken", key, value)
		}
		if delete(process, key); had {
			process[key] = was
		}
	}
}

// TestExponentRegister: a value goes into its register with the power of ten
// that the other one holds, at the start, later, and not at all where there is
// none. 64.5 with the exponent -1 is 645.
func TestExponentRegister(t *testing.T) {
	const scaled = `
device: Meter
points:
  power: {input-register: 0, type: int16, scale: {exponent: {input-register: 1}}}
  power-exponent: {input-register: 1, type: int16}
simulate:
  points:
    power: {start: 64.5}
    power-exponent: {start: -1}
`
	b := bankOf(t, scaled)
	raw := func() uint16 {
		got, _ := b.AppendRaw(nil, regmap.Span{Table: regmap.InputRegister, First: 0, Count: 1})
		return got[0]
	}
	if raw() != 645 {
		t.Errorf("the register holds %d, want 645", raw())
	}
	m := b.Map()
	power, exponent := m.Point("power"), m.Point("power-exponent")
	if err := b.Publish(Set{exponent, regmap.IntValue(3)}, Set{power, regmap.IntValue(6000000)}); err != nil || raw() != 6000 {
		t.Errorf("%v, the register holds %d, want 6000", err, raw())
	}
	shows(t, b, "power", regmap.IntValue(6000000))
	if err := b.Publish(Set{exponent, regmap.IntValue(-2)}, Set{power, regmap.IntValue(6000000)}); !errors.Is(err, regmap.ErrRange) || raw() != 6000 {
		t.Errorf("%v, the register holds %d", err, raw())
	}
	shows(t, b, "power-exponent", regmap.IntValue(3)) // nothing of it was published
	if err := b.Publish(Set{exponent, regmap.IntValue(77)}, Set{power, regmap.IntValue(1)}); !errors.Is(err, regmap.ErrRange) || !strings.Contains(err.Error(), "exponent") {
		t.Errorf("no power of ten: %v", err)
	}
	var rep doc.Report
	far := regmap.Load("m.yaml", []byte(strings.Replace(scaled, "64.5", "6450000", 1)), &rep, Simulate())
	if far == nil {
		t.Fatal(rep.Err())
	}
	if _, err := NewBank(far); !errors.Is(err, regmap.ErrRange) {
		t.Errorf("64,500,000 tenths: %v", err)
	}
}

// BenchmarkThousandUnits is 1,000 simulated cisterns with their processes in one
// program, stepped ten times a second as `simulate` does: what part of one core
// they take, and how much memory each has.
func BenchmarkThousandUnits(b *testing.B) {
	const units, perSecond = 1000, 10
	text, err := os.ReadFile("../testdata/maps/cistern.yaml")
	if err != nil {
		b.Fatal(err)
	}
	m := mapOf(b, string(text))
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	banks := make([]*Bank, units)
	for i := range banks {
		if banks[i], err = NewBank(m); err != nil {
			b.Fatal(err)
		}
	}
	step := func(n int) {
		for _, bank := range banks {
			if err := bank.Step(time.Duration(n) * time.Second / perSecond); err != nil {
				b.Fatal(err)
			}
		}
	}
	step(1)
	runtime.GC()
	runtime.ReadMemStats(&after)
	b.ReportAllocs()
	b.ResetTimer()
	for n := range b.N {
		step(n + 2)
	}
	each := b.Elapsed().Seconds() / float64(b.N)
	b.ReportMetric(each*perSecond*100, "%core")
	b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/units, "B/unit")
	b.ReportMetric(each/units*1e9, "ns/unit-step")
	runtime.KeepAlive(banks)
}
