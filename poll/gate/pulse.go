package gate

import (
	"context"
	"fmt"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// arm makes the release of a pulse before anything is sent: the request that
// gives the point back what it holds now. A bool that is to be switched off is
// no pulse: that is how a stuck button is released.
func (a *act) arm(raw []uint16) *refusal {
	t := a.targets[0]
	p, hold := t.point, t.want.Point.Write.Hold
	if on, isBool := t.want.Value.Bool(); hold == 0 || isBool && !on {
		return nil
	}
	no := func(format string, args ...any) *refusal {
		return &refusal{step: Pulse, words: fmt.Sprintf(format, args...)}
	}
	rest := t.from.Value
	switch {
	case rest.Quality() != regmap.Good:
		return no("%s is a pulse, and what it would go back to is not known: %s", p.Name, t.from.Reason)
	case same(rest, a.shown.To):
		return no("%s is a pulse and stands at %s already: it may be stuck, or another presses it", p.Name, As(p, rest))
	}
	// The other bits of a word go back as they are in the press.
	back, err := p.AppendRaw(nil, rest, raw)
	if err != nil {
		return no("%s is a pulse, and it cannot be released: %s", p.Name, err)
	}
	release, _, words := requestOf(p, back, raw)
	if words != "" {
		return no("%s is a pulse, and it cannot be released: %s", p.Name, words)
	}
	pdu, err := release.Append(nil)
	if err != nil {
		return no("%s is a pulse, and it cannot be released: %s", p.Name, err)
	}
	t.rest, a.release = rest, &release
	a.shown.Release, a.shown.Hold = pdu, hold
	return nil
}

// pulse presses, holds and releases. The release is due from before the press
// leaves, whatever becomes of that; only a press that did not leave, or that
// the station refused outright, needs none.
func (w *work) pulse(ctx context.Context, a *act, r *Result) {
	due := true
	defer func() {
		if due {
			w.release(ctx, a, r)
		}
	}()
	r.Sent, r.Words = w.change(ctx, a, a.request)
	x := r.Sent
	if x == nil || x.Sent == nil || refusedOutright(x) {
		due = false
		return
	}
	from := x.Done
	if !x.Left.IsZero() {
		from = x.Left
	}
	time.Sleep(from.Steady + a.shown.Hold - w.Clock().Steady)
}

// refusedOutright says whether an exception means that nothing was done.
// Source: V1.1b3, 7 (01, 02, 03: the request itself is not allowed).
func refusedOutright(x *decode.Exchange) bool {
	switch x.Response.Exception {
	case frame.IllegalFunction, frame.IllegalDataAddress, frame.IllegalDataValue:
		return x.Cause == regmap.Excepted
	}
	return false
}

// release gives the point back what it held. It is the one request that is sent
// again: a button that stays pressed is worse than one released twice. When
// that does not help, the state is told at once.
func (w *work) release(ctx context.Context, a *act, r *Result) {
	t := a.targets[0]
	end, pause := w.Clock().Steady+ReleaseFor, releaseFirst
	for try := 1; ; try++ {
		w.note(w.releasing(a, try)) // a log that fails does not keep a button pressed
		x, words := w.change(ctx, a, *a.release)
		switch {
		case x != nil && x.Answered() && !w.inDoubt(x.ID):
			return
		case x != nil:
			words = decode.Why(x)
		}
		if w.Clock().Steady+pause > end {
			if back := w.read(ctx, t, t.point); holds(t.point, t.rest, back.Value) {
				return
			}
			r.Held = fmt.Sprintf("%s of %s may still be %s: the release was tried %d times: %s; release it on site",
				a.shown.Point.Name, t.want.Station.Name, As(a.shown.Point, a.shown.To), try, words)
			w.note(w.held(a, r.Held))
			if w.Shout != nil {
				w.Shout(r.Held)
			}
			return
		}
		time.Sleep(pause)
		pause = min(2*pause, releaseMost)
	}
}
