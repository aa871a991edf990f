package link

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// truth is what item a of a table of a unit holds: a value that says who it is,
// so that a shifted or foreign answer cannot look right.
func truth(u regmap.Unit, t regmap.Table, a int) uint16 {
	h := fnv.New32a()
	fmt.Fprintf(h, "%d %d %d", u, t, a)
	s := h.Sum32()
	return uint16(s ^ s>>16)
}

// honest is the PDU with which an honest station answers.
func honest(u regmap.Unit, q frame.Request) []byte {
	a := frame.Response{Function: q.Function}
	span, _ := q.Reads()
	switch q.Function {
	case frame.ReadCoils, frame.ReadDiscreteInputs:
		a.Data = make([]byte, (q.Quantity+7)/8)
		for i := range q.Quantity {
			a.Data[i/8] |= byte(truth(u, span.Table, int(q.Address)+i)&1) << (i % 8)
		}
	case frame.ReadHoldingRegisters, frame.ReadInputRegisters, frame.ReadWriteMultipleRegisters:
		for i := range q.Quantity {
			v := truth(u, span.Table, int(q.Address)+i)
			a.Data = append(a.Data, byte(v>>8), byte(v))
		}
	case frame.WriteSingleCoil, frame.WriteSingleRegister, frame.Diagnostics, frame.MaskWriteRegister, frame.WriteFileRecord:
		pdu, _ := q.Append(nil)
		return pdu
	case frame.WriteMultipleCoils, frame.WriteMultipleRegisters:
		a.Address, a.Quantity = q.Address, q.Quantity
	case frame.ReadExceptionStatus:
		a.Value = 0x55
	case frame.GetCommEventCounter:
		a.EventCount = 8
	case frame.ReportServerID:
		a.Data = []byte{0x11, 0xFF, 'x'}
	case frame.ReadFIFOQueue: // V1.1b3, 6.18, the worked example
		a.Data = []byte{0x01, 0xB8, 0x12, 0x84}
	default:
		a = frame.Except(q.Function, frame.IllegalFunction)
	}
	pdu, err := a.Append(nil)
	if err != nil {
		panic(err)
	}
	return pdu
}

// wrongItems counts the items of an answered read that are not the truth.
func wrongItems(x *decode.Exchange) int {
	span, ok := x.Request.Reads()
	if !ok || !x.Answered() {
		return 0
	}
	got, ok := x.AppendRaw(nil, span)
	if !ok {
		return span.Count
	}
	wrong := 0
	for i, v := range got {
		want := truth(x.Unit, span.Table, int(span.First)+i)
		if span.Table.Bits() {
			want &= 1
		}
		if v != want {
			wrong++
		}
	}
	return wrong
}

// heard is a request as it reached the station.
type heard struct {
	n   int // from 1, over all streams
	adu frame.ADU
	q   frame.Request
	raw []byte
	at  time.Time

	behind bool // another came before it with the same read
	stream int  // the how manieth it came on
}

// answer is the whole frame of a PDU in answer to a request.
func (h heard) answer(u regmap.Unit, pdu []byte) []byte {
	adu, err := frame.AppendADU(nil, frame.ADU{Framing: h.adu.Framing, Transaction: h.adu.Transaction, Unit: u, PDU: pdu})
	if err != nil {
		panic(err)
	}
	return adu
}

// honest is the whole frame with which an honest station answers.
func (h heard) honest() []byte { return h.answer(h.adu.Unit, honest(h.adu.Unit, h.q)) }

// after delivers bytes once a time has passed.
func after(d time.Duration, b []byte) fault.Delivery { return fault.Delivery{Delay: d, Bytes: b} }

// A rig is a link and the station at its other end, in one bubble.
type rig struct {
	t      *testing.T
	link   *Link
	config Config
	delay  time.Duration                  // of an honest answer
	answer func(h heard) []fault.Delivery // nil: honest, after delay; nothing returned is silence

	mu       sync.Mutex
	ends     []*fault.End // the station's, one a stream
	requests []heard
	events   []decode.Event
	doubts   []Doubt
	refuse   error // what dialing answers
}

