package seek

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Defaults; all ours. Two requests a second are slower than any panel.
const (
	DefaultResponse = 300 * time.Millisecond
	DefaultInterval = 500 * time.Millisecond
	DefaultRequests = 100 // of an address scan, for one table
	deepSettings    = 4   // settings at which every unit is asked when the usual ones are silent
	fewUnits        = 8   // so many units are all asked at each setting
)

// A Config says where and how carefully to look. Open, Order and Units must be
// given.
type Config struct {
	Open     func(ctx context.Context, s Settings) (link.Stream, error)
	Order    []Settings    // what is tried, in this order
	Units    []regmap.Unit // that may be asked
	First    []regmap.Unit // asked before the usual ones, because somebody wrote them down
	Quiet    time.Duration // listened before the first request; 0: not at all
	Share    bool          // go on though another client is heard
	GoOn     bool          // go on though a unit fell silent
	All      bool          // ask every unit at every setting when the usual ones are silent
	Scan     *Scan         // nil: addresses are not looked for
	Response time.Duration // from a request's last bit to its answer; 0: DefaultResponse
	Pause    time.Duration // extra silence between exchanges
	Interval time.Duration // from one request to the next, at least; 0: DefaultInterval

	Clock    decode.Clock
	Progress func(Progress) // called before each request; nil: nobody is told
}

// A Scan says in which addresses of each table answers are looked for.
type Scan struct {
	First, Last regmap.Address
	Requests    int // at most, for each table; 0: DefaultRequests
}

// Progress is where the search stands.
type Progress struct {
	Settings Settings
	Unit     regmap.Unit
	Words    string        // "listening", "usual units", "all units", "addresses" ...
	Requests int           // sent so far
	Left     time.Duration // at most, as far as can be told
}

// ErrConfig is wrapped where a Config cannot be used.
var ErrConfig = errors.New("the search cannot be made")

func (c *Config) complete() error {
	switch {
	case c.Open == nil:
		return fmt.Errorf("%w: nothing opens a stream", ErrConfig)
	case len(c.Order) == 0:
		return fmt.Errorf("%w: no settings are left to try", ErrConfig)
	case len(c.Units) == 0:
		return fmt.Errorf("%w: no units are given", ErrConfig)
	case c.Scan != nil && c.Scan.Last < c.Scan.First:
		return fmt.Errorf("%w: addresses %d to %d; the first must not be beyond the last", ErrConfig, c.Scan.First, c.Scan.Last)
	}
	if c.Response <= 0 {
		c.Response = DefaultResponse
	}
	if c.Interval <= 0 {
		c.Interval = DefaultInterval
	}
	if c.Clock == nil {
		c.Clock = decode.NewClock()
	}
	if c.Progress == nil {
		c.Progress = func(Progress) {}
	}
	return nil
}

// The unit numbers most devices have: factory settings, and the last one of the
// range. In a network 255 means the device itself (TCP guide V1.0b, 4.4.1.2).
// Common practice.
var (
	usualSerial  = []regmap.Unit{1, 2, 3, 10, 17, 247}
	usualNetwork = []regmap.Unit{1, 255, 2, 3, 10, 17, 247}
)

// usual splits the units to ask: the few of the first pass, and the rest.
func (c *Config) usual() (few, rest []regmap.Unit) {
	if len(c.Units) <= fewUnits {
		return c.Units, nil
	}
	list := usualSerial
	if c.Order[0].Network() {
		list = usualNetwork
	}
	for _, u := range slices.Concat(c.First, list) {
		if slices.Contains(c.Units, u) && !slices.Contains(few, u) {
			few = append(few, u)
		}
	}
	for _, u := range c.Units {
		if !slices.Contains(few, u) {
			rest = append(rest, u)
		}
	}
	if len(few) == 0 {
		return rest[:1], rest[1:]
	}
	return few, rest
}

