package port

import (
	"bytes"
	"errors"
	"os"
	"testing"
	"time"

	"plumbline/regmap/line"
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
