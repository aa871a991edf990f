package poll_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/goburrow/modbus"

	"plumbline/decode"
	"plumbline/poll"
	"plumbline/poll/link"
	"plumbline/regmap/line"
)

// How many stations the comparison polls once a second, each on a connection of
// its own, and for how long.
const (
	thousand      = 1000
	thousandTime  = 12 * time.Second
	thousandItems = 20
	answererKey   = "PLUMBLINE_TEST_ANSWERER"
)

// TestMain makes the test binary the bare answerer of the comparison when it is
// started as one: a process of its own, so that only clients are measured.
func TestMain(m *testing.M) {
	if os.Getenv(answererKey) != "" {
		answerAll()
		return
	}
	os.Exit(m.Run())
}

// answerAll answers every read of holding registers, until its input ends.
func answerAll() {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		panic(err)
	}
	fmt.Println(l.Addr())
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go answerOne(c)
		}
	}()
	io.Copy(io.Discard, os.Stdin)
}

func answerOne(c net.Conn) {
	defer c.Close()
	in := make([]byte, 12)
	for {
		if _, err := io.ReadFull(c, in); err != nil {
			return
		}
		n := int(binary.BigEndian.Uint16(in[10:]))
		out := make([]byte, 9+2*n)
		copy(out, in[:4])
		binary.BigEndian.PutUint16(out[4:], uint16(3+2*n))
		out[6], out[7], out[8] = in[6], in[7], byte(2*n)
		if _, err := c.Write(out); err != nil {
			return
		}
	}
}

// startAnswerer starts the answerer and gives its address.
func startAnswerer(b *testing.B) string {
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), answererKey+"=1")
	hold, err := child.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := child.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := child.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { hold.Close(); child.Wait() })
	address, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		b.Fatal(err)
	}
	return strings.TrimSpace(address)
}

// A burden is what polling a thousand stations cost.
type burden struct {
	cpu    time.Duration // of the process
	memory float64       // KiB a station: heap and stacks
	off    float64       // share of the periods that miss a second by more than 5 %
	reads  int
}

// A diary keeps when each station was read.
type diary struct{ read [thousand][]time.Time }

// bear runs a client of each station until its context ends, and measures.
func bear(b *testing.B, start func(ctx context.Context, running *sync.WaitGroup, d *diary)) burden {
	var before, after runtime.MemStats
	var cpu [2]syscall.Rusage
	debug.FreeOSMemory()
	runtime.ReadMemStats(&before)
	ctx, cancel := context.WithCancel(b.Context())
	d := new(diary)
	for i := range d.read {
		d.read[i] = make([]time.Time, 0, 64)
	}
	diaries := float64(thousand * 64 * 24)
	var running sync.WaitGroup
	start(ctx, &running, d)
	time.Sleep(2 * time.Second) // all are connected, and the first cycles over
	syscall.Getrusage(syscall.RUSAGE_SELF, &cpu[0])
	time.Sleep(thousandTime)
	syscall.Getrusage(syscall.RUSAGE_SELF, &cpu[1])
	runtime.GC()
	runtime.ReadMemStats(&after)
	cancel()
	running.Wait()
	var out burden
	for _, u := range [][2]syscall.Timeval{{cpu[0].Utime, cpu[1].Utime}, {cpu[0].Stime, cpu[1].Stime}} {
		out.cpu += time.Duration(u[1].Nano() - u[0].Nano())
	}
	out.memory = (float64(after.HeapAlloc+after.StackInuse) - float64(before.HeapAlloc+before.StackInuse) - diaries) / 1024 / thousand
	off, all := 0, 0
	for _, times := range d.read {
		out.reads += len(times)
		for i := 3; i < len(times); i++ {
			all++
			if (times[i].Sub(times[i-1]) - time.Second).Abs() > time.Second/20 {
				off++
			}
		}
	}
	out.off = float64(off) / float64(max(all, 1))
	return out
}

// bare is the least that could be done: a goroutine and a socket a station.
func bare(address string) func(context.Context, *sync.WaitGroup, *diary) {
	return func(ctx context.Context, running *sync.WaitGroup, d *diary) {
		for i := range thousand {
			running.Go(func() {
				c, err := net.Dial("tcp", address)
				if err != nil {
					return
				}
				defer c.Close()
				stop := context.AfterFunc(ctx, func() { c.Close() })
				defer stop()
				buffer, registers := make([]byte, 260), make([]uint16, thousandItems)
				next := time.Now().Add(time.Second * time.Duration(i) / thousand)
				for id := uint16(1); ; id++ {
					time.Sleep(time.Until(next))
					next = next.Add(time.Second)
					if !bareRead(c, id, buffer, registers) {
						return
					}
					d.read[i] = append(d.read[i], time.Now())
				}
			})
		}
	}
}

