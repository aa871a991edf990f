package port

import (
	"bytes"
	"errors"
	"os"
	"testing"
	"time"

	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// limit is far more than anything here takes; it only turns a hang into a
// failure.
const limit = 20 * time.Second

// rtu is a line's usual settings on path.
func rtu(path string) line.Serial { return line.DefaultSerial(path) }

// openBoth makes a pair and opens its client's side.
func openBoth(t *testing.T) (*Pair, *Port) {
	t.Helper()
	pair, err := OpenPair()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { pair.Close() })
	client, err := Open(rtu(pair.Path()), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { client.Close() })
	soon := time.Now().Add(limit)
	pair.SetDeadline(soon)
	client.SetDeadline(soon)
	return pair, client
}

// stream is what a station or a client uses of a port.
type stream interface {
	Read([]byte) (int, error)
	Write([]byte) (int, error)
}

// carry writes p at one side and reads it at the other.
func carry(t *testing.T, from, to stream, p []byte) {
	t.Helper()
	if n, err := from.Write(p); n != len(p) || err != nil {
		t.Fatalf("write: %d, %v", n, err)
	}
	var got []byte
	for len(got) < len(p) {
		buf := make([]byte, 64)
		n, err := to.Read(buf)
		if err != nil {
			t.Fatalf("read after % x: %v", got, err)
		}
		got = append(got, buf[:n]...)
	}
	if !bytes.Equal(got, p) {
		t.Fatalf("got  % x\nwant % x", got, p)
	}
}

// every is each byte value once, then the ones with a meaning to terminals in
// the orders in which a wrong setting would change them.
func every() []byte {
	var b []byte
	for c := range 256 {
		b = append(b, byte(c))
	}
	return append(b, 0xFF, 0x00, 0x00, 0xFF, 0xFF, 0x00, 0x41, '\r', '\n', 0x11, 0x13, 0x03, 0x04, 0xFF)
}

func TestPairCarriesEveryByteBothWays(t *testing.T) {
	pair, client := openBoth(t)
	carry(t, client, pair, every())
	carry(t, pair, client, every())
	if got := client.LineErrors(); got != (LineErrors{}) {
		t.Errorf("line errors %+v on a clean line", got)
	}
}

func TestPairOutlivesItsClients(t *testing.T) {
	pair, client := openBoth(t)
	carry(t, client, pair, []byte{1})
	client.Close()
	pair.SetReadDeadline(time.Now().Add(time.Millisecond))
	if _, err := pair.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatalf("station's read without a client: %v, want a deadline", err)
	}
	pair.SetReadDeadline(time.Now().Add(limit))
	pair.Write([]byte{0x55}) // stale: a client that opens later must not see it
	again, err := Open(rtu(pair.Path()), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	again.SetDeadline(time.Now().Add(limit))
	carry(t, again, pair, []byte{2, 3})
	carry(t, pair, again, []byte{4, 5})
}

// A fault script on a pseudo-terminal: what the station answers arrives in two
// pieces, with a byte of noise before it.
func TestFaultScriptOnAPair(t *testing.T) {
	pair, client := openBoth(t)
	script, err := fault.Parse("seed 1\nanswers: insert ff at start\nanswers: split at 2 gap 1ms\nrequests: deliver 3 bytes")
	if err != nil {
		t.Fatal(err)
	}
	run, err := script.Start(nil)
	if err != nil {
		t.Fatal(err)
	}
	station := fault.Wrap(pair, run.Answers(), run.Requests())
	client.Write([]byte{1, 2, 3, 4})
	request := make([]byte, 8)
	n, err := station.Read(request)
	if n == 0 || err != nil {
		t.Fatalf("request: % x, %v", request[:n], err)
	}
	station.Write(request[:n])
	var got []byte
	for len(got) < n+1 {
		buf := make([]byte, 8)
		m, err := client.Read(buf)
		if err != nil {
			t.Fatalf("answer: % x, %v", got, err)
		}
		got = append(got, buf[:m]...)
	}
	if want := append([]byte{0xFF}, request[:n]...); !bytes.Equal(got, want) {
		t.Errorf("got % x, want % x", got, want)
	}
	station.Close() // and with it the pair
	if _, err := client.Read(make([]byte, 1)); !errors.Is(err, ErrGone) {
		t.Errorf("after the station closed: %v, want %v", err, ErrGone)
	}
}
