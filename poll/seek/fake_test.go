package seek

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
	"plumbline/simdevice/fault"
)

// cistern is a map that begins at address 0; farAway is one that does not.
const (
	cistern = `
device: Cistern transfer station
points:
  level: {input-register: 0, type: uint16}
  mode: {holding-register: 0, type: uint16, write: {}}
  flow: {holding-register: 1, type: float32}
  pump: {coil: 0, write: {}}
`
	farAway = `
device: Dosing skid
points:
  dose: {holding-register: 1000, type: uint16}
`
)

func mapOf(t testing.TB, text string) *regmap.Map {
	t.Helper()
	var rep doc.Report
	m := regmap.Load("test.yaml", []byte(text), &rep, simdevice.Simulate())
	if m == nil {
		t.Fatal(rep.Err())
	}
	return m
}

// stationOf is a station of units that all hold the same map.
func stationOf(t testing.TB, o simdevice.Options, text string, units ...regmap.Unit) *simdevice.Station {
	t.Helper()
	banks := map[regmap.Unit]*simdevice.Bank{}
	for _, u := range units {
		b, err := simdevice.NewBank(mapOf(t, text))
		if err != nil {
			t.Fatal(err)
		}
		banks[u] = b
	}
	s, err := simdevice.New(banks, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A fake is a line in memory: what a stream opened at some settings hears
// depends on whether they are the line's.
type fake struct {
	t       *testing.T
	right   Settings
	station *simdevice.Station
	answers func() fault.Filter                       // on what the station writes; nil: none
	wrong   func(at Settings, end *fault.End)         // serves a stream at other settings; nil: silence
	other   func(ctx context.Context, w func([]byte)) // another client, at the right settings
	damaged atomic.Int64                              // characters that came with a parity or framing error
	cannot  func(at Settings) error

	mu     sync.Mutex
	opened []Settings
	sent   []written
}

// written is what was sent to the line.
type written struct {
	at    Settings
	when  time.Time
	bytes []byte
}

// A fakeStream is the end that the search gets.
type fakeStream struct {
	*fault.End
	f      *fake
	at     Settings
	cancel context.CancelFunc
}

func (s *fakeStream) Write(b []byte) (int, error) {
	s.f.mu.Lock()
	s.f.sent = append(s.f.sent, written{s.at, time.Now(), slices.Clone(b)})
	s.f.mu.Unlock()
	return s.End.Write(b)
}

// Damaged counts as a port does.
func (s *fakeStream) Damaged() int { return int(s.f.damaged.Load()) }

func (s *fakeStream) Close() error {
	s.cancel()
	return s.End.Close()
}

// open is a Config's Open.
func (f *fake) open(_ context.Context, at Settings) (link.Stream, error) {
	f.mu.Lock()
	f.opened = append(f.opened, at)
	f.mu.Unlock()
	if f.cannot != nil {
		if err := f.cannot(at); err != nil {
			return nil, err
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	ours, theirs := fault.Pipe()
	same := at.Framing == f.right.Framing && at.Serial == f.right.Serial
	if f.other != nil {
		go f.other(ctx, func(b []byte) {
			if !same {
				b = f.resample(b, at.Serial)
			}
			theirs.Write(b)
		})
	}
	switch {
	case same && f.station != nil:
		if f.answers != nil {
			theirs.SetFilter(f.answers())
		}
		go f.station.ServeStream(ctx, theirs, f.right.Framing)
	case !same && f.wrong != nil:
		go f.wrong(at, theirs)
	default:
		go io.Copy(io.Discard, theirs)
	}
	return &fakeStream{End: ours, f: f, at: at, cancel: cancel}, nil
}

// settled checks what holds of every search: only reads, no request too soon
// after another, none sent to a broadcast.
func (f *fake) settled(c Config) {
	f.t.Helper()
	reads := []frame.Function{frame.ReadCoils, frame.ReadDiscreteInputs, frame.ReadHoldingRegisters, frame.ReadInputRegisters, frame.EncapsulatedInterface, frame.ReportServerID}
	interval := c.Interval
	if interval == 0 {
		interval = DefaultInterval
	}
	for i, w := range f.sent {
		adu, err := frame.ParseADU(w.at.Framing, w.bytes)
		if err != nil {
			f.t.Fatalf("% X was sent: %v", w.bytes, err)
		}
		q, err := frame.ParseRequest(adu.PDU)
		if err != nil || q.Changes() || !slices.Contains(reads, q.Function) {
			f.t.Errorf("%v was sent (% X, %v)", q.Function, w.bytes, err)
		}
		if adu.Unit == regmap.Broadcast && w.at.Framing != line.MBAP {
			f.t.Errorf("a broadcast was sent: % X", w.bytes)
		}
		if i > 0 && w.when.Sub(f.sent[i-1].when) < interval {
			f.t.Errorf("request %d left %s after the one before, at least %s", i, w.when.Sub(f.sent[i-1].when), interval)
		}
	}
}

// resample is what a receiver set one way makes of characters sent another way:
// the line's level bit by bit, looked at in the middle of each of its own.
// Source of the character's form: serial guide V1.02, 2.5.1.
func (f *fake) resample(b []byte, to line.Serial) []byte {
	from := f.right.Serial
	var levels []bool
	for _, c := range b {
		levels = append(levels, false)
		ones := 0
		for i := range 8 {
			bit := c>>i&1 == 1
			levels = append(levels, bit)
			if bit {
				ones++
			}
		}
		switch from.Parity {
		case line.Even:
			levels = append(levels, ones%2 == 1)
		case line.Odd:
			levels = append(levels, ones%2 == 0)
		}
		for range from.Stop {
			levels = append(levels, true)
		}
	}
	at := func(bits float64) bool { // in bits of the receiver
		i := int(bits * float64(from.Baud) / float64(to.Baud))
		return i >= len(levels) || levels[i]
	}
	var out []byte
	end := float64(len(levels)) * float64(to.Baud) / float64(from.Baud)
	for bits := 0.0; bits < end; {
		if at(bits) {
			bits += 0.1
			continue
		}
		c := byte(0)
		for i := range 8 {
			if at(bits + 1.5 + float64(i)) {
				c |= 1 << i
			}
		}
		out = append(out, c)
		bits += 9
		ones := 0
		for i := range 8 {
			ones += int(c >> i & 1)
		}
		wrong := false
		switch to.Parity {
		case line.Even:
			wrong = at(bits+0.5) != (ones%2 == 1)
			bits++
		case line.Odd:
			wrong = at(bits+0.5) != (ones%2 == 0)
			bits++
		}
		if wrong || !at(bits+0.5) {
			f.damaged.Add(1)
		}
		bits += 0.5
		for bits < end && !at(bits) {
			bits += 0.1 // a framing error; the next edge begins a character
		}
	}
	return out
}

// tolerant is a station at the right settings that understands requests however
// they are sent; its answers are heard as the settings make them.
func (f *fake) tolerant(at Settings, end *fault.End) {
	buffer := make([]byte, 300)
	for {
		n, err := end.Read(buffer)
		if err != nil {
			return
		}
		adu, err := frame.ParseADU(at.Framing, buffer[:n])
		if err != nil {
			continue
		}
		pdu := f.station.Answer(nil, adu.Unit, adu.PDU)
		if len(pdu) == 0 {
			continue
		}
		answer, err := frame.AppendADU(nil, frame.ADU{Framing: f.right.Framing, Unit: adu.Unit, PDU: pdu})
		if err != nil {
			return
		}
		end.Write(f.resample(answer, at.Serial))
	}
}

// noisy answers every request with random bytes.
func noisy(dice *rand.Rand, n int) func(Settings, *fault.End) {
	return func(_ Settings, end *fault.End) {
		buffer := make([]byte, 300)
		for {
			if _, err := end.Read(buffer); err != nil {
				return
			}
			b := make([]byte, 1+dice.IntN(n))
			for i := range b {
				b[i] = byte(dice.Uint32())
			}
			end.Write(b)
		}
	}
}

// every is unit numbers from first to last.
func every(first, last int) (units []regmap.Unit) {
	for u := first; u <= last; u++ {
		units = append(units, regmap.Unit(u))
	}
	return units
}

func rtu(baud int, parity line.Parity) Settings {
	stop := 1
	if parity == line.None {
		stop = 2
	}
	return Settings{line.RTU, line.Serial{Port: "fake", Baud: baud, Parity: parity, Stop: stop}}
}

var errNoPort = errors.New("there is no such port")
