package poll

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// device answers reads of a table with address + 1000, but for the addresses
// it does not have; it keeps what it was asked.
type device struct {
	clock   decode.Clock
	missing map[int]bool
	most    int // most registers a read may ask for; more is exception 03
	silent  bool
	takes   time.Duration
	add     int // to every register
	asked   []regmap.Span
	number  uint64
}

func (d *device) Ask(ctx context.Context, u regmap.Unit, q frame.Request, _ ...link.Option) (*decode.Exchange, error) {
	span, ok := q.Reads()
	if !ok {
		return nil, fmt.Errorf("%v is no read", q.Function)
	}
	d.asked = append(d.asked, span)
	d.number++
	x := &decode.Exchange{ID: decode.ID{Source: 1, Number: d.number}, Framing: line.MBAP, Unit: u, Request: q, Tries: 1, Asked: d.clock()}
	if d.takes > 0 {
		time.Sleep(d.takes) // virtual
	}
	x.Left, x.Done = x.Asked, d.clock()
	switch {
	case d.silent:
		x.Cause = regmap.Silent
	case d.most > 0 && span.Count > d.most:
		x.Cause, x.Response = regmap.Excepted, frame.Except(q.Function, frame.IllegalDataValue)
	default:
		pdu := []byte{byte(q.Function), byte(2 * span.Count)}
		for a := int(span.First); a < span.End(); a++ {
			if d.missing[a] {
				x.Cause, x.Response = regmap.Excepted, frame.Except(q.Function, frame.IllegalDataAddress)
				return x, nil
			}
			v := a + 1000 + d.add
			pdu = append(pdu, byte(v>>8), byte(v))
		}
		r, err := frame.Match(q, pdu)
		if err != nil {
			return nil, err
		}
		x.Cause, x.Response = regmap.NoCause, r
	}
	return x, nil
}

// mapOf makes a map of uint16 holding registers named r0, r1 ... at addresses.
func mapOf(t *testing.T, head string, addresses ...int) *regmap.Map {
	t.Helper()
	text := "device: test\n" + head + "points:\n"
	for _, a := range addresses {
		text += fmt.Sprintf("  r%d: {holding-register: %d, type: uint16}\n", a, a)
	}
	return load(t, text)
}

func load(t *testing.T, text string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte(text), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

// rig is a poller on a device, with everything it gave on.
type rig struct {
	*Poller
	device *device
	events []decode.Event
}

func newRig(m *regmap.Map, d *device, every time.Duration) *rig {
	d.clock = decode.NewClock()
	l := line.Single(line.Line{Medium: line.TCP, Framing: line.MBAP, Host: "h", Port: 502, Every: every}, m, 17)
	r := &rig{device: d}
	r.Poller = New(Config{Line: l, Link: d, Clock: d.clock, Sink: func(e decode.Event) { r.events = append(r.events, e) }})
	return r
}

// last is the last reading of each point.
func (r *rig) last() map[string]decode.Reading {
	out := map[string]decode.Reading{}
	for _, e := range r.events {
		for _, reading := range e.Readings {
			out[reading.Point.Name] = reading
		}
	}
	return out
}

func (r *rig) cycles() (out []*decode.Cycle) {
	for _, e := range r.events {
		if e.Cycle != nil {
			out = append(out, e.Cycle)
		}
	}
	return out
}

func TestReadingsAreTrueAndTraceable(t *testing.T) {
	r := newRig(mapOf(t, "limits: {gap: 2}\n", 0, 1, 4, 10), &device{}, time.Second)
	if n := r.Run(t.Context(), 1); n != 1 {
		t.Fatalf("%d cycles done", n)
	}
	for name, reading := range r.last() {
		want := uint64(reading.Point.Address) + 1000
		if got, _ := reading.Value.Uint(); got != want || reading.Value.Quality() != regmap.Good {
			t.Errorf("%s = %d %s, want %d good", name, got, reading.Value.Quality(), want)
		}
		if reading.From == nil || reading.Raw[0] != uint16(want) {
			t.Errorf("%s rests on %v, raw %v", name, reading.From, reading.Raw)
		}
	}
	want := []regmap.Span{{Table: regmap.HoldingRegister, First: 0, Count: 5}, {Table: regmap.HoldingRegister, First: 10, Count: 1}}
	if !slices.Equal(r.device.asked, want) {
		t.Errorf("asked %v, want %v", r.device.asked, want)
	}
}

// TestRefusedBlock: a point that the station does not have is found by halves
// once, then left out; the others stay good and the plan stays short.
func TestRefusedBlock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(mapOf(t, "", 0, 1, 2, 3, 4, 5, 6, 7), &device{missing: map[int]bool{5: true}}, time.Second)
		r.Run(t.Context(), 1)
		first := len(r.device.asked)
		for name, reading := range r.last() {
			if missing := name == "r5"; missing != (reading.Value.Quality() == regmap.Bad) {
				t.Errorf("%s is %s: %s", name, reading.Value.Quality(), reading.Reason)
			}
		}
		if bad := r.last()["r5"]; bad.Value.Cause() != regmap.Excepted || bad.Reason != "exception 02, illegal data address" {
			t.Errorf("r5: %s, %q", bad.Value.Cause(), bad.Reason)
		}
		if first > 7 {
			t.Errorf("%d exchanges to find one of eight: %v", first, r.device.asked)
		}
		r.device.asked = nil
		time.Sleep(time.Second) // virtual
		r.Run(t.Context(), 3)
		want := []regmap.Span{{Table: regmap.HoldingRegister, First: 0, Count: 5}, {Table: regmap.HoldingRegister, First: 6, Count: 2}}
		if !slices.Equal(r.device.asked[:2], want) || len(r.device.asked) != 6 {
			t.Errorf("later cycles asked %v, want %v each", r.device.asked, want)
		}
		if got := r.last()["r5"]; got.Cycle != 4 || got.Value.Quality() != regmap.Bad {
			t.Errorf("r5 in cycle %d is %s", got.Cycle, got.Value.Quality())
		}
		r.device.missing = nil // mended
		r.Run(t.Context(), 70)
		if got := r.last()["r5"]; got.Value.Quality() != regmap.Good {
			t.Errorf("mended, but r5 is %s: %s", got.Value.Quality(), got.Reason)
		}
		r.device.asked = nil
		time.Sleep(time.Second)
		r.Run(t.Context(), 1)
		if len(r.device.asked) != 1 {
			t.Errorf("mended, but one cycle asks %v", r.device.asked)
		}
	})
}

