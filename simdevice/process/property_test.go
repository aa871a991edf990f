package process

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
)

// dice draws a vessel.
type dice struct{ *rand.Rand }

func (d dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }

func (d dice) one(words ...string) string { return words[d.IntN(len(words))] }

func (d dice) windows(most time.Duration) string {
	var w []string
	for range 1 + d.IntN(3) {
		w = append(w, fmt.Sprintf("{at: %ds, for: %ds}", d.IntN(int(most.Seconds())), 1+d.IntN(600)))
	}
	return "[" + strings.Join(w, ", ") + "]"
}

// profile draws a flow that is up to about most m3/h.
func (d dice) profile(most float64) string {
	parts := []string{fmt.Sprintf("constant: %.3f", d.between(0, most/2))}
	if d.IntN(2) == 0 {
		parts = append(parts, fmt.Sprintf("daily: [[1h, %.2f], [7h30m, %.2f], [20h, %.2f]]", d.between(0, most), d.between(0, most), d.between(0, most)))
	}
	if d.IntN(2) == 0 {
		parts = append(parts, fmt.Sprintf("storm: {peak: %.2f, begin: %dm, rise: %dm, fall: %dm, every: 5h}", d.between(0, 2*most), d.IntN(90), d.IntN(30), d.IntN(90)))
	}
	if d.IntN(3) == 0 {
		parts = append(parts, fmt.Sprintf("series: [[0s, %.2f], [17m, %.2f], [1h, 0]], then: %s", d.between(0, most), d.between(0, most), d.one("hold", "repeat")))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// pumps draws up to four of them; sound ones do as they are told.
func (d dice) pumps(n int, sound bool) string {
	var all []string
	for i := range n {
		p := fmt.Sprintf("running: state.run-%d, starts: starts-%d", i+1, i+1)
		if i < 2 {
			p += fmt.Sprintf(", hours: hours-%d", i+1)
		}
		if d.IntN(2) == 0 {
			p += fmt.Sprintf(", rate: %.2f", d.between(5, 40))
		} else {
			p += fmt.Sprintf(", curve: [[0, %.1f], [%.1f, %.1f], [40, 2.0]]", d.between(20, 30), d.between(8, 20), d.between(10, 18))
		}
		if !sound && d.IntN(2) == 0 {
			p += ", back-flow: 3.5, stuck: " + d.windows(2*time.Hour)
		}
		if !sound && d.IntN(3) == 0 {
			p += ", fails: " + d.windows(2*time.Hour)
		}
		all = append(all, "{"+p+fmt.Sprintf(", run-up: %dms}", d.IntN(2000)))
	}
	return "[" + strings.Join(all, ", ") + "]"
}

// vessel draws the text of a vessel.
func (d dice) vessel(sound bool, alternate string) (text string, pumps int) {
	pumps = 1 + d.IntN(mostPumps)
	filling := d.IntN(3) == 0
	levels := []float64{d.between(0.05, 0.2), d.between(0.3, 0.6), d.between(0.8, 1.0), d.between(1.05, 1.2), d.between(1.25, 1.4), d.between(1.45, 1.6), d.between(1.7, 1.9)}
	if filling {
		for i, l := range levels {
			levels[i] = 2 - l
		}
	}
	control := fmt.Sprintf("{cut-off: %.3f, stop: %.3f, alarm: %.3f, lead-start: %.3f", levels[0], levels[1], levels[6], levels[2])
	for i := 1; i < pumps; i++ {
		control += fmt.Sprintf(", %s: %.3f", setPointKeys[keyStart+i], levels[2+i])
	}
	if d.IntN(2) == 0 {
		control += fmt.Sprintf(", lag-stop: %.3f", (levels[1]+levels[2])/2)
	}
	control += fmt.Sprintf(", alternate: %s, start-delay: %ds, restart-delay: %ds, fallback: %s, backup-run: 1m, backup-every: 7m}", alternate, d.IntN(20), d.IntN(40), d.one("stop", "timed", map[bool]string{true: "stop", false: "float"}[filling]))
	return vesselText(map[string]string{
		"step":         fmt.Sprintf("%dms", 100+100*d.IntN(20)),
		"service":      map[bool]string{true: "filling", false: "emptying"}[filling],
		"geometry":     d.one("{area: 1.5, height: 2.0}", "{diameter: 2.0, length: 2.5}", "{table: [[0, 0], [0.4, 0.3], [1.1, 1.9], [2.0, 3.3]]}"),
		"start":        fmt.Sprintf("%.3f", d.between(0, 1.9)),
		"running":      fmt.Sprint(d.IntN(pumps + 1)),
		"overflow":     fmt.Sprintf("%.3f", d.between(1.9, 2.0)),
		"suction":      fmt.Sprintf("%.3f", d.between(0, 0.1)),
		"main-volume":  fmt.Sprintf("%.3f", d.between(0, 0.5)),
		"inflow":       d.profile(20),
		"demand":       d.profile(10),
		"leaks":        d.one("", "[{flow: 1.5, at: 2.0, height: 0.3}]", "[{flow: 4.0, at: 1.0}, {flow: 0.3, at: 1.5, height: 1.2, when: [{at: 5m, for: 50m}]}]"),
		"power-fails":  d.windows(2 * time.Hour),
		"system":       "{lift: 4.0, loss: 6.0, at: 20}",
		"transmitter":  fmt.Sprintf("{point: level, span: [0, 2], lag: %ds, noise: %.4f, seed: %d, broken: %s, freeze: %s}", d.IntN(5), d.one2(0, 0.005), d.IntN(1000), d.windows(2*time.Hour), d.windows(2*time.Hour)),
		"float-switch": "{at: 1.85, point: float-switch}",
		"pumps":        d.pumps(pumps, sound),
		"control":      control,
	}), pumps
}

func (d dice) one2(a, b float64) float64 {
	if d.IntN(2) == 0 {
		return a
	}
	return b
}

// seeded is chance that a failure can be repeated with.
func seeded(t *testing.T) dice {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return dice{rand.New(rand.NewPCG(seed, 1))}
}

// TestConservation: what came in is what was pumped, drawn, leaked and ran
// over, and what is there, to 1e-9 of what came in. (A balance; mass is
// conserved.)
func TestConservation(t *testing.T) {
	d := seeded(t)
	for range 40 {
		text, _ := d.vessel(false, d.one(alternations...))
		p, desk := made(t, text, nil)
		v := p.(*vessel)
		began := v.contents.value()
		for at := time.Duration(0); at < 3*time.Hour; at += time.Duration(1 + d.IntN(int(10*time.Minute))) {
			p.Step(at, desk)
			in, out := v.in.value(), v.drawn.value()+v.leaked.value()+v.spilled.value()
			if v.filling {
				in += v.pumped.value()
			} else {
				out += v.pumped.value()
			}
			came := math.Abs(in)
			if rest := in - out - (v.contents.value() - began); math.Abs(rest) > 1e-9*came {
				t.Fatalf("at %s %v m3 of %v came from nowhere\n%s", at, rest, came, text)
			}
			if c := v.contents.value(); !(c >= -1e-12 && c <= v.crest+1e-9) || math.IsNaN(v.level()) {
				t.Fatalf("at %s there are %v m3 in a vessel of %v\n%s", at, c, v.crest, text)
			}
			if !v.filling && math.Abs(v.pumped.value()-v.delivered.value()-(v.inMain-v.main)) > 1e-9*came {
				t.Fatalf("at %s the main holds what was not pumped into it\n%s", at, text)
			}
		}
	}
}

// TestAnyStepping: however the way to a time is cut, what is shown is the same
// to the last bit.
func TestAnyStepping(t *testing.T) {
	d := seeded(t)
	for range 15 {
		text, _ := d.vessel(false, d.one(alternations...))
		model, _, rep := read(t, text, nil)
		if model == nil {
			t.Fatal(rep.Err(), text)
		}
		const end = 2 * time.Hour
		shown := func(next func(at time.Duration) time.Duration) map[string]regmap.Value {
			_, desk, _ := read(t, text, nil)
			p := model.New()
			moved := &desk0{desk, model}
			for at := time.Duration(0); at < end; at = next(at) {
				p.Step(at, moved)
			}
			p.Step(end, moved)
			return moved.shown()
		}
		want := shown(func(time.Duration) time.Duration { return end })
		for name, next := range map[string]func(time.Duration) time.Duration{
			"as the clock ticks": func(at time.Duration) time.Duration { return at + 3700*time.Millisecond },
			"at sixty times":     func(at time.Duration) time.Duration { return at + 6*time.Second },
			"by chance":          func(at time.Duration) time.Duration { return at + time.Duration(d.IntN(int(9*time.Minute))) },
		} {
			got := shown(next)
			for point, v := range want {
				if !got[point].Same(v) {
					t.Fatalf("%s: %s shows %s, in one step %s\n%s", name, point, got[point].Decimal(), v.Decimal(), text)
				}
			}
		}
	}
}

// desk0 is a desk for a process of a model that was read with other points: it
// goes by their names.
type desk0 struct {
	*desk
	model *Model
}

func (d *desk0) shown() map[string]regmap.Value {
	all := map[string]regmap.Value{}
	for _, o := range d.model.Outputs {
		all[o.Point.Name] = d.values[o.Point]
	}
	return all
}

// TestAlternation: the starts of pumps that take turns differ by at most one,
// whatever levels, storms, power failures and broken loops there were, as long
// as every pump does as it is told.
func TestAlternation(t *testing.T) {
	d := seeded(t)
	most := 0.0
	for range 25 {
		text, pumps := d.vessel(true, "each-stop")
		p, desk := made(t, text, nil)
		v := p.(*vessel)
		for at := time.Duration(0); at < 6*time.Hour; at += 20 * time.Second {
			p.Step(at, desk)
			least, high := math.Inf(1), 0.0
			for i := range pumps {
				n := v.plant[i].starts.value()
				if i < v.running && !v.vesselSpec.power.open(0) {
					n++ // it ran at the beginning
				}
				least, high = min(least, n), max(high, n)
			}
			if most = max(most, high); high-least > 1 {
				t.Fatalf("at %s the starts differ by %v\n%s", at, high-least, text)
			}
		}
	}
	if most < 5 {
		t.Errorf("no pump started more than %v times: nothing was tried", most)
	}
}

// TestHoursTakeTurns: by hours, the hours of two pumps stay within the run of
// one cycle of each other. Source: trade practice on elapsed-time meters.
func TestHoursTakeTurns(t *testing.T) {
	for _, alternate := range []string{"each-stop", "hours"} {
		p, d := made(t, vesselText(map[string]string{"inflow": "{constant: 9}", "start": "0.5",
			"control": "{cut-off: 0.1, stop: 0.5, lead-start: 1.25, lag-start: 2.0, alarm: 2.5, alternate: " + alternate + "}"}), nil)
		const run = 1.5 / (36 - 9) // h: V / (D - Q); the run-up adds a second
		for at := time.Duration(0); at < 24*time.Hour; at += time.Minute {
			p.Step(at, d)
			if one, two := d.get(t, "hours-1"), d.get(t, "hours-2"); math.Abs(one-two) > run*1.01 {
				t.Fatalf("%s: at %s the pumps have %v and %v h, apart by more than %v", alternate, at, one, two, run)
			}
		}
		if one := d.get(t, "hours-1"); one < 2 {
			t.Errorf("%s: only %v h run", alternate, one)
		}
	}
}
