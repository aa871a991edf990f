package gate

import (
	"context"
	"fmt"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/poll/link"
	"plumbline/regmap"
)

// carryOut looks once more, uses up the confirmation, writes the audit line,
// sends the request once, and reads back. begun is when the job's first write
// was due: confirmations must be young enough then.
func (w *work) carryOut(ctx context.Context, a *act, begun decode.Stamp) Result {
	now, no := w.lookAgain(ctx, a)
	if no == nil {
		if err := a.consent.redeem(begun, now.shown.digest()); err != nil {
			no = a.refused(Confirmed, "%s%s", err, changes(a, now))
		}
	}
	if no == nil {
		now.shown, a = a.shown, now
		no = w.logFirst(w.sending(a))
	}
	if no == nil {
		no = a.fresh(w.Clock())
	}
	if no == nil && ctx.Err() != nil {
		no = a.refused(Sent, "stopped before it was sent")
	}
	if no != nil {
		r := no.result(w.job)
		r.Shown = a.shown
		w.note(w.refusing(r))
		return r
	}
	// What has left is seen to its end: everything from here on is bounded in
	// time by the link.
	r := w.send(context.WithoutCancel(ctx), a)
	w.note(w.outcome(r))
	return r
}

// lookAgain takes a write through the first four steps once more: what was
// shown may have been shown a while ago.
func (w *work) lookAgain(ctx context.Context, a *act) (*act, *refusal) {
	wants := make([]Want, 0, len(a.targets))
	for _, t := range a.targets {
		wants = append(wants, t.want)
	}
	prepare := func() (*act, *refusal) { return w.prepare(ctx, wants[0]) }
	if w.job.Broadcast {
		prepare = func() (*act, *refusal) { return w.prepareAll(ctx, wants) }
	}
	now, no := prepare()
	if no != nil && no.want == nil {
		no.want = &wants[0]
	}
	return now, no
}

// changes says what is no longer as it was shown; empty when all is.
func changes(a, now *act) string {
	for i, t := range now.targets {
		was, is := a.targets[i].from, t.from
		if contentOf(was.Value) != contentOf(is.Value) {
			return fmt.Sprintf(": %s was %s and is now %s", a.shown.Point.Name, As(a.shown.Point, was.Value), As(a.shown.Point, is.Value))
		}
	}
	if string(a.shown.PDU) != string(now.shown.PDU) {
		return fmt.Sprintf(": the request would be %x, shown was %x", now.shown.PDU, a.shown.PDU)
	}
	return ""
}

// fresh: what was read is still young when the bytes are about to leave.
func (a *act) fresh(now decode.Stamp) *refusal {
	for _, t := range a.targets {
		if words, old := t.age(now); old {
			return a.refused(Moment, "%s", words)
		}
	}
	return nil
}

// send sends an act once and finds out what became of it.
func (w *work) send(ctx context.Context, a *act) Result {
	r := Result{Shown: a.shown, Cause: regmap.NoCause}
	if a.release != nil {
		w.pulse(ctx, a, &r)
	} else {
		r.Sent, r.Words = w.change(ctx, a, a.request)
	}
	for _, t := range a.targets {
		w.changed[t.want.Station.Unit] = false // it was asked about, and confirmed
	}
	x := r.Sent
	if x == nil || x.Sent == nil {
		r.Outcome, r.Step = NotSent, Sent
		if x != nil {
			r.Cause, r.Words = x.Cause, "nothing was sent: "+decode.Why(x)
		}
		return r
	}
	w.waitOut(a, x)
	for _, t := range a.targets {
		r.Backs = append(r.Backs, w.readBack(ctx, t, x.Cause != regmap.Excepted))
	}
	w.judge(a, &r)
	return r
}

// change sends one request, once: a permit serves once, and the link repeats no
// change. words say why it could not be given to the link.
func (w *work) change(ctx context.Context, a *act, q frame.Request) (x *decode.Exchange, words string) {
	pdu, err := q.Append(nil)
	if err == nil {
		x, err = w.Link.Change(ctx, a.unit, q, permit.New(a.unit, pdu), link.With(a.timing), link.Urgent())
	}
	if err != nil {
		return nil, "nothing was sent: " + err.Error()
	}
	return x, ""
}

// known says whether the station said what became of a change.
func known(x *decode.Exchange) bool { return x.Answered() || x.Cause == regmap.Excepted }

