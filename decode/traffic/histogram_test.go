package traffic

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// TestQuantiles: against the sorted list, never too low and at most 10.1 % too
// high; least, most and mean are exact.
func TestQuantiles(t *testing.T) {
	dice := rand.New(rand.NewPCG(5, 5))
	for range 50 {
		var h, a, b histogram
		var list []time.Duration
		var sum time.Duration
		scale := math.Pow(10, 4+4*dice.Float64())
		for range 1 + dice.IntN(2000) {
			d := time.Duration(dice.ExpFloat64()*scale) + lowestEdge
			list = append(list, d)
			sum += d
			h.add(d)
			[]*histogram{&a, &b}[dice.IntN(2)].add(d)
		}
		slices.Sort(list)
		a.merge(&b)
		for _, p := range []float64{0.001, 0.5, 0.9, 0.99, 0.999, 1} {
			want := list[min(max(int(math.Ceil(p*float64(len(list))))-1, 0), len(list)-1)]
			if got := h.quantile(p); got < want || float64(got) > 1.101*float64(want) || a.quantile(p) != got {
				t.Fatalf("%v of %d: %v (merged %v), the list says %v", p, len(list), got, a.quantile(p), want)
			}
		}
		if h.least != list[0] || h.most != list[len(list)-1] || h.mean() != sum/time.Duration(len(list)) || a.least != h.least || a.count != h.count {
			t.Fatalf("%+v", h)
		}
		limit := list[len(list)/2]
		beyond := uint64(0)
		for _, d := range list {
			if float64(d) > 1.101*float64(limit) {
				beyond++
			}
		}
		if got := h.above(limit); got < beyond || got > uint64(len(list)/2) {
			t.Fatalf("above %v: %d, the list says %d to %d", limit, got, beyond, len(list)/2)
		}
	}
	var none histogram
	if none.quantile(0.5) != 0 || none.mean() != 0 || none.above(1) != 0 {
		t.Error("an empty histogram has times")
	}
	for i := range buckets - 1 {
		if bucketOf(edges[i]) != i || bucketOf(edges[i]+1) != i+1 {
			t.Fatalf("edge %d: %d, %d", i, bucketOf(edges[i]), bucketOf(edges[i]+1))
		}
	}
	if bucketOf(time.Hour*24*365) != buckets-1 || bucketOf(-1) != 0 {
		t.Error("the ends")
	}
}

// TestPeriod: of a poll each second with jitter, the repeats left out.
func TestPeriod(t *testing.T) {
	var x times
	for i := range 100 {
		x.add(time.Duration(i)*time.Second + ms(float64(i%3)*10))
	}
	if p, j := x.period(); p != ms(1010) || j != ms(30) || x.least != ms(980) || x.most != ms(1010) {
		t.Errorf("period %v, jitter %v, %v to %v", p, j, x.least, x.most)
	}
	var none times
	none.add(0)
	if p, j := none.period(); p != 0 || j != 0 {
		t.Error("one request has no period")
	}
}

// TestTimeline: the sums do not depend on how often it was halved.
func TestTimeline(t *testing.T) {
	var line timeline
	var held, frames time.Duration
	for i := range 5000 {
		from := time.Duration(i) * ms(37)
		line.add(from, from+ms(11), ms(5), i%10 == 0)
		held += ms(11)
		frames += ms(5)
	}
	var got slot
	for i, s := range line.slots {
		got.held += s.held
		got.frames += s.frames
		got.count += s.count
		got.failed += s.failed
		if s.held > line.width {
			t.Fatalf("slot %d holds %v of %v", i, s.held, line.width)
		}
	}
	if got.held != held || got.count != 5000 || got.failed != 500 || got.frames > frames || got.frames < frames-ms(1) {
		t.Errorf("%+v, want held %v, frames %v", got, held, frames)
	}
	if line.used > slots || line.used < slots/2 || time.Duration(line.used)*line.width < 5000*ms(37)-line.width {
		t.Errorf("%d slots of %v", line.used, line.width)
	}
}

func TestNumbersForPeople(t *testing.T) {
	for d, want := range map[time.Duration]string{ms(0.25): "0.25 ms", ms(23): "23 ms", ms(1500): "1.5 s", 90 * time.Minute: "90 min", 50 * time.Hour: "50 h"} {
		if got := span(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
	for v, want := range map[float64]string{0: "0 %", 0.00001: "below 0.01 %", 0.0047: "0.47 %", 0.0123: "1.2 %", 1: "100 %"} {
		if got := percent(v); got != want {
			t.Errorf("%v is %q, want %q", v, got, want)
		}
	}
	for d, want := range map[time.Duration]time.Duration{ms(0.2): ms(1), ms(10): ms(10), ms(12.5): ms(13), ms(55): ms(55), ms(131): ms(140), ms(672): ms(700), ms(600): ms(600), ms(1310): ms(1400)} {
		if got := roundUp(d); got != want {
			t.Errorf("%v is rounded to %v, want %v", d, got, want)
		}
	}
	// Source: tables of the normal distribution, from memory.
	for p, want := range map[float64]float64{0.5: 0, 0.975: 1.95996, 0.999: 3.09023} {
		if got := probit(p); math.Abs(got-want) > 1e-5 {
			t.Errorf("probit(%v) = %v, want %v", p, got, want)
		}
	}
}
