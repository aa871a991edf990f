package link

import (
	"bufio"
	"context"
	"encoding/binary"
	"io"
	"net"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/goburrow/modbus"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// The benchmarks of a network line, each beside its peers in the same run: a
// bare socket that does nothing but send and receive the same bytes, and the
// client library's own transporter. The station at the other end is not ours
// either: it answers every request with the same registers, as many as came
// with one read in one write.

// The longest read; its request and answer are 12 and 259 bytes.
// Source: V1.1b3, 6.3 (125 registers).
const (
	speedRegisters = 125
	speedRequest   = 12
	speedAnswer    = 9 + 2*speedRegisters
)

// answerer is the station: a bare socket.
func answerer(b *testing.B) (address string) {
	b.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { listener.Close() })
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go answerAll(conn)
		}
	}()
	return listener.Addr().String()
}

// answerAll answers a connection's requests until it ends.
func answerAll(conn net.Conn) {
	defer conn.Close()
	in, out := make([]byte, 0, 4096), make([]byte, 0, 64<<10)
	for {
		n, err := conn.Read(in[len(in):cap(in)])
		if err != nil {
			return
		}
		in = in[:len(in)+n]
		out = out[:0]
		used := 0
		for ; len(in)-used >= speedRequest; used += speedRequest {
			out = appendAnswer(out, in[used:])
		}
		in = in[:copy(in, in[used:])]
		if _, err := conn.Write(out); err != nil {
			return
		}
	}
}

// appendAnswer makes the answer to a request's header.
func appendAnswer(out, request []byte) []byte {
	var answer [speedAnswer]byte
	copy(answer[:8], request)
	binary.BigEndian.PutUint16(answer[4:], speedAnswer-6)
	answer[8] = 2 * speedRegisters
	return append(out, answer[:]...)
}

// bareSocket sends a request and reads its answer, n times over, with so many
// in flight, and looks at nothing.
func bareSocket(b *testing.B, address string, flight int) func(n int) {
	b.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { conn.Close() })
	request := []byte{0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, speedRegisters}
	requests := slices.Repeat(request, flight)
	answers := make([]byte, flight*speedAnswer)
	in := bufio.NewReaderSize(conn, 8192)
	return func(n int) {
		for done := 0; done < n; done += flight {
			if _, err := conn.Write(requests); err != nil {
				b.Fatal(err)
			}
			if flight == 1 {
				_, err = io.ReadFull(conn, answers)
			} else {
				_, err = io.ReadFull(in, answers)
			}
			if err != nil {
				b.Fatal(err)
			}
		}
	}
}

// libraryClient is the library as it comes, one request in flight.
func libraryClient(b *testing.B, address string) func(n int) {
	b.Helper()
	handler := modbus.NewTCPClientHandler(address)
	handler.SlaveId = 1
	if err := handler.Connect(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { handler.Close() })
	client := modbus.NewClient(handler)
	return func(n int) {
		for range n {
			if got, err := client.ReadHoldingRegisters(0, speedRegisters); err != nil || len(got) != 2*speedRegisters {
				b.Fatal(len(got), err)
			}
		}
	}
}

// speedLink is a link to the station.
func speedLink(b *testing.B, address string) *Link {
	b.Helper()
	l, err := New(Config{
		Name: "speed", Framing: line.MBAP,
		Dial: func(ctx context.Context) (Stream, error) {
			var d net.Dialer
			return d.DialContext(ctx, "tcp", address)
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	return l
}

// ourLink is the link, with so many callers at once.
func ourLink(b *testing.B, address string, flight int) func(n int) {
	b.Helper()
	l := speedLink(b, address)
	ask := func(n int) {
		for range n {
			x, err := l.Ask(context.Background(), 1, frame.Read(regmap.HoldingRegister, 0, speedRegisters))
			if err != nil || !x.Answered() || len(x.Response.Data) != 2*speedRegisters {
				b.Error(x, err)
				return
			}
		}
	}
	return func(n int) {
		if flight == 1 {
			ask(n)
			return
		}
		var all sync.WaitGroup
		for range flight {
			all.Go(func() { ask(n / flight) })
		}
		all.Wait()
	}
}

// ourParty is the link asked so many questions at once by one caller.
func ourParty(b *testing.B, address string, flight int) func(n int) {
	b.Helper()
	l := speedLink(b, address)
	questions := slices.Repeat([]Question{{1, frame.Read(regmap.HoldingRegister, 0, speedRegisters)}}, flight)
	return func(n int) {
		for done := 0; done < n; done += flight {
			got, err := l.AskAll(context.Background(), questions)
			if err != nil {
				b.Fatal(err)
			}
			for _, x := range got {
				if !x.Answered() || len(x.Response.Data) != 2*speedRegisters {
					b.Fatal(x)
				}
			}
		}
	}
}

// beside times each way in turns, so that all see the same machine, and gives
// for each the median time of an exchange.
func beside(b *testing.B, each int, ways ...func(n int)) []time.Duration {
	const rounds = 15
	took := make([][]time.Duration, len(ways))
	for _, way := range ways {
		way(each / 4) // warm
	}
	for b.Loop() {
		for range rounds {
			for i, way := range ways {
				began := time.Now()
				way(each)
				took[i] = append(took[i], time.Since(began)/time.Duration(each))
			}
		}
	}
	medians := make([]time.Duration, len(ways))
	for i := range took {
		slices.Sort(took[i])
		medians[i] = took[i][len(took[i])/2]
	}
	return medians
}

// BenchmarkTCPOneInFlight: a read of 125 registers at a time, both ends in one
// thread at a time, against a bare ping-pong of the same bytes. of-bare is the
// rate as a share of the bare one's; library-of-bare the same of the library.
func BenchmarkTCPOneInFlight(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	address := answerer(b)
	m := beside(b, 2000, ourLink(b, address, 1), bareSocket(b, address, 1), libraryClient(b, address))
	b.ReportMetric(float64(m[0].Nanoseconds()), "ns/exchange")
	b.ReportMetric(float64(m[1].Nanoseconds()), "ns-bare")
	b.ReportMetric(float64(m[1])/float64(m[0]), "of-bare")
	b.ReportMetric(float64(m[1])/float64(m[2]), "library-of-bare")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkTCPSixteenInFlight: one caller with sixteen questions at once on one
// connection, against the library's client, which can have one request in
// flight, and beside it a bare socket with sixteen and sixteen callers of the
// link with a question each. x-library is how many times the library's rate.
// Both ends run in one thread at a time, as above.
func BenchmarkTCPSixteenInFlight(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	sixteenInFlight(b)
}

// BenchmarkTCPSixteenInFlightAllCores is the same with as many threads as the
// machine has cores.
func BenchmarkTCPSixteenInFlightAllCores(b *testing.B) { sixteenInFlight(b) }

func sixteenInFlight(b *testing.B) {
	address := answerer(b)
	m := beside(b, 3200, ourParty(b, address, MaxSlots), bareSocket(b, address, MaxSlots),
		libraryClient(b, address), ourLink(b, address, MaxSlots))
	b.ReportMetric(float64(m[0].Nanoseconds()), "ns/exchange")
	b.ReportMetric(float64(m[2].Nanoseconds()), "ns-library")
	b.ReportMetric(float64(m[2])/float64(m[0]), "x-library")
	b.ReportMetric(float64(m[2])/float64(m[1]), "bare-x-library")
	b.ReportMetric(float64(m[2])/float64(m[3]), "callers-x-library")
	b.ReportMetric(0, "ns/op")
}
