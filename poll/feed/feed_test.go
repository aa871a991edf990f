package feed

import (
	"context"
	"errors"
	"sync"
	"testing"

	"plumbline/decode"
)

// number is an event that can be told from others.
func number(n uint64) decode.Event { return decode.Event{Cycle: &decode.Cycle{Number: n}} }

func TestAllReadersGetAllInOrder(t *testing.T) {
	var f Feed
	var readers []*Reader
	for range 5 {
		readers = append(readers, f.Read(100))
	}
	var giving sync.WaitGroup
	for g := range 4 {
		giving.Go(func() {
			for i := range 20 {
				f.Sink(number(uint64(100*g + i)))
			}
		})
	}
	giving.Wait()
	f.Close()
	var first []uint64
	for n, r := range readers {
		var got []uint64
		for {
			e, err := r.Next(t.Context())
			if err != nil {
				if !errors.Is(err, ErrClosed) {
					t.Fatal(err)
				}
				break
			}
			got = append(got, e.Cycle.Number)
		}
		if n == 0 {
			first = got
		}
		if len(got) != 80 || len(first) != 80 {
			t.Fatalf("reader %d got %d of 80 events", n, len(got))
		}
		for i := range got {
			if got[i] != first[i] {
				t.Fatalf("readers %d and 0 differ at %d", n, i)
			}
		}
	}
}

// A slow reader is dropped after what it has room for, and the others are not
// kept waiting; it may come again.
func TestASlowReaderIsDropped(t *testing.T) {
	var f Feed
	slow, quick := f.Read(3), f.Read(1000)
	for i := range 100 {
		f.Sink(number(uint64(i)))
	}
	if quick.Waiting() != 100 || slow.Waiting() != 3 {
		t.Errorf("%d and %d wait", quick.Waiting(), slow.Waiting())
	}
	for i := range 4 {
		e, err := slow.Next(t.Context())
		switch {
		case i < 3 && (err != nil || e.Cycle.Number != uint64(i)):
			t.Errorf("event %d: %v, %v", i, e, err)
		case i == 3 && !errors.Is(err, ErrSlow):
			t.Errorf("after the last: %v", err)
		}
	}
	again := f.Read(3)
	f.Sink(number(7))
	if e, err := again.Next(t.Context()); err != nil || e.Cycle.Number != 7 {
		t.Errorf("come again: %v, %v", e, err)
	}
}

func TestReadersEnd(t *testing.T) {
	var f Feed
	r := f.Read(0)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("a reader whose context ended: %v", err)
	}
	r.Close()
	r.Close()
	f.Sink(number(1))
	if _, err := r.Next(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("a closed reader: %v", err)
	}
	f.Close()
	if _, err := f.Read(1).Next(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("a reader of a closed feed: %v", err)
	}
}
