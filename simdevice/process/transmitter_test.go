package process

import (
	"math"
	"testing"
	"time"

	"plumbline/regmap"
)

// A vessel that stands still, full to a level.
func still(level, transmitter string) string {
	return vesselText(map[string]string{"start": level, "transmitter": transmitter,
		"control": "{cut-off: 0.01, stop: 0.02, lead-start: 2.97, lag-start: 2.98, alarm: 2.99}"})
}

// TestLoop: 4 to 20 mA over the span, a live zero, and the limits of NAMUR
// NE 43: a working loop carries 3.8 to 20.5 mA. Five points: 4, 8, 12, 16 and
// 20 mA are 0, 25, 50, 75 and 100 % (IEC 60381-1).
func TestLoop(t *testing.T) {
	for _, row := range []struct {
		level, span string
		mA          float64
	}{
		{"0", "[0, 2]", 4}, {"0.5", "[0, 2]", 8}, {"1", "[0, 2]", 12}, {"1.5", "[0, 2]", 16}, {"2", "[0, 2]", 20},
		{"2.0625", "[0, 2]", 20.5}, // 103.125 %
		{"2.9", "[0, 2]", 20.5},
		{"0", "[1, 2]", 3.8}, {"0.9875", "[1, 2]", 3.8}, // -1.25 %
		{"0.5", "[2, 0]", 16}, // a span that falls
	} {
		p, d := made(t, still(row.level, "{current: current, span: "+row.span+"}"), nil)
		for _, at := range []time.Duration{0, time.Second} {
			p.Step(at, d)
			d.near(t, "current", row.mA, 1e-9)
		}
	}
}

// TestBrokenLoop: 3.6 mA and below is a failure (NE 43), and the map's point
// with its signal shows it as one.
func TestBrokenLoop(t *testing.T) {
	for _, row := range []struct {
		keys string
		raw  uint16
	}{{"", 0}, {", broken-current: 3.6", 3600}, {", broken-current: 21.0", 21000}, {", broken-current: 1.5", 1500}} {
		p, d := made(t, still("1.5", "{point: level, current: current, span: [0, 3], broken: [{at: 10s, for: 5s}]"+row.keys+"}"), nil)
		level := d.device.Point("level")
		shows := func() (uint16, regmap.Value) {
			raw, err := level.AppendRaw(nil, d.Value(level), nil)
			if err != nil {
				t.Fatal(err)
			}
			return raw[0], level.ValueOf(raw)
		}
		for _, sound := range []time.Duration{0, 9 * time.Second, 15100 * time.Millisecond} {
			p.Step(sound, d)
			if raw, v := shows(); raw != 12000 || v.Quality() != regmap.Good {
				t.Errorf("at %s the register holds %d, %s", sound, raw, v.Cause())
			}
			if sound == 9*time.Second {
				p.Step(14*time.Second, d)
				if raw, v := shows(); raw != row.raw || v.Cause() != regmap.SignalFailure {
					t.Errorf("broken%s: the register holds %d, %s", row.keys, raw, v.Cause())
				}
				d.near(t, "state.sensor", 1, 0)
				d.near(t, "state.healthy", 0, 0)
			}
		}
		d.near(t, "state.sensor", 0, 0)
	}
}

// TestWrongSpan: the register is what the map makes of the current, so a
// transmitter that is set to 0 to 2 m shows 1 m as 1.5.
func TestWrongSpan(t *testing.T) {
	p, d := made(t, still("1.0", "{point: level, span: [0, 2]}"), nil)
	p.Step(0, d)
	d.near(t, "level", 1.5, 1e-9)
	p, d = made(t, still("1.0", "{point: percent, span: [0, 2]}"), nil) // no loop: the transmitter's own span
	p.Step(0, d)
	d.near(t, "percent", 50, 1e-9)
}

// TestLag: after one time constant 63.2 % of a step are shown, after three
// 95 % (first-order lag).
func TestLag(t *testing.T) {
	spec := &transmitterSpec{span: [2]float64{0, 10}, lag: 10 * time.Second}
	x := spec.transmitter(0, 0)
	for i := 1; i <= 3000; i++ {
		x.advance(0, 0.01, 10)
		if i == 1000 || i == 3000 {
			if got, _ := x.measured(); math.Abs(got-10*(1-math.Exp(-float64(i)/1000))) > 1e-9 {
				t.Errorf("after %d s it shows %v", i/100, got)
			}
		}
	}
}

// TestNoise: it has the deviation that is declared, no bias, and comes again
// with its seed.
func TestNoise(t *testing.T) {
	draw := func(seed int) (all []float64) {
		spec := &transmitterSpec{span: [2]float64{0, 10}, noise: 0.05, seed: seed}
		x := spec.transmitter(5, 0)
		for range 20000 {
			x.advance(0, 0.1, 5)
			got, _ := x.measured()
			all = append(all, got)
		}
		return all
	}
	one, again, other := draw(1), draw(1), draw(2)
	mean, spread, same := 0.0, 0.0, 0
	for i, f := range one {
		if f != again[i] {
			t.Fatalf("value %d came as %v and as %v", i, f, again[i])
		}
		if f == other[i] {
			same++
		}
		mean += f / float64(len(one))
	}
	for _, f := range one {
		spread += (f - mean) * (f - mean) / float64(len(one))
	}
	if math.Abs(mean-5) > 0.002 || math.Abs(math.Sqrt(spread)-0.05) > 0.002 || same > 10 {
		t.Errorf("mean %v, deviation %v, %d values of another seed are the same", mean, math.Sqrt(spread), same)
	}
}

// TestFreeze: the current stands still, and then follows again.
func TestFreeze(t *testing.T) {
	p, d := made(t, vesselText(map[string]string{"inflow": "{constant: 7.2}", "transmitter": "{point: level, span: [0, 3], freeze: [{at: 60s, for: 30s}]}"}), nil)
	p.Step(60*time.Second, d)
	d.near(t, "level", 1.0599, 1e-9) // 2 L/s on 2 m2; it froze before the step to 60 s ended
	p.Step(89*time.Second, d)
	d.near(t, "level", 1.0599, 1e-9)
	d.near(t, "true-level", 1.089, 1e-9)
	p.Step(91*time.Second, d)
	d.near(t, "level", 1.091, 1e-9)
}
