package simdevice

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A Station answers for one or more units, each with a bank of its own. It is
// safe for concurrent use, and may serve several streams and listeners at a
// time.
type Station struct {
	units   []regmap.Unit // ascending
	banks   map[regmap.Unit]*Bank
	options Options
	hooks   atomic.Pointer[Hooks]
	outside atomic.Pointer[regmap.Outside] // nil: as each point's map says
	lanes   atomic.Pointer[lanes]          // fault rules for what leaves; nil: none
	refuse  atomic.Int64                   // listeners take no more clients than this; 0: no such fault
	source  decode.Source
	numbers atomic.Uint64 // of observed exchanges
	counts  counters
	wires   map[line.Framing]*wire // of a paced station
}

// wire is the line that a paced station lies on; nil for any other.
func (s *Station) wire(f line.Framing) *wire { return s.wires[f] }

// Options say how a station behaves where the standards leave it open. The
// zero Options are good for a serial line.
type Options struct {
	// TCP makes Answer follow the rules of a TCP listener instead of those of a
	// serial line: no broadcast, and a station of one unit answers units 0 and
	// 255 too. ServeStream and ServeListener know their medium by themselves.
	TCP bool

	// Pace makes the station answer no sooner than a serial line of these
	// settings would let it, whatever carries the bytes; on MBAP as a gateway
	// with such a line behind it. The zero Pace is no line.
	Pace line.Serial

	Gap       time.Duration // silence kept before an answer on RTU, frame.Gap35 of the line; 0: none
	Silence   time.Duration // so long a pause ends an RTU frame; 0: DefaultSilence
	FrameTime time.Duration // within this an MBAP frame must be whole; 0: DefaultFrameTime
	WriteTime time.Duration // within this a client must take an answer; 0: DefaultWriteTime
	Clients   int           // most connections of a listener at a time; 0: DefaultClients

	Hooks Hooks

	// Observe is called with each request that came and what left as its
	// answer, requests for units that are not here among them (silent, under
	// the number on the wire). Several calls may run at a time.
	Observe func(*decode.Exchange)
	Clock   decode.Clock // for Observe; nil: a clock that begins with the station
}

// What holds where Options say nothing; all are ours.
const (
	// DefaultSilence is long enough for the pauses that adapters put into
	// frames (16 ms is usual, common practice), and far below any client's
	// time limit. The standard's own silence of 3.5 characters (serial guide,
	// 2.5.1.1) cannot be seen through an operating system.
	DefaultSilence = 50 * time.Millisecond
	// DefaultFrameTime is how long half a frame may wait for the rest.
	DefaultFrameTime = 5 * time.Second
	// DefaultWriteTime is how long a client may leave its answer untaken.
	DefaultWriteTime = 5 * time.Second
	// DefaultClients keeps memory bounded: some 16 MB of buffers and stacks.
	DefaultClients = 16384

	asciiSilence = time.Second // most time between two characters of a frame; serial guide, 2.5.2.1
)

// MaxTransactions is how many requests of one connection are answered at a
// time; more get exception 06. Source: TCP guide V1.0b, 4.4.2.1 (1 to 16).
const MaxTransactions = 16

// Hooks are where faults made on purpose take hold. Each may be nil.
type Hooks struct {
	// Bank may change raw, what a request reads from a span. now is the true
	// contents of the whole unit at the same moment. The bank is locked while it
	// is called: ask it nothing else.
	Bank func(u regmap.Unit, s regmap.Span, raw []uint16, now regmap.Contents)

	// Answer stands between a request for a unit that is here and the unit. It
	// appends the answer PDU, or nothing for silence; next is what the unit
	// does of itself. Broadcasts do not pass here.
	Answer func(dst []byte, u regmap.Unit, pdu []byte, next Answerer) []byte

	// Deliver brings an answer frame onto the line with send, whole, in pieces,
	// late, twice, changed or not at all; it owns adu. An error ends the
	// connection. ctx ends with the connection. The pieces of one answer are
	// not mixed with those of another. On MBAP up to 16 deliveries run at a
	// time, otherwise one.
	Deliver func(ctx context.Context, u regmap.Unit, adu []byte, send func([]byte) error) error
}

// An Answerer appends the answer PDU to a request PDU, or nothing.
type Answerer func(dst []byte, u regmap.Unit, pdu []byte) []byte

// New makes a station of units and their banks. A unit is 1 to 247 on a serial
// line, where 0 is broadcast (serial guide V1.02, 2.2), and 1 to 255 on TCP;
// 0, no unit at all and a nil bank are refused.
func New(banks map[regmap.Unit]*Bank, o Options) (*Station, error) {
	if len(banks) == 0 {
		return nil, errors.New("a station needs at least one unit")
	}
	s := &Station{banks: make(map[regmap.Unit]*Bank, len(banks)), options: o, source: decode.NewSource()}
	for u, b := range banks {
		switch {
		case u == regmap.Broadcast:
			return nil, errors.New("unit 0 is broadcast; a station is 1 to 255")
		case b == nil:
			return nil, fmt.Errorf("unit %d has no bank", u)
		}
		s.banks[u] = b
		s.units = append(s.units, u)
	}
	slices.Sort(s.units)
	s.options.defaults()
	s.SetHooks(o.Hooks)
	if o.Pace.Baud > 0 {
		s.wires = map[line.Framing]*wire{
			line.RTU: newWire(o.Pace, line.RTU), line.ASCII: newWire(o.Pace, line.ASCII), line.MBAP: newWire(o.Pace, line.RTU),
		}
	}
	return s, nil
}

