package poll_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// response is the client's time limit in every run, so that three of it are
// 600 ms, and the lines of the mixes can be read beside it.
const response = 200 * time.Millisecond

// A medium is what carries the bytes, and how they are framed.
type medium struct {
	name    string
	framing line.Framing
	serial  line.Serial
	lasting bool // what is late on one stream arrives on the next
	packets bool // datagrams carry the frames
}

var (
	pipe19200    = line.Serial{Port: "pipe", Baud: 19200, Parity: line.Even, Stop: 1}
	serialRTU    = medium{name: "rtu on a serial line", framing: line.RTU, serial: pipe19200, lasting: true}
	networkRTU   = medium{name: "rtu on a network", framing: line.RTU, lasting: true}
	serialASCII  = medium{name: "ascii on a serial line", framing: line.ASCII, serial: pipe19200, lasting: true}
	networkASCII = medium{name: "ascii on a network", framing: line.ASCII, lasting: true}
	tcp          = medium{name: "mbap", framing: line.MBAP}
	udp          = medium{name: "mbap in datagrams", framing: line.MBAP, packets: true}
)

// pipe makes what carries the bytes.
func (m medium) pipe() func() (a, b *fault.End) {
	if m.packets {
		return fault.PacketPipe
	}
	return fault.Pipe
}

// A mix is what goes wrong on a line, and what is asked meanwhile.
type mix struct {
	name       string
	media      []medium
	wire, door string // scripts: on the way to the station; on the client's own stream
	strict     bool   // nothing comes beyond the horizon, and nothing twice
	quiet      bool   // ... so that nothing may come into doubt either
	runs       int    // links, each fresh
	exchanges  int    // on each
	callers    int    // asking at once
	retries    int
	gateway    bool
	twice      bool    // some answers come twice
	busy       bool    // nobody ever pauses or gives up
	strangers  float64 // chance that an answer to another question comes first
	looks      looks
	leastGood  float64
}

// looks is how many looks the questions of a run have: an answer can be
// mistaken only for that of a question of its own look.
type looks uint8

const (
	many  looks = iota // units, tables, lengths
	few                // two units, two lengths
	alike              // any answer passes for any other
)

// A tally is what came out of runs.
type tally struct {
	exchanges, good         int
	classes                 [beyond + 1]int
	undoubted, balanced     int // of the wrong ones beyond the horizon: never doubted; not, but nothing could tell
	ancient                 int // of these: not, but one had come that was older than a minute
	extras, doubts, damaged int
	grown                   int // doubts with which the horizon doubled
	expected                float64
	oldest                  time.Duration // age of an answer to a question asked before
	fired                   map[string]int
	faults                  []string // the promise is broken, or the link is
}

func (c *tally) add(o tally) {
	c.exchanges += o.exchanges
	c.good += o.good
	for i, n := range o.classes {
		c.classes[i] += n
	}
	c.undoubted += o.undoubted
	c.balanced += o.balanced
	c.ancient += o.ancient
	c.extras += o.extras
	c.doubts += o.doubts
	c.grown += o.grown
	c.damaged += o.damaged
	c.expected += o.expected
	c.oldest = max(c.oldest, o.oldest)
	if c.fired == nil {
		c.fired = map[string]int{}
	}
	for rule, n := range o.fired {
		c.fired[rule] += n
	}
	c.faults = append(c.faults, o.faults...)
}

// String is the tally in a line.
func (c tally) String() string {
	return fmt.Sprintf("%d exchanges, %d good (%d of a repeat, %s old at most), %d answers damaged, %d to nobody's question, %d doubts; "+
		"wrong and good: (a) %d, (b) %d (%.3g expected), (c) %d (%d untold because an answer was lost as well, %d because one was older than a minute, %d untold)",
		c.exchanges, c.good, c.classes[repeat], c.oldest.Round(time.Millisecond), c.damaged, c.extras, c.doubts,
		c.classes[seen], c.classes[chance], c.expected, c.classes[beyond], c.balanced, c.ancient, c.undoubted)
}