// deep is the settings at which the rest of the units is asked when nothing
// answered before.
func (c *Config) deep() []Settings {
	if c.All {
		return c.Order
	}
	return c.Order[:min(deepSettings, len(c.Order))]
}

// probe is the request that every unit is asked first: the function that most
// devices have, at the address that most maps begin with (common practice).
// Whether it is refused does not matter.
var probe = frame.Read(regmap.HoldingRegister, 0, 1)

// probeTime is how long a silent unit takes.
func (c *Config) probeTime(s Settings) time.Duration {
	listens := time.Duration(0) // of the link, before it gives up an answer
	switch s.Framing {
	case line.RTU:
		listens = 50 * time.Millisecond
	case line.ASCII:
		listens = time.Second
	}
	return listens + max(c.Interval, c.Response+c.Pause) + frame.LineTime(probe, s.Serial, s.Framing)
}

// An Outlook is how long a search may take, told before it starts.
type Outlook struct {
	Settings int
	Few      []regmap.Unit // asked at each setting, in this order
	Rest     int           // units asked after that
	Listen   time.Duration // before the first request
	Usual    time.Duration // the usual units at all settings, all silent
	Deep     time.Duration // the other units at DeepSettings, all silent
	DeepAt   int           // settings
	Range    time.Duration // the other units once settings are found, at the slowest
	Worst    time.Duration // of all that, what can come together
	UnitTime time.Duration // each unit that answers, more
	UnitAsks int           // requests for it
	Interval time.Duration
	ScanAsks int // requests of an address scan of one unit
	ScanTime time.Duration
}

// Outlook works out how long the search may take. The error wraps ErrConfig.
func (c Config) Outlook() (Outlook, error) {
	if err := c.complete(); err != nil {
		return Outlook{}, err
	}
	few, rest := c.usual()
	o := Outlook{Settings: len(c.Order), Few: few, Rest: len(rest), Listen: c.Quiet, Interval: c.Interval, DeepAt: len(c.deep())}
	var slowest time.Duration
	for _, s := range c.Order {
		t := c.probeTime(s)
		o.Usual += time.Duration(len(few)) * t
		slowest = max(slowest, t)
	}
	for _, s := range c.deep() {
		o.Deep += time.Duration(len(rest)) * c.probeTime(s)
	}
	if len(rest) == 0 {
		o.DeepAt = 0
	}
	o.Range = time.Duration(len(rest)+len(few)) * slowest
	o.Worst = o.Listen + o.Usual + max(o.Deep, o.Range)
	// A request that is not answered holds the line for its horizon, and is
	// followed by one to see whether the unit is still there.
	patient := slowest + max(c.Interval, lateLimits*c.Response+c.Pause)
	o.UnitAsks = len(shapes) + mostObjectAsks + 1
	o.UnitTime = time.Duration(o.UnitAsks) * patient
	if c.Scan != nil {
		o.ScanAsks = len(tables) * c.Scan.bound()
		o.ScanTime = time.Duration(o.ScanAsks) * (slowestRead(c.Order) + max(c.Interval, c.Response+c.Pause))
	}
	return o, nil
}

// lateLimits is how many time limits a late answer is waited for. It is that of
// the link.
const lateLimits = 3

// slowestRead is the line time of the longest read at the slowest setting.
func slowestRead(order []Settings) (t time.Duration) {
	for _, s := range order {
		t = max(t, frame.LineTime(frame.Read(regmap.HoldingRegister, 0, mostRegisters), s.Serial, s.Framing))
	}
	return t
}

// timing is the link's for a unit of which nothing is known: nothing is
// repeated, and its answer is not waited for longer than its limit, since the
// answer of another unit cannot be taken for it.
func (c *Config) timing(s Settings) line.Timing {
	return line.Timing{Response: c.Response, Pause: c.Pause, Late: c.Response + frame.LineTime(probe, s.Serial, s.Framing)}
}

// patient is the link's timing for a unit that answers.
func (c *Config) patient() line.Timing { return line.Timing{Response: c.Response, Pause: c.Pause} }
