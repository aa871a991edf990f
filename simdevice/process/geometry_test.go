package process

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Per cent of the volume of a horizontal cylinder with flat ends at a part of
// its height. The rows at 0.16 and 0.44 are those of a handbook page on
// strapping (10.3 % and 42.4 %); the rest is its formula, worked out apart.
var cylinderShares = []struct{ x, percent float64 }{
	{0.05, 1.8693}, {0.10, 5.2044}, {0.16, 10.3275}, {0.20, 14.2378}, {0.25, 19.5501}, {0.30, 25.2316}, {0.44, 42.3789},
	{0.50, 50}, {0.60, 62.6470}, {0.70, 74.7684}, {0.75, 80.4499}, {0.80, 85.7622}, {0.90, 94.7956}, {0.95, 98.1307},
}

func TestCylinder(t *testing.T) {
	c := cylinder{diameter: 2, length: 5}
	for _, row := range cylinderShares {
		if got := 100 * c.volume(row.x*2) / c.full(); math.Abs(got-row.percent) > 5e-5 {
			t.Errorf("at %v of its height %v %%, want %v", row.x, got, row.percent)
		}
		if got := c.level(row.percent / 100 * c.full()); math.Abs(got/2-row.x) > 1e-6 {
			t.Errorf("%v %% stand at %v of the height, want %v", row.percent, got/2, row.x)
		}
	}
	// The worked vessel of 2 m by 5 m, litres.
	for _, row := range []struct{ level, litres float64 }{
		{2, 15707.96}, {0.25, 1133.28}, {0.5, 3070.92}, {1, 7853.98}, {1.5, 12637.04}, {1.75, 14574.68},
	} {
		if got := c.volume(row.level) * 1000; math.Abs(got-row.litres) > 0.005 {
			t.Errorf("%v m hold %v L, want %v", row.level, got, row.litres)
		}
	}
}

// TestStrappingBetweenCorners: straight lines between corners at each eighth
// are off by at most 1.02 % of the full volume in the outer eighths, 0.40 % in
// the next, 0.20 % and 0.07 % towards the middle.
func TestStrappingBetweenCorners(t *testing.T) {
	c := cylinder{diameter: 2, length: 5}
	var s strapping
	for i := range 9 {
		h := float64(i) / 4
		s.up = append(s.up, corner{h, c.volume(h)})
		s.back = append(s.back, corner{c.volume(h), h})
	}
	for eighth, want := range []float64{1.02, 0.40, 0.20, 0.07, 0.07, 0.20, 0.40, 1.02} {
		most := 0.0
		for i := range 1001 {
			h := (float64(eighth) + float64(i)/1000) / 4
			most = max(most, 100*math.Abs(s.volume(h)-c.volume(h))/c.full())
		}
		if math.Abs(most-want) > 0.0055 {
			t.Errorf("eighth %d is off by up to %.3f %%, want %.2f", eighth+1, most, want)
		}
	}
}

// TestLevelUndoesVolume: every shape's level is the inverse of its volume, and
// rises with it.
func TestLevelUndoesVolume(t *testing.T) {
	for name, s := range map[string]shape{
		"prism": prism{2, 3}, "cylinder": cylinder{2, 5}, "strapping": strapping{[]corner{{0, 0}, {1, 0.5}, {3, 4}}, []corner{{0, 0}, {0.5, 1}, {4, 3}}},
	} {
		full := s.volume(s.height())
		last := -1.0
		for i := range 20001 {
			v := full * float64(i) / 20000
			h := s.level(v)
			if !(h > last) && i > 0 || h < 0 || h > s.height() {
				t.Fatalf("%s: %v m3 stand at %v m, less at %v", name, v, h, last)
			}
			if back := s.volume(h); math.Abs(back-v) > 1e-12*full {
				t.Fatalf("%s: %v m3 stand at %v m, which hold %v", name, v, h, back)
			}
			last = h
		}
		for range 1000 {
			h := s.height() * rand.Float64()
			if back := s.level(s.volume(h)); math.Abs(back-h) > 1e-9*s.height() {
				t.Fatalf("%s: %v m came back as %v", name, h, back)
			}
		}
	}
	for _, tiny := range []float64{1e-300, 1e-15, 1e-9, 1 - 1e-15} {
		if x := depth(min(tiny, 0.5)); !(x >= 0 && x <= 0.5) {
			t.Errorf("a share of %v stands at %v", tiny, x)
		}
	}
}