// A run is one client on one line.
type run struct {
	t    *testing.T
	mix  mix
	seed uint64
	book *book
	hub  *hub

	mu     sync.Mutex
	tally  tally
	beyond []taken // wrong and good, to be doubted
}

// parse reads a script of a mix.
func parse(t *testing.T, text string) fault.Script {
	t.Helper()
	s, err := fault.Parse(text)
	if err != nil {
		t.Fatalf("script %q: %v", text, err)
	}
	return s
}

func newRun(t *testing.T, m mix, where medium, seed uint64) *run {
	wire, door := parse(t, m.wire), parse(t, m.door)
	b := &book{station: &station{framing: where.framing, counted: map[string]map[uint16]bool{}}, framing: where.framing, serial: where.serial, response: response}
	for _, r := range wire.Rules {
		b.forges = b.forges || r.Verb == fault.AnswerAs
	}
	dice := rand.New(rand.NewPCG(seed, 1<<32))
	var mu sync.Mutex // the dice are shared by the roads of a run
	stranger := func(l *letter) *letter {
		mu.Lock()
		defer mu.Unlock()
		if m.strangers == 0 || dice.Float64() >= m.strangers {
			return nil
		}
		return b.station.stranger(l, dice)
	}
	return &run{t: t, mix: m, seed: seed, book: b,
		hub: &hub{book: b, seed: seed, wire: wire, door: door, lasting: where.lasting, pipe: where.pipe(), stranger: stranger}}
}

// config is the link's configuration for a run.
func (r *run) config() link.Config {
	return link.Config{
		Name: "Pump house", Dial: r.hub.dial, Framing: r.book.framing, Serial: r.book.serial,
		Timing:  line.Timing{Response: response, Retries: r.mix.retries, Turnaround: 100 * time.Millisecond},
		Gateway: r.mix.gateway, Doubt: r.book.doubt,
		Redial: link.Redial{Random: func() float64 { return 0.5 }},
	}
}

// longest is longer than any delay, stall and hold of a mix.
const longest = 30 * time.Second

// askLink lets a link ask in a bubble of its own, then waits until all that is
// late has come, and settles the accounts.
func (r *run) askLink(change func(*link.Config)) tally {
	synctest.Test(r.t, func(t *testing.T) {
		c := r.config()
		change(&c)
		l, err := link.New(c)
		if err != nil {
			t.Fatal(err)
		}
		defer r.end(l)
		var all sync.WaitGroup
		for i := range max(r.mix.callers, 1) {
			all.Go(func() { r.drive(l, rand.New(rand.NewPCG(r.seed, uint64(i)))) })
		}
		all.Wait()
		time.Sleep(longest) // virtual
		synctest.Wait()
		r.settle(l.Statistics())
	})
	return r.tally
}

// end ends all that runs in a bubble.
func (r *run) end(l *link.Link) {
	l.Close()
	r.tally.fired = r.hub.shut()
	synctest.Wait()
}

// drive is one caller.
func (r *run) drive(l *link.Link, dice *rand.Rand) {
	for range r.mix.exchanges / max(r.mix.callers, 1) {
		unit, q := r.question(dice)
		ctx, cancel := context.Background(), context.CancelFunc(func() {})
		switch pick := dice.IntN(50); {
		case r.mix.busy:
		case pick == 0: // a caller that gives up
			ctx, cancel = context.WithTimeout(ctx, time.Duration(1+dice.IntN(400))*time.Millisecond)
		case pick <= 3: // one that takes its time
			time.Sleep(time.Duration(dice.IntN(1000)) * time.Millisecond)
		}
		x, err := l.Ask(ctx, unit, q)
		cancel()
		if err != nil {
			r.fault("exchange refused: unit %d %v: %v", unit, q, err)
			return
		}
		r.take(x)
	}
}

