package fault

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"sync"
	"time"
)

// Bounds of what a script may make of one chunk, and of what one rule may hold
// back; beyond them a rule leaves the chunk as it is. Ours.
const (
	MaxPieces = 4096
	MaxMade   = 1 << 20 // bytes
)

// A Run is a script at work on one link: it counts chunks, throws the dice and
// holds back what waits for its turn. Its methods may be used from several
// goroutines.
type Run struct {
	script Script
	seed   uint64
	lanes  [2]*lane // requests, answers
}

// Start begins a run; times of the script count from now. shaper may be nil
// when no rule looks at a frame's fields. Errors: a rule that needs the
// shaper, and a script that its text does not give back.
func (s Script) Start(shaper Shaper) (*Run, error) {
	s.Rules = slices.Clone(s.Rules)
	back, err := Parse(s.String())
	if err != nil {
		return nil, fmt.Errorf("fault script: %w", err)
	}
	if back.Rules = append([]Rule{}, back.Rules...); !reflect.DeepEqual(back.Rules, append([]Rule{}, s.Rules...)) {
		return nil, errors.New("fault script: a rule has a value that its verb does not use")
	}
	for _, r := range s.Rules {
		if shaper == nil && (r.OfUnit || r.Verb == AnswerAs) {
			return nil, fmt.Errorf("fault script: %q looks into frames, and the framing of this link is not known", r)
		}
	}
	run := &Run{script: s, seed: s.Seed}
	for run.seed == 0 {
		run.seed = rand.Uint64()
	}
	for i, d := range []Direction{Requests, Answers} {
		run.lanes[i] = newLane(s.Rules, d, run.seed, shaper)
	}
	return run, nil
}

// Seed is the seed of this run's random choice: the script's, or the one that
// was chosen. Put it into the script to have the same faults again.
func (r *Run) Seed() uint64 { return r.seed }

// Requests is the filter for what the client writes.
func (r *Run) Requests() Filter { return r.lanes[0] }

// Answers is the filter for what the station writes.
func (r *Run) Answers() Filter { return r.lanes[1] }

// Between puts the run on a link.
func (r *Run) Between(client, station *End) {
	client.SetFilter(r.Requests())
	station.SetFilter(r.Answers())
}

// Fired says how often each rule has applied so far, in the order of the
// script.
func (r *Run) Fired() []int {
	fired := make([]int, len(r.script.Rules))
	for _, l := range r.lanes {
		l.mu.Lock()
		for _, s := range l.states {
			fired[s.index] += s.fired
		}
		l.mu.Unlock()
	}
	return fired
}

// lane is one direction of a run.
type lane struct {
	mu     sync.Mutex
	start  time.Time
	states []*state
}

// state is a rule at work in one direction. Each has its own dice, so that a
// rule more or less, or the order in which the two directions run, does not
// change what the others do.
type state struct {
	rule   Rule
	index  int
	shaper Shaper
	rng    *rand.Rand
	seen   int // chunks of the rule's direction and unit
	fired  int

	held   []heldChunk // Reorder
	joined []byte      // Join
	left   int         // Join: chunks still to come
}

// heldChunk waits until so many more chunks have passed.
type heldChunk struct {
	ds   []Delivery
	left int
}

func newLane(rules []Rule, d Direction, seed uint64, shaper Shaper) *lane {
	l := &lane{start: time.Now()}
	for i, r := range rules {
		if r.Direction == d || r.Direction == Both {
			dice := rand.New(rand.NewPCG(seed, uint64(i)*2+uint64(d)))
			l.states = append(l.states, &state{rule: r, index: i, shaper: shaper, rng: dice})
		}
	}
	return l
}

// Deliveries runs the rules over one chunk.
func (l *lane) Deliveries(chunk []byte) []Delivery {
	l.mu.Lock()
	defer l.mu.Unlock()
	ds := []Delivery{{Bytes: slices.Clone(chunk)}}
	passed := time.Since(l.start)
	for _, s := range l.states {
		ds = s.step(s.applies(chunk, passed), ds)
	}
	return ds
}

