// Package feed gives one stream of events to many readers. It never waits: the
// line goes on whatever its readers do. Each reader has room for so many events,
// and one that falls behind is dropped, told so, and may come again.
//
// It keeps nothing and judges nothing; poll/history keeps, screens and pages
// show.
package feed

import (
	"context"
	"errors"
	"sync"

	"plumbline/decode"
)

// The errors of Next, for errors.Is.
var (
	ErrSlow   = errors.New("the reader fell behind and was dropped")
	ErrClosed = errors.New("the feed is over")
)

// A Feed passes events on. The zero Feed is ready. It is safe for concurrent
// use; events given by several goroutines come in some order, the same for all
// readers.
type Feed struct {
	mu      sync.Mutex
	readers map[*Reader]bool
	closed  bool
}

// Sink takes an event; it is a decode.Sink and returns at once.
func (f *Feed) Sink(e decode.Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for r := range f.readers {
		select {
		case r.events <- e:
		default:
			f.drop(r, ErrSlow)
		}
	}
}

// Read adds a reader with room for so many events, at least one. It gets what
// comes from now on.
func (f *Feed) Read(room int) *Reader {
	r := &Reader{feed: f, events: make(chan decode.Event, max(room, 1))}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		r.why = ErrClosed
		close(r.events)
		return r
	}
	if f.readers == nil {
		f.readers = map[*Reader]bool{}
	}
	f.readers[r] = true
	return r
}

// Close ends the feed: readers get what they still have, then ErrClosed.
func (f *Feed) Close() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	for r := range f.readers {
		f.drop(r, ErrClosed)
	}
}

func (f *Feed) drop(r *Reader, why error) {
	if f.readers[r] {
		delete(f.readers, r)
		r.why = why
		close(r.events)
	}
}

// A Reader is one of those who read a feed. It is for one goroutine.
type Reader struct {
	feed   *Feed
	events chan decode.Event
	why    error // written before events is closed
}

// Next gives the next event and waits for it. The error is that of ctx, or
// ErrSlow or ErrClosed once all that was kept for the reader is read.
func (r *Reader) Next(ctx context.Context) (decode.Event, error) {
	select {
	case e, ok := <-r.events:
		if !ok {
			return decode.Event{}, r.why
		}
		return e, nil
	case <-ctx.Done():
		return decode.Event{}, ctx.Err()
	}
}

// Waiting is how many events are kept for the reader.
func (r *Reader) Waiting() int { return len(r.events) }

// Close takes the reader away; it may be called at any time, and twice.
func (r *Reader) Close() {
	r.feed.mu.Lock()
	defer r.feed.mu.Unlock()
	r.feed.drop(r, ErrClosed)
}
