package poll_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
	"plumbline/simdevice/fault"
)

// A pair of wires with stations that can be silenced, a poller on it, and what
// came of it.
type plant struct {
	*poll.Poller
	clock decode.Clock

	mu     sync.Mutex
	silent map[regmap.Unit]bool
	mute   map[regmap.Address]bool // first addresses that no unit answers
	asked  map[regmap.Unit][]time.Duration
	good   map[regmap.Unit][]time.Duration
	bad    map[regmap.Unit]int
	cycles []*decode.Cycle
	found  []*decode.Finding
	steps  []*decode.ClockStep
}

const twoRequests = "device: test\npoints:\n  a: {holding-register: 0, type: uint16}\n  b: {holding-register: 100, type: uint16}\n"

// newPlant makes stations 1 to units, all with the same map, and a poller that
// reads each every second.
func newPlant(t *testing.T, units int, l line.Line, mapText string, width int) *plant {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte(mapText), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	p := &plant{clock: decode.NewClock(), silent: map[regmap.Unit]bool{}, mute: map[regmap.Address]bool{},
		asked: map[regmap.Unit][]time.Duration{}, good: map[regmap.Unit][]time.Duration{}, bad: map[regmap.Unit]int{}}
	l.Name, l.Timing = "test", line.DefaultTiming
	banks := map[regmap.Unit]*simdevice.Bank{}
	for u := regmap.Unit(1); int(u) <= units; u++ {
		l.Stations = append(l.Stations, line.Station{Unit: u, Name: fmt.Sprintf("s%d", u), Map: m, Every: time.Second, Timing: l.Timing})
		bank, err := simdevice.NewBank(m)
		if err != nil {
			t.Fatal(err)
		}
		banks[u] = bank
	}
	station, err := simdevice.New(banks, simdevice.Options{Hooks: simdevice.Hooks{Answer: p.answer}})
	if err != nil {
		t.Fatal(err)
	}
	k, err := link.New(link.Config{
		Name: l.Name, Framing: l.Framing, Serial: l.Serial, Timing: l.Timing, Clock: p.clock,
		Dial: func(context.Context) (link.Stream, error) {
			near, far := fault.Pipe()
			go station.ServeStream(t.Context(), far, l.Framing)
			return near, nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { k.Close() })
	p.Poller = poll.New(poll.Config{Line: &l, Link: k, Clock: p.clock, Sink: p.event, Width: width})
	return p
}

// answer silences units and addresses.
func (p *plant) answer(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked[u] = append(p.asked[u], p.clock().Steady)
	q, err := frame.ParseRequest(pdu)
	if p.silent[u] || err == nil && p.mute[q.Address] {
		return dst
	}
	return next(dst, u, pdu)
}

func (p *plant) silence(u regmap.Unit, on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.silent[u] = on
	p.asked[u] = nil
}

// askedOf counts the requests that reached a unit since its silence began or
// ended.
func (p *plant) askedOf(u regmap.Unit) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.asked[u])
}

// event keeps what the poller gives on.
func (p *plant) event(e decode.Event) {
	for _, r := range e.Readings {
		if r.Value.Quality() != regmap.Good {
			p.bad[r.Unit]++
		} else if r.Point.Name == "a" {
			p.good[r.Unit] = append(p.good[r.Unit], r.Time.Steady)
		}
	}
	if e.Cycle != nil {
		p.cycles = append(p.cycles, e.Cycle)
	}
	if e.Finding != nil {
		p.found = append(p.found, e.Finding)
	}
	if e.Step != nil {
		p.steps = append(p.steps, e.Step)
	}
}

// offPeriod counts the intervals of a unit's good values, from a time on, that
// miss a second by more than 5 %.
func (p *plant) offPeriod(u regmap.Unit, from time.Duration) (off, all int) {
	times := p.good[u]
	for i := 1; i < len(times); i++ {
		if times[i-1] < from {
			continue
		}
		all++
		if d := times[i] - times[i-1] - time.Second; d.Abs() > time.Second/20 {
			off++
		}
	}
	return off, all
}

var (
	bus     = line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial("pipe"), Every: time.Second}
	gateway = line.Line{Medium: line.TCP, Framing: line.MBAP, Host: "h", Port: 502, Every: time.Second}
)

