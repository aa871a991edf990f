package port

import (
	"bytes"
	"context"
	"errors"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// module is the serial module's port in memory, with its manners: a read ends
// after a set time with nothing and no error, a write has no limit, and nothing
// but their own end ends them.
type fakeModule struct {
	mu      sync.Mutex
	timeout time.Duration
	closed  bool
	reading bool
	input   chan []byte
	rest    []byte
	failed  chan error    // given to the next read
	stuck   chan struct{} // writes and drains wait for it where it is not nil
	sent    bytes.Buffer
	flushes int
	empty   bool // unplugged: every read returns at once with nothing
}

func newFakeModule() *fakeModule {
	return &fakeModule{input: make(chan []byte, 100), failed: make(chan error, 1)}
}

func (m *fakeModule) Read(b []byte) (int, error) {
	m.mu.Lock()
	if m.closed {
		m.mu.Unlock()
		return 0, errors.New("read of a closed port")
	}
	m.reading = true
	empty, timeout := m.empty, m.timeout
	m.mu.Unlock()
	defer func() { m.mu.Lock(); m.reading = false; m.mu.Unlock() }()
	if empty {
		return 0, nil
	}
	if len(m.rest) == 0 {
		select {
		case m.rest = <-m.input:
		case err := <-m.failed:
			return 0, err
		case <-time.After(timeout):
			return 0, nil
		}
	}
	n := copy(b, m.rest)
	m.rest = m.rest[n:]
	return n, nil
}

func (m *fakeModule) Write(b []byte) (int, error) {
	if m.stuck != nil {
		<-m.stuck
		return 0, errors.New("aborted")
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.sent.Write(b[:min(len(b), 2)]) // a driver may take less than all
}

func (m *fakeModule) Drain() error {
	if m.stuck != nil {
		<-m.stuck
	}
	return nil
}

func (m *fakeModule) ResetInputBuffer() error { return nil }

func (m *fakeModule) ResetOutputBuffer() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.flushes++; m.stuck != nil && m.flushes == 1 {
		close(m.stuck)
	}
	return nil
}

func (m *fakeModule) SetReadTimeout(d time.Duration) error { m.timeout = d; return nil }
func (m *fakeModule) SetRTS(bool) error                    { return nil }

func (m *fakeModule) Close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.reading {
		return errors.New("closed under a read")
	}
	m.closed = true
	return nil
}

func pumpOf(t *testing.T, m *fakeModule) *pump {
	t.Helper()
	p, err := newPump(m, "COM3")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPumpCarriesBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newFakeModule()
		p := pumpOf(t, m)
		if n, err := p.Write([]byte("level")); n != 5 || err != nil || m.sent.String() != "level" {
			t.Errorf("write: %d, %v, %q arrives", n, err, m.sent.String())
		}
		m.input <- []byte("1.2")
		synctest.Wait()
		m.input <- []byte("0 m")
		synctest.Wait()
		b := make([]byte, 4)
		n, err := p.Read(b)
		if string(b[:n]) != "1.20" || err != nil {
			t.Errorf("read: %q, %v", b[:n], err)
		}
		if n, err := p.Read(nil); n != 0 || err != nil {
			t.Errorf("read of nothing: %d, %v", n, err)
		}
		if err := p.Discard(); err != nil {
			t.Error(err)
		}
		p.readDeadline.set(time.Now().Add(time.Second))
		if n, err := p.Read(b); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("after Discard: %q, %v", b[:n], err)
		}
		if err := p.Drain(t.Context()); err != nil {
			t.Error(err)
		}
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
}

// A deadline ends a read that waits, at its time; moved later it moves the wait,
// passed it holds until it is set anew.
func TestPumpDeadlines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newFakeModule()
		p := pumpOf(t, m)
		defer p.Close()
		began := time.Now()
		p.readDeadline.set(began.Add(37 * time.Millisecond))
		_, err := p.Read(make([]byte, 8))
		var io *IOError
		if !errors.Is(err, os.ErrDeadlineExceeded) || !errors.As(err, &io) || !io.Timeout() || time.Since(began) != 37*time.Millisecond {
			t.Errorf("%v after %v, want 37 ms", err, time.Since(began))
		}
		m.input <- []byte("late")
		synctest.Wait()
		if _, err := p.Read(make([]byte, 8)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("passed once: %v", err)
		}
		p.readDeadline.set(time.Time{})
		if n, err := p.Read(make([]byte, 8)); n != 4 || err != nil {
			t.Errorf("without a deadline: %d, %v", n, err)
		}
		began = time.Now()
		p.readDeadline.set(began.Add(time.Second))
		ended := make(chan time.Duration)
		go func() { p.Read(make([]byte, 8)); ended <- time.Since(began) }()
		synctest.Wait()
		p.readDeadline.set(began.Add(3 * time.Second))
		if d := <-ended; d != 3*time.Second {
			t.Errorf("a deadline moved to 3 s ended the read after %v", d)
		}
		go func() { p.readDeadline.set(time.Time{}); p.Read(make([]byte, 8)); ended <- 0 }()
		synctest.Wait()
		p.readDeadline.set(time.Unix(1, 0))
		<-ended
	})
}

