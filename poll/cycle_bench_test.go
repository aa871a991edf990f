package poll_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll"
	"plumbline/poll/link"
	"plumbline/poll/plan"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// mixed is a map of several tables, types and holes.
const mixed = `device: test
limits: {gap: 2}
points:
  a: {input-register: 0, type: uint16}
  b: {input-register: 2, type: float32}
  c: {input-register: 40, type: string, length: 40}
  d: {holding-register: 0, type: uint64}
  e: {holding-register: 100, type: float64}
  f: {coil: 0}
  g: {coil: 19}
  h: {discrete-input: 3}
`

// BenchmarkCycle compares the cycle that the plan predicts with the one that
// polling without pause takes, on a paced pseudo-terminal: nothing is fitted,
// the latency is as configured (none). Beside it stands what sleeping the same
// times takes here: the request with its silence, then the answer with its own.
func BenchmarkCycle(b *testing.B) {
	for _, baud := range []int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200} {
		b.Run(fmt.Sprint(baud), func(b *testing.B) {
			predicted, measured := pacedCycle(b, baud)
			b.ReportMetric(measured.Seconds()/predicted.Seconds(), "of-predicted")
			b.ReportMetric(sleptCycle(b, baud).Seconds()/predicted.Seconds(), "bare-timers")
			b.ReportMetric(predicted.Seconds()*1000, "predicted-ms")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// sleptCycle sleeps the times of the cycle's requests and answers.
func sleptCycle(b *testing.B, baud int) time.Duration {
	s := line.DefaultSerial("none")
	s.Baud = baud
	l := line.Single(line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: s}, load(b, mixed), 17)
	requests := plan.For(l, new(plan.Learnt)).Requests
	asked := 8*frame.CharTime(s, line.RTU) + frame.Gap35(s) // 8 characters ask
	const rounds = 5
	began := time.Now()
	for range rounds {
		for _, r := range requests {
			time.Sleep(asked)
			time.Sleep(r.Cost - asked)
		}
	}
	return time.Since(began) / rounds
}

// pacedCycle polls for some seconds and gives the mean cycle.
func pacedCycle(b *testing.B, baud int) (predicted, measured time.Duration) {
	m := load(b, mixed)
	pair, err := port.OpenPair()
	if err != nil {
		b.Fatal(err)
	}
	s := line.DefaultSerial(pair.Path())
	s.Baud = baud
	l := line.Single(line.Line{Name: "test", Medium: line.SerialPort, Framing: line.RTU, Serial: s, Timing: line.DefaultTiming}, m, 17)
	l.Every, l.Stations[0].Every = 0, 0 // without pause
	bank, err := simdevice.NewBank(m)
	if err != nil {
		b.Fatal(err)
	}
	station, err := simdevice.New(map[regmap.Unit]*simdevice.Bank{17: bank}, simdevice.Options{Pace: s, Gap: frame.Gap35(s)})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.Context())
	served := make(chan struct{})
	go func() {
		defer close(served)
		station.ServeStream(ctx, pair, line.RTU)
	}()
	defer func() { cancel(); <-served }()
	k, err := link.New(link.Config{Name: "test", Framing: line.RTU, Serial: s, Timing: l.Timing,
		Dial: func(context.Context) (link.Stream, error) { return port.Open(s, port.Options{}) }})
	if err != nil {
		b.Fatal(err)
	}
	defer k.Close()
	var cycles []*decode.Cycle
	clock := decode.NewClock()
	p := poll.New(poll.Config{Line: l, Link: k, Clock: clock, Sink: func(e decode.Event) {
		switch {
		case e.Exchange != nil && !e.Exchange.Answered():
			b.Errorf("%v %s", e.Exchange.Cause, e.Exchange.Detail)
		case e.Cycle != nil:
			cycles = append(cycles, e.Cycle)
		}
	}})
	want := plan.For(l, new(plan.Learnt)).Cycle
	p.Run(ctx, 2+int(max(4*time.Second, 3*want)/want))
	return want, cycles[len(cycles)-1].Began.Sub(cycles[1].Began) / time.Duration(len(cycles)-2)
}
