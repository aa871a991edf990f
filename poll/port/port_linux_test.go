package port

import (
	"bytes"
	"context"
	"errors"
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// results is what one Read or Write gave.
type results struct {
	n   int
	err error
}

func TestDeadlines(t *testing.T) {
	pair, client := openBoth(t)
	one := make([]byte, 1)
	for name, side := range map[string]interface {
		stream
		SetReadDeadline(time.Time) error
	}{"client": client, "station": pair} {
		side.SetReadDeadline(time.Now().Add(time.Millisecond))
		n, err := side.Read(one)
		var io *IOError
		if n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || !errors.As(err, &io) || !io.Timeout() || io.Op != "read" {
			t.Errorf("%s: %d, %v; want a deadline", name, n, err)
		}
		// Passed once, it holds until it is set anew.
		if _, err := side.Read(one); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("%s: second read %v", name, err)
		}
		side.SetReadDeadline(time.Now().Add(limit))
	}
	carry(t, pair, client, []byte{1, 2, 3})
	carry(t, client, pair, []byte{4, 5, 6})
	if n, err := client.Read(nil); n != 0 || err != nil {
		t.Errorf("read of nothing: %d, %v", n, err)
	}
}

// A writer whose other side never reads ends at its deadline and says how much
// was taken.
func TestWriteDeadline(t *testing.T) {
	pair, client := openBoth(t)
	client.SetWriteDeadline(time.Now().Add(100 * time.Millisecond))
	p := make([]byte, 1<<20) // far more than a terminal's queues hold
	n, err := client.Write(p)
	if !errors.Is(err, os.ErrDeadlineExceeded) || n == 0 || n == len(p) {
		t.Fatalf("write without a reader: %d, %v; want a part and a deadline", n, err)
	}
	// What it says was taken arrives, and no more.
	got := 0
	buf := make([]byte, 4096)
	for got < n {
		m, err := pair.Read(buf)
		if err != nil {
			t.Fatalf("read after %d of %d bytes: %v", got, n, err)
		}
		got += m
	}
	pair.SetReadDeadline(time.Now().Add(time.Millisecond))
	if m, err := pair.Read(buf); got != n || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%d bytes arrived of %d, then %d, %v", got, n, m, err)
	}
}

// The ways in which a Read that waits is ended from elsewhere: each gives its
// own kind of error, whether the Read waits already or comes later.
func TestWaitingReadEnds(t *testing.T) {
	for _, c := range []struct {
		name string
		end  func(pair *Pair, client *Port)
		want error
	}{
		{"deadline moved to the past", func(_ *Pair, client *Port) { client.SetReadDeadline(time.Unix(1, 0)) }, os.ErrDeadlineExceeded},
		{"closed", func(_ *Pair, client *Port) { client.Close() }, os.ErrClosed},
		{"other side gone", func(pair *Pair, _ *Port) { pair.Close() }, ErrGone},
	} {
		pair, client := openBoth(t)
		client.SetReadDeadline(time.Time{}) // it would wait for ever
		ended := make(chan results, 1)
		begun := make(chan struct{})
		go func() {
			close(begun)
			n, err := client.Read(make([]byte, 8))
			ended <- results{n, err}
		}()
		<-begun
		c.end(pair, client)
		select {
		case got := <-ended:
			if got.n != 0 || !errors.Is(got.err, c.want) {
				t.Errorf("%s: %d, %v; want %v", c.name, got.n, got.err, c.want)
			}
		case <-time.After(limit):
			t.Fatalf("%s: the read still waits", c.name)
		}
	}
}

func TestStationsWaitingReadEndsWithClose(t *testing.T) {
	pair, _ := openBoth(t)
	pair.SetReadDeadline(time.Time{})
	ended := make(chan error, 1)
	go func() {
		_, err := pair.Read(make([]byte, 8))
		ended <- err
	}()
	pair.Close()
	if err := <-ended; !errors.Is(err, os.ErrClosed) {
		t.Errorf("%v, want %v", err, os.ErrClosed)
	}
}

// After a hang-up no call gives zero bytes without an error, so that no caller
// can spin on it: not the first, and not a thousand later.
func TestC9HangUp(t *testing.T) {
	pair, client := openBoth(t)
	carry(t, pair, client, []byte{1})
	pair.Close()
	for i := range 1000 {
		if n, err := client.Read(make([]byte, 8)); n != 0 || !errors.Is(err, ErrGone) {
			t.Fatalf("read %d: %d, %v; want %v", i, n, err, ErrGone)
		}
		if n, err := client.Write([]byte{1}); n != 0 || !errors.Is(err, ErrGone) {
			t.Fatalf("write %d: %d, %v; want %v", i, n, err, ErrGone)
		}
	}
	for name, err := range map[string]error{
		"discard": client.Discard(),
		"drain":   client.Drain(t.Context()),
	} {
		if !errors.Is(err, ErrGone) {
			t.Errorf("%s: %v, want %v", name, err, ErrGone)
		}
	}
	if err := client.Close(); err != nil {
		t.Errorf("close of a port that is gone: %v", err)
	}
}

