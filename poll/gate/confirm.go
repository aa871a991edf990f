package gate

import (
	"context"
	"errors"
	"fmt"
	"time"

	"plumbline/decode"
)

// A consent is a person's word for exactly what was shown. It serves once.
type consent struct {
	of   [32]byte
	at   time.Duration // steady
	used bool
}

// The errors of redeem.
var (
	errUsed    = errors.New("the confirmation was used already")
	errExpired = errors.New("the confirmation is too old")
	errChanged = errors.New("it is no longer what was shown")
)

// redeem uses a consent for what is about to be done.
func (c *consent) redeem(now decode.Stamp, of [32]byte) error {
	switch age := now.Steady - c.at; {
	case c.used:
		return errUsed
	case age > MaxConsent:
		return fmt.Errorf("%w: %s, at most %s", errExpired, decode.Seconds(age), decode.Seconds(MaxConsent))
	case c.of != of:
		return errChanged
	}
	c.used = true
	return nil
}

// confirmed asks for each write, and once more for each station that nothing
// proves to be the right one.
func (w *work) confirmed(ctx context.Context) *refusal {
	for _, a := range w.acts {
		for _, q := range w.questions(a) {
			typed, err := w.Confirm(ctx, q)
			switch {
			case err != nil:
				return a.refused(Confirmed, "it was not confirmed: %s", err)
			case typed == "":
				return a.refused(Confirmed, "it was not confirmed; %s was asked for", q.Wants)
			case typed != q.Wants && (q.Also == "" || typed != q.Also):
				return a.refused(Confirmed, "%q was typed, and %s was asked for", typed, q.Wants)
			}
		}
		a.consent = consent{of: a.shown.digest(), at: w.Clock().Steady}
		if ctx.Err() != nil {
			return a.refused(Confirmed, "stopped before it was sent")
		}
	}
	return nil
}

// questions are what must be confirmed of a write. Where several stations have
// a point of that name, the name alone does not say which is meant.
func (w *work) questions(a *act) []Question {
	q := Question{Wants: a.shown.Point.Name, Also: a.shown.Name(), Why: "to write it", Shown: a.shown}
	switch {
	case a.broadcast():
		q.Also, q.Why = "", fmt.Sprintf("to write it in all %d stations at once", len(a.targets))
	case w.stationsWith(q.Wants) > 1:
		q.Wants, q.Also = q.Also, ""
	}
	questions := []Question{q}
	for _, t := range a.targets {
		if t.unproven != "" {
			questions = append(questions, Question{Wants: t.want.Station.Name, Why: t.unproven, Shown: a.shown})
		}
	}
	return questions
}

// stationsWith is how many stations of the line have a point of a name.
func (w *work) stationsWith(point string) (n int) {
	for _, s := range w.Line.Stations {
		if s.Map.Point(point) != nil {
			n++
		}
	}
	return n
}

func (a *act) refused(s Step, format string, args ...any) *refusal {
	return &refusal{step: s, want: &a.targets[0].want, words: fmt.Sprintf(format, args...)}
}
