package plan

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/regmap/line"
)

// slowLine is five blocks of 125 registers at 1200 bit/s: 2475.0 ms each.
// Source: serial guide V1.02, 2.5.1.1, computed.
func slowLine(t testing.TB, baud int, every time.Duration) *line.Line {
	var b strings.Builder
	b.WriteString("points:\n")
	for i := range 5 * 125 {
		fmt.Fprintf(&b, "  r%d: {holding-register: %d, type: uint16}\n", i, i)
	}
	l := line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial("p"), Every: every}
	l.Serial.Baud = baud
	return line.Single(l, loadMap(t, b.String()), 17)
}

func TestLoad(t *testing.T) {
	l := slowLine(t, 1200, 10*time.Second)
	p := For(l, new(Learnt))
	load, paced := p.Load()
	if !paced || math.Abs(load-1.2375) > 1e-4 || p.Fits() {
		t.Errorf("load %v, want 1.2375: it cannot fit", load)
	}
	got := Relieve(l, &p, new(Learnt))
	// 12.375 s in 20 s; 2400 bit/s takes half of it; four blocks of five are 9.9 s.
	if got.Every != 20*time.Second || math.Abs(got.EveryLoad-0.61875) > 1e-4 || got.Baud != 2400 || math.Abs(got.BaudLoad-0.61875) > 1e-4 || got.Points != 500 || got.Of != 625 {
		t.Errorf("%+v", got)
	}
	for _, r := range p.Requests {
		if r.Cost.Round(100*time.Microsecond) != 2475*time.Millisecond {
			t.Errorf("%v costs %v", r.Span, r.Cost)
		}
	}
	fast := slowLine(t, 115200, time.Second)
	if p := For(fast, new(Learnt)); !p.Fits() {
		t.Errorf("five times 28.6 ms fit a second")
	}
	// The device's own time counts, and no speed takes it away.
	slow := slowLine(t, 1200, 10*time.Second)
	slow.Stations[0].Timing.Latency = 3 * time.Second
	p = For(slow, new(Learnt))
	if got := Relieve(slow, &p, new(Learnt)); got.Baud != 0 {
		t.Errorf("15 s of latency fit 10 s at %d", got.Baud)
	}
}

// TestSilence: a try in vain takes the request, the limit and the answer's
// time; the second request is tried once.
func TestSilence(t *testing.T) {
	l := slowLine(t, 1200, 10*time.Second)
	l.Stations[0].Timing.Response = 2 * time.Second
	p := For(l, new(Learnt))
	s := p.Silence(l, 17)
	vain := 2475*time.Millisecond + 2*time.Second
	if !close3(s.Inquiry, vain) || !close3(s.Cycle, 4*vain-5*2475*time.Millisecond) || s.Tries != 3 || !s.More {
		t.Errorf("%+v", s)
	}
	l = onLine(loadMap(t, "points: {a: {holding-register: 0, type: uint16, changes-on-read: true}}"), tcp)
	p = For(l, new(Learnt))
	if s := p.Silence(l, 17); s.Tries != 1 || s.More || s.Cycle != 500*time.Millisecond-p.Cycle || s.Inquiry != 500*time.Millisecond {
		t.Errorf("read once: %+v", s)
	}
	if s := p.Silence(l, 18); s != (Silence{Unit: 18}) {
		t.Errorf("no such unit: %+v", s)
	}
}

func close3(a, b time.Duration) bool { return (a - b).Abs() < time.Millisecond }
