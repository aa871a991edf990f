package traffic

import (
	"time"

	"plumbline/decode"
	"plumbline/regmap/line"
)

// Framings under shorter names.
const (
	frameMBAP = line.MBAP
)

// sequences follows transaction identifiers: one client counts up, two counts
// running side by side are two clients. Source: TCP guide V1.0b, 4.4.1.1 (the
// identifier is the client's, unique while open; that it counts is common
// practice).
type sequences struct {
	at       [2]uint16
	advances [2]uint64
	set      [2]bool
	older    int
}

// sequencesApart is how far two counts must be from each other: further than
// requests that are open at once may come out of order.
const sequencesApart = 64

func (q *sequences) add(x *decode.Exchange) {
	if x.Framing != line.MBAP || len(x.Sent) < 2 {
		return
	}
	id := uint16(x.Sent[0])<<8 | uint16(x.Sent[1])
	for i := range q.at {
		if q.set[i] && id == q.at[i]+1 {
			q.at[i] = id
			q.advances[i]++
			q.older = 1 - i
			return
		}
	}
	if gap := id - q.at[1-q.older]; q.set[1-q.older] && (gap < sequencesApart || -gap < sequencesApart) {
		return // out of order in the same count
	}
	q.at[q.older], q.set[q.older], q.advances[q.older] = id, true, 0
	q.older = 1 - q.older
}

// two says whether two counts run side by side.
func (q *sequences) two() bool {
	const enough = 16
	return q.advances[0] >= enough && q.advances[1] >= enough
}

// alternates says whether the intervals take turns, short, long, short, long,
// whose sum stays the same: two clients with one period and different phase.
func (t *times) alternates() bool {
	d := t.inOrder()
	const enough = 16
	if len(d) < enough {
		return false
	}
	var sums [2]time.Duration
	var n [2]time.Duration
	for i, v := range d {
		sums[i%2] += v
		n[i%2]++
	}
	a, b := sums[0]/n[0], sums[1]/n[1]
	whole := a + b
	if whole == 0 || max(a, b)-min(a, b) < whole/5 {
		return false
	}
	for i, v := range d {
		mean := a
		if i%2 == 1 {
			mean = b
		}
		if off := v - mean; off > whole/20 || off < -whole/20 {
			return false
		}
	}
	return true
}
