package alarm

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
)

// cistern is the set of the level: 2.85, 2.60, 0.30 and 0.10 m, 0.05 m
// deadband.
func cistern(t testing.TB, change func(*Limit)) Set {
	t.Helper()
	var limits []Limit
	for _, row := range []struct {
		kind  Kind
		value string
	}{{Low, "0.30"}, {HighHigh, "2.85"}, {LowLow, "0.10"}, {High, "2.60"}} {
		l := Limit{Kind: row.kind, Value: rat(row.value), Deadband: rat("0.05")}
		change(&l)
		limits = append(limits, l)
	}
	s, err := NewSet(limits...)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestNewSet(t *testing.T) {
	limit := func(k Kind, value string) Limit { return Limit{Kind: k, Value: rat(value)} }
	for _, v := range []struct {
		limits []Limit
		want   string
	}{
		{nil, ""},
		{[]Limit{{Kind: Bit}}, ""},
		{[]Limit{limit(LowLow, "1"), limit(HighHigh, "2")}, ""},
		{[]Limit{{Kind: Low}}, "alarm limit: low has no value"},
		{[]Limit{limit(High, "1"), limit(High, "2")}, "alarm limit: high stands twice"},
		{[]Limit{{Kind: Bit}, {Kind: Bit}}, "alarm limit: bit stands twice"},
		{[]Limit{{Kind: Bit}, limit(High, "2")}, "alarm limit: the alarm of a bit stands alone, not beside high"},
		{[]Limit{limit(High, "2.85"), limit(HighHigh, "2.6")}, "alarm limit: high-high 2.6 is not above high 2.85"},
		{[]Limit{limit(Low, "1"), limit(High, "1")}, "alarm limit: high 1 is not above low 1"},
		{[]Limit{limit(LowLow, "1/3"), limit(Low, "0.3")}, "alarm limit: low 0.3 is not above low-low 1/3"},
	} {
		s, err := NewSet(v.limits...)
		got := ""
		if err != nil {
			got = err.Error()
			if !errors.Is(err, ErrLimit) || len(s.limits) != 0 {
				t.Errorf("%v: %v, %v", v.limits, s, err)
			}
		}
		if got != v.want {
			t.Errorf("%v: %q, want %q", v.limits, got, v.want)
		}
	}
}

// TestSetKeepsItsLimits: what is given and what is got are copies.
func TestSetKeepsItsLimits(t *testing.T) {
	given := []Limit{low, high}
	s, err := NewSet(given...)
	if err != nil {
		t.Fatal(err)
	}
	given[0] = Limit{}
	s.Limits()[0] = Limit{}
	if got := s.Limits(); len(got) != 2 || got[0].Kind != High || got[1].Kind != Low {
		t.Errorf("the limits are now %v", got)
	}
}

// TestSetRises: a level that rises and falls through all limits. The names and
// their order are common practice, the states those of ISA-18.2-2016 (from
// memory).
func TestSetRises(t *testing.T) {
	set := cistern(t, func(*Limit) {})
	var states States
	for i, v := range []struct {
		level, changes, active, words string
	}{
		{"1.00", "", "none", "normal"},
		{"2.60", "", "none", "normal"},
		{"2.70", "high raised", "high", "high, not acknowledged"},
		{"2.90", "high-high raised", "high-high", "high-high, not acknowledged"},
		{"2.82", "", "high-high", "high-high, not acknowledged"},
		{"2.80", "high-high returned", "high", "high, not acknowledged"},
		{"2.55", "high returned", "none", "high-high, returned, not acknowledged"},
		{"0.05", "low raised; low-low raised", "low-low", "low-low, not acknowledged"},
		{"0.20", "low-low returned", "low", "low, not acknowledged"},
		{"2.90", "high-high raised; high raised; low returned", "high-high", "high-high, not acknowledged"},
	} {
		var changes []Change
		states, changes = set.Step(states, Number(rat(v.level)), time.Duration(i)*time.Second)
		var words []string
		for _, c := range changes {
			words = append(words, c.Kind.String()+" "+c.Event.String())
			if states.Of(c.Kind).Condition != c.To {
				t.Errorf("%s: %v, but the state is %v", v.level, c, states.Of(c.Kind))
			}
		}
		k, ok := set.Active(states)
		if got := strings.Join(words, "; "); got != v.changes || k.String() != v.active || ok != (v.active != "none") || set.Words(states) != v.words {
			t.Errorf("%s: %q, active %s, %q; want %q, %s, %q", v.level, got, k, set.Words(states), v.changes, v.active, v.words)
		}
	}
}

// TestEqualSeverity: with the high side held by its off-delay and the low side
// raised, the low side is named; held alone, the high side is.
func TestEqualSeverity(t *testing.T) {
	set := cistern(t, func(l *Limit) { l.OffDelay = time.Minute })
	states, _ := set.Step(States{}, Number(rat("2.70")), 0)
	states, _ = set.Step(states, Number(rat("1.00")), time.Second)
	if k, _ := set.Active(states); k != High {
		t.Errorf("held alone: %s", k)
	}
	states, _ = set.Step(states, Number(rat("0.20")), 2*time.Second)
	if k, _ := set.Active(states); k != Low || states.Of(High).Condition != ActiveNotAcknowledged {
		t.Errorf("high is held and low raised: %s", k)
	}
	states, _ = set.Step(states, Number(rat("1.00")), 3*time.Second)
	if k, _ := set.Active(states); k != High {
		t.Errorf("both are held: %s; the first of the list was expected", k)
	}
}

// TestSeverityBeforeLeaving: a more severe alarm is named even on its way out.
func TestSeverityBeforeLeaving(t *testing.T) {
	set := cistern(t, func(l *Limit) { l.OffDelay = time.Minute })
	states, _ := set.Step(States{}, Number(rat("2.90")), 0)
	states, _ = set.Step(states, Number(rat("2.70")), time.Second)
	if k, _ := set.Active(states); k != HighHigh {
		t.Errorf("high-high is held by its off-delay: %s", k)
	}
}

func TestSetAcknowledge(t *testing.T) {
	set := cistern(t, func(l *Limit) { l.Latch = l.Kind == HighHigh })
	states, _ := set.Step(States{}, Number(rat("2.90")), 0)
	one, changes := set.Acknowledge(states, High)
	if len(changes) != 1 || changes[0] != (Change{High, Acknowledged, ActiveNotAcknowledged, ActiveAcknowledged}) || set.Words(one) != "high-high, not acknowledged" {
		t.Errorf("acknowledging high: %v, %s", changes, set.Words(one))
	}
	all, changes := set.Acknowledge(states)
	if len(changes) != 2 || set.Words(all) != "high-high, acknowledged" {
		t.Errorf("acknowledging all: %v, %s", changes, set.Words(all))
	}
	if none, changes := set.Acknowledge(states, Low, Bit); len(changes) != 0 || none != states {
		t.Errorf("acknowledging low: %v", changes)
	}
	over, _ := set.Step(all, Number(rat("1.00")), time.Second)
	if got := set.Words(over); got != "high-high, returned, latched until acknowledged" || over.Of(High).Condition != Normal {
		t.Errorf("after the return: %s, high %s", got, over.Of(High).Condition)
	}
	clear, changes := set.Reset(over)
	if len(changes) != 1 || changes[0] != (Change{HighHigh, Reset, Latched, Normal}) || set.Words(clear) != "normal" {
		t.Errorf("after the reset: %v, %s", changes, set.Words(clear))
	}
	if states == all || set.Words(states) != "high-high, not acknowledged" {
		t.Error("the states that were given have changed")
	}
}

func TestZeroSet(t *testing.T) {
	var set Set
	states, changes := set.Step(States{}, Number(rat("1")), 0)
	if k, c := set.Worst(states); states != (States{}) || changes != nil || k != 0 || c != Normal || set.Words(states) != "normal" {
		t.Errorf("the zero set: %v, %v", states, changes)
	}
	if (States{}).Of(0) != (State{}) || (States{}).Of(lastKind+1) != (State{}) {
		t.Error("a kind that does not exist has a state")
	}
}

func TestStatesStored(t *testing.T) {
	set := cistern(t, func(l *Limit) { l.OnDelay = 5 * time.Second })
	states, _ := set.Step(States{}, Number(rat("2.70")), time.Second)
	states, _ = set.Step(states, Number(rat("2.90")), 3*time.Second)
	text, err := json.Marshal(states)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"high":{"condition":"normal","waiting":true,"waited_ns":2000000000,"counting":true,"at_ns":3000000000},` +
		`"high-high":{"condition":"normal","waiting":true,"counting":true,"at_ns":3000000000},` +
		`"low":{"condition":"normal","counting":true,"at_ns":3000000000},"low-low":{"condition":"normal","counting":true,"at_ns":3000000000}}`
	if string(text) != want {
		t.Errorf("stored as %s, want %s", text, want)
	}
	var back States
	if err := json.Unmarshal(text, &back); err != nil || back != states {
		t.Errorf("read back %v, %v; want %v", back, err, states)
	}
	// another clock: 3 s of the delay are left, what lay between does not count
	back = back.Resume()
	back, _ = set.Step(back, Number(rat("2.90")), -time.Hour)
	back, changes := set.Step(back, Number(rat("2.90")), -time.Hour+3*time.Second)
	if len(changes) != 1 || changes[0].Kind != High || changes[0].Event != Raised {
		t.Errorf("after 3 s of the new clock: %v, %v", changes, back)
	}

	before := states
	for _, text := range []string{`{"hi":{}}`, `{"high":{"condition":"loud"}}`, `[1]`, `{"high":`, `{"none":{}}`} {
		if err := json.Unmarshal([]byte(text), &states); err == nil || states != before {
			t.Errorf("%s is read as %v, %v", text, states, err)
		}
	}
}

// TestKindsMatchKeys: the words are the keys of alarm in map files.
func TestKindsMatchKeys(t *testing.T) {
	var got []string
	for k := HighHigh; k <= lastKind; k++ {
		text, err := k.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back Kind
		if err := back.UnmarshalText(text); err != nil || back != k {
			t.Errorf("%s reads back as %s, %v", text, back, err)
		}
		got = append(got, string(text))
	}
	if want := []string{"high-high", "high", "low", "low-low", "bit"}; !slices.Equal(got, want) {
		t.Errorf("kinds %v, want %v", got, want)
	}
	for _, k := range []Kind{0, lastKind + 1} {
		if text, err := k.MarshalText(); err == nil || text != nil {
			t.Errorf("%s is written as %q", k, text)
		}
		if k.severity() != 0 {
			t.Errorf("%s has a severity", k)
		}
	}
}

func TestWords(t *testing.T) {
	for _, v := range []struct {
		kind  Kind
		in    Condition
		words string
		kebab string
	}{
		{High, Normal, "normal", "normal"},
		{0, Normal, "normal", "normal"},
		{High, ActiveNotAcknowledged, "high, not acknowledged", "active-not-acknowledged"},
		{LowLow, ActiveAcknowledged, "low-low, acknowledged", "active-acknowledged"},
		{Low, ReturnedNotAcknowledged, "low, returned, not acknowledged", "returned-not-acknowledged"},
		{HighHigh, Latched, "high-high, returned, latched until acknowledged", "latched"},
		{Bit, ActiveNotAcknowledged, "alarm, not acknowledged", "active-not-acknowledged"},
	} {
		if got := Words(v.kind, v.in); got != v.words {
			t.Errorf("%q, want %q", got, v.words)
		}
		text, err := v.in.MarshalText()
		if err != nil || string(text) != v.kebab {
			t.Errorf("%q, %v; want %q", text, err, v.kebab)
		}
		var back Condition
		if err := back.UnmarshalText(text); err != nil || back != v.in {
			t.Errorf("%s reads back as %s, %v", text, back, err)
		}
	}
	if got := Words(High, lastCondition+1); got != "condition(5)" {
		t.Errorf("a condition that does not exist: %q", got)
	}
	if text, err := (lastCondition + 1).MarshalText(); err == nil || text != nil {
		t.Errorf("a condition that does not exist is written as %q", text)
	}
	for e, want := range []string{"none", "raised", "returned", "acknowledged", "reset"} {
		if text, err := Event(e).MarshalText(); err != nil || string(text) != want {
			t.Errorf("event %d is written as %q, %v", e, text, err)
		}
	}
	if text, err := (lastEvent + 1).MarshalText(); err == nil || text != nil || (lastEvent+1).String() != "event(5)" {
		t.Errorf("an event that does not exist is written as %q", text)
	}
}
