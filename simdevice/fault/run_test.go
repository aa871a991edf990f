package fault

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// start is a run of a script that must be right.
func start(t testing.TB, text string) *Run {
	t.Helper()
	s, err := Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	run, err := s.Start(rtuShaper{})
	if err != nil {
		t.Fatal(err)
	}
	return run
}

// echo answers each chunk of four bytes or more with itself until the link
// ends.
func echo(station io.ReadWriter) {
	buf := make([]byte, 64)
	for {
		n, err := station.Read(buf)
		if err != nil {
			return
		}
		if _, err := station.Write(buf[:n]); err != nil {
			return
		}
	}
}

// TestVirtualDay polls a station each second for 24 hours through a poor line.
// Every answer carries the number of its request, so that a late one is told.
func TestVirtualDay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		run := start(t, "seed 5\nanswers: delay 20ms..60ms\nanswers: delay 3s with 1%\nrequests: drop with 2%\nanswers: split 1..4 gap 5ms with 10%")
		client, station := Pipe()
		run.Between(client, station)
		go echo(station)
		begin := time.Now()
		var good, silent, late int
		for i := range uint32(24 * 3600) {
			time.Sleep(time.Until(begin.Add(time.Duration(i) * time.Second)))
			client.SetReadDeadline(time.Now().Add(500 * time.Millisecond))
			client.Write(binary.BigEndian.AppendUint32(nil, i))
			var answer [4]byte
			_, err := io.ReadFull(client, answer[:])
			switch got := binary.BigEndian.Uint32(answer[:]); {
			case errors.Is(err, os.ErrDeadlineExceeded):
				silent++
			case err != nil || got > i:
				t.Fatalf("request %d: % x, %v", i, answer, err)
			case got < i:
				late++
			default:
				good++
			}
		}
		if took := time.Since(begin); took < 24*time.Hour-time.Second || took > 24*time.Hour {
			t.Errorf("a day of polling took %v of virtual time", took)
		}
		synctest.Wait()
		fired := run.Fired()
		if fired[0]+fired[2] != 24*3600 || fired[2] < 1500 || fired[2] > 2000 {
			t.Errorf("rules applied %v; want every request answered or dropped, and 2 %% of 86,400 dropped", fired)
		}
		if good == 0 || late == 0 || silent < fired[2] {
			t.Errorf("good %d, late %d, silent %d; want some of each, and a silence for each of %d lost requests", good, late, silent, fired[2])
		}
		client.Close()
	})
}

// TestSeedRepeats runs one script twice with the same seed and once with
// another: bytes and times are the same, and not the same.
func TestSeedRepeats(t *testing.T) {
	transcript := func(seed uint64) (log string) {
		synctest.Test(t, func(t *testing.T) {
			run := start(t, fmt.Sprintf("seed %d\nboth: delay 1ms..9ms\nboth: flip with 10%%\nanswers: reorder 1..3 with 5%%\n"+
				"answers: duplicate with 5%%\nrequests: insert 1..3 bytes with 5%%", seed))
			if run.Seed() != seed {
				t.Errorf("seed %d, want %d", run.Seed(), seed)
			}
			client, station := Pipe()
			run.Between(client, station)
			go echo(station)
			begin := time.Now()
			for i := range byte(200) {
				client.Write([]byte{i, 0, 0, 0})
				client.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
				buf := make([]byte, 16)
				for {
					n, err := client.Read(buf)
					if err != nil {
						break
					}
					log += fmt.Sprintf("%v % x\n", time.Since(begin), buf[:n])
				}
			}
			client.Close()
		})
		return log
	}
	first := transcript(42)
	if again := transcript(42); again != first {
		t.Errorf("seed 42 twice:\n%s\n%s", first, again)
	}
	if other := transcript(43); other == first || strings.Count(first, "\n") < 150 {
		t.Errorf("seeds 42 and 43 give the same, or too little:\n%s", first)
	}
	if a, b := start(t, "both: flip"), start(t, "both: flip"); a.Seed() == 0 || a.Seed() == b.Seed() {
		t.Errorf("seeds chosen: %d and %d, want two different ones", a.Seed(), b.Seed())
	}
}