// TestRefusedBetween: both halves answer, the whole does not: the gap between
// them is not read across again.
func TestRefusedBetween(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(mapOf(t, "limits: {gap: 4}\n", 0, 1, 4, 5), &device{missing: map[int]bool{2: true}}, time.Second)
		r.Run(t.Context(), 2)
		for name, reading := range r.last() {
			if reading.Value.Quality() != regmap.Good {
				t.Errorf("%s is %s: %s", name, reading.Value.Quality(), reading.Reason)
			}
		}
		if n := len(r.device.asked); n != 4+2 { // one of them across the border
			t.Errorf("%d exchanges in two cycles: %v", n, r.device.asked)
		}
	})
}

func TestDeviceTakesFewer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(mapOf(t, "", 0, 1, 2, 3, 4, 5, 6, 7), &device{most: 3}, time.Second)
		r.Run(t.Context(), 3) // places that a cut moved together are found in the next cycle
		r.device.asked = nil
		time.Sleep(time.Second)
		r.Run(t.Context(), 1)
		if len(r.device.asked) != 3 { // 3, 3 and 2 registers
			t.Errorf("asked %v; the device gives 3 registers at a time", r.device.asked)
		}
		for name, reading := range r.last() {
			if reading.Value.Quality() != regmap.Good {
				t.Errorf("%s is %s: %s", name, reading.Value.Quality(), reading.Reason)
			}
		}
	})
}

// TestPeriods: points are read on their own periods, by the steady clock, for
// a virtual day.
func TestPeriods(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := load(t, "device: test\npoints:\n  fast: {holding-register: 0, type: uint16}\n  slow: {holding-register: 1, type: uint16, every: 10s}\n")
		r := newRig(m, &device{}, time.Second)
		const day = 24 * 60 * 60
		r.Run(t.Context(), day)
		counts := map[int]int{}
		for _, s := range r.device.asked {
			counts[int(s.First)]++
		}
		if counts[0] != day || counts[1] != day/10 {
			t.Errorf("fast read %d times, slow %d; want %d and %d", counts[0], counts[1], day, day/10)
		}
	})
}

// TestOverrun: cycles that take longer than their period are skipped and
// counted, never made up for.
func TestOverrun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(mapOf(t, "", 0), &device{takes: 2500 * time.Millisecond}, time.Second)
		began := time.Now()
		r.Run(t.Context(), 4)
		if took := time.Since(began); took != 3*3*time.Second+2500*time.Millisecond {
			t.Errorf("four cycles took %v", took)
		}
		for i, c := range r.cycles() {
			want := 2
			if i == 0 {
				want = 0
			}
			if c.Skipped != want {
				t.Errorf("cycle %d: %d skipped, want %d", c.Number, c.Skipped, want)
			}
		}
	})
}

func TestLossKeepsTheLastValueApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(mapOf(t, "", 7), &device{}, time.Second)
		r.Run(t.Context(), 1)
		r.device.silent = true
		time.Sleep(time.Second)
		r.Run(t.Context(), 3)
		got := r.last()["r7"]
		if got.Value.Kind() != regmap.None || got.Value.Quality() != regmap.Bad || got.Value.Cause() != regmap.Silent {
			t.Errorf("after loss: %s %s %s", got.Value.Decimal(), got.Value.Quality(), got.Value.Cause())
		}
		if n, _ := got.Last.Uint(); n != 1007 || got.Time.Sub(got.LastAt) != 3*time.Second {
			t.Errorf("last %s, %v ago", got.Last.Decimal(), got.Time.Sub(got.LastAt))
		}
	})
}

func TestDoubt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(mapOf(t, "", 0, 500), &device{}, time.Second)
		r.Run(t.Context(), 1)
		r.Doubt(link.Doubt{First: decode.ID{Source: 1, Number: 2}, Last: decode.ID{Source: 1, Number: 2}})
		r.settleDoubts()
		if got := r.last()["r0"]; got.Value.Quality() != regmap.Good {
			t.Errorf("r0 came before the doubt and is %s", got.Value.Quality())
		}
		if got := r.last()["r500"]; got.Value.Quality() != regmap.Uncertain || got.Value.Cause() != regmap.LateDoubt {
			t.Errorf("r500 is %s %s", got.Value.Quality(), got.Value.Cause())
		}
	})
}

func TestStopsWithTheContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 2500*time.Millisecond)
		defer cancel()
		r := newRig(mapOf(t, "", 0), &device{}, time.Second)
		if n := r.Run(ctx, 0); n != 3 {
			t.Errorf("%d cycles in 2.5 s", n)
		}
	})
}
