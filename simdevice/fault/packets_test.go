package fault

import (
	"errors"
	"io"
	"net"
	"os"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// datagram reads one and says what came, or the error's words.
func datagram(e *End, size int) string {
	_ = e.SetReadDeadline(time.Now().Add(time.Second))
	b := make([]byte, size)
	n, err := e.Read(b)
	if err != nil {
		return err.Error()
	}
	return string(b[:n])
}

// Source: RFC 768 (a datagram arrives whole or not at all, in any order, and
// there is no connection); RFC 1122, 4.1.3.3 (errors are told to the writer).
func TestDatagramsKeepTheirBorders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := PacketPipe()
		for _, s := range []string{"one", "two, longer", "three"} {
			if n, err := a.Write([]byte(s)); n != len(s) || err != nil {
				t.Fatalf("write %q: %d, %v", s, n, err)
			}
		}
		got := []string{datagram(b, 100), datagram(b, 4), datagram(b, 100), datagram(b, 100)}
		want := []string{"one", "two,", "three", os.ErrDeadlineExceeded.Error()}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("read %d gave %q, want %q", i+1, got[i], want[i])
			}
		}
		if c, _ := Pipe(); !a.Datagrams() || !b.Datagrams() || c.Datagrams() {
			t.Error("only the ends of a link of datagrams say so")
		}
	})
}

// Closing one end is told to nobody; writing to it is answered by a refusal,
// once, and the link goes on.
func TestDatagramsHaveNoEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := PacketPipe()
		b.Close()
		if got := datagram(a, 10); got != os.ErrDeadlineExceeded.Error() {
			t.Errorf("a closed end was told: %q", got)
		}
		for range 2 {
			if n, err := a.Write([]byte("x")); n != 1 || err != nil {
				t.Errorf("write to a closed end: %d, %v", n, err)
			}
			_, err := a.Read(make([]byte, 1))
			if !errors.Is(err, ErrRefused) || !errors.Is(err, syscall.ECONNREFUSED) {
				t.Errorf("the refusal is %v", err)
			}
			if got := datagram(a, 10); got != os.ErrDeadlineExceeded.Error() {
				t.Errorf("a refusal was told twice: %q", got)
			}
		}
		if _, err := b.Read(make([]byte, 1)); !errors.Is(err, net.ErrClosed) {
			t.Errorf("read of the closed end: %v", err)
		}
	})
}

// What scripts do to whole datagrams.
func TestScriptsOnDatagrams(t *testing.T) {
	for _, c := range []struct {
		script string
		want   []string
	}{
		{"both: duplicate to 1", []string{"aa", "aa", "bb", "cc"}},
		{"both: reorder 1 to 1", []string{"bb", "aa", "cc"}},
		{"both: drop from 2 to 2", []string{"aa", "cc"}},
		{"both: split 2 to 1", []string{"a", "a", "bb", "cc"}},
		{"both: join 2 to 1", []string{"aabb", "cc"}},
		{"both: close fin from 2 to 2", []string{"aa", "bb", "cc"}},
		{"both: close rst from 2 to 2", []string{ErrRefused.Error(), "aa", "bb", "cc"}},
		{"both: half-open from 2 to 2", []string{"aa"}},
		{"both: delay 10ms from 1 to 1 overtake", []string{"bb", "cc", "aa"}},
	} {
		t.Run(c.script, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, err := Parse(c.script)
				if err != nil {
					t.Fatal(err)
				}
				run, err := s.Start(nil)
				if err != nil {
					t.Fatal(err)
				}
				a, b := PacketPipe()
				run.Between(a, b)
				for _, text := range []string{"aa", "bb", "cc"} {
					if _, err := a.Write([]byte(text)); err != nil {
						t.Fatal(err)
					}
				}
				for i, want := range append(c.want, os.ErrDeadlineExceeded.Error()) {
					if got := datagram(b, 100); got != want {
						t.Errorf("read %d gave %q, want %q", i+1, got, want)
					}
				}
			})
		})
	}
}

// A udpish is a socket of datagrams whose second write is refused afterwards.
type udpish struct {
	*End
	writes int
}

func (u *udpish) Write(b []byte) (int, error) {
	if u.writes++; u.writes == 2 {
		return 0, &net.OpError{Op: "write", Err: syscall.ECONNREFUSED}
	}
	return u.End.Write(b)
}

// A stream of datagrams keeps its borders through Wrap, a refusal is passed on
// once, and Close closes it.
func TestWrapOfDatagrams(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := PacketPipe()
		user := Wrap(&udpish{End: near}, nil, nil)
		user.Write([]byte("one"))
		if got := datagram(far, 10); got != "one" {
			t.Errorf("came %q", got)
		}
		user.Write([]byte("two"))
		if got := datagram(user, 10); got != ErrRefused.Error() {
			t.Errorf("a refusal came as %q", got)
		}
		far.Write([]byte("four, five"))
		if got := datagram(user, 4); got != "four" {
			t.Errorf("came %q", got)
		}
		user.Close()
		synctest.Wait()
		if _, err := near.Read(make([]byte, 1)); !errors.Is(err, net.ErrClosed) && !errors.Is(err, io.EOF) {
			t.Errorf("the stream is not closed: %v", err)
		}
	})
}