// TestRulesKeepTheirDice: a rule more changes nothing in what the rules before
// it do, nor does traffic in the other direction.
func TestRulesKeepTheirDice(t *testing.T) {
	hits := func(text string, requests int) (at []int) {
		run := start(t, text)
		for i := range 500 {
			for range requests {
				run.Requests().Deliveries([]byte{1})
			}
			if len(run.Answers().Deliveries([]byte{1, 2})) == 0 {
				at = append(at, i)
			}
		}
		return at
	}
	plain := hits("seed 9\nboth: drop with 10%", 0)
	if len(plain) < 20 {
		t.Fatalf("10 %% of 500: %d", len(plain))
	}
	if got := hits("seed 9\nboth: drop with 10%", 3); !slices.Equal(got, plain) {
		t.Errorf("with requests %v, want %v", got, plain)
	}
	if got := hits("seed 9\nboth: drop with 10%\nboth: flip", 0); !slices.Equal(got, plain) {
		t.Errorf("with a second rule %v, want %v", got, plain)
	}
}

// TestChance counts how often a rule applies: 5 % of 100,000, within five
// standard deviations.
func TestChance(t *testing.T) {
	run := start(t, "seed 3\nanswers: drop with 5%")
	for range 100_000 {
		run.Answers().Deliveries([]byte{1})
	}
	if got := run.Fired()[0]; got < 4655 || got > 5345 {
		t.Errorf("5 %% of 100,000 applied %d times", got)
	}
}

// TestMemoryIsBounded has scripts that would fill any memory do so for a
// virtual hour, against a client that never reads.
func TestMemoryIsBounded(t *testing.T) {
	for _, text := range []string{
		"answers: flood ff each 100ms",
		"answers: stall\nanswers: drop",
		"answers: stall",
		"answers: stall for 1h\nanswers: half-open\nanswers: delay 1h",
		"answers: close fin",
		strings.Repeat("answers: duplicate\n", 40) + strings.Repeat("answers: insert 4096 bytes\n", 40),
		"answers: drip each 1ms",
		"answers: join 64\nanswers: reorder 64",
		"answers: delay 8784h",
	} {
		synctest.Test(t, func(t *testing.T) {
			client, station := Pipe()
			start(t, text).Between(client, station)
			station.SetWriteDeadline(time.Now().Add(time.Hour))
			var err error
			for i := 0; err == nil && i < 50_000; i++ {
				_, err = station.Write(make([]byte, 64))
			}
			if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) && !errors.Is(err, ErrReset) {
				t.Errorf("%.40q: %v", text, err)
			}
			time.Sleep(time.Minute)
			station.link.mu.Lock()
			f := station.out
			kept := len(f.buf) + 100*len(f.courier.queue)
			for _, p := range f.courier.queue {
				kept += len(p.Bytes)
			}
			station.link.mu.Unlock()
			if most := 2*Window + 100*(MaxParcels+2*MaxPieces) + 2*MaxMade; kept > most {
				t.Errorf("%.40q keeps %d bytes, want at most %d", text, kept, most)
			}
			client.Close()
			station.Close()
		})
	}
}

// TestFloodEnds: a closed link leaves nothing that runs on.
func TestFloodEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		client, station := Pipe()
		start(t, "answers: flood ff each 1ms").Between(client, station)
		station.Write([]byte{1})
		station.Write([]byte{2}) // its flood takes the place of the first
		time.Sleep(80 * time.Second)
		client.link.mu.Lock()
		waiting, unread, load := len(station.out.courier.queue), client.in.unread(), client.in.load
		client.link.mu.Unlock()
		if waiting != 1 {
			t.Errorf("%d floods wait, want 1", waiting)
		}
		if unread > Window || unread < Window-1 || load != unread {
			t.Errorf("%d bytes unread, %d counted, want the window full", unread, load)
		}
		client.Close()
		client.link.mu.Lock()
		defer client.link.mu.Unlock()
		if n := len(station.out.courier.queue); n != 0 {
			t.Errorf("%d deliveries wait after the end", n)
		}
	})
}

