package traffic

import (
	"time"

	"plumbline/decode"
)

// pauses counts first tries and how many of them failed by the silence that
// stood before them. The zero pauses is empty.
type pauses struct {
	in   []pauseBucket
	kept evidence // of those that failed
}

// A pauseBucket is the tries after about the same silence.
type pauseBucket struct {
	tries, failed uint64
	least, most   time.Duration // exact
}

// pauseJoin is how many of the histogram's buckets make one here: six a decade.
const pauseJoin = 4

func (p *pauses) add(silence time.Duration, failed bool, x *decode.Exchange) {
	if p.in == nil {
		p.in = make([]pauseBucket, buckets/pauseJoin+1)
	}
	b := &p.in[bucketOf(silence)/pauseJoin]
	if b.tries == 0 {
		b.least, b.most = silence, silence
	}
	b.least, b.most = min(b.least, silence), max(b.most, silence)
	b.tries++
	if failed {
		b.failed++
		p.kept.add(x, 0)
	}
}

// sum joins the buckets from..to.
func (p *pauses) sum(from, to int) (s pauseBucket) {
	for _, b := range p.in[min(from, len(p.in)):min(to, len(p.in))] {
		switch {
		case b.tries == 0:
			continue
		case s.tries == 0:
			s.least = b.least
		}
		s.most = b.most
		s.tries += b.tries
		s.failed += b.failed
	}
	return s
}

// share is the part that failed.
func (b pauseBucket) share() float64 { return share(b.failed, b.tries) }
