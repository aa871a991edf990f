package link

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap/line"
)

// MaxSlots is the most requests open at once on one MBAP connection.
// Source: TCP guide V1.0b, 4.4.1.2 (1 to 16, a documented feature).
const MaxSlots = 16

// Defaults where a Config says nothing; all ours.
const (
	defaultDialLimit = 5 * time.Second
	defaultFirst     = 100 * time.Millisecond
	defaultMost      = 10 * time.Second
	horizonLimits    = 3 // times Response, and the answer's line time
)

// A Config says what a link is. Dial and Framing must be given; the rest has
// defaults.
type Config struct {
	Name    string // the line's, for events
	Dial    Dialer
	Framing line.Framing
	Serial  line.Serial // zero: a network carries the bytes, without line time
	Timing  line.Timing // zero: line.DefaultTiming; stations may have their own, see With
	Gateway bool        // MBAP: the stations are behind a gateway, so an answer of another unit is refused
	Direct  bool        // RTU, ASCII in a network: the station itself is connected, no gateway or serial converter, so what is owed ends with the connection
	Slots   int         // MBAP: requests open at once, 1 to 16; 0 is 16. Elsewhere always 1

	DialLimit time.Duration // for one attempt to open; 0: 5 s
	Redial    Redial

	Clock  decode.Clock  // nil: a new one
	Source decode.Source // of the exchanges' identities; a link needs one of its own. 0: a random one
	Sink   decode.Sink   // takes line states and findings, and must not call the link; nil: nobody does
	Doubt  func(Doubt)   // called when answered exchanges came into doubt; nil: nobody is told
}

// A Doubt says which exchanges came into doubt, because an answer came later
// than was believed possible: all from First to Last. What rests on them is
// uncertain. Doubt is called while the line is at work: it must return soon and
// not call the link.
type Doubt struct {
	First, Last decode.ID
	At          decode.Stamp
	Lateness    time.Duration // of the answer, from its request's last bit
	Horizon     time.Duration // believed possible from now on
}

// ErrConfig is wrapped by every error of New.
var ErrConfig = errors.New("the link cannot be made")

// complete checks a configuration and fills in its defaults.
func (c *Config) complete() error {
	serial := c.Serial != line.Serial{}
	switch {
	case c.Dial == nil:
		return fmt.Errorf("%w: no dialer was given", ErrConfig)
	case frame.ADULength(c.Framing, 0) == 0:
		return fmt.Errorf("%w: %s; mbap, rtu and ascii are known", ErrConfig, c.Framing)
	case serial && c.Framing == line.MBAP:
		return fmt.Errorf("%w: mbap framing on a serial line; rtu and ascii are allowed there", ErrConfig)
	case serial && c.Serial.Baud <= 0:
		return fmt.Errorf("%w: %d bit/s; a serial line has a speed above 0", ErrConfig, c.Serial.Baud)
	case c.Slots < 0 || c.Slots > MaxSlots:
		return fmt.Errorf("%w: %d slots; 1 to %d are allowed", ErrConfig, c.Slots, MaxSlots)
	}
	if c.Timing == (line.Timing{}) {
		c.Timing = line.DefaultTiming
	}
	if err := checkTiming(c.Timing); err != nil {
		return fmt.Errorf("%w: %w", ErrConfig, err)
	}
	c.fill()
	return nil
}

// fill puts defaults where nothing was given.
func (c *Config) fill() {
	if c.Framing != line.MBAP {
		c.Slots = 1
	} else if c.Slots == 0 {
		c.Slots = MaxSlots
	}
	if c.DialLimit <= 0 {
		c.DialLimit = defaultDialLimit
	}
	if c.Redial.First <= 0 {
		c.Redial.First = defaultFirst
	}
	if c.Redial.Most <= 0 {
		c.Redial.Most = defaultMost
	}
	c.Redial.Most = max(c.Redial.Most, c.Redial.First)
	if c.Redial.Random == nil {
		c.Redial.Random = rand.Float64
	}
	if c.Clock == nil {
		c.Clock = decode.NewClock()
	}
	if c.Source == 0 {
		c.Source = decode.NewSource()
	}
}

// ErrTiming is wrapped where a timing cannot be used.
var ErrTiming = errors.New("the timing cannot be used")

func checkTiming(t line.Timing) error {
	switch {
	case t.Response <= 0:
		return fmt.Errorf("%w: response %s; it must be above 0", ErrTiming, t.Response)
	case t.Retries < 0 || t.Pause < 0 || t.Turnaround < 0 || t.Late < 0:
		return fmt.Errorf("%w: retries %d, pause %s, turnaround %s, late %s; none may be below 0",
			ErrTiming, t.Retries, t.Pause, t.Turnaround, t.Late)
	}
	return nil
}

// horizon is how long an answer to a request may still come, from the
// request's last bit.
func horizon(t line.Timing, answer time.Duration) time.Duration {
	if t.Late > 0 {
		return t.Late
	}
	return horizonLimits*t.Response + answer
}

// An Option changes one call.
type Option func(*options)

type options struct {
	timing line.Timing
	once   bool
	level  int
	asked  decode.Stamp // zero: now
}

// With gives a call its station's own timing.
func With(t line.Timing) Option { return func(o *options) { o.timing = t } }

// Once forbids repeating a read: some registers change by being read.
func Once() Option { return func(o *options) { o.once = true } }

// Urgent lets a call go before those that wait without it: writes, and what a
// person looks at. The others still get a turn after every few.
func Urgent() Option { return func(o *options) { o.level = urgent } }
