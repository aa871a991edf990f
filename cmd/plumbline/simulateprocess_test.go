package main

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/simdevice"
)

// exampleStation is the example map as a station.
func exampleStation(t *testing.T) (*simdevice.Station, *simdevice.Bank) {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load("cistern.yaml", exampleMap, rep, sections()...)
	if m == nil {
		t.Fatal(rep.Err())
	}
	b, err := simdevice.NewBank(m)
	if err != nil {
		t.Fatal(err)
	}
	s, err := simdevice.New(map[regmap.Unit]*simdevice.Bank{demoUnit: b}, simdevice.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s, b
}

// contents is every register of a bank.
func contents(b *simdevice.Bank) (all []uint16) {
	snap := b.Snapshot()
	for p := range b.Map().Readings {
		all, _ = snap.AppendRaw(all, p.Span())
	}
	return all
}

// TestSpeed: at sixty times an hour passes in a minute, and ends as an hour
// does.
func TestSpeed(t *testing.T) {
	for _, row := range []struct {
		speed float64
		wall  time.Duration
	}{{60, time.Minute}, {1, time.Hour}, {3600, time.Second}, {10000, 360 * time.Millisecond}} {
		synctest.Test(t, func(t *testing.T) {
			s, fast := exampleStation(t)
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- (&simulatedTime{speed: row.speed}).step(ctx, s) }()
			time.Sleep(row.wall)
			synctest.Wait()
			got := contents(fast)
			cancel()
			if err := <-done; err != nil {
				t.Fatal(err)
			}
			at := time.Duration(float64(row.wall/stepEvery*stepEvery) * row.speed)
			_, slow := exampleStation(t)
			if err := slow.Step(at); err != nil {
				t.Fatal(err)
			}
			if want := contents(slow); !slices.Equal(got, want) {
				t.Errorf("at speed %v after %s the station holds\n%04X\nwant\n%04X", row.speed, row.wall, got, want)
			}
		})
	}
}

// TestStoppedProgram: the station goes on where it was; it does not make up for
// hours in one step. A ticker of a program that was stopped ticks once, late.
func TestStoppedProgram(t *testing.T) {
	if longestStep < 2*stepEvery || longestStep > 10*time.Second {
		t.Errorf("one step makes up for up to %s", longestStep)
	}
	at := (&simulatedTime{speed: 60}).gone(8 * time.Hour)
	if at != 60*longestStep {
		t.Errorf("after 8h away the station moved on by %s", at)
	}
	if got := (&simulatedTime{speed: 60}).gone(stepEvery); got != 6*time.Second {
		t.Errorf("one step moved it on by %s", got)
	}
}
