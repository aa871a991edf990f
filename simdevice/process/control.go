package process

import (
	"time"
)

// mostPumps is how many pumps a vessel can have.
const mostPumps = 4

// A mode is who commands a pump.
type mode uint8

const (
	hand mode = iota
	off
	automatic
)

// setPoints are the levels of the controller, m above the floor. For emptying
// service they rise from the cut-off to the alarm; for filling service they
// fall. Common practice.
type setPoints struct {
	cutOff, stop, lagStop, alarm float64
	starts                       [mostPumps]float64 // lead, lag, third, fourth
}

// alternations are the ways to choose the pump that starts next.
var alternations = []string{"each-stop", "hours", "never"}

type alternation int

const (
	eachStop alternation = iota // each start is the next pump's in turn
	byHours                     // the pump with the fewest hours starts, the one with the most stops
	never                       // the pumps start in their order
)

// fallbacks are what a controller does when its transmitter has failed.
var fallbacks = []string{"stop", "float", "timed"}

type fallback int

const (
	stopAll   fallback = iota
	byFloat            // the lead runs while the float switch is up, and without a level for a time after it
	timedRuns          // the lead runs for a time, again and again
)

// rules are what a controller goes by, apart from its set-points.
type rules struct {
	filling      bool
	pumps        int
	levels       int // how many starts there are
	deadband     float64
	alternate    alternation
	fallback     fallback
	startDelay   time.Duration // between two starts
	restartDelay time.Duration // after the power has come back
	checkTime    time.Duration // within this a pump must prove that it runs
	failDelay    time.Duration // so long the transmitter has failed before it counts
	backupRun    time.Duration
	backupEvery  time.Duration
}

// pumpSigns is what a controller sees of one pump.
type pumpSigns struct {
	mode    mode
	handRun bool
	enabled bool
	proven  bool // it runs
	hours   float64
}

// signs is what a controller sees.
type signs struct {
	power   bool
	level   float64
	levelOK bool
	float   bool
	reset   bool
	pumps   [mostPumps]pumpSigns
}

// pumpCall is what a controller remembers of one pump.
type pumpCall struct {
	called   bool
	failed   bool
	unproven time.Duration // since when it is called and not proved
	waiting  bool          // unproven counts
}

// A controller calls pumps by level.
type controller struct {
	rules
	pumps      [mostPumps]pumpCall
	running    []int // called by level, the first called first
	next       int   // whose turn it is to start
	wanted     int   // how many the level calls for
	blocked    bool  // at the cut-off
	alarm      bool
	mayStart   time.Duration // no start before
	dead       bool          // the power is off
	set        setPoints     // the last that were in order
	known      bool          // there has been such a set
	disordered bool          // what the registers hold now is not in order
	failing    bool          // the transmitter's current is that of a failure
	failedAt   time.Duration // since when
	blind      bool          // and has been for long enough
	floated    bool          // the float has called in this failure
	floatAt    time.Duration // when it was last on
	wasReset   bool
}

// fault is what is wrong with a set of set-points: the names of the two that
// stand the wrong way round. ok is true when nothing is.
func (r *rules) order(s *setPoints) (low, high int, ok bool) {
	rows := r.ladder(s)
	for i := 1; i < len(rows); i++ {
		// A lag start equal to another start is in order: the delay between
		// starts keeps the two apart. NaN is in no order.
		a, b := rows[i-1], rows[i]
		if rising := b.at > a.at || b.at == a.at && a.start && b.start; !rising {
			return a.key, b.key, false
		}
	}
	if lag := r.side(s.lagStop); !(lag >= r.side(s.stop) && lag < r.side(s.starts[0])) {
		return keyStop, keyLagStop, false
	}
	return 0, 0, true
}

// The set-points by their keys.
const (
	keyCutOff = iota
	keyStop
	keyLagStop
	keyAlarm
	keyStart // and the other starts
)

