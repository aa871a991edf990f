package interop

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// What passes between the C library's own client and its own server is recorded
// here and given to plumbline decode: it must find every exchange and nothing
// wrong with them.

// recordedAsks is what the client asks for, and what each is on the wire.
var recordedAsks = []string{
	"1 0 10", "2 0 5", "3 16 12", "4 0 8", "3 0 125", "1 0 199", "5 20 1", "5 20 0", "6 30 1650", "15 21 1 0 1 1", "16 31 1 2 3",
	"22 30 65520 5", "23 30 4 40 7 8 9",
}

// writesOf says whether a request writes.
func writesOf(ask string) bool {
	switch strings.Fields(ask)[0] {
	case "5", "6", "15", "16", "22", "23":
		return true
	}
	return false
}

// asked lets the client ask several times over, and checks that it was answered.
func asked(t *testing.T, client childClient, rounds int) (exchanges, writes int) {
	t.Helper()
	for range rounds {
		for _, ask := range recordedAsks {
			if got := client.ask(ask); !strings.HasPrefix(got, "ok") {
				t.Fatalf("%s: %s", ask, got)
			}
			if exchanges++; writesOf(ask) {
				writes++
			}
		}
	}
	return exchanges, writes
}

// A tap keeps what passes, in its order.
type tap struct {
	mu     sync.Mutex
	chunks []tapped
}

type tapped struct {
	at         time.Time
	fromClient bool
	bytes      []byte
}

// pass copies one direction until its end.
func (p *tap) pass(to io.Writer, from io.Reader, fromClient bool) {
	b := make([]byte, 4096)
	for {
		n, err := from.Read(b)
		if n > 0 {
			p.mu.Lock() // kept before it is passed on, so that an answer never stands before its request
			p.chunks = append(p.chunks, tapped{time.Now(), fromClient, bytes.Clone(b[:n])})
			p.mu.Unlock()
			if _, err := to.Write(b[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// kept is what passed so far.
func (p *tap) kept() []tapped {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]tapped(nil), p.chunks...)
}

// relay is a server in front of another that keeps what passes, and its port.
func (p *tap) relay(t *testing.T, server string) (port string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			client, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", server)
			if err != nil {
				client.Close()
				return
			}
			go func() { p.pass(far, client, true); far.Close() }()
			go func() { p.pass(client, far, false); client.Close() }()
		}
	}()
	_, port, _ = net.SplitHostPort(l.Addr().String())
	return port
}

// capture is what passed as a classic capture file of raw IP packets, one
// connection from 192.0.2.1 to port 502 of 192.0.2.2, big-endian, nanoseconds.
// Sources: draft-ietf-opsawg-pcap, 4 and 5 (link type 101); RFC 791, 3.1;
// RFC 9293, 3.1.
func capture(chunks []tapped) []byte {
	var file []byte
	word := func(v ...uint32) {
		for _, v := range v {
			file = binary.BigEndian.AppendUint32(file, v)
		}
	}
	word(0xA1B23C4D, 2<<16|4, 0, 0, 262144, 101)
	next := map[bool]uint32{true: 100, false: 900} // sequence numbers
	packet := func(at time.Time, fromClient bool, flags byte, payload []byte) {
		from, to, ports := byte(1), byte(2), uint32(40000<<16|502)
		if !fromClient {
			from, to, ports = 2, 1, 502<<16|40000
		}
		n := 40 + len(payload)
		b := []byte{0x45, 0, byte(n >> 8), byte(n), 0, 0, 0, 0, 64, 6, 0, 0, 192, 0, 2, from, 192, 0, 2, to}
		b = binary.BigEndian.AppendUint32(b, ports)
		b = binary.BigEndian.AppendUint32(b, next[fromClient])
		b = binary.BigEndian.AppendUint32(b, next[!fromClient])
		b = append(append(b, 5<<4, flags, 0xFF, 0xFF, 0, 0, 0, 0), payload...)
		word(uint32(at.Unix()), uint32(at.Nanosecond()), uint32(len(b)), uint32(len(b)))
		file = append(file, b...)
		next[fromClient] += uint32(len(payload))
		if flags&2 != 0 {
			next[fromClient]++
		}
	}
	packet(chunks[0].at, true, 2, nil)
	packet(chunks[0].at, false, 18, nil)
	for _, c := range chunks {
		packet(c.at, c.fromClient, 24, c.bytes)
	}
	return file
}

// judged holds what plumbline reads in a file against what was asked: every
// exchange, all of them answered, and no finding but the writes.
func judged(t *testing.T, file string, exchanges, writes int, args ...string) {
	t.Helper()
	out, code := run(t, plumblineProgram, append([]string{"decode", file, "--json"}, args...)...)
	frames, found := 0, map[string]int{}
	for line := range bytes.Lines(out) {
		var row struct {
			Exchange, Error, Kind, Direction *string
			Exception                        *int
		}
		if err := json.Unmarshal(line, &row); err != nil || row.Error != nil || row.Exception != nil || row.Exchange == nil || *row.Kind != "frame" {
			t.Fatalf("%s: %v", line, err)
		}
		frames++
		found[*row.Exchange+*row.Direction]++
	}
	if code != 0 || frames != 2*exchanges || len(found) != 2*exchanges {
		t.Errorf("exit code %d, %d frames of %d exchanges, want 0 and %d of %d", code, frames, len(found)/2, 2*exchanges, exchanges)
	}
	out, code = run(t, plumblineProgram, append([]string{"decode", file, "--report", "--json"}, args...)...)
	for line := range bytes.Lines(out) {
		var finding struct{ Code, Rank, Words string }
		if err := json.Unmarshal(line, &finding); err != nil || finding.Code != "writes" || finding.Rank != "remark" {
			t.Errorf("%s: %v", line, err)
		}
	}
	text, _ := run(t, plumblineProgram, append([]string{"decode", file, "--report"}, args...)...)
	for _, want := range []string{fmt.Sprintf("%d, 100 %% answered", exchanges), fmt.Sprintf("%d writes of unit 17", writes)} {
		if code != 0 || !strings.Contains(strings.Join(strings.Fields(string(text)), " "), want) {
			t.Errorf("exit code %d; %q is not in\n%s", code, want, text)
		}
	}
}

func TestRecordedTCP(t *testing.T) {
	place, _ := serveC(t, "tcp")
	var p tap
	client := dialC(t, "tcp", p.relay(t, place))
	exchanges, writes := asked(t, client, 4)
	file := filepath.Join(t.TempDir(), "recorded.pcap")
	if err := os.WriteFile(file, capture(p.kept()), 0o644); err != nil {
		t.Fatal(err)
	}
	judged(t, file, exchanges, writes)
}

func TestRecordedRTU(t *testing.T) {
	a, pathA := openTerminal(t)
	b, pathB := openTerminal(t)
	var p tap
	serveC(t, "rtu", pathB)
	go p.pass(b, a, true)
	go p.pass(a, b, false)
	client := dialC(t, "rtu", pathA)
	exchanges, writes := asked(t, client, 4)
	var raw []byte
	for _, c := range p.kept() {
		raw = append(raw, c.bytes...)
	}
	file := filepath.Join(t.TempDir(), "recorded.bin")
	if err := os.WriteFile(file, raw, 0o644); err != nil {
		t.Fatal(err)
	}
	judged(t, file, exchanges, writes, "--framing", "rtu")
}