func (r *rig) dial(ctx context.Context) (Stream, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.refuse != nil {
		return nil, r.refuse
	}
	ours, theirs := fault.Pipe()
	r.ends = append(r.ends, theirs)
	go r.serve(theirs, len(r.ends))
	return ours, nil
}

// serve is the station on one stream.
func (r *rig) serve(end *fault.End, stream int) {
	defer end.Close()
	var deliveries []fault.Delivery
	end.SetFilter(fault.FilterFunc(func([]byte) []fault.Delivery { return deliveries }))
	codec := frame.Codec{Framing: r.config.Framing}
	var in []byte
	buf := make([]byte, 512)
	for {
		n, err := end.Read(buf)
		in = append(in, buf[:n]...)
		for frames := 0; ; frames++ {
			adu, skip, used, ferr := codec.Next(in)
			if ferr == nil {
				raw := append([]byte(nil), in[skip:used]...)
				adu, _ = frame.ParseADU(r.config.Framing, raw)
				q, perr := frame.ParseRequest(adu.PDU)
				if perr != nil {
					r.t.Errorf("the station was sent %x: %v", raw, perr)
					return
				}
				if deliveries = r.reply(heard{adu: adu, q: q, raw: raw, at: time.Now(), behind: frames > 0, stream: stream}); len(deliveries) > 0 {
					if _, werr := end.Write([]byte{0}); werr != nil {
						return
					}
				}
			}
			in = in[used:]
			if ferr != nil && used == 0 {
				break
			}
		}
		if err != nil {
			return
		}
	}
}

func (r *rig) reply(h heard) []fault.Delivery {
	r.mu.Lock()
	h.n = len(r.requests) + 1
	r.requests = append(r.requests, h)
	answer := r.answer
	r.mu.Unlock()
	if answer != nil {
		return answer(h)
	}
	if h.adu.Unit == 0 && h.adu.Framing != line.MBAP {
		return nil
	}
	return []fault.Delivery{after(r.delay, h.honest())}
}

// sent is what reached the station.
func (r *rig) sent() []heard {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]heard(nil), r.requests...)
}

// findings gives the findings told so far under a code.
func (r *rig) findings(code string) (found []decode.Finding) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, e := range r.events {
		if e.Finding != nil && e.Finding.Code == code {
			found = append(found, *e.Finding)
		}
	}
	return found
}

func (r *rig) lineStates() (states []decode.LineState) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, e := range r.events {
		if e.Line != nil {
			states = append(states, *e.Line)
		}
	}
	return states
}

// timing is that of most tests: an answer within 200 ms, no repeats.
var timing = line.Timing{Response: 200 * time.Millisecond, Turnaround: 100 * time.Millisecond}

var serial19200 = line.Serial{Port: "pipe", Baud: 19200, Parity: line.Even, Stop: 1}

// bubble runs a test with a rig in virtual time.
func bubble(t *testing.T, config Config, body func(r *rig)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r := &rig{t: t, config: config}
		if r.config.Timing == (line.Timing{}) {
			r.config.Timing = timing
		}
		if r.config.Dial == nil {
			r.config.Dial = r.dial
		}
		if r.config.Redial.Random == nil {
			r.config.Redial.Random = func() float64 { return 0 }
		}
		r.config.Name = "Pump house"
		r.config.Sink = func(e decode.Event) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.events = append(r.events, e)
		}
		r.config.Doubt = func(d Doubt) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.doubts = append(r.doubts, d)
		}
		l, err := New(r.config)
		if err != nil {
			t.Fatal(err)
		}
		r.link = l
		defer func() {
			l.Close()
			r.mu.Lock()
			for _, e := range r.ends {
				e.Close()
			}
			r.mu.Unlock()
			synctest.Wait()
		}()
		body(r)
	})
}

// ask asks and fails the test on an error.
func (r *rig) ask(unit regmap.Unit, q frame.Request, opts ...Option) *decode.Exchange {
	r.t.Helper()
	x, err := r.link.Ask(context.Background(), unit, q, opts...)
	if err != nil {
		r.t.Fatalf("ask unit %d %v: %v", unit, q, err)
	}
	synctest.Wait() // what the station did until now happened before
	r.check(x)
	return x
}

