package plan

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// stations is a line of n stations with one register each, a request of 20.04
// ms, and the given periods in turn.
func stations(t testing.TB, n int, every ...time.Duration) *line.Line {
	l := &line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial("p"), Timing: line.DefaultTiming}
	l.Timing.Latency = 7*time.Millisecond + 437500*time.Nanosecond
	m := loadMap(t, "points: {a: {holding-register: 0, type: uint16}}")
	for i := range n {
		l.Stations = append(l.Stations, line.Station{Unit: regmap.Unit(1 + i), Map: m, Every: every[i%len(every)], Timing: l.Timing})
	}
	return l
}

// due counts, by walking time, what each tick costs.
func due(p Plan, ticks int) []time.Duration {
	load := make([]time.Duration, ticks)
	for i := range p.Requests {
		r := &p.Requests[i]
		for at := range load {
			from, to := time.Duration(at-1)*p.Tick, time.Duration(at)*p.Tick // a tick asks what came due since the last
			for d := r.Phase; d <= to; d += r.Every {
				if d > from {
					load[at] += r.Cost
				}
			}
		}
	}
	return load
}

// TestLevel: ten stations that are read every ten seconds share a tick of a
// second with none, and beside one that is read each second.
func TestLevel(t *testing.T) {
	for _, v := range []struct {
		n       int
		every   []time.Duration
		most    int // requests in one tick
		inPhase int
	}{
		{10, []time.Duration{10 * time.Second}, 10, 10}, // the tick is ten seconds
		{11, append([]time.Duration{time.Second}, repeat(10*time.Second, 10)...), 2, 11},
		{3, []time.Duration{time.Second, 2 * time.Second, 2 * time.Second}, 2, 3},
		{4, []time.Duration{time.Second, 2 * time.Second, 3 * time.Second, 6 * time.Second}, 3, 4}, // two and three always meet, six finds a place
		{3, []time.Duration{time.Second, 2500 * time.Millisecond, 2500 * time.Millisecond}, 2, 3},
		{2, []time.Duration{time.Second, 24 * time.Hour}, 2, 2},
	} {
		p := For(stations(t, v.n, v.every...), new(Learnt))
		one := p.Requests[0].Cost
		if p.Busiest != time.Duration(v.most)*one || p.Cycle != time.Duration(v.inPhase)*one {
			t.Errorf("%v: busiest %v, want %d of %v; cycle %v", v.every, p.Busiest, v.most, one, p.Cycle)
		}
		for at, cost := range due(p, 100) {
			if cost > p.Busiest {
				t.Errorf("%v: tick %d costs %v, said at most %v", v.every, at, cost, p.Busiest)
			}
		}
	}
}

func repeat(d time.Duration, n int) (out []time.Duration) {
	for range n {
		out = append(out, d)
	}
	return out
}

// TestLevelRandom: no tick is heavier than said, nor than with all in phase,
// and phases lie below their period on the grid of ticks.
func TestLevelRandom(t *testing.T) {
	t.Log("seeds 1 to 200")
	in, level := 0.0, 0.0
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed+1, 3))
		var every []time.Duration
		for range 1 + r.IntN(20) {
			every = append(every, []time.Duration{500, 1000, 1500, 2000, 5000, 10000, 12000}[r.IntN(7)]*time.Millisecond)
		}
		p := For(stations(t, len(every), every...), new(Learnt))
		for i := range p.Requests {
			if q := &p.Requests[i]; q.Phase%p.Tick != 0 || q.Phase >= q.Every {
				t.Fatalf("seed %d: phase %v of %v, tick %v", seed+1, q.Phase, q.Every, p.Tick)
			}
		}
		heaviest := time.Duration(0)
		for _, cost := range due(p, 240) {
			heaviest = max(heaviest, cost)
		}
		if heaviest != p.Busiest || p.Busiest > p.Cycle {
			t.Fatalf("seed %d: heaviest tick %v, said %v, cycle %v", seed+1, heaviest, p.Busiest, p.Cycle)
		}
		in, level = in+p.Cycle.Seconds(), level+p.Busiest.Seconds()
	}
	t.Logf("busiest tick: %.2f of the one with all in phase, over 200 lines", level/in)
}

// TestSpread: a station's requests of one period stay together while the tick
// holds them, and are spread where it does not.
func TestSpread(t *testing.T) {
	var b strings.Builder
	b.WriteString("points:\n  fast: {input-register: 0, type: uint16}\n")
	for i := range 12 { // each a request of 155 ms
		fmt.Fprintf(&b, "  s%d: {holding-register: %d, type: string, length: 250, every: 10s}\n", i, i*200)
	}
	l := &line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial("p")}
	phases := func(most int, every time.Duration) int {
		l.Every = every
		m := loadMap(t, b.String())
		m.Points = m.Points[:1+most]
		seen := map[time.Duration]bool{}
		p := For(line.Single(*l, m, 17), new(Learnt))
		if p.Busiest > p.Tick {
			t.Errorf("%d requests: busiest %v of %v", most, p.Busiest, p.Tick)
		}
		for _, r := range p.Requests[1:] {
			seen[r.Phase] = true
		}
		return len(seen)
	}
	if n := phases(5, time.Second); n != 1 {
		t.Errorf("five fit one tick and lie in %d", n)
	}
	if n := phases(12, time.Second); n < 2 {
		t.Error("twelve overrun the tick and are not spread")
	}
}

func TestNext(t *testing.T) {
	r := Request{Every: 10 * time.Second, Phase: 3 * time.Second}
	for at, want := range map[time.Duration]time.Duration{0: 3, 2: 3, 3: 13, 12: 13, 13: 23, 100: 103} {
		if got := r.Next(at * time.Second); got != want*time.Second {
			t.Errorf("after %d s: %v, want %d s", at, got, want)
		}
	}
	r.Every, r.Phase = 0, 0
	if got := r.Next(time.Minute); got != time.Minute {
		t.Errorf("without pause: %v", got)
	}
}

func TestWithoutPause(t *testing.T) {
	p := For(stations(t, 3, 0, 10*time.Second), new(Learnt))
	if p.Tick != 0 || p.Busiest != p.Cycle {
		t.Errorf("tick %v, busiest %v of %v", p.Tick, p.Busiest, p.Cycle)
	}
	if _, paced := p.Load(); paced || !p.Fits() {
		t.Error("a line that is never idle has a load, or does not fit")
	}
}
