package traffic

import (
	"math"
	"time"
)

// Buckets of a histogram are as wide as their place: 24 a decade, so that the
// upper edge of a bucket is 10.07 % above its lower one.
const (
	bucketsPerDecade = 24
	lowestEdge       = 10 * time.Microsecond
	decades          = 8 // up to 1000 s
	buckets          = decades*bucketsPerDecade + 1
)

// A histogram counts times in buckets of equal ratio. Least and most are
// exact; a quantile is never too low and at most 10.1 % too high, above 10 µs.
// The zero histogram is empty and ready.
type histogram struct {
	count       uint64
	least, most time.Duration
	sum         time.Duration
	in          []uint64
}

// edges are the upper edges of the buckets; the last holds what is beyond.
var edges = func() (e [buckets]time.Duration) {
	for i := range e {
		e[i] = time.Duration(float64(lowestEdge) * math.Pow(10, float64(i)/bucketsPerDecade))
	}
	return e
}()

// bucketOf is the bucket whose upper edge is the first that is not below d.
func bucketOf(d time.Duration) int {
	if d <= lowestEdge {
		return 0
	}
	i := int(math.Log10(float64(d)/float64(lowestEdge)) * bucketsPerDecade)
	i = min(max(i, 0), buckets-1)
	for i < buckets-1 && edges[i] < d { // rounding of the logarithm, and the place between edges
		i++
	}
	return i
}

func (h *histogram) add(d time.Duration) {
	if d < 0 {
		return
	}
	if h.in == nil {
		h.in = make([]uint64, buckets)
		h.least = d
	}
	h.in[bucketOf(d)]++
	h.count++
	h.sum += d
	h.least, h.most = min(h.least, d), max(h.most, d)
}

// quantile is the time that a share p of all does not exceed; 0 when empty.
func (h *histogram) quantile(p float64) time.Duration {
	return h.at(uint64(math.Ceil(p * float64(h.count))))
}

// at is the time of the rank-th in order, from 1.
func (h *histogram) at(rank uint64) time.Duration {
	if h.count == 0 {
		return 0
	}
	rank = min(max(rank, 1), h.count)
	if rank == h.count {
		return h.most
	}
	seen := uint64(0)
	for i, n := range h.in {
		if seen += n; seen >= rank {
			return min(max(edges[i], h.least), h.most)
		}
	}
	return h.most
}

// above counts what lies beyond d, as far as the buckets tell: a bucket that d
// falls into is not counted.
func (h *histogram) above(d time.Duration) (n uint64) {
	if h.count == 0 || d >= h.most {
		return 0
	}
	for i := bucketOf(d) + 1; i < len(h.in); i++ {
		n += h.in[i]
	}
	return n
}

func (h *histogram) mean() time.Duration {
	if h.count == 0 {
		return 0
	}
	return h.sum / time.Duration(h.count)
}

// merge adds another histogram's counts.
func (h *histogram) merge(o *histogram) {
	if o.count == 0 {
		return
	}
	if h.in == nil {
		h.in = make([]uint64, buckets)
		h.least = o.least
	}
	for i, n := range o.in {
		h.in[i] += n
	}
	h.count += o.count
	h.sum += o.sum
	h.least, h.most = min(h.least, o.least), max(h.most, o.most)
}