// question draws what is asked next.
func (r *run) question(dice *rand.Rand) (regmap.Unit, frame.Request) {
	unit, table, count := regmap.Unit(17), regmap.HoldingRegister, 2
	switch r.mix.looks {
	case few:
		unit, count = regmap.Unit(17+dice.IntN(2)), 1+dice.IntN(2)
	case many:
		unit = regmap.Unit(16 + dice.IntN(4))
		table = regmap.Tables[dice.IntN(len(regmap.Tables))]
		count = []int{1, 2, 10, 60}[dice.IntN(4)]
		if table.Bits() {
			count += 31 // so many bits are not the same by chance
		}
	}
	first := dice.IntN(refusedFrom - 200)
	switch {
	case table == regmap.HoldingRegister && dice.IntN(5) == 0:
		first = counterAddress - dice.IntN(count)
	case dice.IntN(50) == 0:
		first = refusedFrom + dice.IntN(100)
	}
	return unit, frame.Read(table, regmap.Address(first), count)
}

// maxFaults is how many faults of a run are told; the rest are only counted.
const maxFaults = 3

// fault notes what must not be.
func (r *run) fault(format string, args ...any) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.tally.faults) < maxFaults {
		r.tally.faults = append(r.tally.faults, fmt.Sprintf("%s, %s, run seed %d: ", r.mix.name, r.book.framing, r.seed)+fmt.Sprintf(format, args...))
	}
}

// take judges an exchange.
func (r *run) take(x *decode.Exchange) class {
	t := taken{number: x.ID.Number, unit: x.Unit, request: x.Request, asked: x.Asked.Wall,
		first: x.First.Wall, done: x.Done.Wall, received: x.Received}
	if x.Answered() {
		if span, ok := x.Request.Reads(); ok {
			t.items, _ = x.AppendRaw(nil, span)
		}
	}
	return r.enter(t, x.Answered())
}

// enter enters what a client made of an exchange.
func (r *run) enter(t taken, good bool) (c class) {
	if good {
		c = r.book.judge(t)
	}
	r.mu.Lock()
	r.tally.exchanges++
	if good {
		r.tally.good++
		r.tally.classes[c]++
	}
	if c == beyond {
		r.beyond = append(r.beyond, t)
	}
	full := len(r.tally.faults) >= maxFaults
	r.mu.Unlock()
	if !full && (c == seen || c == beyond && r.mix.strict) {
		r.fault("%s: %s", c, r.book.told(t))
	}
	return c
}

// settle holds the doubts against what was wrong.
func (r *run) settle(s link.Statistics) {
	b := r.book
	r.tally.doubts, r.tally.extras = len(b.doubts), b.extras
	r.tally.damaged, r.tally.expected, r.tally.oldest = b.damaged, b.expected, b.oldest
	for _, t := range r.beyond {
		switch {
		case b.doubted(t.number, t.done):
		case b.balanced(t):
			r.tally.balanced++
		case !b.ancient.IsZero() && !t.done.Before(b.ancient):
			r.tally.ancient++
		default:
			r.tally.undoubted++
			r.fault("(c) without a doubt: %s", b.told(t))
		}
	}
	horizon := 3 * response
	for _, d := range b.doubts {
		if r.mix.twice || b.forges || r.mix.strangers > 0 {
			break // an answer to nobody need not have been late
		}
		if d.Horizon < horizon {
			r.fault("the horizon is %s after a doubt, it was %s at least", d.Horizon, horizon)
		}
		if d.Horizon >= min(2*horizon, aMinute) {
			r.tally.grown++
		}
		horizon = d.Horizon
	}
	if len(b.doubts) != int(s.Unowed) {
		r.fault("%d doubts, but %d answers owed to nobody: %+v", len(b.doubts), s.Unowed, s)
	}
	if r.mix.strict && b.extras > 0 {
		r.fault("%d answers beyond the horizon; this mix has none", b.extras)
	}
	if r.mix.quiet && len(b.doubts) > 0 {
		r.fault("doubts although nothing came beyond the horizon: %+v", b.doubts)
	}
}