// The ways a read that waits is ended from elsewhere; none closes the module
// under its own read.
func TestPumpEndsReads(t *testing.T) {
	for name, v := range map[string]struct {
		end  func(*pump, *fakeModule)
		want error
	}{
		"closed":       {func(p *pump, _ *fakeModule) { p.Close() }, os.ErrClosed},
		"driver fails": {func(_ *pump, m *fakeModule) { m.failed <- errors.New("access denied") }, ErrGone},
		"unplugged":    {func(_ *pump, m *fakeModule) { m.mu.Lock(); m.empty = true; m.mu.Unlock() }, ErrGone},
	} {
		synctest.Test(t, func(t *testing.T) {
			m := newFakeModule()
			p := pumpOf(t, m)
			ended := make(chan error)
			go func() { _, err := p.Read(make([]byte, 8)); ended <- err }()
			synctest.Wait()
			began := time.Now()
			v.end(p, m)
			if err := <-ended; !errors.Is(err, v.want) {
				t.Errorf("%s: %v, want %v", name, err, v.want)
			}
			if d := time.Since(began); d > 2*time.Second {
				t.Errorf("%s: noticed after %v", name, d)
			}
			for range 3 {
				if n, err := p.Read(make([]byte, 8)); n != 0 || !errors.Is(err, v.want) {
					t.Errorf("%s: later %d, %v", name, n, err)
				}
				if _, err := p.Write([]byte{1}); !errors.Is(err, v.want) {
					t.Errorf("%s: write %v", name, err)
				}
			}
			for what, err := range map[string]error{"discard": p.Discard(), "drain": p.Drain(t.Context())} {
				if !errors.Is(err, v.want) {
					t.Errorf("%s: %s %v", name, what, err)
				}
			}
			if err := p.Close(); errors.Is(v.want, os.ErrClosed) != errors.Is(err, os.ErrClosed) {
				t.Errorf("%s: close %v", name, err)
			}
		})
	}
}

// A write and a drain that do not end by themselves end at their limit, and the
// next write is told so too until the driver has let go.
func TestPumpWriteDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newFakeModule()
		m.stuck = make(chan struct{})
		p := pumpOf(t, m)
		began := time.Now()
		ctx, stop := context.WithTimeout(t.Context(), 2*time.Second)
		defer stop()
		if err := p.Drain(ctx); !errors.Is(err, context.DeadlineExceeded) || time.Since(began) != 2*time.Second {
			t.Errorf("drain: %v after %v", err, time.Since(began))
		}
		began = time.Now()
		p.writeBefore.set(began.Add(time.Second))
		if err := p.drainInTime(); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("drain in time: %v", err)
		}
		p.writeBefore.set(time.Now().Add(time.Second))
		if n, err := p.Write([]byte{1, 2, 3}); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(began) != 2*time.Second {
			t.Errorf("write: %d, %v after %v", n, err, time.Since(began))
		}
		if m.flushes != 1 {
			t.Errorf("what was left was thrown away %d times", m.flushes)
		}
		if _, err := p.Write([]byte{1}); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("deadline passed: %v", err)
		}
		p.Close()
	})
}

// What nobody reads is kept up to a bound, and none of it is lost.
func TestPumpIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newFakeModule()
		p := pumpOf(t, m)
		var want []byte
		for i := range 40 {
			b := bytes.Repeat([]byte{byte(i)}, 4096)
			want = append(want, b...)
			m.input <- b
		}
		synctest.Wait()
		if n := len(p.in); n < pumpRoom || n > pumpRoom+4096 {
			t.Errorf("%d bytes are kept, want about %d", n, pumpRoom)
		}
		var got []byte
		b := make([]byte, 1000)
		for len(got) < len(want) {
			n, err := p.Read(b)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, b[:n]...)
		}
		if !bytes.Equal(got, want) {
			t.Error("bytes were lost or changed")
		}
		for range 20 {
			m.input <- make([]byte, 4096)
		}
		synctest.Wait()
		if err := p.Close(); err != nil { // also while the pump waits for room
			t.Error(err)
		}
	})
}

// A timer that fires while its deadline is moved must not end the new one.
func TestDeadlineOfAnEarlierSet(t *testing.T) {
	d := newDeadline()
	d.set(time.Now().Add(time.Hour))
	d.set(time.Now().Add(2 * time.Hour))
	d.pass(1)
	select {
	case <-d.passed():
		t.Error("the deadline that was replaced ended the wait")
	default:
	}
	d.pass(2)
	<-d.passed()
	d.set(time.Time{})
}
