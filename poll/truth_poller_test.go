package poll_test

import (
	"fmt"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/poll"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// pollerMixes are those in which whole lines are polled: exchanges are cycles
// here. The stations have the same map, so that many requests look alike.
var pollerMixes = []mix{
	{name: "polled, late", media: []medium{serialRTU}, strict: true, quiet: true, retries: 1, runs: 1, exchanges: 30, leastGood: 0.9,
		wire: "answers: drop with 2%\nanswers: delay 5ms..40ms overtake\nanswers: delay 140ms..530ms with 4% overtake"},
	{name: "polled, damaged", media: []medium{networkRTU}, strict: true, strangers: 0.05, retries: 1, runs: 1, exchanges: 20, leastGood: 0.7,
		wire: "answers: flip 1..64 bits with 5%\nanswers: insert 1..20 bytes with 4%\nanswers: deliver 1..20 bytes with 2%\nanswers: split 2..5 gap 10ms with 5%\nanswers: delay 5ms..40ms",
		door: "answers: close rst with 0.3%"},
	{name: "polled, beyond the horizon", media: []medium{serialRTU, networkRTU}, retries: 0, runs: 4, exchanges: 5, leastGood: 0.4,
		wire: "answers: delay 5ms..40ms overtake\nanswers: delay 400ms..2500ms with 4% overtake"},
	{name: "polled, twice", media: []medium{serialRTU, networkRTU}, twice: true, retries: 1, runs: 2, exchanges: 4, leastGood: 0.4,
		wire: "answers: delay 5ms..40ms overtake\nanswers: duplicate with 2%\nanswers: duplicate after 1ms..400ms with 3% overtake"},
	{name: "polled", media: []medium{tcp}, strict: true, quiet: true, strangers: 0.1, gateway: true, retries: 1, runs: 1, exchanges: 30, leastGood: 0.8,
		wire: "answers: drop with 2%\nanswers: delay 5ms..40ms overtake\nanswers: delay 100ms..5s with 4% overtake\nanswers: duplicate after 0ms..500ms with 3% overtake\nanswers: close fin with 0.3%"},
}

// pollerMap is the map of the stations: registers far apart, each a request of
// its own, some wide, bits, the counting register, one that is refused and one that is derived.
func pollerMap(t *testing.T) *regmap.Map {
	t.Helper()
	var b strings.Builder
	b.WriteString("device: Cistern with registers that say who they are\npoints:\n")
	for i := range 8 {
		fmt.Fprintf(&b, "  level-%d: {holding-register: %d, type: uint16}\n", i, 100+60*i)
		fmt.Fprintf(&b, "  flow-%d: {input-register: %d, type: int16}\n", i, 2000+70*i)
	}
	for i := range 4 {
		fmt.Fprintf(&b, "  total-%d: {holding-register: %d, type: uint32, order: CDAB}\n", i, 5000+90*i)
		fmt.Fprintf(&b, "  running-%d: {coil: %d, type: bool}\n", i, 300+90*i)
	}
	b.WriteString("  state: {input-register: 4000, type: bits, bits: {0: pump-1, 1: pump-2, 4-5: duty}}\n")
	fmt.Fprintf(&b, "  count: {holding-register: %d, type: uint16}\n", counterAddress)
	b.WriteString("  balance: {derive: 'p(\"level-0\") - p(\"flow-3\")', units: m3/h}\n")
	fmt.Fprintf(&b, "  missing: {holding-register: %d, type: uint16}\n", refusedFrom+1)
	return load(t, b.String())
}

// load reads the text of a map.
func load(t testing.TB, text string) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("self.yaml", []byte(text), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

// A seat is the place of one point on a screen.
type seat struct {
	unit  regmap.Unit
	point string
}

// A screen shows the readings that a poller gives on, as a person would see
// them, and judges each.
type screen struct {
	run *run

	mu       sync.Mutex
	classes  map[uint64]class // of the exchanges
	shown    map[seat]decode.Reading
	rests    map[seat][]*decode.Exchange // what the shown ones rest on
	readings int                         // good ones
	wrong    int                         // of these
	turned   int                         // made uncertain because of a doubt
}

func newScreen(r *run) *screen {
	return &screen{run: r, classes: map[uint64]class{}, shown: map[seat]decode.Reading{}, rests: map[seat][]*decode.Exchange{}}
}

// sink takes a poller's events.
func (s *screen) sink(e decode.Event) {
	if e.Exchange != nil {
		c := s.run.take(e.Exchange)
		s.mu.Lock()
		s.classes[e.Exchange.ID.Number] = c
		s.mu.Unlock()
	}
	for _, r := range e.Readings {
		s.mu.Lock()
		s.show(r)
		s.mu.Unlock()
	}
}

// show puts a reading in its place.
func (s *screen) show(r decode.Reading) {
	at := seat{r.Unit, r.Point.Name}
	before, was := s.shown[at]
	same := was && before.Cycle == r.Cycle && before.From == r.From
	if same && before.Value.Quality() != regmap.Good && r.Value.Quality() == regmap.Good {
		s.run.fault("%v of exchange %s was %s and is good again", at, r.From.ID, before.Value.Quality())
	}
	s.shown[at] = r
	if !same {
		s.rests[at] = []*decode.Exchange{r.From}
	}
	if !same && r.Point.Derived() {
		s.rests[at] = nil
		for _, input := range derivedFrom {
			s.rests[at] = append(s.rests[at], s.rests[seat{r.Unit, input}]...)
		}
	}
	switch {
	case r.Value.Quality() == regmap.Good:
		s.good(at, r)
	case r.Value.Quality() == regmap.Uncertain:
		s.turned++
		if r.Value.Cause() != regmap.LateDoubt || !s.doubted(at) {
			s.run.fault("%v of exchange %s is uncertain, %s, and nobody doubted it", at, r.From.ID, r.Value.Cause().Words())
		}
	}
}

// derivedFrom is the inputs of the derived point.
var derivedFrom = []string{"level-0", "flow-3"}

// good judges a good reading. A wrong one must rest on an exchange that is
// known to be wrong.
func (s *screen) good(at seat, r decode.Reading) {
	s.readings++
	excused := false
	for _, x := range s.rests[at] {
		c, known := s.classes[x.ID.Number]
		if !known || c == unused {
			s.run.fault("%v is good and rests on exchange %s, which is %s", at, x.ID, c)
		}
		excused = excused || c == beyond || c == chance
	}
	if want := wanted(r); want != r.Value.Decimal() && !(isCounter(r.Point.Table, int(r.Point.Address)) && !excused) {
		s.wrong++
		if !excused {
			s.run.fault("%v is good and %s (%04x), it should be %s; its exchange is %s, %s", at,
				r.Value.Decimal(), r.Raw, want, r.From.ID, s.classes[r.From.ID.Number])
		}
	}
}

// wanted is what a reading should say; of a bit, nothing in digits.
func wanted(r decode.Reading) string {
	register := func(t regmap.Table, a int) int { return int(truth(r.Unit, t, a)) }
	p := r.Point
	a := int(p.Address)
	switch {
	case p.Derived():
		return strconv.Itoa(register(regmap.HoldingRegister, 100) - int(int16(register(regmap.InputRegister, 2210))))
	case p.Table.Bits():
		return bitWanted(r, register(p.Table, a) == 1)
	case p.Part.Width == 1:
		return bitWanted(r, register(p.Table, a)>>p.Part.Low&1 == 1)
	case p.Part.Width > 1:
		return strconv.Itoa(register(p.Table, a) >> p.Part.Low & (1<<p.Part.Width - 1))
	case p.Type == regmap.TypeInt16:
		return strconv.Itoa(int(int16(register(p.Table, a))))
	case p.Type == regmap.TypeUint32: // CDAB: the low word first
		return strconv.Itoa(register(p.Table, a+1)<<16 | register(p.Table, a))
	}
	return strconv.Itoa(register(p.Table, a))
}

// bitWanted is the empty text where a bit is as it should be: a bit has no
// digits.
func bitWanted(r decode.Reading, want bool) string {
	if got, ok := r.Value.Bool(); !ok || got != want {
		return strconv.FormatBool(want)
	}
	return ""
}

// doubted says whether what is shown rests on an exchange in doubt.
func (s *screen) doubted(at seat) bool {
	s.run.book.mu.Lock()
	defer s.run.book.mu.Unlock()
	for _, x := range s.rests[at] {
		for _, d := range s.run.book.doubts {
			if d.First.Number <= x.ID.Number && x.ID.Number <= d.Last.Number {
				return true
			}
		}
	}
	return false
}

// check is made when all is at rest: nothing that is in doubt may be shown as
// good, from the moment on at which it is doubted.
func (s *screen) check() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for at, r := range s.shown {
		if r.Value.Quality() == regmap.Good && s.doubted(at) {
			s.run.fault("%v of exchange %s is in doubt and still good at %s", at, r.From.ID, clockTime(time.Now()))
		}
	}
}

// station16And17 is a line with two stations of one map.
func (r *run) station16And17(where medium, timing line.Timing) *line.Line {
	l := &line.Line{Name: "Pump house", Medium: line.TCP, Framing: where.framing, Serial: where.serial, Every: 2 * time.Second, Timing: timing}
	if where.serial.Baud > 0 {
		l.Medium = line.SerialPort
	}
	m := pollerMap(r.t)
	for _, u := range []regmap.Unit{16, 17} {
		l.Stations = append(l.Stations, line.Station{Unit: u, Name: "cistern-" + strconv.Itoa(int(u)), Map: m, Timing: timing})
	}
	return l
}

// pollLine polls a line for some cycles and looks at the screen four times a
// second; at last it waits until all that is late has come.
func (r *run) pollLine(s *screen, where medium) tally {
	synctest.Test(r.t, func(t *testing.T) {
		c := r.config()
		c.Clock = decode.NewClock()
		var p *poll.Poller
		c.Doubt = func(d link.Doubt) {
			r.book.doubt(d)
			p.Doubt(d)
		}
		asker, err := link.New(c)
		if err != nil {
			t.Fatal(err)
		}
		defer r.end(asker)
		p = poll.New(poll.Config{Line: r.station16And17(where, c.Timing), Link: asker, Clock: c.Clock, Sink: s.sink})
		done := make(chan struct{})
		go func() {
			defer close(done)
			p.Run(t.Context(), r.mix.exchanges)
		}()
		for running := true; running; {
			time.Sleep(250 * time.Millisecond) // virtual
			synctest.Wait()
			select {
			case <-done:
				running = false
			default:
				s.check()
			}
		}
		time.Sleep(longest)
		synctest.Wait()
		r.settle(asker.Statistics())
	})
	return r.tally
}

func TestNoReadingIsWrongAndGood(t *testing.T) {
	all, given := seeds(t)
	t.Logf("seeds %d; %s=n repeats one", all, seedVariable)
	totals := make([]tally, len(pollerMixes))
	sums := make([]screen, len(pollerMixes))
	var mu sync.Mutex
	t.Run("seeds", func(t *testing.T) {
		for _, seed := range all {
			for i, m := range pollerMixes {
				t.Run(strconv.FormatUint(seed, 10)+"/"+m.name, func(t *testing.T) {
					t.Parallel()
					for n := range m.runs {
						for _, where := range m.media {
							r := newRun(t, m, where, mixSeed(seed, m.name+where.name, uint64(n)))
							s := newScreen(r)
							sum := r.pollLine(s, where)
							for _, f := range sum.faults {
								t.Errorf("seed %d: %s", seed, f)
							}
							mu.Lock()
							totals[i].add(sum)
							sums[i].readings += s.readings
							sums[i].wrong += s.wrong
							sums[i].turned += s.turned
							mu.Unlock()
						}
					}
				})
			}
		}
	})
	for i, m := range pollerMixes {
		t.Logf("%s: %d good readings, %d of them wrong, %d uncertain", m.name, sums[i].readings, sums[i].wrong, sums[i].turned)
		if !given && !m.strict && (sums[i].wrong == 0 || sums[i].turned == 0) {
			t.Errorf("%s: no reading was wrong, so nothing was tested", m.name)
		}
	}
	report(t, pollerMixes, totals, !given)
}
