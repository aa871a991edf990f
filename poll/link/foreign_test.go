package link_test

import (
	"context"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// Where a foreign server waits. .ci/interop starts servers of foreign protocol
// libraries and names their places here; without them the own station is the
// only peer.
const (
	foreignTCP     = "PLUMBLINE_FOREIGN_TCP"     // host:port
	foreignRTU     = "PLUMBLINE_FOREIGN_RTU"     // a serial port, 19200 8E1
	foreignWithout = "PLUMBLINE_FOREIGN_WITHOUT" // functions that it answers with exception 01: "22 23"
)

// foreignUnit is the peer's number.
const foreignUnit regmap.Unit = 17

// TestForeign writes with 05, 06, 0F, 10, 16 and 17 and reads back with 01 and
// 03: always against the own station, and against a foreign server where the
// environment names one. A peer has coils 0 and 1 and holding registers 31 to
// 34, all writable, and nothing at 5000.
func TestForeign(t *testing.T) {
	t.Run("own-mbap", func(t *testing.T) { foreign(t, ownStation(t, line.MBAP), "") })
	t.Run("own-rtu", func(t *testing.T) { foreign(t, ownStation(t, line.RTU), "") })
	if address := os.Getenv(foreignTCP); address != "" {
		t.Run("tcp", func(t *testing.T) {
			dial := func(ctx context.Context) (link.Stream, error) {
				var d net.Dialer
				return d.DialContext(ctx, "tcp", address)
			}
			foreign(t, link.Config{Dial: dial, Framing: line.MBAP}, os.Getenv(foreignWithout))
		})
	}
	if path := os.Getenv(foreignRTU); path != "" {
		t.Run("rtu", func(t *testing.T) {
			settings := line.DefaultSerial(path)
			dial := func(context.Context) (link.Stream, error) { return port.Open(settings, port.Options{}) }
			foreign(t, link.Config{Dial: dial, Framing: line.RTU, Serial: settings}, os.Getenv(foreignWithout))
		})
	}
}

// ownStation serves the own station in memory.
func ownStation(t *testing.T, f line.Framing) link.Config {
	t.Helper()
	const device = `
device: Cistern set-points
points:
  pump-1-enable: {coil: 0, write: {}}
  pump-2-enable: {coil: 1, write: {}}
  stop-level: {holding-register: 31, type: uint16, write: {}}
  lead-start: {holding-register: 32, type: uint16, write: {}}
  lag-start: {holding-register: 33, type: uint16, write: {}}
  high-limit: {holding-register: 34, type: uint16, write: {}}
`
	rep := new(doc.Report)
	m := regmap.Load("peer.yaml", []byte(device), rep)
	if m == nil {
		t.Fatal(rep.Err())
	}
	bank, err := simdevice.NewBank(m)
	if err != nil {
		t.Fatal(err)
	}
	station, err := simdevice.New(map[regmap.Unit]*simdevice.Bank{foreignUnit: bank}, simdevice.Options{})
	if err != nil {
		t.Fatal(err)
	}
	dial := func(context.Context) (link.Stream, error) {
		near, far := net.Pipe()
		served := make(chan error, 1)
		go func() { served <- station.ServeStream(context.Background(), far, f) }()
		t.Cleanup(func() {
			far.Close()
			<-served
		})
		return near, nil
	}
	return link.Config{Dial: dial, Framing: f}
}

// A foreignStep is a request and the words or bits it must bring, or the
// exception.
type foreignStep struct {
	request frame.Request
	want    []uint16
	refused frame.Exception
}

// holding and coils read.
func holding(at regmap.Address, count int, want ...uint16) foreignStep {
	return foreignStep{request: frame.Read(regmap.HoldingRegister, at, count), want: want}
}

func coils(at regmap.Address, want ...uint16) foreignStep {
	return foreignStep{request: frame.Read(regmap.Coil, at, len(want)), want: want}
}

// write is a request that brings nothing but its confirmation.
func write(q frame.Request) foreignStep { return foreignStep{request: q} }

// foreignSteps every peer can take.
var foreignSteps = []foreignStep{
	write(frame.WriteCoils(0, false, false)), coils(0, 0, 0),
	write(frame.WriteCoil(0, true)), coils(0, 1, 0),
	write(frame.WriteCoil(0, false)), coils(0, 0, 0),
	write(frame.WriteCoils(0, false, true)), coils(0, 0, 1),
	write(frame.WriteCoils(0, true, false)), coils(0, 1, 0),

	write(frame.WriteRegisters(31, 300, 1200, 1800, 2500)), holding(31, 4, 300, 1200, 1800, 2500),
	write(frame.WriteRegister(33, 0xFF0A)), holding(33, 1, 0xFF0A),

	{request: frame.Read(regmap.HoldingRegister, 5000, 1), refused: frame.IllegalDataAddress},
	{request: frame.Read(regmap.Coil, 5000, 1), refused: frame.IllegalDataAddress},
	{request: frame.WriteCoil(5000, true), refused: frame.IllegalDataAddress},
	{request: frame.WriteRegister(5000, 1), refused: frame.IllegalDataAddress},
	{request: frame.WriteCoils(5000, true, true), refused: frame.IllegalDataAddress},
	{request: frame.WriteRegisters(5000, 1, 2), refused: frame.IllegalDataAddress},
	holding(31, 1, 300), // and it goes on
}

// beyondSteps are those of functions that a peer may be without, each with its
// proof. The mask write's result is (current AND and) OR (or AND NOT and), so
// 04B0 with FF00 and 0064 becomes 0464; 17 writes before it reads. Sources:
// Modbus Application Protocol V1.1b3, 6.16 and 6.17.
var beyondSteps = []struct{ do, then foreignStep }{
	{write(frame.MaskWrite(32, 0xFF00, 0x0064)), holding(32, 1, 0x0464)},
	{foreignStep{request: frame.ReadWrite(33, 2, 33, 7, 8), want: []uint16{7, 8}}, holding(33, 2, 7, 8)},
}

// foreign makes the steps against one peer. Functions that the peer is without
// must be refused with 01.
func foreign(t *testing.T, config link.Config, without string) {
	t.Helper()
	config.Timing = line.DefaultTiming
	config.Timing.Response = 5 * time.Second // to be slow is no fault here
	k, err := link.New(config)
	if err != nil {
		t.Fatal(err)
	}
	defer k.Close()
	for _, s := range foreignSteps {
		s.try(t, k)
	}
	missing := strings.Fields(without)
	for _, s := range beyondSteps {
		if slices.Contains(missing, strconv.Itoa(int(s.do.request.Function))) {
			foreignStep{request: s.do.request, refused: frame.IllegalFunction}.try(t, k)
			continue
		}
		s.do.try(t, k)
		s.then.try(t, k)
	}
}

// try makes one step.
func (s foreignStep) try(t *testing.T, k *link.Link) {
	t.Helper()
	x := foreignExchange(t, k, s.request)
	got, _ := x.AppendRaw(nil, spanOf(s.request))
	switch {
	case s.refused != 0 && (x.Cause != regmap.Excepted || x.Response.Exception != s.refused):
		t.Errorf("%v at %d: %s, want exception %d", s.request.Function, s.request.Address, decode.Why(x), s.refused)
	case s.refused == 0 && !x.Answered():
		t.Errorf("%v at %d: %s, want an answer", s.request.Function, s.request.Address, decode.Why(x))
	case !slices.Equal(got, s.want):
		t.Errorf("%v at %d brought %04x, want %04x; request %x, answer %x",
			s.request.Function, s.request.Address, got, s.want, x.Sent, x.Received)
	}
}

// foreignExchange asks, or changes with a permit made for it.
func foreignExchange(t *testing.T, k *link.Link, q frame.Request) *decode.Exchange {
	t.Helper()
	var x *decode.Exchange
	pdu, err := q.Append(nil)
	if err == nil && q.Changes() {
		x, err = k.Change(t.Context(), foreignUnit, q, permit.New(foreignUnit, pdu))
	} else if err == nil {
		x, err = k.Ask(t.Context(), foreignUnit, q)
	}
	if err != nil {
		t.Fatalf("%v: %v", q.Function, err)
	}
	return x
}

// spanOf is what a request reads; empty for a plain write.
func spanOf(q frame.Request) regmap.Span {
	s, _ := q.Reads()
	return s
}
