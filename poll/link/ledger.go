package link

import (
	"slices"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// Bounds of the ledger; ours.
const (
	maxHorizon  = time.Minute // the horizon grows no further
	maxRequests = 64          // requests remembered, to recognise answers to them

	// How long questions of one look may follow each other without a pause.
	proofAfter = 30 * time.Second
	proofSoon  = 2 * time.Second // ... when a debt was given up
)

// A ledger keeps account of the answers owed on a line whose answers do not
// say what they answer. A request that differs from the one before leaves only
// when nothing is owed, or when the horizon has passed since the last one: the
// longest time an answer is believed to take. So an answer that comes within
// the horizon never passes for the answer to something else.
//
// One answer too many, late or given twice, can pass for the answer to the next
// question of the same look, whose own answer passes for that to the next, and
// so on without end where nobody ever pauses. Therefore the line is proved from
// time to time: when nothing came for a time limit after a request was
// answered, or a question of another look was answered, there is none.
//
// It knows no time of its own; moments are those of the steady clock.
type ledger struct {
	owed    int
	request string        // the frame that the owed answers belong to
	last    time.Duration // when it left last
	horizon time.Duration // counted from then
	floor   time.Duration // what lateness has taught; never shrinks
	hold    time.Duration // nothing leaves before

	doubtful uint64        // number of the first exchange since the last doubtful moment
	gaveUp   bool          // a debt was given up ...
	givenUp  time.Duration // ... whose request had left last at this time
	debts    []debt        // given up, oldest first
	proved   time.Duration // when there was no answer too many
	past     []posted
}

// A debt is an answer that was given up.
type debt struct {
	left  time.Duration // when its request had left last
	since uint64        // the first exchange that it may be mistaken for the answer of
}

// posted is a request that left.
type posted struct {
	unit    regmap.Unit
	request frame.Request
	number  uint64        // of its exchange
	left    time.Duration // its last bit
	limit   time.Duration // for its answer, from then
}

// looksLike says whether a good answer to one could pass for that to the other.
func (p *posted) looksLike(o *posted) bool {
	n, _ := frame.AnswerLength(p.request)
	m, _ := frame.AnswerLength(o.request)
	return p.unit == o.unit && p.request.Function == o.request.Function && n == m
}

// due is how long a request must wait from now until it may leave.
func (l *ledger) due(now time.Duration, adu []byte) time.Duration {
	wait := l.hold - now
	if l.owed > 0 && string(adu) != l.request {
		wait = max(wait, l.last+l.believed()-now)
	}
	if n := len(l.past); n > 0 && l.owed == 0 && now-l.proved >= l.patience(now) {
		wait = max(wait, l.last+l.past[n-1].limit-now)
	}
	return max(wait, 0)
}

// patience is how old the last proof may be: half as old as the debt given up
// last, because most late answers come soon.
func (l *ledger) patience(now time.Duration) time.Duration {
	if len(l.debts) == 0 {
		return proofAfter
	}
	return min(max(proofSoon, (now-l.givenUp)/2), proofAfter)
}

// prove notes that no answer too many is on its way. Answers to debts of more
// than a minute before are not believed to come any more.
func (l *ledger) prove(now time.Duration) {
	l.proved = now
	l.debts = slices.DeleteFunc(l.debts, func(d debt) bool { return now-d.left > maxHorizon })
}

// believed is the horizon that holds now.
func (l *ledger) believed() time.Duration { return max(l.horizon, l.floor) }

// post enters a request that leaves now. Answers still owed to another one, or
// beyond the horizon, are given up: from here on they would be mistaken.
func (l *ledger) post(p posted, adu []byte, horizon time.Duration) {
	if n := len(l.past); n == 0 || p.left-l.last >= l.past[n-1].limit {
		l.prove(p.left)
	}
	if l.givesUp(p.left, adu) {
		l.giveUp(p.number)
	}
	l.owed++
	l.request, l.last = string(adu), p.left
	l.horizon = horizon
	if len(l.past) == maxRequests {
		l.past = append(l.past[:0], l.past[1:]...)
	}
	l.past = append(l.past, p)
}

// giveUp gives up what is owed, in favour of an exchange. An answer may come
// after more debts were given up: the older ones stay known.
func (l *ledger) giveUp(to uint64) {
	if len(l.debts) == maxRequests {
		l.debts = slices.Delete(l.debts, 1, 2) // without the oldest a doubt would not reach far enough
	}
	l.debts = append(l.debts, debt{l.last, to})
	l.owed, l.doubtful, l.gaveUp, l.givenUp = 0, to, true, l.last
}

// reaches is the first exchange that a wrong answer may have reached: the one
// in whose favour the oldest debt was given up that an answer may still come
// to, or came to since the last proof. The newest debt would not do: each wrong
// answer leaves the right one to be mistaken for the next.
func (l *ledger) reaches() uint64 {
	if len(l.debts) > 0 {
		return l.debts[0].since
	}
	return max(l.doubtful, 1)
}

// left corrects when the last request's last bit left.
func (l *ledger) left(at time.Duration) {
	l.last = at
	l.past[len(l.past)-1].left = at
}

// answers says whether a frame is one of the answers owed.
func (l *ledger) answers(unit regmap.Unit, pdu []byte) bool {
	return l.owed > 0 && l.past[len(l.past)-1].fits(unit, pdu)
}

// fits says whether a frame could be the answer to a request.
func (p *posted) fits(unit regmap.Unit, pdu []byte) bool {
	if p.unit != unit {
		return false
	}
	_, err := frame.Match(p.request, pdu)
	return err == nil
}

// paid enters an answer that was owed. Lateness is what is certain of it: the
// time since the request left last. A late one teaches the horizon: half as
// much again is believed possible from now on (ours).
func (l *ledger) paid(now time.Duration, late bool) {
	l.owed--
	if late {
		l.learn((now - l.last) * 3 / 2)
	} else if n := len(l.past); n > 1 && !l.past[n-1].looksLike(&l.past[n-2]) {
		l.prove(now)
	}
}

// learn lets the horizon grow: to no more than double at a time, because a
// lateness is no measure where the program itself was stopped.
func (l *ledger) learn(horizon time.Duration) {
	l.floor = max(l.floor, min(horizon, 2*l.believed(), maxHorizon))
}

// forgive drops the last request's debt: it asked for no answer.
func (l *ledger) forgive() { l.owed-- }

// recognise finds the newest request that a frame could be the answer to. What
// is older than any horizon is not looked at.
func (l *ledger) recognise(now time.Duration, unit regmap.Unit, pdu []byte) (posted, bool) {
	for i := len(l.past) - 1; i >= 0 && now-l.past[i].left <= maxHorizon; i-- {
		if l.past[i].fits(unit, pdu) {
			return l.past[i], true
		}
	}
	return posted{}, false
}

// givesUp says whether a request that leaves now gives up answers still owed.
func (l *ledger) givesUp(now time.Duration, adu []byte) bool {
	return l.owed > 0 && (string(adu) != l.request || now-l.last >= l.believed())
}

// A breach is an answer that was owed to nobody.
type breach struct {
	since    uint64 // the first exchange that a wrong answer may have reached
	late     bool   // a debt was given up shortly before: it came too late
	lateness time.Duration
	horizon  time.Duration // from now on
}

// settle ends every debt: the connection that owed is closed, and nobody keeps
// its answers.
func (l *ledger) settle(now time.Duration) {
	l.owed, l.debts, l.gaveUp = 0, nil, false
	l.proved = now
}

// breach enters an answer to p that was owed to nobody. Where a debt was given
// up within the last minute the horizon was too short and doubles; the lateness
// is counted from the request given up. Otherwise somebody answered twice, which
// says nothing about the horizon. In both cases nothing leaves until the horizon
// has passed once more.
func (l *ledger) breach(now time.Duration, p posted) breach {
	b := breach{since: l.reaches(), late: l.gaveUp && now-l.givenUp <= maxHorizon}
	if b.late {
		b.lateness = now - l.givenUp
		l.learn(2 * l.believed())
	} else {
		b.lateness = max(now-p.left, 0)
	}
	b.horizon = l.believed()
	l.hold = max(l.hold, now+b.horizon)
	return b
}

// restart begins anew after a doubt was told: debts of before can reach only
// what comes from now on.
func (l *ledger) restart(next uint64) {
	l.doubtful = next
	for i := range l.debts {
		l.debts[i].since = max(l.debts[i].since, next)
	}
}