// TestLongReader never reads everything, so that the buffer has no natural
// moment to start again.
func TestLongReader(t *testing.T) {
	client, station := Pipe()
	station.Write([]byte{0, 0, 0})
	buf := make([]byte, 3)
	var want, got byte
	for range 200_000 {
		want++
		station.Write([]byte{want, want, want})
		n, _ := client.Read(buf)
		for _, b := range buf[:n] {
			if b != got {
				t.Fatalf("got %d, want %d", b, got)
			}
		}
		got++
	}
	if c := cap(client.in.buf); c > 8*Window {
		t.Errorf("buffer of %d bytes for 3 unread ones", c)
	}
}

func TestHalfOpenHidesTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := Pipe()
		a.Write([]byte{1})
		b.HalfOpen()
		a.Close()
		b.SetReadDeadline(time.Now().Add(time.Hour))
		if got := read(t, b); !bytes.Equal(got, []byte{1}) {
			t.Errorf("what had arrived before: % x, want 01", got)
		}
		if _, err := b.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("read after the other end closed unseen: %v", err)
		}
	})
}

func TestStringsOfValues(t *testing.T) {
	for got, want := range map[string]string{
		Pass.String(): "pass", Flood.String(): "flood", Act(99).String(): "act(99)",
		Verb(99).String(): "(99)", Direction(0).String(): "(0)", Field(9).String(): "(9)",
		Addr("a").Network(): "memory", Fault{2, 3, "x"}.Error(): "2:3: x",
		ErrReset.Error(): "connection reset by peer",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestWrapOnLoopback drives a real connection with a script: what the client
// sends is echoed by the station with a fault, and each end of the link is
// told to the other side.
func TestWrapOnLoopback(t *testing.T) {
	for _, c := range []struct{ script, want string }{
		{"", "68656c6c6f EOF"},
		{"answers: insert 00 at start", "0068656c6c6f EOF"},
		{"requests: deliver 2 bytes", "6865 EOF"},
		{"answers: close rst", "reset"},
		{"answers: close fin\nanswers: drop", "EOF"},
	} {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			run := start(t, c.script)
			station := Wrap(conn, run.Answers(), run.Requests())
			echo(station)
			station.Close()
		}()
		conn, err := net.Dial("tcp", listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		conn.SetDeadline(time.Now().Add(20 * time.Second))
		conn.Write([]byte("hello"))
		if c.want != "reset" {
			conn.(*net.TCPConn).CloseWrite()
		}
		all, err := io.ReadAll(conn)
		got := strings.TrimSpace(fmt.Sprintf("%x EOF", all))
		if err != nil {
			got = "reset"
		}
		if got != c.want {
			t.Errorf("%q: %s (%v), want %s", c.script, got, err, c.want)
		}
		conn.Close()
		listener.Close()
		<-done
	}
}

// closeTold is a stream that tells when it is closed and reads nothing.
type closeTold struct{ closed chan struct{} }

func (c closeTold) Read([]byte) (int, error)    { <-c.closed; return 0, os.ErrClosed }
func (c closeTold) Write(p []byte) (int, error) { return 0, os.ErrClosed }
func (c closeTold) Close() error {
	select {
	case <-c.closed:
	default:
		close(c.closed)
	}
	return nil
}

// TestWrapClosesItsStream: however the link ends, the stream is given back.
func TestWrapClosesItsStream(t *testing.T) {
	for _, script := range []string{"", "answers: stall", "answers: half-open", "answers: close rst", "answers: drop"} {
		synctest.Test(t, func(t *testing.T) {
			stream := closeTold{make(chan struct{})}
			station := Wrap(stream, start(t, script).Answers(), nil)
			station.Write([]byte{1})
			synctest.Wait()
			station.Close()
			<-stream.closed
		})
	}
}

// BenchmarkExchange is one request with its answer over a plain link.
func BenchmarkExchange(b *testing.B) {
	client, station := Pipe()
	go echo(station)
	buf := make([]byte, 64)
	b.ReportAllocs()
	for b.Loop() {
		client.SetReadDeadline(time.Now().Add(time.Second))
		client.Write(buf[:8])
		client.Read(buf)
	}
	client.Close()
	runtime.Gosched()
}

// TestPlainFilters: a function serves as a filter, nil takes it off again, and
// what is plain keeps its place behind what is late.
func TestPlainFilters(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		client, station := Pipe()
		station.SetFilter(FilterFunc(func(chunk []byte) []Delivery {
			return []Delivery{{Bytes: bytes.Clone(chunk), Delay: time.Second}, {Delay: -time.Second}}
		}))
		station.Write([]byte{1})
		station.SetFilter(nil)
		station.Write([]byte{2})
		begin := time.Now()
		for _, want := range []byte{1, 2} {
			if got := read(t, client); !bytes.Equal(got, []byte{want}) {
				t.Errorf("got % x, want %02x", got, want)
			}
		}
		within(t, "both", begin, time.Second)
		station.CloseWrite()
		if _, err := station.Write([]byte{3}); !errors.Is(err, net.ErrClosed) {
			t.Errorf("write after CloseWrite: %v", err)
		}
		if n, err := client.Read(nil); n != 0 || err != nil {
			t.Errorf("read of nothing: %d, %v", n, err)
		}
		client.SetReadDeadline(time.Now().Add(time.Hour))
		client.SetReadDeadline(time.Time{})
		if _, err := client.Read(make([]byte, 1)); err != io.EOF {
			t.Errorf("read after CloseWrite: %v", err)
		}
	})
}

