package simdevice

import (
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// driven is the cistern with one source of each kind.
const driven = cistern + `
simulate:
  points:
    level: {start: 1.20}
    flow: {constant: 4.0}
    lead-start: {start: 1.5}
    lag-start: {constant: 1.25}
    total: {ramp: {from: 0, to: 100, over: 60s, then: repeat}}
    rate: {ramp: {from: 10, to: 0, over: 10s}}
    run: {constant: on}
    alarm: {start: false}
    pump: {start: true}
    state.pump-1-running: {constant: true}
    state: {start: 0x0100}
    state.duty: {constant: pump-2-leads}
    tag: {start: P-01}
    code: {start: 321}
`

func shows(t *testing.T, b *Bank, point string, want regmap.Value) {
	t.Helper()
	p := b.Map().Point(point)
	if p == nil {
		t.Fatalf("no point %q", point)
	}
	if got := b.Value(p); !got.Same(want) {
		t.Errorf("%s shows %v (%s), want %v", point, p.Shown(got), got.Cause(), p.Shown(want))
	}
}

func number(t *testing.T, s string) regmap.Value {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return regmap.ExactValue(r)
}

func TestSourcesAtTheStart(t *testing.T) {
	b := bankOf(t, driven)
	for point, want := range map[string]string{
		"level": "1.2", "flow": "4", "lead-start": "1.5", "lag-start": "1.25", "total": "0", "rate": "10",
		"code": "321", "serial-no": "0", "state.duty": "1", "high-stop": "0", // without a source raw 0
	} {
		shows(t, b, point, number(t, want))
	}
	for point, on := range map[string]bool{
		"run": true, "alarm": false, "pump": true, "valve": false, "state.pump-1-running": true, "state.healthy": true,
	} {
		shows(t, b, point, regmap.BoolValue(on))
	}
	shows(t, b, "tag", regmap.TextValue("P-01"))
	// Bits go into their word whatever the order of the file: 0x0100 + bit 0 + bits 4-5.
	if raw, _ := b.AppendRaw(nil, regmap.Span{Table: regmap.HoldingRegister, First: 16, Count: 1}); raw[0] != 0x0111 {
		t.Errorf("state is %04X, want 0111", raw[0])
	}
}

func TestRamps(t *testing.T) {
	b := bankOf(t, driven)
	for _, row := range []struct {
		at          time.Duration
		total, rate string
	}{
		{0, "0", "10"}, {3 * time.Second, "5", "7"}, {9 * time.Second, "15", "1"}, {10 * time.Second, "17", "0"},
		{30 * time.Second, "50", "0"}, {60*time.Second - 1, "100", "0"}, {60 * time.Second, "0", "0"},
		{90 * time.Second, "50", "0"}, {24 * time.Hour, "0", "0"}, {-time.Second, "0", "10"},
	} {
		if err := b.Step(row.at); err != nil {
			t.Fatal(err)
		}
		shows(t, b, "total", number(t, row.total)) // rounded to the nearest count
		shows(t, b, "rate", number(t, row.rate))
	}
}

// A write changes a start for good, a constant until the next step.
func TestWritesAndSources(t *testing.T) {
	s := stationOf(t, driven, Options{})
	b := s.Bank(testUnit)
	ask(t, s, testUnit, "10 00 20 00 02 04 07 D0 07 D0") // lead-start and lag-start 2.0
	shows(t, b, "lead-start", number(t, "2"))
	shows(t, b, "lag-start", number(t, "2"))
	if err := s.Step(time.Second); err != nil {
		t.Fatal(err)
	}
	shows(t, b, "lead-start", number(t, "2"))
	shows(t, b, "lag-start", number(t, "1.25"))
}

func TestSimulateFaults(t *testing.T) {
	for _, row := range []struct{ block, place, says string }{
		{"points: {levle: {start: 1}}", "simulate.points.levle", `"levle" is no point of this map; did you mean level?`},
		{"points: {zzzzzz: {start: 1}}", "simulate.points.zzzzzz", "no point of this map"},
		{"points: {state.pump-1: {start: 1}}", "state.pump-1", "no point of this map"},
		{"points: {level: {start: 70}}", "simulate.points.level.start", "beyond what the type can hold"},
		{"points: {level: {constant: -1}}", "simulate.points.level.constant", "beyond what the type can hold"},
		{"points: {level: {start: high}}", "level.start", `"high" is no number`},
		{"points: {level: {start: [1]}}", "level.start", "is wanted here, this is a list"},
		{"points: {level: {start: }}", "level.start", "this is nothing"},
		{"points: {level: {}}", "simulate.points.level", "one of start, constant and ramp is wanted here"},
		{"points: {level: {start: 1, constant: 2}}", "level.constant", "this is a second one"},
		{"points: {level: {start: 1, ramp: {from: 0, to: 1, over: 1s}}}", "level.ramp", "this is a second one"},
		{"points: {level: {strat: 1}}", "level.strat", "did you mean start?"},
		{"points: {level: 1.2}", "points.level", "a block of keys is wanted here"},
		{"points: {run: {start: maybe}}", "run.start", `"maybe" is neither true nor false`},
		{"points: {run: {ramp: {from: 0, to: 1, over: 1s}}}", "run.ramp.from", "a ramp needs a number"},
		{"points: {tag: {ramp: {from: 0, to: 1, over: 1s}}}", "tag.ramp.from", "a ramp needs a number"},
		{"points: {tag: {start: too long}}", "tag.start", "a string of 4 characters"},
		{"points: {state.duty: {start: 4}}", "state.duty.start", "2 bits"},
		{"points: {state.duty: {start: pump-3-leads}}", "state.duty.start", "is no number"},
		{"points: {state: {start: 1.5}}", "state.start", "a whole number from 0"},
		{"points: {total: {ramp: {from: 0, to: 1}}}", "total.ramp", "over is missing"},
		{"points: {total: {ramp: {to: 1, over: 5s}}}", "total.ramp", "from is missing"},
		{"points: {total: {ramp: {from: 0, to: x, over: 5s}}}", "total.ramp.to", "is no number"},
		{"points: {total: {ramp: {from: 0, to: 1, over: 0s}}}", "total.ramp.over", "more than 0s"},
		{"points: {total: {ramp: {from: 0, to: 1, over: 5}}}", "total.ramp.over", "no unit of time"},
		{"points: {total: {ramp: {from: -1, to: 1, over: 5s}}}", "total.ramp.from", "beyond what the type can hold"},
		{"points: {total: {ramp: {from: 1, to: 5e9, over: 5s}}}", "total.ramp.to", "beyond what the type can hold"},
		{"points: {total: {ramp: {from: 0, to: 1, over: 5s, then: hol}}}", "total.ramp.then", "did you mean hold?"},
		{"proces: {kind: vessel}", "simulate.proces", "did you mean process?"},
		{"process: {kind: vessel}", "simulate.process", "geometry is missing"},
		{"process: {}", "simulate.process", "kind is missing"},
		{"process: {kind: vesel}", "simulate.process.kind", "did you mean vessel?"},
		{"process: 5", "simulate.process", "a block of keys"},
		{"points: [1]", "simulate.points", "a block of keys is wanted here"},
	} {
		var rep doc.Report
		m := regmap.Load("bad.yaml", []byte(cistern+"simulate:\n  "+row.block+"\n"), &rep, Simulate())
		faults := rep.Faults()
		if m != nil || len(faults) == 0 {
			t.Errorf("%s: no fault", row.block)
			continue
		}
		f := faults[0]
		if !strings.Contains(f.Path, row.place) || !strings.Contains(f.Error(), row.says) || f.Pos.Line != strings.Count(cistern, "\n")+2 || f.Pos.Column < 3 {
			t.Errorf("%s:\n  fault %v\n  wants the place %s and the words %q", row.block, f, row.place, row.says)
		}
	}
}

// Every fault of a block is reported in one run.
func TestSimulateReportsAll(t *testing.T) {
	var rep doc.Report
	regmap.Load("bad.yaml", []byte(cistern+`simulate:
  points:
    levle: {start: 1}
    level: {start: 99, constant: 1}
    total: {ramp: {from: x, over: 0s, then: never}}
    run: {start: perhaps}
`), &rep, Simulate())
	if got := len(rep.Faults()); got != 7 {
		t.Errorf("%d faults, want 7:\n%v", got, rep.Err())
	}
}

// The faults of a block come in the same run as those of the map. A point that
// has faults of its own is not unknown, and nothing is said of its values.
func TestSimulateBesideOtherFaults(t *testing.T) {
	const simulated = `simulate:
  points:
    levle: {start: 1}
    level: {start: 999}
    flow: {start: 99999999}
    state.duty: {start: 9}
    state.odd: {start: true}
    sum: {start: 1}
`
	const level, state = "  level: {input-register: 0, type: uint16, scale: {raw: [0, 1000], value: [0, 3]}}\n", "  state: {holding-register: 16, type: bits, bits: {4-5: duty}}\n"
	const unknown, beyond, bits = "simulate.points.levle: ", "simulate.points.level.start: ", "simulate.points.state.duty.start: "
	for _, row := range []struct {
		name, points string
		want         []string // the paths of the faults
	}{
		{"a fault of another point", level + "  flow: {input-register: 010, type: uint16}\n" + state, []string{"points.flow.input-register: ", unknown, beyond, bits, "simulate.points.state.odd: ", "simulate.points.sum: "}},
		{"a fault inside the point", level + "  flow: {input-register: 1, type: uint16, scale: {times: 0}}\n" + state, []string{"points.flow.scale.times: ", unknown, beyond, bits, "simulate.points.state.odd: ", "simulate.points.sum: "}},
		{"a fault of the word", level + "  flow: {input-register: 1, type: uint16}\n  state: {holding-register: 16, type: bitts}\n", []string{"points.state.type: ", unknown, beyond, "simulate.points.flow.start: ", "simulate.points.sum: "}},
		{"two that overlap", level + "  flow: {input-register: 0, type: uint16}\n" + state, []string{"points.flow.input-register: ", unknown, beyond, "simulate.points.flow.start: ", bits, "simulate.points.state.odd: ", "simulate.points.sum: "}},
		{"a derived point", level + "  flow: {input-register: 010, type: uint16}\n" + state + "  sum: {derive: 'p(\"level\") * 2'}\n", []string{"points.flow.input-register: ", unknown, beyond, bits, "simulate.points.state.odd: "}},
		{"a group, whose names are not known then", level + "  flow: {input-register: 1, type: uint16}\n" + state + "groups:\n  pumps: {name: pump, count: 2, stride: 1, points: {a: {coil: 0}}}\n", []string{"groups.pumps.name: ", beyond, "simulate.points.flow.start: ", bits}},
		{"no points at all", "  []\n", []string{"points: "}},
	} {
		var rep doc.Report
		m := regmap.Load("bad.yaml", []byte("device: d\npoints:\n"+row.points+simulated), &rep, Simulate())
		var missing []string
		for _, w := range row.want {
			if !slices.ContainsFunc(rep.Faults(), func(f *doc.Fault) bool { return f.Path+": " == w }) {
				missing = append(missing, w)
			}
		}
		if m != nil || len(missing) > 0 || len(rep.Faults()) != len(row.want) {
			t.Errorf("%s: lacks %v of %v, has\n%v", row.name, missing, row.want, rep.Err())
		}
	}
}

// A derived point holds nothing of its own.
func TestSimulateDerived(t *testing.T) {
	var rep doc.Report
	m := regmap.Load("bad.yaml", []byte("device: d\npoints:\n  a: {coil: 0}\n  sum: {derive: 'p(\"a\") * 2'}\nsimulate: {points: {sum: {start: 1}}}\n"), &rep, Simulate())
	if want := "bad.yaml:5:21: simulate.points.sum: sum is worked out of other points; leave it out, and say what those hold"; m != nil || rep.Err().Error() != want {
		t.Errorf("got %v, want %s", rep.Err(), want)
	}
}

// FuzzSimulate: whatever the text, the block's faults stand in the file, and a
// map that loads drives a bank.
func FuzzSimulate(f *testing.F) {
	for _, s := range []string{driven, cistern, cistern + "simulate: {points: {level: {start: 70}, nothing: {}}}\n", "points: {a: {coil: 0}, b: 1}\nsimulate: {points: {a: {start: on}, b: {ramp: {}}}}"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 1<<14 {
			return
		}
		var rep doc.Report
		m := regmap.Load("f", []byte(text), &rep, Simulate())
		if (m == nil) != rep.Bad() {
			t.Fatalf("map %v, faults %v", m, rep.Err())
		}
		for _, fault := range rep.Faults() {
			if fault.Pos.Line < 1 || fault.Pos.Column < 1 {
				t.Fatalf("%s has no place", fault.Error())
			}
		}
		if m == nil {
			return
		}
		b, err := NewBank(m)
		if err == nil {
			err = b.Step(time.Minute)
		}
		if err != nil {
			t.Fatal(err)
		}
	})
}

