package alarm

import (
	"encoding/json"
	"math/big"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// sample is one reading of a drawn history.
type sample struct {
	in Input
	at time.Duration
}

// drawLimit gives a limit near 0 with small delays.
func drawLimit(t *rapid.T) Limit {
	delay := rapid.Custom(func(t *rapid.T) time.Duration {
		return time.Duration(rapid.IntRange(0, 6).Draw(t, "seconds")) * time.Second
	})
	l := Limit{
		Kind:     rapid.SampledFrom([]Kind{HighHigh, High, Low, LowLow, Bit}).Draw(t, "kind"),
		OnDelay:  delay.Draw(t, "on-delay"),
		OffDelay: delay.Draw(t, "off-delay"),
		Latch:    rapid.Bool().Draw(t, "latch"),
	}
	if l.Kind != Bit {
		l.Value = big.NewRat(rapid.Int64Range(-2, 2).Draw(t, "limit"), 1)
		l.Deadband = big.NewRat(rapid.Int64Range(0, 3).Draw(t, "deadband"), 1)
	}
	if err := l.Check(); err != nil {
		t.Fatal(err)
	}
	return l
}

// drawSamples gives readings near the limit, some bad, at rising times.
func drawSamples(t *rapid.T, kind Kind) []sample {
	at := time.Duration(rapid.Int64Range(-1e12, 1e12).Draw(t, "start"))
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) sample {
		at += time.Duration(rapid.IntRange(0, 4).Draw(t, "seconds later")) * time.Second
		s := sample{at: at}
		switch {
		case rapid.IntRange(0, 5).Draw(t, "good") == 0:
		case kind == Bit:
			s.in = OnOff(rapid.Bool().Draw(t, "active"))
		default:
			s.in = Number(big.NewRat(rapid.Int64Range(-6, 6).Draw(t, "value"), 1))
		}
		return s
	}), 1, 40).Draw(t, "samples")
}

// seen is how long the history up to its end is known to have met a condition:
// the time between neighbouring good readings that all do, back to the last
// good one that does not. ok is false where the last reading does not.
func seen(history []sample, meets func(Input) bool) (length time.Duration, ok bool) {
	last := history[len(history)-1]
	if !last.in.Good || !meets(last.in) {
		return 0, false
	}
	for i := len(history) - 2; i >= 0; i-- {
		if history[i].in.Good && !meets(history[i].in) {
			break
		}
		if history[i].in.Good && history[i+1].in.Good {
			length += history[i+1].at - history[i].at
		}
	}
	return length, true
}

// beyondByHand and backByHand say the rules again in whole numbers.
func beyondByHand(l Limit) func(Input) bool {
	return func(in Input) bool {
		switch l.Kind {
		case Bit:
			return in.Active
		case High, HighHigh:
			return in.Value.Num().Int64() > l.Value.Num().Int64()
		}
		return in.Value.Num().Int64() < l.Value.Num().Int64()
	}
}

func backByHand(l Limit) func(Input) bool {
	return func(in Input) bool {
		switch l.Kind {
		case Bit:
			return !in.Active
		case High, HighHigh:
			return in.Value.Num().Int64()+l.Deadband.Num().Int64() <= l.Value.Num().Int64()
		}
		return in.Value.Num().Int64()-l.Deadband.Num().Int64() >= l.Value.Num().Int64()
	}
}

// TestNeverUnlessExceeded: an alarm is raised exactly when the value has been
// beyond the limit for the on-delay, and over exactly when it has been back for
// the off-delay, as worked out from the whole history; acknowledgements in
// between change neither.
func TestNeverUnlessExceeded(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l := drawLimit(rt)
		history := drawSamples(rt, l.Kind)
		var s State
		active := false
		for i, next := range history {
			var c Change
			s, c = l.Step(s, next.in, next.at)
			meets, delay, event := beyondByHand(l), l.OnDelay, Raised
			if active {
				meets, delay, event = backByHand(l), l.OffDelay, Returned
			}
			if length, ok := seen(history[:i+1], meets); !ok || length < delay {
				event = NoEvent
			}
			if event != NoEvent {
				active = !active
			}
			if c.Event != event || s.Condition.Active() != active {
				rt.Fatalf("reading %d: %s, %s; want %s", i, c.Event, s.Condition, event)
			}
			switch rapid.IntRange(0, 5).Draw(rt, "then") {
			case 0:
				s, _ = l.Acknowledge(s)
			case 1:
				s, _ = l.Reset(s)
			}
			if s.Condition.Active() != active {
				rt.Fatalf("reading %d: acknowledging or resetting made it %s", i, s.Condition)
			}
		}
	})
}