func (o *Options) defaults() {
	for at, use := range map[*time.Duration]time.Duration{
		&o.Silence: DefaultSilence, &o.FrameTime: DefaultFrameTime, &o.WriteTime: DefaultWriteTime,
	} {
		if *at <= 0 {
			*at = use
		}
	}
	if o.Clients <= 0 {
		o.Clients = DefaultClients
	}
	if o.Clock == nil {
		o.Clock = decode.NewClock()
	}
}

// SetHooks puts other hooks in the place of those that there are, while the
// station runs. Requests that are being answered keep the old ones.
func (s *Station) SetHooks(h Hooks) { s.hooks.Store(&h) }

// SetOutside makes writes beyond a point's limits be met so, whatever the maps
// say; nil is as the maps say.
func (s *Station) SetOutside(o *regmap.Outside) { s.outside.Store(o) }

// Units lists the station's units, ascending.
func (s *Station) Units() []regmap.Unit { return slices.Clone(s.units) }

// Bank is the contents of a unit; nil for a unit that is not here.
func (s *Station) Bank(u regmap.Unit) *Bank { return s.banks[u] }

// Step steps the banks of all units; see Bank.Step. Each bank's publication is
// one moment; a unit that fails does not hold the others up.
func (s *Station) Step(at time.Duration) error {
	var errs []error
	for _, u := range s.units {
		if err := s.banks[u].Step(at); err != nil {
			errs = append(errs, fmt.Errorf("unit %d: %w", u, err))
		}
	}
	return errors.Join(errs...)
}

// Answer appends the answer to a request PDU for a unit; nothing appended is
// silence: another unit, a broadcast, or no function code that could be
// answered. dst and pdu must not overlap.
func (s *Station) Answer(dst []byte, u regmap.Unit, pdu []byte) []byte {
	return s.answer(dst, u, pdu, s.options.TCP)
}

// owner is the unit of this station that a unit number on the wire means.
// Source: TCP guide V1.0b, 4.4.1.2 (255, and 0, for the device itself).
func (s *Station) owner(u regmap.Unit, tcp bool) (regmap.Unit, bool) {
	if _, here := s.banks[u]; here {
		return u, true
	}
	if tcp && len(s.units) == 1 && (u == 0 || u == 255) {
		return s.units[0], true
	}
	return u, false
}

func (s *Station) answer(dst []byte, u regmap.Unit, pdu []byte, tcp bool) []byte {
	if !tcp && u == regmap.Broadcast {
		s.counts.requests.Add(1)
		s.broadcast(pdu)
		return dst
	}
	own, here := s.owner(u, tcp)
	if !here {
		s.counts.foreign.Add(1)
		return dst
	}
	s.counts.requests.Add(1)
	if len(pdu) == 0 || pdu[0]&exceptionBit != 0 {
		s.counts.unanswerable.Add(1)
		return dst
	}
	begin := len(dst)
	if hook := s.hooks.Load().Answer; hook != nil {
		dst = hook(dst, own, pdu, func(dst []byte, u regmap.Unit, pdu []byte) []byte {
			return s.unit(dst, u, pdu, tcp)
		})
	} else {
		dst = s.unit(dst, own, pdu, tcp)
	}
	if len(dst) > begin && dst[begin]&exceptionBit != 0 {
		s.counts.exceptions.Add(1)
	}
	return dst
}

// unit is what a unit answers of itself.
func (s *Station) unit(dst []byte, u regmap.Unit, pdu []byte, tcp bool) []byte {
	b := s.banks[u]
	if b == nil || len(pdu) == 0 || pdu[0]&exceptionBit != 0 {
		return dst
	}
	return b.answer(dst, pdu, call{unit: u, serial: !tcp, hook: s.hooks.Load().Bank, outside: s.outside.Load()})
}

// broadcast does a write on all units. Nothing is answered, nothing is read.
// Source: serial guide V1.02, 2.1.
func (s *Station) broadcast(pdu []byte) {
	q, err := frame.ParseRequest(pdu)
	if _, writes := q.Writes(); err != nil || !writes {
		return
	}
	var unheard [frame.MaxPDU]byte
	for _, u := range s.units {
		s.banks[u].answer(unheard[:0], pdu, call{unit: u, serial: true, outside: s.outside.Load()})
	}
}

// Counts is what a station has met so far.
type Counts struct {
	Requests     uint64 // for its units, broadcasts among them
	Exceptions   uint64 // answered with an exception
	Foreign      uint64 // for units that are not here
	Unanswerable uint64 // without a function code that can be answered
	Damaged      uint64 // frames with a wrong check, cut off, or of another protocol
	Busy         uint64 // answered 06 because MaxTransactions were open
	Broken       uint64 // connections closed for what they sent, or did not send or take in time
	Displaced    uint64 // connections closed, or not taken, because there were too many
}

type counters struct {
	requests, exceptions, foreign, unanswerable, damaged, busy, broken, displaced atomic.Uint64
}

// Counts is what the station has met until now.
func (s *Station) Counts() Counts {
	c := &s.counts
	return Counts{
		Requests: c.requests.Load(), Exceptions: c.exceptions.Load(), Foreign: c.foreign.Load(),
		Unanswerable: c.unanswerable.Load(), Damaged: c.damaged.Load(), Busy: c.busy.Load(),
		Broken: c.broken.Load(), Displaced: c.displaced.Load(),
	}
}
