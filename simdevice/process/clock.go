package process

import (
	"time"

	"plumbline/regmap/doc"
)

// defaultStep is how far one fixed step goes where nothing is said.
const defaultStep = 100 * time.Millisecond

// A clock cuts time into fixed steps.
type clock struct {
	step time.Duration
	done int64 // steps
}

// run takes the whole steps up to a time; advance gets the time at which each
// begins, and its length in seconds.
func (c *clock) run(at time.Duration, advance func(now time.Duration, seconds float64)) {
	seconds := c.step.Seconds()
	for until := int64(at / c.step); c.done < until; c.done++ {
		advance(time.Duration(c.done)*c.step, seconds)
	}
}

// A sum adds many small parts without losing their low digits.
// Source: Neumaier's compensated sum (from memory).
type sum struct{ high, low float64 }

func (s *sum) add(x float64) {
	t := s.high + x
	if abs(s.high) >= abs(x) {
		s.low += (s.high - t) + x
	} else {
		s.low += (x - t) + s.high
	}
	s.high = t
}

func (s *sum) value() float64 { return s.high + s.low }

// A window is a time during which something is so: once, or again and again.
type window struct{ at, lasts, every time.Duration }

// windows are several of them; the zero windows are never.
type windows []window

// open says whether a time lies in one of the windows.
func (w windows) open(now time.Duration) bool {
	for _, x := range w {
		t := now - x.at
		if t < 0 {
			continue
		}
		if x.every > 0 {
			t %= x.every
		}
		if t < x.lasts {
			return true
		}
	}
	return false
}

var windowTable = doc.NewTable(
	doc.Duration("at", "when it begins, counted from the station's start", func(w *window) *time.Duration { return &w.at }).Must(),
	doc.Duration("for", "how long it lasts", func(w *window) *time.Duration { return &w.lasts }).Must(),
	doc.Duration("every", "after how long it comes again; left out, never", func(w *window) *time.Duration { return &w.every }),
)

// windowsField is a list of times during which something is so.
func windowsField[T any](key, about string, at func(*T) *windows) doc.Field[T] {
	item := windowTable.Shape()
	return doc.Custom(key, about+": a list of {at, for, every}", doc.Shape{Kind: doc.ListOf, Item: &item}, func(t *T, n doc.Node) {
		for _, e := range n.Items() {
			var w window
			windowTable.Read(e, &w)
			if w.every > 0 && w.every < w.lasts {
				e.Fault("it comes again every %s, but lasts %s", w.every, w.lasts)
			}
			*at(t) = append(*at(t), w)
		}
	})
}
