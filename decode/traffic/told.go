package traffic

import (
	"time"

	"plumbline/decode"
)

// Bounds on what others tell.
const (
	mostTold    = 64
	recentKept  = 64
	mostPending = 64
)

// told are the findings that came as events, each code and subject once, with
// the exchanges they name.
type told struct {
	list    []toldFinding
	recent  [recentKept]*decode.Exchange // a ring
	next    int
	pending []decode.ID // named, and not come yet
}

type toldFinding struct {
	decode.Finding
	times uint64
	kept  []*decode.Exchange
}

func (t *told) add(f *decode.Finding) {
	for i := range t.list {
		if t.list[i].Code == f.Code && t.list[i].Subject == f.Subject {
			t.list[i].times++
			t.list[i].Words = f.Words // the latest says most
			return
		}
	}
	if len(t.list) == mostTold {
		return
	}
	n := toldFinding{Finding: *f, times: 1}
	for _, id := range f.Evidence[:min(len(f.Evidence), mostEvidence)] {
		if x := t.find(id); x != nil {
			n.kept = append(n.kept, x)
		} else if len(t.pending) < mostPending {
			t.pending = append(t.pending, id)
		}
	}
	t.list = append(t.list, n)
}

// find looks among the latest exchanges.
func (t *told) find(id decode.ID) *decode.Exchange {
	for _, x := range t.recent {
		if x != nil && x.ID == id {
			return x
		}
	}
	return nil
}

// exchange remembers an exchange, and gives it to the finding that names it.
func (t *told) exchange(x *decode.Exchange) {
	t.recent[t.next] = x
	t.next = (t.next + 1) % recentKept
	for i, id := range t.pending {
		if id != x.ID {
			continue
		}
		t.pending = append(t.pending[:i], t.pending[i+1:]...)
		for j := range t.list {
			for _, e := range t.list[j].Evidence {
				if e == id && len(t.list[j].kept) < mostEvidence {
					t.list[j].kept = append(t.list[j].kept, x)
				}
			}
		}
		return
	}
}

// times is how often a finding was told.
func (t *told) times(code, subject string) uint64 {
	for i := range t.list {
		if t.list[i].Code == code && t.list[i].Subject == subject {
			return t.list[i].times
		}
	}
	return 0
}

// cycles are the passes through a plan.
type cycles struct {
	count, skipped uint64
	longest, sum   time.Duration
}

func (c *cycles) add(e *decode.Cycle, at decode.Stamp) {
	c.count++
	c.skipped += uint64(max(e.Skipped, 0))
	if took := at.Sub(e.Began); took > 0 {
		c.longest = max(c.longest, took)
		c.sum += took
	}
}

// port is whether the line's port or connection is there.
type port struct {
	known, up bool
	losses    uint64
	why       string
	since     decode.Stamp // of the present state
	down      time.Duration
}

func (p *port) add(l *decode.LineState, at decode.Stamp) {
	if p.known && p.up == l.Up {
		return
	}
	if p.known && l.Up {
		p.down += at.Sub(p.since)
	}
	if !l.Up {
		p.losses++
		p.why = l.Why
	}
	p.known, p.up, p.since = true, l.Up, at
}
