package traffic

import "time"

// slots is how many pieces the timeline has; when they are full two become
// one, so that it always reaches from the beginning to now.
const (
	slots     = 240
	firstSlot = time.Millisecond
)

// A slot is one piece of the timeline.
type slot struct {
	frames time.Duration // bytes on the line
	held   time.Duration // from a request's first bit to the end of its wait
	count  uint32        // exchanges that ended in it
	failed uint32        // of these, without an answer
}

// A timeline is the line's occupation over time. The zero timeline is empty.
type timeline struct {
	set   bool
	began time.Duration
	width time.Duration
	slots [slots]slot
	used  int
}

// add puts an exchange on the timeline.
func (t *timeline) add(from, to, frames time.Duration, failed bool) {
	if !t.set {
		t.set, t.began, t.width = true, from, firstSlot
	}
	from = max(from, t.began)
	to = max(to, from)
	for int64((to-t.began)/t.width) >= slots {
		t.halve()
	}
	first, last := int((from-t.began)/t.width), int((to-t.began)/t.width)
	whole := to - from
	for i := first; i <= last; i++ {
		begin := t.began + time.Duration(i)*t.width
		part := min(to, begin+t.width) - max(from, begin)
		t.slots[i].held += part
		if whole > 0 {
			t.slots[i].frames += time.Duration(float64(frames) * float64(part) / float64(whole))
		}
	}
	t.slots[last].count++
	if failed {
		t.slots[last].failed++
	}
	t.used = max(t.used, last+1)
}

// halve makes one slot of two.
func (t *timeline) halve() {
	for i := range slots / 2 {
		a, b := t.slots[2*i], t.slots[2*i+1]
		t.slots[i] = slot{a.frames + b.frames, a.held + b.held, a.count + b.count, a.failed + b.failed}
	}
	clear(t.slots[slots/2:])
	t.width *= 2
	t.used = (t.used + 1) / 2
}
