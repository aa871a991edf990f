package fault

import (
	"container/heap"
	"slices"
	"sync"
	"time"
)

// carrier is where a courier delivers: a direction of an in-memory link or a
// real stream. Its methods are called under the courier's lock.
type carrier interface {
	arrive(p []byte)
	flood(p []byte)
	end()
	abort()
	cut()
	moved() // something has left the queue
}

// courier carries deliveries at their times. All of it is under mu.
type courier struct {
	mu    *sync.Mutex
	to    carrier
	queue parcels
	seq   uint64
	last  time.Time // no delivery in order arrives before this
	held  time.Time // a stall until then
	stuck bool      // a stall without end
	timer *time.Timer
}

// parcel is a delivery with its time.
type parcel struct {
	Delivery
	due   time.Time
	until time.Time // Flood: its end, zero for none
	seq   uint64
}

// idle says whether a chunk would arrive at once.
func (c *courier) idle() bool {
	return len(c.queue) == 0 && !c.stuck && (c.held.IsZero() || !time.Now().Before(c.held))
}

// MaxParcels is how many deliveries may wait for their time before a Write
// waits. Ours.
const MaxParcels = 1 << 14

// put takes one delivery; run delivers what is due. A flood takes the place of
// the one before it.
func (c *courier) put(d Delivery) {
	if d.Act == Flood {
		c.queue = slices.DeleteFunc(c.queue, func(p parcel) bool { return p.Act == Flood })
		heap.Init(&c.queue)
	}
	now := time.Now()
	p := parcel{Delivery: d, due: now.Add(max(d.Delay, 0)), seq: c.seq}
	c.seq++
	if !d.Overtake && p.due.Before(c.last) {
		p.due = c.last
	}
	switch d.Act {
	case Flood:
		p.Every = max(d.Every, MinEvery)
		if d.For > 0 {
			p.until = p.due.Add(d.For)
		}
	case Pass, Fin, Rst:
		if !d.Overtake {
			c.last = p.due
		}
	}
	heap.Push(&c.queue, p)
	c.arm(now)
}

// run delivers everything that is due and sets the timer for the rest.
func (c *courier) run() {
	now := time.Now()
	before := len(c.queue)
	for len(c.queue) > 0 && !c.stuck && !now.Before(c.held) && !c.queue[0].due.After(now) {
		c.deliver(heap.Pop(&c.queue).(parcel))
	}
	if len(c.queue) < before {
		c.to.moved()
	}
	c.arm(now)
}

func (c *courier) deliver(p parcel) {
	switch p.Act {
	case Pass:
		c.to.arrive(p.Bytes)
	case Fin:
		c.to.end()
	case Rst:
		c.to.abort()
	case HalfOpen:
		c.to.cut()
	case Stall:
		if p.For <= 0 {
			c.stuck = true
		} else if until := p.due.Add(p.For); until.After(c.held) {
			c.held = until
		}
	case Flood:
		c.to.flood(p.Bytes)
		p.due = p.due.Add(p.Every)
		if p.until.IsZero() || p.due.Before(p.until) {
			heap.Push(&c.queue, p)
		}
	}
}

// arm sets the timer to the next moment at which there is something to do.
func (c *courier) arm(now time.Time) {
	if len(c.queue) == 0 || c.stuck {
		if c.timer != nil {
			c.timer.Stop()
		}
		return
	}
	next := c.queue[0].due
	if next.Before(c.held) {
		next = c.held
	}
	wait := next.Sub(now)
	if wait <= 0 {
		go c.fire() // no timer: one of no time in virtual time has ended the race detector
		return
	}
	if c.timer == nil {
		c.timer = time.AfterFunc(wait, c.fire)
		return
	}
	c.timer.Reset(wait)
}

func (c *courier) fire() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.run()
}

// clear forgets what is on its way, floods too.
func (c *courier) clear() {
	c.queue = nil
	if c.timer != nil {
		c.timer.Stop()
	}
}

// parcels is a heap by time, then by order of the writes.
type parcels []parcel

func (q parcels) Len() int { return len(q) }
func (q parcels) Less(i, j int) bool {
	if !q[i].due.Equal(q[j].due) {
		return q[i].due.Before(q[j].due)
	}
	return q[i].seq < q[j].seq
}
func (q parcels) Swap(i, j int) { q[i], q[j] = q[j], q[i] }

// Push and Pop are for container/heap.
func (q *parcels) Push(x any) { *q = append(*q, x.(parcel)) }

// Pop removes the last element.
func (q *parcels) Pop() any {
	old := *q
	p := old[len(old)-1]
	old[len(old)-1] = parcel{}
	*q = old[:len(old)-1]
	return p
}