// TestJoinGivesUp: what a join gathers is bounded; a large chunk ends it early.
func TestJoinGivesUp(t *testing.T) {
	run := start(t, "answers: join 64\nrequests: reorder 64")
	for i := range 40 {
		ds := run.Answers().Deliveries(make([]byte, Window))
		if _, n := measure(ds); n > MaxMade+Window {
			t.Fatalf("joined %d bytes", n)
		} else if n > 0 {
			break
		} else if i == 39 {
			t.Error("40 chunks of 64 KiB joined")
		}
	}
	var passed int
	for range 40 {
		passed += len(run.Requests().Deliveries(make([]byte, Window)))
	}
	if passed != 40-MaxMade/Window {
		t.Errorf("%d of 40 chunks passed, want the %d that were not held", passed, 40-MaxMade/Window)
	}
}

// broken is a stream that fails as an adapter does that is pulled out.
type broken struct{ err error }

func (b broken) Read([]byte) (int, error)  { return 0, b.err }
func (b broken) Write([]byte) (int, error) { return 0, b.err }
func (broken) Close() error                { return nil }

func TestWrapGivesTheStreamsError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		gone := errors.New("the port is gone")
		station := Wrap(broken{gone}, nil, nil)
		if _, err := station.Read(make([]byte, 1)); err != gone {
			t.Errorf("read: %v, want %v", err, gone)
		}
		if _, err := station.Write([]byte{1}); err != gone {
			t.Errorf("write: %v, want %v", err, gone)
		}

		// What the stream read before it failed comes first.
		station = Wrap(&failing{data: []byte{1, 2, 3}, broken: broken{gone}}, nil, nil)
		synctest.Wait()
		if got, err := readAll(station); !bytes.Equal(got, []byte{1, 2, 3}) || err != gone {
			t.Errorf("read % x, %v; want 01 02 03, %v", got, err, gone)
		}
	})
}

// failing is broken after its data.
type failing struct {
	data []byte
	broken
}

func (f *failing) Read(p []byte) (int, error) {
	if len(f.data) == 0 {
		return 0, f.err
	}
	n := copy(p, f.data)
	f.data = f.data[n:]
	return n, nil
}