// TestLatchHolds: a latching alarm never becomes normal by readings alone, one
// without a latch never becomes latched.
func TestLatchHolds(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l := drawLimit(rt)
		var s State
		for i, next := range drawSamples(rt, l.Kind) {
			before := s.Condition
			var c Change
			s, c = l.Step(s, next.in, next.at)
			if l.Latch && before != Normal && s.Condition == Normal || !l.Latch && s.Condition == Latched {
				rt.Fatalf("reading %d: from %s to %s", i, before, s.Condition)
			}
			if (c.Event == NoEvent) != (before == s.Condition) || c.Event != NoEvent && (c.From != before || c.To != s.Condition || c.Kind != l.Kind) {
				rt.Fatalf("reading %d: %+v from %s to %s", i, c, before, s.Condition)
			}
		}
	})
}

// TestStoredAndResumed: a state written, read and gone on with behaves like the
// one that was kept. On another clock, resumed at a bad reading, it does too.
func TestStoredAndResumed(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l := drawLimit(rt)
		history := drawSamples(rt, l.Kind)
		shift := time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(rt, "other clock"))
		var kept, stored, moved State
		for i, next := range history {
			if !next.in.Good {
				moved = moved.Resume()
				shift = -shift / 2
			}
			var want Change
			kept, want = l.Step(kept, next.in, next.at)
			text, err := json.Marshal(stored)
			if err != nil {
				rt.Fatal(err)
			}
			stored = State{}
			if err := json.Unmarshal(text, &stored); err != nil {
				rt.Fatal(err)
			}
			var got, other Change
			stored, got = l.Step(stored, next.in, next.at)
			moved, other = l.Step(moved, next.in, next.at+shift)
			if stored != kept || got != want || other != want || moved.Condition != kept.Condition || moved.Waited != kept.Waited {
				rt.Fatalf("reading %d: kept %+v, stored %+v, on the other clock %+v", i, kept, stored, moved)
			}
		}
	})
}

// TestSetIsItsLimits: each alarm of a set goes as it would alone, and the one
// that is named is active and none is more severe.
func TestSetIsItsLimits(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		limits := []Limit{{Kind: HighHigh, Value: rat("4")}, {Kind: High, Value: rat("2")}, {Kind: Low, Value: rat("-2")}, {Kind: LowLow, Value: rat("-4")}}
		for i := range limits {
			drawn := drawLimit(rt)
			limits[i].Deadband, limits[i].OnDelay, limits[i].OffDelay, limits[i].Latch = drawn.Deadband, drawn.OnDelay, drawn.OffDelay, drawn.Latch
		}
		set, err := NewSet(limits...)
		if err != nil {
			rt.Fatal(err)
		}
		var states States
		single := map[Kind]State{}
		for i, next := range drawSamples(rt, High) {
			var all, want []Change
			states, all = set.Step(states, next.in, next.at)
			worst := 0
			for _, l := range limits {
				var c Change
				if single[l.Kind], c = l.Step(single[l.Kind], next.in, next.at); c.Event != NoEvent {
					want = append(want, c)
				}
				if states.Of(l.Kind) != single[l.Kind] {
					rt.Fatalf("reading %d: %s is %+v in the set, %+v alone", i, l.Kind, states.Of(l.Kind), single[l.Kind])
				}
				if single[l.Kind].Condition.Active() {
					worst = max(worst, l.Kind.severity())
				}
			}
			if len(all) != len(want) {
				rt.Fatalf("reading %d: changes %v, want %v", i, all, want)
			}
			k, ok := set.Active(states)
			if ok != (worst > 0) || k.severity() != worst || ok && !states.Of(k).Condition.Active() {
				rt.Fatalf("reading %d: %s is named, the severity is %d", i, k, worst)
			}
		}
	})
}

// TestTimeForwardOnly: a clock that jumps back never makes time pass. However
// the readings' times are mixed, an alarm needs at least the distance between
// its earliest and latest time, and that is no less than its delay.
func TestTimeForwardOnly(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l := Limit{Kind: Bit, OnDelay: 5 * time.Second}
		times := rapid.SliceOfN(rapid.Int64Range(-8, 8), 1, 30).Draw(rt, "seconds")
		var s State
		first, last := times[0], times[0]
		for i, second := range times {
			first, last = min(first, second), max(last, second)
			at := time.Duration(second) * time.Second
			before := s
			s, _ = l.Step(s, OnOff(true), at)
			if i > 0 && s.At < before.At {
				rt.Fatalf("the state went back from %v to %v", before.At, s.At)
			}
			if s.Condition.Active() && time.Duration(last-first)*time.Second < l.OnDelay {
				rt.Fatalf("raised within %d s", last-first)
			}
		}
	})
}
