package poll_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/port"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// A shore is one end of a road on which faults are made.
type shore interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
}

// A carrier opens a road: what the client holds, through which the filters
// work, and the station's end.
type carrier struct {
	name      string
	datagrams bool
	open      func(t *testing.T, out, in fault.Filter) (user, far shore)
}

// carriers are in memory as the tests use them, and real for a smoke run each.
var carriers = []carrier{
	{"in memory", false, func(t *testing.T, out, in fault.Filter) (shore, shore) {
		a, b := fault.Pipe()
		a.SetFilter(out)
		b.SetFilter(in)
		return a, b
	}},
	{"datagrams in memory", true, func(t *testing.T, out, in fault.Filter) (shore, shore) {
		a, b := fault.PacketPipe()
		a.SetFilter(out)
		b.SetFilter(in)
		return a, b
	}},
	{"tcp", false, func(t *testing.T, out, in fault.Filter) (shore, shore) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		near, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		far, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		return fault.Wrap(near, out, in), far
	}},
	{"udp", true, func(t *testing.T, out, in fault.Filter) (shore, shore) {
		far, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
		if err != nil {
			t.Fatal(err)
		}
		near, err := net.Dial("udp", far.LocalAddr().String())
		if err != nil {
			t.Fatal(err)
		}
		return fault.Wrap(socket{near}, out, in), back{far, near.LocalAddr()}
	}},
	{"pseudo-terminal", false, func(t *testing.T, out, in fault.Filter) (shore, shore) {
		pair, err := port.OpenPair()
		if errors.Is(err, port.ErrUnsupported) {
			t.Skip(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		near, err := port.Open(line.Serial{Port: pair.Path(), Baud: 115200, Parity: line.Even, Stop: 1}, port.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return fault.Wrap(near, out, in), pair
	}},
}

// socket is a UDP socket that says so.
type socket struct{ net.Conn }

func (socket) Datagrams() bool { return true }

// back is a UDP socket that writes to one address.
type back struct {
	*net.UDPConn
	to net.Addr
}

func (b back) Write(p []byte) (int, error) { return b.WriteTo(p, b.to) }

// A verbCase is a verb at work on three frames, and what then comes out: parts
// are arrivals, "1" the first frame, "1-4" its first four bytes, "+" glue in one
// arrival. A last part of "55..." is a flood. end says that the direction ends
// after that.
type verbCase struct {
	rule, parts string
	end         fault.Act
}

// verbCases is each verb of the language (robustness goals, 2.1) once at least.
var verbCases = []verbCase{
	{rule: "deliver 4 bytes to 1", parts: "1-4 2 3"},
	{rule: "delay 2ms to 1", parts: "1 2 3"},
	{rule: "delay 2ms from 3 to 3 overtake", parts: "1 2 3"},
	{rule: "drop from 2 to 2", parts: "1 3"},
	{rule: "drop 7 bytes at end to 1", parts: "1-4 2 3"},
	{rule: "duplicate to 1", parts: "1 1 2 3"},
	{rule: "reorder 1 to 1", parts: "2 1 3"},
	{rule: "split at 4 gap 1ms to 1", parts: "1-4 1+4 2 3"},
	{rule: "join 2 to 1", parts: "1&2 3"},
	{rule: "flip at 0 to 1", parts: "~1 2 3"},
	{rule: "insert ff at start to 1", parts: "ff&1 2 3"},
	{rule: "stall for 2ms to 1", parts: "1 2 3"},
	{rule: "close fin from 3", parts: "1 2 3", end: fault.Fin},
	{rule: "close rst from 3", parts: "1 2 3", end: fault.Rst},
	{rule: "half-open from 2", parts: "1"},
	{rule: "drip 4 bytes each 1ms to 1", parts: "1-4 1+4-8 1+8 2 3"},
	{rule: "flood 55 each 1ms for 5ms from 3", parts: "1 2 3 55..."},
	{rule: "answer-as unit 9 to 1", parts: "as9 2 3"},
}

// arrivals spells out what is to arrive.
func (c verbCase) arrivals(frames [3][]byte) (all [][]byte, flood bool) {
	for _, part := range strings.Fields(c.parts) {
		var b []byte
		for _, p := range strings.Split(part, "&") {
			switch p {
			case "55...":
				return all, true
			case "ff":
				b = append(b, 0xFF)
			case "~1":
				b = append(b, frames[0]...)
				b[0] ^= 1
			case "as9":
				b = append(b, frames[0]...)
				b[6] = 9
			case "1-4":
				b = append(b, frames[0][:4]...)
			case "1+4":
				b = append(b, frames[0][4:]...)
			case "1+4-8":
				b = append(b, frames[0][4:8]...)
			case "1+8":
				b = append(b, frames[0][8:]...)
			default:
				b = append(b, frames[p[0]-'1']...)
			}
		}
		all = append(all, b)
	}
	return all, false
}

// counted is a filter that tells of each chunk it has seen.
func counted(f fault.Filter) (fault.Filter, <-chan struct{}) {
	seen := make(chan struct{}, 64)
	return fault.FilterFunc(func(b []byte) []fault.Delivery {
		defer func() { seen <- struct{}{} }()
		return f.Deliveries(b)
	}), seen
}

// patience bounds what a broken road may take; surplus is how long more than
// what is wanted is listened for.
const (
	mediaPatience = 10 * time.Second
	mediaSurplus  = 15 * time.Millisecond
)

// A landing is what came out of a road.
type landing struct {
	parts [][]byte
	err   error // that ended it
}

// land reads until so many bytes are there, and then a little longer.
func land(from shore, want int) (got landing) {
	buf := make([]byte, 4096)
	_ = from.SetReadDeadline(time.Now().Add(mediaPatience))
	for n, more := 0, false; ; {
		if n >= want && !more {
			more = true
			_ = from.SetReadDeadline(time.Now().Add(mediaSurplus))
		}
		k, err := from.Read(buf)
		n += k
		if k > 0 {
			got.parts = append(got.parts, bytes.Clone(buf[:k]))
		}
		if errors.Is(err, syscall.ECONNREFUSED) {
			got.err = err // of datagrams: told, and nothing ends
		} else if err != nil {
			if got.err == nil {
				got.err = err
			}
			return got
		}
	}
}

// Each verb does the same on every medium and in both directions: whole frames
// where the medium keeps borders, else the bytes in their order.
func TestVerbsOnEveryMedium(t *testing.T) {
	var frames [3][]byte
	for i := range frames {
		frames[i], _ = frame.AppendADU(nil, frame.ADU{Framing: line.MBAP, Transaction: uint16(i + 1), Unit: 17, PDU: []byte{3, 2, 0xAB, byte(i)}})
	}
	used := map[fault.Verb]bool{}
	for _, c := range verbCases {
		s, err := fault.Parse("both: " + c.rule)
		if err != nil {
			t.Fatalf("%s: %v", c.rule, err)
		}
		used[s.Rules[0].Verb] = true
		for _, on := range carriers {
			for _, d := range []fault.Direction{fault.Requests, fault.Answers} {
				t.Run(fmt.Sprintf("%s, %s, %s", on.name, d, c.rule), func(t *testing.T) {
					t.Parallel()
					c.cross(t, s, on, d, frames)
				})
			}
		}
	}
	for v := fault.Deliver; v <= fault.AnswerAs; v++ {
		if !used[v] {
			t.Errorf("no row for %s", v)
		}
	}
}

// cross sends the frames over one road in one direction, each once the filter
// has seen the one before, so that a real medium does not join them by itself.
func (c verbCase) cross(t *testing.T, s fault.Script, on carrier, d fault.Direction, frames [3][]byte) {
	run, err := s.Start(fault.Framed(line.MBAP))
	if err != nil {
		t.Fatal(err)
	}
	filter := run.Requests()
	if d == fault.Answers {
		filter = run.Answers()
	}
	filter, seen := counted(filter)
	out, in := filter, fault.Filter(nil)
	if d == fault.Answers {
		out, in = nil, filter
	}
	user, far := on.open(t, out, in)
	defer far.Close()
	defer user.Close()
	from, to := user, far
	if d == fault.Answers {
		from, to = far, user
	}
	want, flood := c.arrivals(frames)
	total := len(bytes.Join(want, nil))
	var got landing
	var all sync.WaitGroup
	all.Go(func() { got = land(to, total) })
	for _, f := range frames {
		if _, err := from.Write(f); err != nil {
			t.Fatalf("write: %v", err)
		}
		if s.Rules[0].Verb == fault.Cut && bytes.Equal(f, frames[2]) {
			break // a link that is cut takes all, and its filter sees no more
		}
		select {
		case <-seen:
		case <-time.After(mediaPatience):
			t.Fatal("the filter never saw a frame")
		}
	}
	all.Wait()
	c.landed(t, on, d, got, want, flood)
}

// landed holds what came against what is wanted.
func (c verbCase) landed(t *testing.T, on carrier, d fault.Direction, got landing, want [][]byte, flood bool) {
	whole, wanted := bytes.Join(got.parts, nil), bytes.Join(want, nil)
	switch {
	case flood:
		rest, ok := bytes.CutPrefix(whole, wanted)
		if !ok || len(rest) == 0 || len(bytes.Trim(rest, "U")) > 0 {
			t.Errorf("came %x, want %x and 55 several times", whole, wanted)
		}
		return
	case !bytes.Equal(whole, wanted):
		t.Errorf("came %x, want %x", whole, wanted)
	case on.datagrams && fmt.Sprintf("%x", got.parts) != fmt.Sprintf("%x", want):
		t.Errorf("came %x, want %x", got.parts, want)
	}
	ended := os.ErrDeadlineExceeded
	switch {
	case c.end == fault.Pass || on.datagrams && c.end == fault.Fin:
	case on.name == "pseudo-terminal" && d == fault.Requests:
		// A station on a line cannot know that a client is gone.
	case on.name == "udp" && d == fault.Requests:
		// The refusal is for the one who wrote.
	case c.end == fault.Fin:
		ended = io.EOF
	case on.datagrams:
		ended = syscall.ECONNREFUSED
	default:
		ended = syscall.ECONNRESET
	}
	if !errors.Is(got.err, ended) {
		t.Errorf("after %s the reader got %v, want %v", hex.EncodeToString(whole), got.err, ended)
	}
}
