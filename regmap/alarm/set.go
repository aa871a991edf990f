package alarm

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// A Set is the alarms of one point. It does not change. The zero Set has none.
type Set struct{ limits []Limit }

// NewSet puts the limits of a point together, in any order. A kind stands at
// most once; low-low, low, high and high-high ascend; the alarm of a bit stands
// alone. Errors wrap ErrLimit.
func NewSet(limits ...Limit) (Set, error) {
	sorted := slices.Clone(limits)
	slices.SortStableFunc(sorted, func(a, b Limit) int { return int(a.Kind) - int(b.Kind) })
	for i, l := range sorted {
		if err := l.Check(); err != nil {
			return Set{}, err
		}
		if i == 0 {
			continue
		}
		above := sorted[i-1]
		switch {
		case above.Kind == l.Kind:
			return Set{}, fmt.Errorf("%w: %s stands twice", ErrLimit, l.Kind)
		case l.Kind == Bit:
			return Set{}, fmt.Errorf("%w: the alarm of a bit stands alone, not beside %s", ErrLimit, above.Kind)
		case above.Value.Cmp(l.Value) <= 0:
			return Set{}, fmt.Errorf("%w: %s %s is not above %s %s", ErrLimit,
				above.Kind, number(above.Value), l.Kind, number(l.Value))
		}
	}
	return Set{limits: sorted}, nil
}

// Limits gives the limits, the highest first.
func (s Set) Limits() []Limit { return slices.Clone(s.limits) }

// States are the states of all alarms of one point. It is a value, like State;
// the zero States are all normal. In JSON it is an object by kind, in which
// zero states are left out.
type States struct{ by [lastKind]State }

// Of is the state of one alarm; the zero State for a kind that does not exist.
func (s States) Of(k Kind) State {
	if k == 0 || k > lastKind {
		return State{}
	}
	return s.by[k-1]
}

// Resume is State.Resume for all alarms of the point.
func (s States) Resume() States {
	for i := range s.by {
		s.by[i] = s.by[i].Resume()
	}
	return s
}

// MarshalJSON writes {"high":{"condition":"latched"}}.
func (s States) MarshalJSON() ([]byte, error) {
	out := map[Kind]State{}
	for i, state := range s.by {
		if state != (State{}) {
			out[Kind(i+1)] = state
		}
	}
	return json.Marshal(out)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *States) UnmarshalJSON(text []byte) error {
	var in map[Kind]State
	if err := json.Unmarshal(text, &in); err != nil {
		return err
	}
	*s = States{}
	for k, state := range in {
		s.by[k-1] = state
	}
	return nil
}

// Step is Limit.Step for every alarm of the point. The changes are those that
// happened, the highest limit first.
func (s Set) Step(states States, in Input, at time.Duration) (States, []Change) {
	return s.each(states, nil, func(l Limit, state State) (State, Change) { return l.Step(state, in, at) })
}

// Acknowledge is Limit.Acknowledge for the named alarms of the point; for all
// where none is named.
func (s Set) Acknowledge(states States, kinds ...Kind) (States, []Change) {
	return s.each(states, kinds, Limit.Acknowledge)
}

// Reset is Limit.Reset for the named alarms of the point; for all where none is
// named.
func (s Set) Reset(states States, kinds ...Kind) (States, []Change) {
	return s.each(states, kinds, Limit.Reset)
}

// each applies one function to the named alarms, or to all.
func (s Set) each(states States, kinds []Kind, do func(Limit, State) (State, Change)) (States, []Change) {
	var changes []Change
	for _, l := range s.limits {
		if len(kinds) > 0 && !slices.Contains(kinds, l.Kind) {
			continue
		}
		var c Change
		at := l.Kind - 1
		if states.by[at], c = do(l, states.by[at]); c.Event != NoEvent {
			changes = append(changes, c)
		}
	}
	return states, changes
}

// Active names the most severe active alarm; ok is false where none is.
// High-high and low-low come before high and low. Of two that are equal, as
// when an off-delay holds one side while the other is raised, it is the one
// that is not on its way out. Common practice.
func (s Set) Active(states States) (k Kind, ok bool) {
	best := -1
	for _, l := range s.limits {
		state := states.Of(l.Kind)
		if !state.Condition.Active() {
			continue
		}
		weight := 2 * l.Kind.severity()
		if !state.Waiting {
			weight++
		}
		if weight > best {
			best, k = weight, l.Kind
		}
	}
	return k, best >= 0
}

// Worst is what to show of the point: its most severe active alarm, else the
// most severe one that is over and not finished with, else Normal and no kind.
func (s Set) Worst(states States) (Kind, Condition) {
	if k, ok := s.Active(states); ok {
		return k, states.Of(k).Condition
	}
	var worst Kind
	for _, l := range s.limits {
		if states.Of(l.Kind).Condition != Normal && l.Kind.severity() > worst.severity() {
			worst = l.Kind
		}
	}
	return worst, states.Of(worst).Condition
}

// Words is Worst for people: "high, not acknowledged".
func (s Set) Words(states States) string { return Words(s.Worst(states)) }