func bareRead(c net.Conn, id uint16, b []byte, registers []uint16) bool {
	c.SetDeadline(time.Now().Add(500 * time.Millisecond))
	q := append(b[:0], byte(id>>8), byte(id), 0, 0, 0, 6, 1, 3, 0, 0, 0, thousandItems)
	if _, err := c.Write(q); err != nil {
		return false
	}
	if _, err := io.ReadFull(c, b[:7]); err != nil {
		return false
	}
	n := int(binary.BigEndian.Uint16(b[4:])) - 1
	if binary.BigEndian.Uint16(b) != id || b[6] != 1 || n != 2+2*thousandItems {
		return false
	}
	if _, err := io.ReadFull(c, b[:n]); err != nil || b[0] != 3 || b[1] != 2*thousandItems {
		return false
	}
	for i := range registers {
		registers[i] = binary.BigEndian.Uint16(b[2+2*i:])
	}
	return true
}

// library is a client of the protocol library a station.
func library(address string) func(context.Context, *sync.WaitGroup, *diary) {
	return func(ctx context.Context, running *sync.WaitGroup, d *diary) {
		for i := range thousand {
			running.Go(func() {
				h := modbus.NewTCPClientHandler(address)
				h.SlaveId, h.Timeout, h.IdleTimeout = 1, 500*time.Millisecond, 0
				defer h.Close()
				client := modbus.NewClient(h)
				next := time.Now().Add(time.Second * time.Duration(i) / thousand)
				for ctx.Err() == nil {
					time.Sleep(time.Until(next))
					next = next.Add(time.Second)
					if _, err := client.ReadHoldingRegisters(0, thousandItems); err == nil {
						d.read[i] = append(d.read[i], time.Now())
					}
				}
			})
		}
	}
}

// ours is a line with its link and its poller a station, as the commands make
// them, all with the same map.
func ours(b *testing.B, address string) func(context.Context, *sync.WaitGroup, *diary) {
	text := "device: test\npoints:\n"
	for i := 0; i < thousandItems; i += 4 {
		text += fmt.Sprintf("  r%d: {holding-register: %d, type: uint64}\n", i, i)
	}
	m := load(b, text)
	return func(ctx context.Context, running *sync.WaitGroup, d *diary) {
		clock := decode.NewClock()
		for i := range thousand {
			l := line.Single(line.Line{Name: "test", Medium: line.TCP, Framing: line.MBAP, Every: time.Second, Timing: line.DefaultTiming}, m, 1)
			sink := func(e decode.Event) {
				if e.Exchange != nil && e.Exchange.Answered() {
					d.read[i] = append(d.read[i], time.Now())
				}
			}
			k, err := link.New(link.Config{Name: l.Name, Framing: l.Framing, Timing: l.Timing, Clock: clock, Sink: sink,
				Dial: func(ctx context.Context) (link.Stream, error) {
					var dialer net.Dialer
					return dialer.DialContext(ctx, "tcp", address)
				}})
			if err != nil {
				b.Fatal(err)
			}
			p := poll.New(poll.Config{Line: l, Link: k, Clock: clock, Sink: sink, Width: link.MaxSlots,
				Offset: time.Second * time.Duration(i) / thousand})
			running.Go(func() {
				defer k.Close()
				p.Run(ctx, 0)
			})
		}
	}
}

// BenchmarkThousandStations polls a thousand stations once a second from one
// process, spread over the second, and gives what it costs beside a bare
// poller of the same requests and the protocol library's client.
func BenchmarkThousandStations(b *testing.B) {
	address := startAnswerer(b)
	for b.Loop() {
		least := bear(b, bare(address))
		lib := bear(b, library(address))
		our := bear(b, ours(b, address))
		for name, got := range map[string]burden{"bare": least, "library": lib, "ours": our} {
			b.ReportMetric(got.memory, name+"-KiB")
			b.ReportMetric(100*got.off, name+"-off-%")
			if got.reads < 13*thousand {
				b.Errorf("%s: %d reads", name, got.reads)
			}
		}
		b.ReportMetric(our.memory/least.memory, "memory-ratio")
		b.ReportMetric(our.cpu.Seconds()/least.cpu.Seconds(), "cpu-ratio")
		b.ReportMetric(lib.cpu.Seconds()/least.cpu.Seconds(), "library-cpu-ratio")
	}
	b.ReportMetric(0, "ns/op") // means nothing here
}