// change changes with a permit for it.
func (r *rig) change(unit regmap.Unit, q frame.Request, opts ...Option) *decode.Exchange {
	r.t.Helper()
	x, err := r.link.Change(context.Background(), unit, q, permitted(unit, q), opts...)
	if err != nil {
		r.t.Fatalf("change unit %d %v: %v", unit, q, err)
	}
	synctest.Wait()
	r.check(x)
	return x
}

func permitted(unit regmap.Unit, q frame.Request) permit.Permit {
	pdu, err := q.Append(nil)
	if err != nil {
		panic(err)
	}
	return permit.New(unit, pdu)
}

// check holds an exchange against what every exchange must be.
func (r *rig) check(x *decode.Exchange) {
	r.t.Helper()
	if n := wrongItems(x); n > 0 {
		r.t.Errorf("exchange %s of unit %d, %v: %d wrong items in an answer taken for good (received %x)", x.ID, x.Unit, x.Request, n, x.Received)
	}
	switch {
	case x.ID.Number == 0, x.Asked.IsZero(), x.Done.IsZero():
		r.t.Errorf("exchange %+v lacks identity, or when it was asked or done", x)
	case x.Cause == regmap.NoCause && (x.Left.IsZero() || x.First.IsZero() || x.Sent == nil || x.Received == nil || x.Tries == 0):
		r.t.Errorf("answered exchange %+v lacks a stamp or its bytes", x)
	case x.Cause == regmap.NeverRead:
		r.t.Errorf("exchange %+v has no cause", x)
	case x.Cause != regmap.NoCause && x.Detail == "":
		r.t.Errorf("exchange %+v does not say why", x)
	case x.Cause != regmap.NoCause && x.Cause != regmap.Excepted && x.Response.Function != 0:
		r.t.Errorf("exchange %+v has no answer and yet a response", x)
	case x.Done.Sub(x.Asked) < 0 || !x.First.IsZero() && x.Done.Sub(x.First) < 0:
		r.t.Errorf("exchange %+v runs backwards", x)
	}
}

// want compares an exchange's cause, and its detail with a part of it.
func want(t *testing.T, x *decode.Exchange, cause regmap.Cause, detail string) {
	t.Helper()
	if x.Cause != cause || !contains(x.Detail, detail) {
		t.Errorf("cause %q, detail %q; want %q and a detail with %q", x.Cause, x.Detail, cause, detail)
	}
}

func contains(s, part string) bool {
	for i := 0; i+len(part) <= len(s); i++ {
		if s[i:i+len(part)] == part {
			return true
		}
	}
	return false
}

// registers is the usual read: two registers from an address on.
func registers(a regmap.Address) frame.Request { return frame.Read(regmap.HoldingRegister, a, 2) }

// plain is the configuration of a direct TCP link, rtu that of a serial line.
func plain() Config { return Config{Framing: line.MBAP} }

func rtu() Config { return Config{Framing: line.RTU, Serial: serial19200} }

// lan is RTU inside a network connection.
func lan() Config { return Config{Framing: line.RTU} }

func ascii() Config { return Config{Framing: line.ASCII, Serial: serial19200} }

var _ io.ReadWriteCloser = (*fault.End)(nil)
var errNoSuchPort = errors.New("there is no such port")

// together asks as many callers at once as there are requests, and gives the
// exchanges in their order.
func (r *rig) together(unit func(i int) regmap.Unit, requests []frame.Request, opts ...Option) []*decode.Exchange {
	r.t.Helper()
	got := make([]*decode.Exchange, len(requests))
	var all sync.WaitGroup
	for i, q := range requests {
		all.Go(func() {
			x, err := r.link.Ask(context.Background(), unit(i), q, opts...)
			if err != nil {
				r.t.Errorf("ask unit %d %v: %v", unit(i), q, err)
				return
			}
			r.check(x)
			got[i] = x
		})
	}
	all.Wait()
	synctest.Wait()
	return got
}

// oneUnit is the same unit for all.
func oneUnit(u regmap.Unit) func(int) regmap.Unit { return func(int) regmap.Unit { return u } }

// looksAt are n requests of different addresses.
func looksAt(n int) (q []frame.Request) {
	for i := range n {
		q = append(q, registers(regmap.Address(10*i)))
	}
	return q
}