// waitOut waits until an answer that was lost can no longer be on its way, and
// a request that was held up somewhere can no longer be carried out.
func (w *work) waitOut(a *act, x *decode.Exchange) {
	if known(x) || a.unit == regmap.Broadcast && a.broadcast() {
		return
	}
	left := x.Left
	if left.IsZero() {
		left = x.Done
	}
	n, _ := frame.AnswerLength(x.Request)
	answer := time.Duration(frame.ADULength(w.Line.Framing, n)) * frame.CharTime(w.Line.Serial, w.Line.Framing)
	time.Sleep(left.Steady + a.timing.LateHorizon(answer) - w.Clock().Steady)
}

// readBack reads until the point shows what it is to show, or its time is over;
// only once where nothing is to be waited for.
func (w *work) readBack(ctx context.Context, t *target, wait bool) decode.Reading {
	p, own := t.point, true
	if b := t.want.Point.Write.ReadBack; b != "" && b != p.Name {
		p, own = t.want.Station.Map.Point(b), false
	}
	within := OtherReadBack
	if own {
		within = OwnReadBack
	}
	end := w.Clock().Steady + within
	for {
		r := w.read(ctx, t, p)
		if !wait || t.fits(r, own) && !w.inDoubt(r.From.ID) || w.Clock().Steady+readBackEvery > end {
			return r
		}
		time.Sleep(readBackEvery)
	}
}

// fits says whether a reading is what the write was to bring about: of the
// point itself to the bit, of another to one step of that point.
func (t *target) fits(r decode.Reading, own bool) bool {
	if r.Value.Quality() != regmap.Good || r.From == nil {
		return false
	}
	want := t.want.Value
	if t.rest.Kind() != regmap.None && own {
		want = t.rest
	}
	if own {
		return holds(fixed(t.want.Point, r), want, r.Value)
	}
	return near(fixed(r.Point, r), want, r.Value)
}

// judge says how a write ended.
func (w *work) judge(a *act, r *Result) {
	x := r.Sent
	fit, readable := true, true
	var backs string
	for i, t := range a.targets {
		back := r.Backs[i]
		own := back.Point.Name == t.want.Point.Name
		fit = fit && t.fits(back, own)
		readable = readable && back.Value.Quality() == regmap.Good
		if backs != "" {
			backs += ", "
		}
		backs += t.backWords(back)
	}
	silent := a.broadcast()
	r.Cause = x.Cause
	switch {
	case x.Cause == regmap.Excepted:
		r.Outcome, r.Step, r.Words = Failed, Sent, fmt.Sprintf("the station refused it: %s; %s", decode.ExceptionWords(x.Response.Exception), backs)
	case !x.Answered() && !silent, w.inDoubt(x.ID):
		r.Outcome, r.Step, r.Words = Unknown, Sent, fmt.Sprintf("it was sent, and whether it was done is not known: %s; %s; it was not sent again", decode.Why(x), backs)
	case fit && r.Held == "":
		r.Outcome, r.Words, r.Cause = Done, backs, regmap.NoCause
	case !readable:
		r.Outcome, r.Step, r.Words = Unknown, ReadBackStep, "the station confirmed it, and it could not be read back: "+backs
	case !fit:
		r.Outcome, r.Step, r.Words = Failed, ReadBackStep, fmt.Sprintf("it was sent as %s, and %s", As(a.shown.Point, a.shown.To), backs)
	default:
		r.Outcome, r.Step, r.Words = Failed, Pulse, r.Held
	}
	if silent && r.Outcome == Unknown {
		r.Words = "a broadcast is not answered, and not every station could be read: " + backs
	}
	if r.Held != "" && r.Outcome != Done && r.Step != Pulse {
		r.Words += "; " + r.Held
	}
}

// backWords is what was read back, in words.
func (t *target) backWords(r decode.Reading) string {
	name := r.Point.Name
	if r.Value.Quality() == regmap.Bad {
		return fmt.Sprintf("%s of %s could not be read: %s", name, t.want.Station.Name, r.Reason)
	}
	s := fmt.Sprintf("%s of %s reads %s", name, t.want.Station.Name, As(r.Point, r.Value))
	if r.Reason != "" {
		s += " (" + r.Reason + ")"
	}
	return s
}
