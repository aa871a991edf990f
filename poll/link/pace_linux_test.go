package link

import (
	"context"
	"fmt"
	"io"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/goburrow/modbus"

	"plumbline/decode/frame"
	"plumbline/decode/nap"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The benchmark of a serial line: how near its own limit it is worked. The line
// is a pseudo-terminal whose far end keeps the line's time: it counts a request
// as ended when its last bit would have left, is silent for 3.5 characters, and
// hands over the answer when its last bit would have come. The limit is request,
// silence, answer, silence. Source: serial guide V1.02, 2.5.1.1.

// A pacedEnd is a station on the far end of a pseudo-terminal.
type pacedEnd struct {
	pair   *port.Pair
	serial line.Serial
	answer []byte

	mu    sync.Mutex
	asked []time.Time // when each request came ...
	given []time.Time // ... and when its answer had ended
}

// pacedLine makes a line of a speed whose station answers a read.
func pacedLine(b *testing.B, baud int, q frame.Request) *pacedEnd {
	b.Helper()
	pair, err := port.OpenPair()
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { pair.Close() })
	e := &pacedEnd{pair: pair, serial: line.Serial{Port: pair.Path(), Baud: baud, Parity: line.Even, Stop: 1}}
	e.answer, err = frame.AppendADU(nil, frame.ADU{Framing: line.RTU, Unit: 17, PDU: honest(17, q)})
	if err != nil {
		b.Fatal(err)
	}
	go e.serve(frame.ADULength(line.RTU, frame.RequestLength(q)))
	return e
}

// serve answers requests of a length until the pair is closed.
func (e *pacedEnd) serve(length int) {
	char, gap := frame.CharTime(e.serial, line.RTU), frame.Gap35(e.serial)
	request := make([]byte, length)
	for {
		if _, err := io.ReadFull(e.pair, request[:1]); err != nil {
			return
		}
		came := time.Now()
		if _, err := io.ReadFull(e.pair, request[1:]); err != nil {
			return
		}
		end := came.Add(time.Duration(length)*char + gap + time.Duration(len(e.answer))*char)
		waitUntil(end)
		e.mu.Lock()
		e.asked, e.given = append(e.asked, came), append(e.given, time.Now())
		e.mu.Unlock()
		if _, err := e.pair.Write(e.answer); err != nil {
			return
		}
	}
}

// waitUntil waits for a moment, to a few microseconds.
func waitUntil(end time.Time) {
	time.Sleep(time.Until(end) - 2*time.Millisecond)
	began := time.Now()
	nap.Until(func() time.Duration { return time.Since(began) }, end.Sub(began))
}

// periods are the times from request to request, sorted.
func (e *pacedEnd) periods() (p []time.Duration) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for i := 1; i < len(e.asked); i++ {
		p = append(p, e.asked[i].Sub(e.asked[i-1]))
	}
	slices.Sort(p)
	return p
}

// A stamped stream notes when each request was given to it.
type stamped struct {
	*port.Port
	left []time.Time
}

func (s *stamped) Write(b []byte) (int, error) {
	s.left = append(s.left, time.Now())
	return s.Port.Write(b)
}

// early counts the requests that left before the silence after the answer
// before them was over.
func (e *pacedEnd) early(left []time.Time) (n int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, at := range left {
		before, _ := slices.BinarySearchFunc(e.given, at, time.Time.Compare)
		if before > 0 && at.Sub(e.given[before-1]) < frame.Gap35(e.serial) {
			n++
		}
	}
	return n
}

// workLink has the link ask so often, and gives the early requests and those
// repeated, which the machine kept waiting for longer than the time limit.
func workLink(b *testing.B, e *pacedEnd, q frame.Request, n int) (early, repeated int) {
	var stream *stamped
	l, err := New(Config{
		Name: "paced", Framing: line.RTU, Serial: e.serial,
		Dial: func(context.Context) (Stream, error) {
			p, err := port.Open(e.serial, port.Options{})
			if err != nil {
				return nil, err
			}
			stream = &stamped{Port: p}
			return stream, nil
		},
	})
	if err != nil {
		b.Error(err)
		return 0, 0
	}
	defer l.Close()
	for range n {
		if x, err := l.Ask(context.Background(), 17, q); err != nil || !x.Answered() || wrongItems(x) != 0 {
			b.Errorf("%v, %v, %+v", x, err, l.Statistics())
			return 0, 0
		}
	}
	return e.early(stream.left), int(l.Statistics().Repeated)
}