// On a serial line a silent unit costs the others its time limit each time it is
// asked; so it is asked ever more rarely, and comes back within a minute.
func TestASilentUnitIsAskedMoreAndMoreRarely(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 8, bus, twoRequests, 1)
		p.silence(5, true)
		p.Run(t.Context(), 3600)
		if n := p.askedOf(5); n < 60 || n > 80 {
			t.Errorf("asked a silent unit %d times in an hour", n)
		}
		for u := regmap.Unit(1); u <= 8; u++ {
			if off, all := p.offPeriod(u, time.Minute); u != 5 && (all < 3500 || off > 130) {
				t.Errorf("unit %d: %d of %d periods are off", u, off, all)
			}
		}
		if p.bad[5] < 7000 {
			t.Errorf("the silent unit's points turned bad %d times; they are bad in each cycle", p.bad[5])
		}
		p.silence(5, false)
		back := p.clock().Steady
		p.Run(t.Context(), 62)
		if len(p.good[5]) == 0 || p.good[5][0] > back+61*time.Second {
			t.Errorf("back at %v, good values %v", back, p.good[5])
		}
		if off, all := p.offPeriod(5, 0); off > 0 && all > 2 {
			t.Errorf("once back %d of %d periods are off", off, all)
		}
	})
}

// Where nobody would wait for it, a silent unit is asked in each cycle.
func TestAloneASilentUnitIsAskedAllTheTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 2, bus, twoRequests, 1)
		p.silence(1, true)
		p.silence(2, true)
		p.Run(t.Context(), 600)
		if n := p.askedOf(1); n < 500 {
			t.Errorf("asked %d times in ten minutes", n)
		}
		p.silence(1, false)
		p.silence(2, false)
		back := p.clock().Steady
		p.Run(t.Context(), 3)
		for u := regmap.Unit(1); u <= 2; u++ {
			if len(p.good[u]) == 0 || p.good[u][0] > back+2*time.Second {
				t.Errorf("unit %d: back at %v, good at %v", u, back, p.good[u])
			}
		}
	})
}

// Behind a gateway a silent unit is asked beside the others (abuse table, B17).
func TestB17BehindAGatewayNobodyWaitsForASilentUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 32, gateway, twoRequests, link.MaxSlots)
		p.silence(7, true)
		p.Run(t.Context(), 3600)
		for u := regmap.Unit(1); u <= 32; u++ {
			if off, all := p.offPeriod(u, 10*time.Second); u != 7 && (all < 3500 || off > 0) {
				t.Errorf("unit %d: %d of %d periods are off", u, off, all)
			}
		}
		if n := p.askedOf(7); n < 60 || n > 80 {
			t.Errorf("asked the silent unit %d times", n)
		}
	})
}

// A unit that answers all but one request stays there, and that request costs
// its time less and less often.
func TestARequestThatIsNeverAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 2, bus, twoRequests, 1)
		p.mute[100] = true
		p.Run(t.Context(), 3600)
		for u := regmap.Unit(1); u <= 2; u++ {
			if off, all := p.offPeriod(u, time.Minute); all < 3500 || off > 280 {
				t.Errorf("unit %d: %d of %d periods are off", u, off, all)
			}
		}
		if p.bad[1] < 3500 {
			t.Errorf("the point without answer was bad %d times", p.bad[1])
		}
	})
}

// D7: a line of 64 slow units, all silent: no cycle waits for another, and those
// left out are counted.
func TestD7SixtyFourSilentUnits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 64, bus, twoRequests, 1)
		for u := regmap.Unit(1); u <= 64; u++ {
			p.silence(u, true)
		}
		p.Run(t.Context(), 10)
		skipped := 0
		for _, c := range p.cycles {
			skipped += c.Skipped
		}
		if span := p.cycles[9].Began.Sub(p.cycles[0].Began); time.Duration(skipped+9)*time.Second != span {
			t.Errorf("ten cycles over %v, %d skipped", span, skipped)
		}
	})
}

// I2: a process that stood still for 30 s makes one late cycle and counts what
// it missed.
func TestI2NoBurstAfterStandingStill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 1, bus, twoRequests, 1)
		stood := false
		clock := p.clock
		p.Poller.Clock = func() decode.Stamp {
			if s := clock(); s.Steady > 10500*time.Millisecond && !stood {
				stood = true
				time.Sleep(30 * time.Second) // virtual: the process stood
			}
			return clock()
		}
		p.Run(t.Context(), 20)
		skipped := 0
		for i, c := range p.cycles {
			skipped += c.Skipped
			if i > 0 && c.Began.Sub(p.cycles[i-1].Began) < 990*time.Millisecond {
				t.Errorf("cycle %d began %v after the one before", c.Number, c.Began.Sub(p.cycles[i-1].Began))
			}
		}
		if skipped < 29 || skipped > 31 {
			t.Errorf("%d cycles counted as missed", skipped)
		}
	})
}