func TestAfterClose(t *testing.T) {
	pair, client := openBoth(t)
	if err := client.Close(); err != nil {
		t.Fatal(err)
	}
	_, read := client.Read(make([]byte, 1))
	_, write := client.Write([]byte{1})
	for name, err := range map[string]error{
		"read": read, "write": write, "close": client.Close(), "discard": client.Discard(),
		"drain": client.Drain(context.Background()), "deadline": client.SetReadDeadline(time.Now()),
	} {
		if !errors.Is(err, os.ErrClosed) {
			t.Errorf("%s after close: %v, want %v", name, err, os.ErrClosed)
		}
	}
	if err := pair.Close(); err != nil {
		t.Errorf("close of the pair: %v", err)
	}
}

func TestDiscardAndDrain(t *testing.T) {
	pair, client := openBoth(t)
	// Two frames are here when the second is read up to its last byte.
	pair.Write([]byte{0xAA, 0xFF, 0xBB})
	buf := make([]byte, 1)
	if n, err := client.Read(buf); n != 1 || err != nil || buf[0] != 0xAA {
		t.Fatalf("first byte: % x, %v", buf[:n], err)
	}
	if err := client.Discard(); err != nil {
		t.Fatal(err)
	}
	carry(t, pair, client, []byte{0x01, 0x02}) // none of the old bytes before it
	if err := client.Drain(t.Context()); err != nil {
		t.Errorf("drain of an idle port: %v", err)
	}
}

// What a flush cuts off must not give the next byte another meaning: after the
// first half of FF FF a 00 would read as the beginning of a mark.
func TestDiscardInsideAMark(t *testing.T) {
	pair, client := openBoth(t)
	// As the line discipline sends it, one half read and the other flushed.
	if n := client.clean([]byte{0xFF}); n != 0 {
		t.Fatalf("half a mark gave %d bytes", n)
	}
	if err := client.Discard(); err != nil {
		t.Fatal(err)
	}
	carry(t, pair, client, []byte{0x00, 0x41, 0x42})
	if got := client.LineErrors(); got != (LineErrors{}) {
		t.Errorf("line errors %+v on a clean line", got)
	}
}

func TestStationDiscards(t *testing.T) {
	pair, client := openBoth(t)
	client.Write([]byte{0xAA, 0xBB, 0xCC})
	one := make([]byte, 1)
	if n, err := pair.Read(one); n != 1 || err != nil || one[0] != 0xAA {
		t.Fatalf("first byte: % x, %v", one[:n], err)
	}
	if err := pair.Discard(); err != nil {
		t.Fatal(err)
	}
	carry(t, client, pair, []byte{0x01, 0x02}) // none of the old bytes before it
}

// Source: man 2 select (FD_SETSIZE is 1024, and a descriptor beyond it is
// undefined there); a port that waits in another way is not concerned.
func TestD8DescriptorsBeyond1024(t *testing.T) {
	var was unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &was); err != nil {
		t.Fatal(err)
	}
	if was.Cur < 1300 {
		now := unix.Rlimit{Cur: 1300, Max: max(was.Max, 1300)}
		if err := unix.Setrlimit(unix.RLIMIT_NOFILE, &now); err != nil {
			t.Fatalf("this system allows %d open files, the test needs 1300: %v", was.Max, err)
		}
		defer unix.Setrlimit(unix.RLIMIT_NOFILE, &was)
	}
	for range 1100 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
	}
	pair, client := openBoth(t)
	for name, p := range map[string]*Port{"client": client, "station": pair.Port} {
		p.control("look at", func(fd int) error {
			if fd < 1024 {
				t.Errorf("%s has descriptor %d, want one from 1024 on", name, fd)
			}
			return nil
		})
	}
	carry(t, client, pair, every())
	carry(t, pair, client, every())
	client.SetReadDeadline(time.Now().Add(time.Millisecond))
	if _, err := client.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("deadline: %v", err)
	}
	pair.Close()
	client.SetReadDeadline(time.Now().Add(limit))
	if _, err := client.Read(make([]byte, 1)); !errors.Is(err, ErrGone) {
		t.Errorf("hang-up: %v", err)
	}
}

// Damaged characters that the reader meets reach the count that a link looks
// at, and are passed on. A pseudo-terminal has none, so its marks are written
// by hand. Source: POSIX.1-2017, 11.2.2 (PARMRK).
func TestC11DamageIsCounted(t *testing.T) {
	_, client := openBoth(t)
	heard := []byte{0x11, 0x03, 0xFF, 0x00, 0x41, 0xFF, 0x00, 0x00, 0xFF, 0xFF}
	n := client.clean(heard)
	if want := []byte{0x11, 0x03, 0x41, 0x00, 0xFF}; !bytes.Equal(heard[:n], want) {
		t.Errorf("passed on % x, want % x", heard[:n], want)
	}
	if got := client.LineErrors(); got != (LineErrors{Characters: 1, Breaks: 1}) || client.Damaged() != 2 {
		t.Errorf("counted %+v, %d damaged", got, client.Damaged())
	}
}