type rung struct {
	key   int
	at    float64
	start bool
}

// side turns a level of filling service round, so that both services rise.
func (r *rules) side(level float64) float64 {
	if r.filling {
		return -level
	}
	return level
}

// ladder is the set-points in the order in which they must rise.
func (r *rules) ladder(s *setPoints) []rung {
	rows := make([]rung, 0, mostPumps+3)
	rows = append(rows, rung{keyCutOff, r.side(s.cutOff), false}, rung{keyStop, r.side(s.stop), false})
	for i := range r.levels {
		rows = append(rows, rung{keyStart + i, r.side(s.starts[i]), true})
	}
	return append(rows, rung{keyAlarm, r.side(s.alarm), false})
}

// take takes over the set-points that the registers hold, where they are in
// order; otherwise the controller goes on with the last that were.
func (c *controller) take(s *setPoints) {
	_, _, ok := c.order(s)
	if c.disordered = !ok; ok {
		c.set, c.known = *s, true
	}
}

// step is one scan of the controller.
func (c *controller) step(now time.Duration, in *signs) {
	pressed := in.reset && !c.wasReset
	c.wasReset = in.reset
	if !in.power {
		c.powerless()
		return
	}
	if c.dead {
		c.dead, c.mayStart = false, now+c.restartDelay
	}
	if pressed {
		for i := range c.pumps {
			c.pumps[i].failed = false
		}
	}
	c.watch(now, in)
	c.prove(now, in)
	c.judge(now, in)
	c.manual(now, in)
	c.call(now, in)
}

// powerless lets everything go: contactors fall off, and what the level had
// called for is judged anew when the power is back.
func (c *controller) powerless() {
	c.dead, c.wanted, c.running = true, 0, c.running[:0]
	c.failing, c.blind = false, false
	for i := range c.pumps {
		c.pumps[i].called, c.pumps[i].waiting = false, false
	}
}

// watch judges the transmitter.
func (c *controller) watch(now time.Duration, in *signs) {
	switch {
	case in.levelOK:
		c.failing, c.blind = false, false
	case !c.failing:
		c.failing, c.failedAt = true, now
	}
	if was := c.blind; c.failing && now-c.failedAt >= c.failDelay {
		if c.blind = true; !was {
			c.floated, c.wanted = false, 0
		}
	}
}

// prove fails a pump that is called and does not prove within its time.
func (c *controller) prove(now time.Duration, in *signs) {
	for i := range c.rules.pumps {
		p := &c.pumps[i]
		switch {
		case !p.called || in.pumps[i].proven:
			p.waiting = false
		case !p.waiting:
			p.waiting, p.unproven = true, now
		case now-p.unproven >= c.checkTime:
			p.called, p.waiting, p.failed = false, false, true
		}
	}
}

// judge works out how many pumps the level calls for, the cut-off and the
// alarm.
func (c *controller) judge(now time.Duration, in *signs) {
	switch {
	case c.blind:
		c.blocked = false
		c.backup(now, in)
		return
	case c.failing: // not long enough yet: nothing changes
		return
	}
	s, x := &c.set, c.side(in.level)
	if !c.known {
		c.wanted = 0
		return
	}
	c.blocked = x <= c.side(s.cutOff) || c.blocked && x < c.side(s.cutOff)+c.deadband
	if c.fallback == byFloat && in.float { // it is not empty
		c.blocked = false
	}
	c.alarm = x >= c.side(s.alarm) || c.alarm && x > c.side(s.alarm)-c.deadband
	for i := range c.levels {
		if x >= c.side(s.starts[i]) {
			c.wanted = max(c.wanted, i+1)
		}
	}
	if x <= c.side(s.lagStop) {
		c.wanted = min(c.wanted, 1)
	}
	if x <= c.side(s.stop) {
		c.wanted = 0
	}
}