// Without the section the block is an unknown key; without the block the
// station holds raw 0.
func TestSimulateIsASection(t *testing.T) {
	var rep doc.Report
	if m := regmap.Load("m.yaml", []byte(driven), &rep); m != nil || !strings.Contains(rep.Err().Error(), "simulate") {
		t.Errorf("loaded without its section: %v", rep.Err())
	}
	b := bankOf(t, cistern)
	for i, raw := range image(b) {
		if raw != 0 {
			t.Fatalf("cell %d holds %04X", i, raw)
		}
	}
	if err := b.Step(time.Hour); err != nil {
		t.Error(err)
	}
}

// The maps of the examples drive a station.
func TestExampleMaps(t *testing.T) {
	for file, want := range map[string]map[string]string{
		"cistern.yaml":     {"level": "1.2", "flow": "12.4", "pressure": "2.31", "temperature": "11.5"},
		"propagation.yaml": {"temperature": "41.5", "energy": "8120", "set-point": "42"},
		"dosing.yaml":      {"dose": "2.1", "deviation": "-0.25", "conductivity": "1.85", "temperature": "-3.5"},
	} {
		text, err := os.ReadFile("../testdata/maps/" + file)
		if err != nil {
			t.Fatal(err)
		}
		var rep doc.Report
		m := regmap.Load(file, text, &rep, Simulate())
		if m == nil {
			t.Fatal(rep.Err())
		}
		b, err := NewBank(m)
		if err != nil {
			t.Fatal(err)
		}
		s, err := New(map[regmap.Unit]*Bank{testUnit: b}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for point, value := range want {
			p := m.Point(point)
			got, ok := b.Value(p).Float()
			w, _ := number(t, value).Float()
			times, _ := p.Scale.TimesPlus()
			step, _ := times.Float64()
			if !ok || got < w-max(step, 1e-5) || got > w+max(step, 1e-5) { // as near as the registers can
				t.Errorf("%s: %s shows %s, want %s", file, point, p.Shown(b.Value(p)), value)
			}
		}
		// Every point is answered, alone, with what the bank holds.
		for p := range m.Readings {
			span := p.Span()
			f := byte(slices.Index(regmap.Tables[:], span.Table) + 1)
			if span.Table == regmap.InputRegister {
				f = 4
			} else if span.Table == regmap.HoldingRegister {
				f = 3
			}
			if got := code(s.Answer(nil, testUnit, pdu(f, int(span.First), span.Count))); got != 0 {
				t.Errorf("%s: %s: exception %d", file, p.Name, got)
			}
		}
	}
}
