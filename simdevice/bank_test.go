package simdevice

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"plumbline/regmap"
)

func TestBankIsContents(t *testing.T) {
	b := bankOf(t, driven)
	for _, row := range []struct {
		span regmap.Span
		want []uint16
		ok   bool
	}{
		{regmap.Span{Table: regmap.InputRegister, First: 0, Count: 4}, []uint16{1200, 0, 0x4080, 0}, true},
		{regmap.Span{Table: regmap.InputRegister, First: 1, Count: 1}, []uint16{0}, true},
		{regmap.Span{Table: regmap.InputRegister, First: 3, Count: 2}, nil, false},
		{regmap.Span{Table: regmap.Coil, First: 0, Count: 2}, []uint16{1, 0}, true},
		{regmap.Span{Table: regmap.Coil, First: 0, Count: 0}, nil, false},
		{regmap.Span{Table: regmap.HoldingRegister, First: 65535, Count: 9}, nil, false},
	} {
		before := []uint16{7}
		for name, c := range map[string]regmap.Contents{"bank": b, "snapshot": b.Snapshot()} {
			got, ok := c.AppendRaw(before, row.span)
			if ok != row.ok || !slices.Equal(got, append([]uint16{7}, row.want...)) {
				t.Errorf("%s, %v: %v, %v; want %v, %v", name, row.span, got, ok, row.want, row.ok)
			}
		}
	}
}

func TestSnapshotStays(t *testing.T) {
	s := stationOf(t, cistern, Options{})
	snap := s.Bank(testUnit).Snapshot()
	ask(t, s, testUnit, "06 00 10 12 34")
	p := s.Bank(testUnit).Map().Point("state")
	if v := p.Value(snap); !v.Same(regmap.UintValue(0)) {
		t.Errorf("the snapshot shows %s", p.Shown(v))
	}
	shows(t, s.Bank(testUnit), "state", regmap.UintValue(0x1234))
}

// With an error nothing of a publication is there, not even what went before.
func TestPublishAllOrNothing(t *testing.T) {
	b := bankOf(t, driven)
	m := b.Map()
	stray := *m.Point("flow")
	before := image(b)
	for name, row := range map[string]struct {
		set Set
		err error
	}{
		"beyond the type": {Set{m.Point("level"), regmap.IntValue(-1)}, regmap.ErrRange},
		"another kind":    {Set{m.Point("level"), regmap.TextValue("x")}, regmap.ErrKind},
		"bad":             {Set{m.Point("level"), regmap.BadValue(regmap.Silent)}, regmap.ErrKind},
		"no point":        {Set{nil, regmap.IntValue(1)}, ErrPoint},
		"another map's":   {Set{&stray, regmap.IntValue(1)}, ErrPoint},
	} {
		err := b.Publish(Set{m.Point("state"), regmap.UintValue(5)}, Set{m.Point("state.duty"), regmap.UintValue(3)},
			Set{m.Point("flow"), regmap.FloatValue(9)}, row.set)
		if !errors.Is(err, row.err) {
			t.Errorf("%s: %v, want %v", name, err, row.err)
		}
		if !slices.Equal(before, image(b)) {
			t.Fatalf("%s: the contents changed", name)
		}
	}
	if err := b.Publish(Set{m.Point("state"), regmap.UintValue(5)}, Set{m.Point("state.duty"), regmap.UintValue(3)}); err != nil {
		t.Fatal(err)
	}
	shows(t, b, "state", regmap.UintValue(0x35)) // later sets see the earlier ones
}

// An overlay shares the registers under it.
func TestOverlay(t *testing.T) {
	s := stationOf(t, `
device: Overlay
points:
  word: {holding-register: 0, type: uint32}
  low: {holding-register: 1, type: uint16, overlay: true, write: {max: 10}}
simulate: {points: {word: {start: 0x00020003}}}
`, Options{})
	wants(t, s, "06 00 00 00 01", "86 02")
	wants(t, s, "06 00 01 00 0B", "06 00 01 00 0B")
	shows(t, s.Bank(testUnit), "word", regmap.UintValue(0x0002000A))
}

// Requests see publications and writes whole: all 64 registers are always
// equal, under the race detector too.
func TestOneMoment(t *testing.T) {
	text := "device: Moments\npoints:\n"
	for i := range 64 {
		text += fmt.Sprintf("  p%d: {holding-register: %d, type: uint16, write: {}}\n", i, i)
	}
	s := stationOf(t, text, Options{})
	b := s.Bank(testUnit)
	var work sync.WaitGroup
	work.Go(func() {
		sets := make([]Set, 64)
		for n := range 300 {
			for i := range sets {
				sets[i] = Set{b.Map().Point(fmt.Sprintf("p%d", i)), regmap.UintValue(uint64(n))}
			}
			if err := b.Publish(sets...); err != nil {
				t.Error(err)
			}
			if err := s.Step(time.Duration(n)); err != nil {
				t.Error(err)
			}
		}
	})
	work.Go(func() {
		write := append(pdu(0x10, 0, 64), 128)
		for n := range 300 {
			b := write
			for range 64 {
				b = binary.BigEndian.AppendUint16(b, uint16(1000+n))
			}
			if got := code(s.Answer(nil, testUnit, b)); got != 0 {
				t.Errorf("exception %d", got)
			}
		}
	})
	same := func(name string, regs []uint16) {
		for _, r := range regs {
			if r != regs[0] {
				t.Errorf("%s saw two moments: %v", name, regs)
				return
			}
		}
	}
	for range 2 {
		work.Go(func() {
			for range 500 {
				got := s.Answer(nil, testUnit, pdu(3, 0, 64))
				regs := make([]uint16, 64)
				for i := range regs {
					regs[i] = binary.BigEndian.Uint16(got[2+2*i:])
				}
				same("a request", regs)
				snap, _ := b.Snapshot().AppendRaw(nil, regmap.Span{Table: regmap.HoldingRegister, Count: 64})
				same("a snapshot", snap)
			}
		})
	}
	work.Wait()
}

// A source whose value cannot be held is an error of its unit and does not
// hold the other units up.
func TestStepNamesTheUnit(t *testing.T) {
	good, bad := bankOf(t, driven), bankOf(t, driven)
	bad.sources = append(bad.sources, source{point: bad.device.Point("level"), value: regmap.IntValue(-1)})
	s, err := New(map[regmap.Unit]*Bank{1: bad, 2: good}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Step(3 * time.Second); !errors.Is(err, regmap.ErrRange) || err.Error()[:6] != "unit 1" {
		t.Errorf("%v", err)
	}
	shows(t, good, "rate", number(t, "7"))
	shows(t, bad, "rate", number(t, "10"))
}

// A source that its point cannot hold makes no bank.
func TestNewBankRefusesItsSources(t *testing.T) {
	m := mapOf(t, driven)
	s := m.Blocks[SimulateKey].(*Simulation)
	s.sources = append(s.sources, source{point: m.Point("tag"), value: regmap.IntValue(1)})
	if b, err := NewBank(m); b != nil || !errors.Is(err, regmap.ErrKind) {
		t.Errorf("%v, %v", b, err)
	}
}
