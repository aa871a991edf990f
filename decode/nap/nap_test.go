package nap

import (
	"runtime"
	"testing"
	"testing/synctest"
	"time"
)

func TestCoarse(t *testing.T) {
	for d, want := range map[time.Duration]time.Duration{
		0: 0, 100 * time.Microsecond: 0, time.Millisecond: 0, 1400 * time.Microsecond: time.Millisecond,
		5290 * time.Microsecond: 4 * time.Millisecond, -time.Second: 0, 1250 * time.Microsecond: 0,
		// Silences of 3.5 characters: 1.750 ms, and those at 19200 and 9600 bit/s.
		1750 * time.Microsecond: time.Millisecond, 2005 * time.Microsecond: time.Millisecond, 4010 * time.Microsecond: 3 * time.Millisecond,
	} {
		if got := Coarse(d); got != want || got > 0 && d-got < finePart {
			t.Errorf("%v: %v, want %v", d, got, want)
		}
	}
}

// Nothing ends early.
func TestUntilIsNeverEarly(t *testing.T) {
	began := time.Now()
	clock := func() time.Duration { return time.Since(began) }
	for range 20 {
		end := clock() + 400*time.Microsecond
		if waited := Until(clock, end); waited != (runtime.GOOS == "linux") || waited && clock() < end {
			t.Fatalf("waited: %v, %v left", waited, end-clock())
		}
	}
}

// Virtual time stands while a thread sleeps: that is noticed, not waited for.
func TestUntilInVirtualTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		if Until(func() time.Duration { return time.Since(began) }, time.Millisecond) {
			t.Error("a thread waited out virtual time")
		}
	})
}