// workBare is a loop that sends, reads the whole answer and waits out the
// silence by a timer, and looks at nothing.
func workBare(b *testing.B, e *pacedEnd, q frame.Request, stop <-chan struct{}) {
	p, err := port.Open(e.serial, port.Options{})
	if err != nil {
		b.Error(err)
		return
	}
	defer p.Close()
	pdu, _ := q.Append(nil)
	request, _ := frame.AppendADU(nil, frame.ADU{Framing: line.RTU, Unit: 17, PDU: pdu})
	answer := make([]byte, len(e.answer))
	for !stopped(stop) {
		if _, err := p.Write(request); err != nil {
			return
		}
		if _, err := io.ReadFull(p, answer); err != nil {
			return
		}
		time.Sleep(frame.Gap35(e.serial))
	}
}

// workLibrary is the library with its own transporter.
func workLibrary(b *testing.B, e *pacedEnd, q frame.Request, stop <-chan struct{}) {
	h := modbus.NewRTUClientHandler(e.serial.Port)
	h.BaudRate, h.DataBits, h.Parity, h.StopBits, h.SlaveId = e.serial.Baud, 8, "E", 1, 17
	if err := h.Connect(); err != nil {
		b.Error(err)
		return
	}
	defer h.Close()
	client := modbus.NewClient(h)
	for !stopped(stop) {
		if _, err := client.ReadHoldingRegisters(uint16(q.Address), uint16(q.Quantity)); err != nil {
			b.Error(err)
			return
		}
	}
}

func stopped(stop <-chan struct{}) bool {
	select {
	case <-stop:
		return true
	default:
		return false
	}
}

// pacedExchanges is how many exchanges each speed is judged by.
const pacedExchanges = 201

// BenchmarkPace: the median period of an exchange over the line's limit, its
// 95th percentile, and beside it in the same run, each on a line of its own, a
// bare loop with the runtime's timer and the library's transporter. early counts
// the requests that left before the silence was over.
func BenchmarkPace(b *testing.B) {
	for _, baud := range []int{9600, 19200, 38400, 57600, 115200} {
		for _, quantity := range []int{10, 125} {
			b.Run(fmt.Sprintf("%d/%d", baud, quantity), func(b *testing.B) {
				q := frame.Read(regmap.HoldingRegister, 0, quantity)
				early, repeated := 0, 0
				ours, bare, library := pacedLine(b, baud, q), pacedLine(b, baud, q), pacedLine(b, baud, q)
				for b.Loop() {
					stop := make(chan struct{})
					var peers sync.WaitGroup
					peers.Go(func() { workBare(b, bare, q, stop) })
					peers.Go(func() { workLibrary(b, library, q, stop) })
					e, r := workLink(b, ours, q, pacedExchanges)
					early, repeated = early+e, repeated+r
					close(stop)
					peers.Wait()
				}
				limit := float64(frame.LineTime(q, ours.serial, line.RTU))
				report := func(e *pacedEnd, name string) {
					p := e.periods()
					if len(p) == 0 {
						b.Errorf("%s: no period", name)
						return
					}
					b.ReportMetric(float64(p[len(p)/2])/limit, name)
					b.ReportMetric(float64(p[len(p)*95/100])/limit, name+"-p95")
				}
				report(ours, "x-limit")
				report(bare, "bare")
				report(library, "library")
				b.ReportMetric(limit/1e6, "ms-limit")
				b.ReportMetric(float64(early), "early")
				b.ReportMetric(float64(repeated), "repeated")
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}