// applies says whether the rule's conditions hold for a chunk as written.
func (s *state) applies(chunk []byte, passed time.Duration) bool {
	if s.rule.OfUnit {
		if unit, ok := s.shaper.Field(chunk, UnitField); !ok || unit != int(s.rule.Unit) {
			return false
		}
	}
	s.seen++
	c := s.rule.When
	switch {
	case c.From != 0 && s.seen < c.From, c.To != 0 && s.seen > c.To,
		c.Since != 0 && passed < c.Since, c.Until != 0 && passed >= c.Until,
		c.Every != 0 && s.seen%c.Every != 0,
		c.Times != 0 && s.fired >= c.Times,
		c.Chance != 0 && Chance(s.rng.Uint32N(uint32(Always))) >= c.Chance:
		return false
	}
	s.fired++
	return true
}

// step gives what the rule makes of a chunk's deliveries.
func (s *state) step(on bool, ds []Delivery) []Delivery {
	switch s.rule.Verb {
	case Reorder:
		return s.reorder(on, ds)
	case Join:
		return s.join(on, ds)
	}
	if !on {
		return ds
	}
	return verbs[s.rule.Verb].apply(s, ds)
}

// reorder holds a chunk back and lets go of those whose turn has come, behind
// the chunk that was the last to pass them.
func (s *state) reorder(on bool, ds []Delivery) []Delivery {
	var out []Delivery
	waiting := s.held[:0]
	for _, h := range s.held {
		if h.left--; h.left == 0 {
			out = append(out, h.ds...)
			continue
		}
		waiting = append(waiting, h)
	}
	clear(s.held[len(waiting):])
	s.held = waiting
	if on && s.mayHold(ds) {
		s.held = append(s.held, heldChunk{ds, s.pick(s.rule.Count)})
		return out
	}
	return append(ds, out...)
}

// mayHold keeps what a rule holds within MaxMade.
func (s *state) mayHold(ds []Delivery) bool {
	_, total := measure(ds)
	for _, h := range s.held {
		_, n := measure(h.ds)
		total += n
	}
	return total <= MaxMade
}

// join gathers chunks; the last of them brings all.
func (s *state) join(on bool, ds []Delivery) []Delivery {
	if s.left == 0 {
		if !on {
			return ds
		}
		s.left = s.pick(s.rule.Count)
	}
	s.left--
	out := each(ds, func(d Delivery) []Delivery {
		s.joined = append(s.joined, d.Bytes...)
		return nil
	})
	if len(s.joined) > MaxMade {
		s.left = 0
	}
	if s.left > 0 {
		return out
	}
	all := Delivery{Bytes: s.joined, Delay: latest(ds)}
	s.joined = nil
	return append(out, all)
}

// pick chooses within a count, both ends included.
func (s *state) pick(c Count) int { return c.Min + s.rng.IntN(c.Max-c.Min+1) }

// pickTime chooses within a span of time, both ends included.
func (s *state) pickTime(t Span) time.Duration {
	return t.Min + time.Duration(s.rng.Int64N(int64(t.Max-t.Min)+1))
}

// at is the rule's place among 0 to last.
func (s *state) at(last int) int {
	switch p := s.rule.Place; p.At {
	case Start:
		return 0
	case Last:
		return last
	case Number:
		return min(p.N, last)
	}
	return s.rng.IntN(last + 1)
}

// latest is the greatest delay of ds.
func latest(ds []Delivery) time.Duration {
	var late time.Duration
	for _, d := range ds {
		late = max(late, d.Delay)
	}
	return late
}

// measure counts deliveries and their bytes.
func measure(ds []Delivery) (n, bytes int) {
	for _, d := range ds {
		bytes += len(d.Bytes)
	}
	return len(ds), bytes
}

// room says whether so much may be added to ds.
func room(ds []Delivery, pieces, bytes int) bool {
	n, total := measure(ds)
	return n+pieces <= MaxPieces && total+bytes <= MaxMade
}
