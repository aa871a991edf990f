package port

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// queue is a transmitter that sends a character each char.
func queue(bytes int, char time.Duration) func() (int, error) {
	start := time.Now()
	return func() (int, error) { return max(bytes-int(time.Since(start)/char), 0), nil }
}

func TestDrainWaitsForTheLastBit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// 256 characters of 11 bits at 9600 bit/s take 293.3 ms; counted by hand.
		const char = 11 * time.Second / 9600
		start := time.Now()
		if err := drain(context.Background(), char, queue(256, char)); err != nil {
			t.Fatal(err)
		}
		if got := time.Since(start); got < 293*time.Millisecond || got > 295*time.Millisecond {
			t.Errorf("drained after %v, want 293 ms", got)
		}

		// A transmitter half as fast as the settings say is waited for as well.
		start = time.Now()
		if err := drain(context.Background(), char, queue(256, 2*char)); err != nil {
			t.Fatal(err)
		}
		if got := time.Since(start); got < 586*time.Millisecond || got > 590*time.Millisecond {
			t.Errorf("slow transmitter drained after %v, want 586 ms", got)
		}
	})
}

func TestDrainEndsWithItsContextAndItsPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stuck := func() (int, error) { return 8, nil }
		ctx, stop := context.WithTimeout(t.Context(), time.Minute)
		defer stop()
		start := time.Now()
		if err := drain(ctx, time.Millisecond, stuck); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("stuck transmitter: %v, want the context's error", err)
		}
		if got := time.Since(start); got != time.Minute {
			t.Errorf("ended after %v, want 1m", got)
		}
		gone := func() (int, error) { return 0, ErrGone }
		if err := drain(t.Context(), time.Millisecond, gone); !errors.Is(err, ErrGone) {
			t.Errorf("gone: %v", err)
		}
	})
}
