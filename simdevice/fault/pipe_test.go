package fault

import (
	"bytes"
	"errors"
	"io"
	"net"
	"os"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

var _ net.Conn = (*End)(nil)

// within fails the test when the virtual time since start is not want.
func within(t *testing.T, what string, start time.Time, want time.Duration) {
	t.Helper()
	if got := time.Since(start); got != want {
		t.Errorf("%s after %v, want %v", what, got, want)
	}
}

// read is one Read of at most 300 bytes.
func read(t *testing.T, e io.Reader) []byte {
	t.Helper()
	buf := make([]byte, 300)
	n, err := e.Read(buf)
	if err != nil {
		t.Fatalf("read: %v", err)
	}
	return buf[:n]
}

func TestPipeCarriesBytesBothWays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := Pipe()
		for _, p := range [][2]*End{{a, b}, {b, a}} {
			go p[0].Write([]byte{1, 2, 3})
			if got := read(t, p[1]); !bytes.Equal(got, []byte{1, 2, 3}) {
				t.Errorf("got % x, want 01 02 03", got)
			}
		}
		// A reader with a small buffer gets the rest later, and no Read mixes
		// two deliveries.
		a.Write([]byte{1, 2, 3})
		a.Write([]byte{4})
		var sizes []int
		for range 3 {
			buf := make([]byte, 2)
			n, _ := b.Read(buf)
			sizes = append(sizes, n)
		}
		if sizes[0] != 2 || sizes[1] != 1 || sizes[2] != 1 {
			t.Errorf("sizes of reads %v, want [2 1 1]", sizes)
		}
	})
}

func TestPipeDeadlines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := Pipe()
		start := time.Now()
		a.SetReadDeadline(start.Add(time.Hour))
		if _, err := a.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("read past its deadline: %v, want os.ErrDeadlineExceeded", err)
		}
		within(t, "deadline", start, time.Hour)

		// A deadline moved while the read is blocked counts.
		a.SetReadDeadline(time.Time{})
		start = time.Now()
		time.AfterFunc(time.Minute, func() { a.SetReadDeadline(time.Now()) })
		if _, err := a.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("read ended by a moved deadline: %v", err)
		}
		within(t, "moved deadline", start, time.Minute)

		// A later deadline replaces an earlier one.
		a.SetDeadline(time.Now().Add(time.Second))
		a.SetDeadline(time.Now().Add(time.Minute))
		time.AfterFunc(2*time.Second, func() { b.Write([]byte{9}) })
		if got := read(t, a); !bytes.Equal(got, []byte{9}) {
			t.Errorf("got % x, want 09", got)
		}

		// A writer waits while Window is full, until its deadline.
		b.Write(make([]byte, Window))
		b.SetWriteDeadline(time.Now().Add(time.Second))
		if n, err := b.Write([]byte{1}); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("write to a full window: %d, %v", n, err)
		}
		b.SetWriteDeadline(time.Time{})
		time.AfterFunc(time.Second, func() { a.Discard() })
		if n, err := b.Write([]byte{1}); n != 1 || err != nil {
			t.Errorf("write after the window opened: %d, %v", n, err)
		}
	})
}

func TestPipeEndings(t *testing.T) {
	one := make([]byte, 1)
	for name, c := range map[string]struct {
		end         func(a, b *End)
		read, write error // of b; nil is success
	}{
		"close":       {func(a, b *End) { a.Close(); a.Close() }, io.EOF, nil},
		"close write": {func(a, b *End) { a.CloseWrite() }, io.EOF, nil},
		"own close":   {func(a, b *End) { b.Close() }, net.ErrClosed, net.ErrClosed},
		"reset":       {func(a, b *End) { a.Reset() }, syscall.ECONNRESET, ErrReset},
		"half-open":   {func(a, b *End) { a.HalfOpen() }, os.ErrDeadlineExceeded, nil},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a, b := Pipe()
				b.SetReadDeadline(time.Now().Add(time.Hour))
				time.AfterFunc(time.Second, func() { c.end(a, b) })
				if _, err := b.Read(one); !errors.Is(err, c.read) {
					t.Errorf("blocked read: %v, want %v", err, c.read)
				}
				if _, err := b.Write(one); !errors.Is(err, c.write) {
					t.Errorf("write: %v, want %v", err, c.write)
				}
			})
		})
	}
	// What was written before the end is still read.
	a, b := Pipe()
	a.Write([]byte{7})
	a.Close()
	if got, err := io.ReadAll(b); err != nil || !bytes.Equal(got, []byte{7}) {
		t.Errorf("after close % x, %v, want 07", got, err)
	}
	// The second write to a closed end fails, as on TCP.
	b.Write(one)
	if _, err := b.Write(one); !errors.Is(err, ErrReset) {
		t.Errorf("second write to a closed end: %v, want %v", err, ErrReset)
	}
	if a.LocalAddr().String() != b.RemoteAddr().String() || a.RemoteAddr().String() != b.LocalAddr().String() {
		t.Error("the ends do not agree on their names")
	}
}

// A link that ends inside a frame gives the part that came, then the end, at
// every cut; and what was still on its way is lost.
func TestEndInsideAFrame(t *testing.T) {
	frame := []byte{0x11, 0x03, 0x02, 0x02, 0x2B, 0x38, 0x98}
	for _, c := range []struct {
		act        Act
		read, next error // the reader's end; what the writer's next Write gives
	}{{Fin, io.EOF, nil}, {Rst, ErrReset, ErrReset}} {
		for cut := range len(frame) + 1 {
			synctest.Test(t, func(t *testing.T) {
				client, station := Pipe()
				station.SetFilter(FilterFunc(func(p []byte) []Delivery {
					return []Delivery{{Bytes: bytes.Clone(p[:cut])}, {Bytes: []byte{0xEE}, Delay: time.Hour, Overtake: true}, {Act: c.act}}
				}))
				station.Write(frame)
				got, err := readAll(client)
				if !bytes.Equal(got, frame[:cut]) || err != c.read {
					t.Errorf("%v after %d bytes: read % x, %v; want % x, %v", c.act, cut, got, err, frame[:cut], c.read)
				}
				if _, err := station.Write(frame); err != c.next {
					t.Errorf("%v after %d bytes: next write %v, want %v", c.act, cut, err, c.next)
				}
			})
		}
	}
}

// readAll reads byte by byte until an error and returns both.
func readAll(r io.Reader) (got []byte, err error) {
	one := make([]byte, 1)
	for {
		n, err := r.Read(one)
		got = append(got, one[:n]...)
		if err != nil {
			return got, err
		}
	}
}
