package link

import (
	"context"
	"fmt"
	"sync"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// A Question is one of those that AskAll asks.
type Question struct {
	Unit    regmap.Unit
	Request frame.Request
}

// AskAll makes several exchanges that change nothing, as Ask makes one, and
// gives them in the order of the questions. On an MBAP connection as many as
// there are slots are open together, for the cost of hardly more than one: they
// leave in one write and one caller waits for all. Elsewhere they follow each
// other. When a question is refused nothing is sent; the errors are those of Ask.
func (l *Link) AskAll(ctx context.Context, questions []Question, opts ...Option) ([]*decode.Exchange, error) {
	calls := make([]*call, len(questions))
	o := l.options(opts)
	o.asked = l.config.Clock()
	for i, q := range questions {
		c, err := l.asking(q.Unit, q.Request, o)
		if err != nil {
			return nil, fmt.Errorf("question %d: %w", i+1, err)
		}
		calls[i] = c
	}
	a := &asking{link: l, ctx: ctx, calls: calls, got: make([]*decode.Exchange, len(calls))}
	t, together := l.wire.(*transactions)
	for next := 0; next < len(calls); {
		if together {
			next += a.party(t, next)
		} else {
			a.alone(next)
			next++
		}
		if a.failed() != nil {
			break
		}
	}
	a.rest.Wait()
	if err := a.failed(); err != nil {
		return nil, err
	}
	for _, c := range calls {
		l.over(c)
	}
	return a.got, nil
}

// asking is what AskAll does.
type asking struct {
	link  *Link
	ctx   context.Context
	calls []*call
	got   []*decode.Exchange
	rest  sync.WaitGroup // calls that go on alone

	mu  sync.Mutex
	err error
}

func (a *asking) failed() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.err
}

// alone makes one exchange to its end.
func (a *asking) alone(i int) {
	x, err := a.link.patiently(a.ctx, a.calls[i])
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.got[i] = x; err != nil {
		a.err = err
	}
}

// A party is the transactions that one caller waits for together. All of it is
// under transactions.mu.
type party struct {
	bell    bell
	open    int // tries that have not ended; of the caller alone
	missing int // answers
}

// party makes the first try of as many calls as there are slots for, and leaves
// to others what needs more than that. It says how many they were.
func (a *asking) party(t *transactions, first int) int {
	l, calls := a.link, a.calls[first:]
	slots := l.queue.several(a.ctx, l.life.Done(), calls[0].level, min(len(calls), MaxSlots))
	if slots == nil {
		a.alone(first) // which says why there is none
		return 1
	}
	calls = calls[:len(slots)]
	for i, s := range slots {
		c := calls[i]
		if s.free > 0 {
			sleep(a.ctx, s.free-l.config.Clock().Steady, l.life.Done())
		}
		c.number = l.number.Add(1)
		var err error
		if c.adu, err = s.encode(l.config.Framing, c); err != nil {
			c.before = unsent(regmap.Internal, fmt.Sprintf("the request was refused before it left: %v", err), l.config.Clock())
		}
	}
	t.together(a.ctx, calls)
	for i, s := range slots {
		c := calls[i]
		o := s.agreed(c, c.before)
		t.finish(c)
		c.slot, c.before = nil, outcome{}
		if c.timing.Pause > 0 {
			s.free = l.config.Clock().Steady + c.timing.Pause
		}
		l.queue.give(s)
		a.ended(first+i, o)
	}
	return len(slots)
}

// ended takes the outcome of a first try: the end of its exchange, or the
// beginning of what it still takes.
func (a *asking) ended(i int, o outcome) {
	l, c := a.link, a.calls[i]
	if o.posted {
		l.count.sent.Add(1)
		c.tries++
	}
	busy := o.cause == regmap.Excepted && isBusy(o.response.Exception)
	more := c.repeat && (o.crowded || c.timing.Retries > 0 && (busy || o.again()))
	if !more {
		a.got[i] = l.finished(c, &o)
		return
	}
	switch c.number = 0; {
	case o.crowded:
		c.crowdings++
		l.count.crowded.Add(1)
	case !busy:
		c.tried, c.before = 1, o
	}
	wait := busy && !o.crowded
	a.rest.Go(func() {
		if wait {
			sleep(a.ctx, l.config.Redial.pause(1), l.life.Done())
		}
		a.alone(i)
	})
}

// together makes one try of each call that has a frame, all at once, and leaves
// in each how it ended.
func (t *transactions) together(ctx context.Context, calls []*call) {
	s, err := t.conn.get(ctx)
	if err == nil {
		err = ctx.Err()
	}
	t.mu.Lock()
	if err != nil || t.session != s {
		t.mu.Unlock()
		for _, c := range calls {
			if c.adu != nil {
				c.before = t.missed(ctx, s, err)
			}
		}
		return
	}
	p := new(party)
	p.bell.sound = make(chan struct{}, 1)
	for _, c := range calls {
		if c.adu != nil {
			t.begin(s, c, c.adu).party = p
			p.missing++
			p.open++
		}
	}
	first := !s.box.writing && p.open > 0
	s.box.writing = s.box.writing || first
	t.mu.Unlock()
	if first {
		t.flush(s)
	}
	t.awaitAll(ctx, s, p, calls)
}

// missed is the outcome of a try that found no stream, or lost it at once.
func (t *transactions) missed(ctx context.Context, s *session, err error) outcome {
	if err != nil {
		return t.link.absent(ctx, err)
	}
	<-s.dead
	o := unsent(s.why.cause, s.why.words, t.clock())
	o.crowded = s.crowded
	return o
}

// awaitAll waits until every try of a party has ended.
func (t *transactions) awaitAll(ctx context.Context, s *session, p *party, calls []*call) {
	gone := false
	for p.open > 0 {
		t.mu.Lock()
		writer, why := t.dismiss(s, p, calls, gone)
		if p.open > 0 {
			t.lead(ctx, s, &p.bell, p.haveLeft(calls))
		} else {
			t.stop(s, &p.bell, stillOpen(calls))
		}
		t.mu.Unlock()
		if writer {
			t.flush(s)
		}
		switch {
		case why != nil:
			t.conn.lose(s, *why)
		case p.open > 0 && !writer:
			gone = t.hear(ctx, s, &p.bell, gone)
		}
	}
}

// haveLeft says whether all that the party still waits for has left.
func (p *party) haveLeft(calls []*call) bool {
	for _, c := range calls {
		if c.adu != nil && !c.open.hasLeft() {
			return false
		}
	}
	return true
}

// stillOpen counts the calls whose transactions are open: they ended without an
// answer.
func stillOpen(calls []*call) (n int) {
	for _, c := range calls {
		if c.open != nil {
			n++
		}
	}
	return n
}

// dismiss takes those of a party out that have ended. It says whether the party
// is to empty the outbox, and why the stream must be closed if it must.
func (t *transactions) dismiss(s *session, p *party, calls []*call, gone bool) (writer bool, why *loss) {
	for _, c := range calls {
		if c.adu == nil {
			continue
		}
		x := c.open
		writer = writer || x.writer
		x.writer = false
		finished := x.finished
		o, over := t.outcome(s, x, gone)
		if !over {
			continue
		}
		x.awaited = false
		c.before, c.adu = o, nil
		p.open--
		if !finished {
			p.missing--
		}
		if o.loss != nil {
			why = o.loss
		}
	}
	return writer, why
}