// I1: the wall clock steps; the periods stay, and the step is told.
func TestI1TheWallClockSteps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 1, bus, twoRequests, 1)
		clock := p.clock
		for _, step := range []time.Duration{time.Hour, -time.Hour, -365 * 24 * time.Hour, time.Second} {
			p.cycles, p.steps = nil, nil
			from := clock().Steady + 5*time.Second
			p.Poller.Clock = func() decode.Stamp {
				s := clock()
				if s.Steady > from {
					s.Wall = s.Wall.Add(step)
				}
				return s
			}
			p.Run(t.Context(), 10)
			if len(p.steps) == 0 || (p.steps[len(p.steps)-1].By-step).Abs() > time.Millisecond {
				t.Errorf("step %v told as %v", step, p.steps)
			}
			for i := 1; i < len(p.cycles); i++ {
				if d := p.cycles[i].Began.Sub(p.cycles[i-1].Began) - time.Second; d.Abs() > time.Millisecond {
					t.Errorf("step %v: cycle %d is %v off its period", step, p.cycles[i].Number, d)
				}
			}
			p.Poller.Clock = clock
			p.Run(t.Context(), 2)
		}
	})
}

// failing is a link that breaks inside for one unit.
type failing struct{ poll.Asker }

func (f failing) Ask(ctx context.Context, u regmap.Unit, q frame.Request, opts ...link.Option) (*decode.Exchange, error) {
	if u == 2 {
		panic("planted")
	}
	return f.Asker.Ask(ctx, u, q, opts...)
}

// I5: a fault of the program in the work for one unit leaves the others alone.
func TestI5AFaultInOneUnitsWork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 3, bus, twoRequests, 1)
		p.Poller.Link = failing{p.Poller.Link}
		var reports []string
		p.Poller.Fault = func(r string) { reports = append(reports, r) }
		p.Run(t.Context(), 5)
		if len(p.good[1]) != 5 || len(p.good[3]) != 5 || p.bad[2] != 10 {
			t.Errorf("good %d and %d of 5; the struck unit %d bad of 10", len(p.good[1]), len(p.good[3]), p.bad[2])
		}
		if len(reports) != 1 || !strings.Contains(reports[0], "planted") || !strings.Contains(reports[0], "unit 2") {
			t.Errorf("%d reports", len(reports))
		}
		for _, f := range p.found {
			if f.Code != "internal-fault" || strings.Contains(f.Words, "planted") {
				t.Errorf("finding %s: %s", f.Code, f.Words)
			}
		}
		if len(p.found) != 1 {
			t.Errorf("%d findings", len(p.found))
		}
	})
}

// What a person looks at goes first.
func TestLook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 3, bus, twoRequests, 1)
		m := p.Line.Stations[0].Map
		p.Look(3, m.Point("b"))
		var order []string
		sink := p.Sink
		p.Poller.Sink = func(e decode.Event) {
			sink(e)
			if e.Exchange != nil {
				order = append(order, fmt.Sprintf("%d/%d", e.Exchange.Unit, e.Exchange.Request.Address))
			}
		}
		p.Run(t.Context(), 1)
		if !slices.Equal(order, []string{"3/100", "1/0", "1/100", "2/0", "2/100", "3/0"}) {
			t.Errorf("asked in the order %v", order)
		}
	})
}

// An offset moves all cycles but the first.
func TestOffset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, 1, bus, twoRequests, 1)
		p.Poller.Offset = 300 * time.Millisecond
		p.Run(t.Context(), 4)
		for i, want := range []time.Duration{0, 300 * time.Millisecond, 1300 * time.Millisecond, 2300 * time.Millisecond} {
			if d := p.cycles[i].Began.Sub(p.cycles[0].Began); d != want || p.cycles[i].Skipped != 0 || p.cycles[i].Exchanges != 2 {
				t.Errorf("cycle %d after %v, want %v; %d skipped, %d exchanges", i, d, want, p.cycles[i].Skipped, p.cycles[i].Exchanges)
			}
		}
	})
}
