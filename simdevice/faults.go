package simdevice

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"plumbline/regmap"
	"plumbline/simdevice/fault"
)

// Faults are what is wrong on purpose with a running station, put on and taken
// off one line of words at a time. It takes over the station's hooks for the
// bank and the answer, and what stands between an answer and the line. The
// lines are
//
//	POINT = VALUE                     what reads of the point show
//	freeze POINT                      it shows what it shows now
//	jump POINT by VALUE               up or down by so much
//	tear POINT                        its first register is one read behind the rest
//	swap POINT                        its registers come the other way round
//	span POINT LOW..HIGH              the transmitter is ranged so, in units
//	wrap POINT                        the counter rolls over at its next count
//	reset POINT                       the counter begins again at 0
//	silence [N]                       the unit answers nothing
//	exceptions CODE                   it refuses, 01 to 0B
//	shift by N                        what is asked of an address comes from N further on
//	outside limit|ignore|accept|refuse    writes beyond a point's limits
//	clients N                         connections beyond so many are refused
//	fault RULE                        a rule of simdevice/fault, of answers
//	release POINT|unit N|outside|clients|fault|all
//
// After them may stand, in any order: `for TIME`, `with P%`, `on unit N`, `of
// function CODE`, `touching POINT`; before them `after TIME`. `fault` keeps
// the conditions of its own language. What a client may write is stored once by
// `=`; any other point is held at the value until it is released, whatever
// drives it.
type Faults struct {
	station *Station
	means   Means
	random  *rand.Rand // under mu
	seed    uint64
	failed  func(line string, err error)

	mu      sync.Mutex
	all     []*trouble
	rules   []fault.Rule
	timers  map[*time.Timer]bool
	stopped bool
}

// Means reads a value as people write it for a point, in engineering units.
type Means func(p *regmap.Point, text string) (regmap.Value, error)

// NewFaults makes ready for faults of a station. seed fixes every random
// choice; 0 chooses one. failed is told of a line that was to come later and
// could not be done; it may be nil.
func NewFaults(s *Station, means Means, seed uint64, failed func(line string, err error)) *Faults {
	f := &Faults{station: s, means: means, failed: failed, timers: map[*time.Timer]bool{}}
	f.reseed(seed)
	return f
}

func (f *Faults) reseed(seed uint64) {
	for seed == 0 {
		seed = rand.Uint64()
	}
	f.seed, f.random = seed, rand.New(rand.NewPCG(seed, 0))
}

// Seed is the seed in use; the same lines at the same times with the same
// requests have the same faults again.
func (f *Faults) Seed() uint64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.seed
}

// A Change is what a line has done.
type Change struct {
	Words string // for people: "unit 17 is silent for 30 s"
	Later time.Duration
	Scope Scope
}

// MaxFaults is how many faults may be on at a time. Ours.
const MaxFaults = 256

// ErrLine is wrapped where a line is not understood or cannot be done.
var ErrLine = errors.New("not done")

// Do does one line. What it does is done when it returns, unless the line says
// `after`.
func (f *Faults) Do(text string) (Change, error) {
	o, err := f.parse(text)
	if err != nil {
		return Change{}, fmt.Errorf("%w: %w", ErrLine, err)
	}
	if o.after > 0 {
		f.later(o.after, func() {
			if _, err := f.do(o); err != nil && f.failed != nil {
				f.failed(text, err)
			}
		})
		return Change{Words: "in " + o.after.String() + ": " + o.words(), Later: o.after, Scope: o.scope()}, nil
	}
	return f.do(o)
}

func (f *Faults) do(o *order) (Change, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.stopped {
		return Change{}, fmt.Errorf("%w: the station has ended", ErrLine)
	}
	if err := verbRows[o.verb].do(f, o); err != nil {
		return Change{}, fmt.Errorf("%w: %w", ErrLine, err)
	}
	return Change{Words: o.words(), Scope: o.scope()}, nil
}

// later does something when the time has come, unless all is stopped before.
func (f *Faults) later(d time.Duration, do func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.laterLocked(d, do)
}

func (f *Faults) laterLocked(d time.Duration, do func()) {
	if f.stopped {
		return
	}
	var t *time.Timer
	t = time.AfterFunc(d, func() {
		f.mu.Lock()
		ours := f.timers[t] // written under mu before it can be read here
		delete(f.timers, t)
		f.mu.Unlock()
		if ours {
			do()
		}
	})
	f.timers[t] = true
}

// Stop takes every fault off and forgets what was to come.
func (f *Faults) Stop() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.stopped = true
	for t := range f.timers {
		t.Stop()
	}
	clear(f.timers)
	f.releaseAll()
}

func (f *Faults) releaseAll() {
	f.all, f.rules = nil, nil
	f.station.SetOutside(nil)
	f.station.refuse.Store(0)
	f.station.setLanes(nil)
	f.install()
}

// put adds a fault, and has it taken off when its time is over.
func (f *Faults) put(t *trouble) error {
	if len(f.all) >= MaxFaults {
		return fmt.Errorf("%d faults are on already; release some", MaxFaults)
	}
	t.random = rand.New(rand.NewPCG(f.seed, f.random.Uint64()))
	f.all = append(slices.Clip(f.all), t)
	f.install()
	f.until(t.length, func() {
		f.all = slices.DeleteFunc(slices.Clone(f.all), func(o *trouble) bool { return o == t })
		f.install()
	})
	return nil
}

// until undoes something after a time, under the lock; 0 is for ever.
func (f *Faults) until(d time.Duration, undo func()) {
	if d <= 0 {
		return
	}
	f.laterLocked(d, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		if !f.stopped {
			undo()
		}
	})
}

// install gives the station the hooks that the faults need, and none without.
func (f *Faults) install() {
	h := f.station.options.Hooks
	var inBank, inAnswer []*trouble
	for _, t := range f.all {
		if t.changes != nil {
			inBank = append(inBank, t)
		} else {
			inAnswer = append(inAnswer, t)
		}
	}
	if len(inBank) > 0 {
		h.Bank = bankHook(inBank, h.Bank)
	}
	if len(inAnswer) > 0 {
		h.Answer = answerHook(inAnswer, h.Answer)
	}
	f.station.SetHooks(h)
}

// Seen says how often each fault that is on has met a request, in words, a line
// each.
func (f *Faults) Seen() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	var lines []string
	for _, t := range f.all {
		times := "times"
		if n := t.met.Load(); n == 1 {
			times = "time"
		}
		lines = append(lines, fmt.Sprintf("%s; met %d %s", t.said, t.met.Load(), times))
	}
	for _, r := range f.rules {
		lines = append(lines, "fault "+r.String())
	}
	if o := f.station.outside.Load(); o != nil {
		lines = append(lines, "outside "+regmap.OutsideNames[*o])
	}
	if n := f.station.refuse.Load(); n > 0 {
		lines = append(lines, fmt.Sprintf("clients %d", n))
	}
	return lines
}
