package seek

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// said is a frame of unit 17 as it stands on the line.
func said(t *testing.T, f line.Framing, pdu ...byte) []byte {
	t.Helper()
	adu, err := frame.AppendADU(nil, frame.ADU{Framing: f, Unit: 17, PDU: pdu})
	if err != nil {
		t.Fatal(err)
	}
	return adu
}

// TestListen: who is on the line, and how often they ask; the requests are the
// standard's worked examples (V1.1b3, 6.3 and 6.1).
func TestListen(t *testing.T) {
	for _, framing := range []line.Framing{line.RTU, line.ASCII} {
		synctest.Test(t, func(t *testing.T) {
			ours, theirs := fault.Pipe()
			theirs.Write([]byte("before")) // thrown away
			go func() {
				for range 3 {
					time.Sleep(time.Second)
					theirs.Write(said(t, framing, 3, 0, 0x6B, 0, 3))
					time.Sleep(50 * time.Millisecond)
					theirs.Write(said(t, framing, 3, 6, 2, 0x2B, 0, 0, 0, 0x64))
					theirs.Write(said(t, framing, 1, 0, 0x13, 0, 0x13))
				}
			}()
			time.Sleep(time.Millisecond)
			s := rtu(19200, line.Even)
			s.Framing = framing
			began := time.Now()
			h, err := Listen(t.Context(), ours, s, 3500*time.Millisecond, nil)
			if err != nil || !h.Client() || h.Silent() || h.Noise != 0 || h.Answers != 0 || time.Since(began) != 3500*time.Millisecond || h.Lasted != time.Since(began) {
				t.Fatalf("%+v, %v after %s", h, err, time.Since(began))
			}
			want := "another client is at work on this line; in 3.5 s it asked unit 17, read holding registers (03), every 1.05 s; unit 17, read coils (01), every 1.05 s"
			if h.Words() != want {
				t.Errorf("%q\nwant %q", h.Words(), want)
			}
		})
	}
}

// TestListenToAnswersOnly: where only stations are heard, there is a client all
// the same.
func TestListenToAnswersOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := fault.Pipe()
		go func() {
			time.Sleep(time.Second)
			theirs.Write(said(t, line.RTU, 3, 6, 2, 0x2B, 0, 0, 0, 0x64))
		}()
		h, err := Listen(t.Context(), ours, rtu(19200, line.Even), 3*time.Second, nil)
		if err != nil || !h.Client() || h.Answers != 1 || !strings.Contains(h.Words(), "answers to it were heard 1 times in 3 s") {
			t.Errorf("%+v, %v", h, err)
		}
	})
}

// TestListenToNoise: noise is no client, however long it lasts.
func TestListenToNoise(t *testing.T) {
	for seed := range uint64(20) {
		synctest.Test(t, func(t *testing.T) {
			ours, theirs := fault.Pipe()
			go func() {
				dice := rand.New(rand.NewPCG(seed, 1))
				for range 300 {
					time.Sleep(10 * time.Millisecond)
					b := make([]byte, 20)
					for i := range b {
						b[i] = byte(dice.Uint32())
					}
					theirs.Write(b)
				}
			}()
			h, err := Listen(t.Context(), ours, rtu(19200, line.Even), 3*time.Second+time.Millisecond, nil)
			if err != nil || h.Client() || h.Bytes < 5900 || !strings.Contains(h.Words(), "though nothing was sent") {
				t.Errorf("seed %d: %+v, %v", seed, h, err)
			}
		})
	}
}

// TestListenEnds when its context does, and with the stream's fault; silence
// lasts as long as was said. The stream can be used afterwards.
func TestListenEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := fault.Pipe()
		s := rtu(19200, line.Even)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if h, err := Listen(ctx, ours, s, 3*time.Second, nil); !errors.Is(err, context.DeadlineExceeded) || h.Lasted != time.Second {
			t.Errorf("%+v, %v", h, err)
		}
		h, err := Listen(t.Context(), ours, s, 3*time.Second, nil)
		if err != nil || !h.Silent() || h.Client() || h.Words() != "silent for 3 s" {
			t.Errorf("%+v, %v", h, err)
		}
		go func() {
			time.Sleep(10 * time.Second)
			theirs.Write([]byte{1})
		}()
		if n, err := ours.Read(make([]byte, 9)); n != 1 || err != nil {
			t.Errorf("a later read: %d, %v", n, err)
		}
		theirs.Close()
		if h, err := Listen(t.Context(), ours, s, 3*time.Second, nil); !errors.Is(err, io.EOF) || !h.Silent() {
			t.Errorf("%+v, %v", h, err)
		}
	})
}

// TestListenTime: 3 s or three cycles, whichever is longer.
func TestListenTime(t *testing.T) {
	for every, want := range map[time.Duration]time.Duration{0: 3 * time.Second, time.Second: 3 * time.Second, 4 * time.Second: 12 * time.Second, time.Hour: 30 * time.Second} {
		if got := ListenTime(every); got != want {
			t.Errorf("%s: %s, want %s", every, got, want)
		}
	}
	if s := (Asked{Unit: regmap.Unit(3), Function: frame.ReadCoils}).String(); s != "unit 3, read coils (01)" {
		t.Error(s)
	}
}
