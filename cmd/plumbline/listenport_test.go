package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// listenOn runs listen on a port while others talk there, until its output has a
// text; then it is interrupted.
func listenOn(t *testing.T, until string, args ...string) (code int, out, errs string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	r, w := io.Pipe()
	var e bytes.Buffer
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, &streams{in: strings.NewReader(""), out: w, err: &e}, append([]string{"listen"}, args...))
		w.Close()
	}()
	var o strings.Builder
	b := make([]byte, 4096)
	for {
		n, err := r.Read(b)
		o.Write(b[:n])
		if strings.Contains(o.String(), until) {
			cancel()
		}
		if err != nil {
			return <-ended, o.String(), e.String()
		}
	}
}

// TestListenOnAPort: on a pseudo-terminal, from the command line: settings are
// found, exchanges shown, bytes kept, and not one byte sent.
func TestListenOnAPort(t *testing.T) {
	asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	pair, err := port.OpenPair()
	if err != nil {
		t.Fatal(err)
	}
	defer pair.Close()
	done := make(chan struct{})
	ended := make(chan struct{})
	go func() {
		talk(pair, done, 10*time.Millisecond, asked, told)
		close(ended)
	}()
	file := filepath.Join(t.TempDir(), "heard.pcapng")
	code, out, errs := listenOn(t, "level  1.20 m", pair.Path(), "--find", "--map", cistern, "--unit", "17", "--write", file)
	close(done)
	<-ended
	if code != exitDone && code != exitWrong || errs != "" { // beside others on this machine the talk may stutter
		t.Errorf("%d, %s", code, errs)
	}
	for _, want := range []string{"found rtu 19200 8E1", "only listening", "read input registers (04)      30001-30008 (address 0-7)", "flow  12.40 m3/h", " in no frame in "} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	pair.SetReadDeadline(time.Now())
	if n, err := pair.Read(make([]byte, 1)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%d bytes were sent, %v", n, err)
	}
	code, out, errs = command(t, "decode", file, "--map", cistern)
	if code == exitUsage || !strings.Contains(out, "level  1.20 m") {
		t.Errorf("%d, %s%s", code, out, errs)
	}
}

// TestListenOnASilentPort: nothing came, and the exit code says so.
func TestListenOnASilentPort(t *testing.T) {
	pair, err := port.OpenPair()
	if err != nil {
		t.Fatal(err)
	}
	defer pair.Close()
	code, _, errs := command(t, "listen", pair.Path(), "--for", "50ms")
	if code != exitNoReply || !strings.Contains(errs, "nothing was heard on "+pair.Path()) {
		t.Errorf("%d, %s", code, errs)
	}
}

// BenchmarkFlood is the work of a line that is never silent, in per cent of one
// core at 115200 bit/s, where a character takes 95 µs. Aim: below 5 (C2 of the
// abuse table).
func BenchmarkFlood(b *testing.B) {
	noise := make([]byte, 1<<16)
	seed := uint32(7)
	for i := range noise {
		seed = seed*1664525 + 1013904223
		noise[i] = byte(seed >> 24)
	}
	for name, flood := range map[string][]byte{"zeros": make([]byte, 1<<16), "noise": noise} {
		b.Run(name, func(b *testing.B) {
			clock := decode.NewClock()
			w := newWire(serialLine("/dev/ttyUSB0", 0), clock, decode.NewSource(), hears{piece: func(segment.Piece, bool) {}})
			n := 0
			for b.Loop() {
				w.take(flood[n%(1<<16-16):][:16], clock(), 0)
				n += 16
			}
			perByte := b.Elapsed().Seconds() / float64(n)
			b.ReportMetric(100*perByte*115200/11, "%-of-a-core")
		})
	}
}