// backup is what happens without a level.
func (c *controller) backup(now time.Duration, in *signs) {
	c.wanted = 0
	switch c.fallback {
	case byFloat:
		if in.float {
			c.floated, c.floatAt = true, now
		}
		if c.floated && now-c.floatAt < c.backupRun {
			c.wanted = 1
		}
	case timedRuns:
		if (now-c.failedAt-c.failDelay)%c.backupEvery < c.backupRun {
			c.wanted = 1
		}
	}
}

// manual calls the pumps in hand. The cut-off holds them too: it protects the
// pump, whoever commands it (common practice).
func (c *controller) manual(now time.Duration, in *signs) {
	for i := range c.rules.pumps {
		p, seen := &c.pumps[i], &in.pumps[i]
		if seen.mode == automatic && seen.enabled {
			continue
		}
		run := seen.mode == hand && seen.enabled && seen.handRun && !p.failed && !c.blocked
		if run && !p.called {
			c.mayStart = max(c.mayStart, now+c.startDelay)
		}
		p.called = run
	}
}

// call starts and stops the pumps that the level commands.
func (c *controller) call(now time.Duration, in *signs) {
	kept := c.running[:0]
	available := 0
	for _, i := range c.running {
		if c.free(i, in) && c.pumps[i].called {
			kept = append(kept, i)
		} else if in.pumps[i].mode == automatic {
			c.pumps[i].called = false
		}
	}
	c.running = kept
	for i := range c.rules.pumps {
		if c.free(i, in) {
			available++
		} else if in.pumps[i].mode == automatic {
			c.pumps[i].called = false
		}
	}
	wanted := c.wanted
	if c.fallback == byFloat && in.float { // whatever the level is said to be
		wanted = max(wanted, 1)
	}
	wanted = min(wanted, available)
	if c.blocked {
		wanted = 0
	}
	for len(c.running) > wanted {
		c.release(in)
	}
	if len(c.running) < wanted && now >= c.mayStart {
		if i, ok := c.choose(in); ok {
			c.pumps[i].called = true
			c.running = append(c.running, i)
			c.next = (i + 1) % c.rules.pumps
			c.mayStart = now + c.startDelay
		}
	}
}

// free says whether the level may command a pump.
func (c *controller) free(i int, in *signs) bool {
	return in.pumps[i].mode == automatic && in.pumps[i].enabled && !c.pumps[i].failed
}

// choose picks the pump that starts next among those that are free and stand.
func (c *controller) choose(in *signs) (chosen int, ok bool) {
	chosen = -1
	for k := range c.rules.pumps {
		i := (c.next + k) % c.rules.pumps
		if c.alternate == never {
			i = k
		}
		if c.pumps[i].called || !c.free(i, in) {
			continue
		}
		if c.alternate != byHours {
			return i, true
		}
		if chosen < 0 || in.pumps[i].hours < in.pumps[chosen].hours {
			chosen = i
		}
	}
	return chosen, chosen >= 0
}

// release stops one pump. In turn, the one that was called first stops first:
// so the pumps that run follow one another in the order of turns, and no two
// differ by more than one start.
func (c *controller) release(in *signs) {
	at := 0
	for k, i := range c.running {
		switch c.alternate {
		case never:
			if i > c.running[at] {
				at = k
			}
		case byHours:
			if in.pumps[i].hours > in.pumps[c.running[at]].hours {
				at = k
			}
		}
	}
	c.pumps[c.running[at]].called = false
	c.running = append(c.running[:at], c.running[at+1:]...)
}

// lead is the pump that leads now, or that would start next.
func (c *controller) lead(in *signs) int {
	if len(c.running) > 0 {
		return c.running[0]
	}
	if i, ok := c.choose(in); ok {
		return i
	}
	return c.next
}

// healthy says whether nothing hinders the controller.
func (c *controller) healthy() bool {
	well := !c.dead && !c.blind && !c.disordered
	for i := range c.rules.pumps {
		well = well && !c.pumps[i].failed
	}
	return well
}
