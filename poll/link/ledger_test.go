package link

import (
	"bytes"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
)

// The rules of the ledger one by one; late_test.go plays them on a line.
func TestLedger(t *testing.T) {
	const limit = time.Second
	one, two := []byte{1}, []byte{2}
	p := func(n uint64, at time.Duration) posted {
		return posted{unit: 17, request: registers(regmap.Address(n)), number: n, left: at}
	}
	var l ledger
	if l.due(0, one) != 0 {
		t.Error("the first request must wait")
	}
	l.post(p(1, 0), one, 3*limit)
	if same, other := l.due(limit, one), l.due(limit, two); same != 0 || other != 2*limit {
		t.Errorf("after a second the same is due in %s, another in %s; want 0 and 2 s", same, other)
	}
	l.post(p(1, limit), one, 3*limit)
	if l.owed != 2 || l.due(limit, two) != 3*limit {
		t.Errorf("after two tries %d owed, another due in %s", l.owed, l.due(limit, two))
	}
	l.paid(limit+limit/2, false)
	l.paid(2*limit, true)
	if l.owed != 0 || l.due(2*limit, two) != 0 || l.doubtful != 0 {
		t.Errorf("after two answers %d owed, another due in %s", l.owed, l.due(2*limit, two))
	}
	l.post(p(2, 2*limit), two, 3*limit)
	l.post(p(3, 5*limit), one, 3*limit) // the horizon has passed
	if l.owed != 1 || l.doubtful != 3 || l.givenUp != 2*limit {
		t.Errorf("after giving up %d owed, doubtful from %d, given up %s", l.owed, l.doubtful, l.givenUp)
	}
	b := l.breach(6*limit, p(2, 2*limit))
	if !b.late || b.since != 3 || b.lateness != 4*limit || b.horizon != 6*limit || l.due(6*limit, one) != 6*limit {
		t.Errorf("breach %+v, due in %s", b, l.due(6*limit, one))
	}
	l.paid(7*limit, true)
	l.restart(4)
	b = l.breach(2*maxHorizon, p(3, 2*maxHorizon-limit))
	if b.late || b.since != 4 || b.lateness != limit || b.horizon != 6*limit {
		t.Errorf("an answer too many, long after anything was given up: %+v", b)
	}
	// The same request again after the horizon gives the debt up as well.
	l = ledger{}
	l.post(p(1, 0), one, limit)
	l.post(p(2, limit), one, limit)
	if l.owed != 1 || l.doubtful != 2 {
		t.Errorf("%d owed, doubtful from %d", l.owed, l.doubtful)
	}
}

// What was learned holds for later requests too, and one lateness at most
// doubles the horizon.
func TestLedgerLearnsSlowlyAndForgetsNothing(t *testing.T) {
	var l ledger
	l.post(posted{unit: 17, request: registers(0), number: 1}, []byte{1}, time.Second)
	l.paid(time.Hour, true)
	if l.believed() != 2*time.Second {
		t.Errorf("an hour's lateness makes the horizon %s", l.believed())
	}
	l.post(posted{unit: 17, request: registers(4), number: 2}, []byte{2}, time.Millisecond)
	if l.believed() != 2*time.Second {
		t.Errorf("the horizon shrank to %s", l.believed())
	}
}

func TestLedgerRemembersABoundedNumber(t *testing.T) {
	var l ledger
	for i := range 10 * maxRequests {
		l.post(posted{unit: 17, request: registers(regmap.Address(i)), number: uint64(i + 1)}, []byte{1}, time.Second)
	}
	if len(l.past) != maxRequests || cap(l.past) > 2*maxRequests {
		t.Errorf("%d requests in memory for %d", len(l.past), cap(l.past))
	}
	if p, ok := l.recognise(0, 17, honest(17, registers(0))); !ok || p.number != 10*maxRequests {
		t.Errorf("recognised %d, want the newest", p.number)
	}
	if _, ok := l.recognise(0, 18, honest(18, registers(0))); ok {
		t.Error("an answer of another unit is recognised")
	}
}

func TestInboxKnowsWhenEachByteCame(t *testing.T) {
	at := func(n int) decode.Stamp { return decode.Stamp{Steady: time.Duration(n)} }
	var b inbox
	if got := b.when(0); !got.IsZero() {
		t.Errorf("an empty inbox gives %v", got)
	}
	b.add([]byte{1, 2, 3}, at(10))
	b.add([]byte{4, 5}, at(20))
	b.add([]byte{6}, at(30))
	times := []int{10, 10, 10, 20, 20, 30}
	for n := range 7 {
		c := inbox{bytes: bytes.Clone(b.bytes), marks: append([]mark(nil), b.marks...)}
		c.drop(n)
		if !bytes.Equal(c.bytes, []byte{1, 2, 3, 4, 5, 6}[n:]) {
			t.Errorf("after dropping %d: %v", n, c.bytes)
		}
		for i := range c.bytes {
			if got := c.when(i); got != at(times[n+i]) {
				t.Errorf("after dropping %d, byte %d came at %v, want %d", n, i, got, times[n+i])
			}
		}
		if len(c.bytes) == 0 && len(c.marks) != 0 {
			t.Errorf("%d marks of no bytes", len(c.marks))
		}
	}
	if got := b.room(); got != nil {
		t.Errorf("a small inbox drops %v", got)
	}
	b.add(make([]byte, 600), at(40))
	if got := b.room(); len(got) != 606-513 || len(b.bytes) != 513 {
		t.Errorf("%d dropped, %d kept", len(got), len(b.bytes))
	}
}
