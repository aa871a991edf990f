package port

import (
	"sync"
	"time"
)

// A deadline is a time that may be moved while somebody waits for it.
type deadline struct {
	mu    sync.Mutex
	timer *time.Timer
	sets  int // a timer that was stopped too late is of an earlier set
	done  chan struct{}
}

func newDeadline() *deadline { return &deadline{done: make(chan struct{})} }

// passed is closed once the deadline that holds now has passed.
func (d *deadline) passed() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.done
}

// set moves the deadline, for those as well who wait already; the zero time is
// none.
func (d *deadline) set(t time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.timer != nil {
		d.timer.Stop()
	}
	d.sets++
	select {
	case <-d.done:
		d.done = make(chan struct{})
	default:
	}
	if t.IsZero() {
		return
	}
	if wait := time.Until(t); wait > 0 {
		of := d.sets
		d.timer = time.AfterFunc(wait, func() { d.pass(of) })
		return
	}
	close(d.done)
}

// pass ends the wait of one set, unless another followed it.
func (d *deadline) pass(of int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.sets == of {
		close(d.done)
	}
}
