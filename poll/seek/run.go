package seek

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

const (
	strayBytes  = 8  // so many bytes in the silence before are a switching spike, no traffic. Ours
	aliveEvery  = 16 // silent units, after which a known one is asked whether it is still well. Ours
	garbledAsks = 2  // more requests to a unit whose answer was damaged
)

// Run searches. The Report is never nil unless there is an error: one that
// wraps ErrConfig, or why no stream could be opened at any of the settings.
func Run(ctx context.Context, c Config) (*Report, error) {
	if err := c.complete(); err != nil {
		return nil, err
	}
	outlook, err := c.Outlook()
	if err != nil {
		return nil, err
	}
	s := &seeker{Config: c, report: &Report{}, tries: map[Settings]*Attempt{}, left: outlook.Worst}
	s.Order = slices.Clone(c.Order)
	began := s.Clock()
	defer s.close()
	err = s.run(ctx)
	s.report.Elapsed = s.Clock().Sub(began)
	if s.report.End, err = end(err); err != nil {
		return nil, err
	}
	s.conclude()
	return s.report, nil
}

// end turns what ended a search into its End; other errors stay.
func end(err error) (End, error) {
	switch {
	case err == nil:
		return Finished, nil
	case errors.Is(err, errClient):
		return OtherClient, nil
	case errors.Is(err, errNoise):
		return Unexplained, nil
	case errors.Is(err, errFallen):
		return FellSilent, nil
	case errors.Is(err, errLost):
		return LineLost, nil
	case errors.Is(err, errCancelled), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return Interrupted, nil
	}
	return 0, err
}

func (s *seeker) run(ctx context.Context) error {
	if err := s.listenFirst(ctx); err != nil {
		return err
	}
	few, rest := s.usual()
	opened, failed := false, error(nil)
	for _, at := range s.Order {
		err := s.try(ctx, at, few, "usual units")
		var cannot openError
		switch {
		case errors.As(err, &cannot):
			if failed == nil {
				failed = cannot.err // the others say the same again
			}
			continue
		case err != nil:
			return err
		}
		opened = true
		if s.report.Found == nil && s.attempt.Seen[NoPath] > 0 {
			err = s.units(ctx, rest, "all units") // a gateway speaks this framing
		}
		if err != nil || s.report.Found != nil {
			return s.settled(ctx, err)
		}
	}
	if !opened {
		return failed
	}
	return s.deeper(ctx, rest)
}

// deeper asks the other units at the settings most likely.
func (s *seeker) deeper(ctx context.Context, rest []regmap.Unit) error {
	if len(rest) == 0 {
		return nil
	}
	s.left = 0
	for _, at := range s.deep() {
		s.left += time.Duration(len(rest)) * s.probeTime(at)
	}
	for _, at := range s.deep() {
		if a := s.tries[at]; a != nil && a.Seen[NoPath] > 0 {
			continue // all were asked there
		}
		err := s.try(ctx, at, rest, "all units")
		var cannot openError
		if errors.As(err, &cannot) {
			continue
		}
		if err != nil || s.report.Found != nil {
			return s.settled(ctx, err)
		}
	}
	return nil
}

// An openError says that a stream could not be opened at some settings.
type openError struct{ err error }

func (e openError) Error() string { return e.err.Error() }

// try asks units at settings until one is found there. The link stays open.
func (s *seeker) try(ctx context.Context, at Settings, units []regmap.Unit, words string) error {
	s.close()
	a := s.tries[at]
	if a == nil {
		a = &Attempt{Settings: at}
		s.tries[at] = a
		s.report.Tried = append(s.report.Tried, a)
	}
	s.attempt = a
	if at.Network() && at.Framing != line.MBAP && s.Quiet > 0 && a.Asked == 0 {
		// A serial line lies behind such a network.
		if h, err := s.listen(ctx, at); err != nil {
			return s.cannot(ctx, a, err)
		} else if err := s.judge(h); err != nil {
			return err
		}
	}
	if err := s.open(ctx, at); err != nil {
		return s.cannot(ctx, a, err)
	}
	return s.units(ctx, units, words)
}

// cannot notes that settings could not be opened.
func (s *seeker) cannot(ctx context.Context, a *Attempt, err error) error {
	if ctx.Err() != nil {
		return errCancelled
	}
	a.Closed = err.Error()
	return openError{err}
}

// units asks units at the open settings, until one is found.
func (s *seeker) units(ctx context.Context, units []regmap.Unit, words string) error {
	s.words = words
	for _, u := range units {
		if slices.Contains(s.attempt.asked, u) {
			continue
		}
		ok, err := s.meet(ctx, u)
		if err != nil {
			return err
		}
		s.left -= s.probeTime(s.attempt.Settings)
		if ok {
			found := s.attempt.Settings
			s.report.Found = &found
			return nil
		}
	}
	return nil
}

// meet asks a unit for the first time at these settings, and says whether it is
// there.
func (s *seeker) meet(ctx context.Context, u regmap.Unit) (bool, error) {
	s.attempt.asked = append(s.attempt.asked, u)
	r, err := s.ask(ctx, u, probe)
	if err != nil {
		return false, err
	}
	if s.late && !r.fits() {
		return s.again(ctx)
	}
	switch {
	case r.fits():
		return s.confirm(ctx, u, r)
	case r.Class == Garbage:
		s.attempt.garbled = append(s.attempt.garbled, Garbled{u, r.Exchange})
	case r.Class == Silence:
		s.silent = append(s.silent, u)
	}
	return false, nil
}

// again asks the last silent units once more with a longer limit: the answer of
// one of them came after its time.
func (s *seeker) again(ctx context.Context) (bool, error) {
	late := s.silent[max(0, len(s.silent)-3):]
	late = append(slices.Clone(late), s.attempt.asked[len(s.attempt.asked)-1])
	s.silent, s.late = nil, false
	s.Response = min(2*s.Response, mostResponse)
	any := false
	for _, u := range late {
		r, err := s.once(ctx, u, probe, s.patient())
		if err != nil {
			return any, err
		}
		if r.fits() {
			ok, err := s.confirm(ctx, u, r)
			if any = any || ok; err != nil {
				return any, err
			}
			s.sign(decode.Finding{
				Code: "answers-late", Subject: subject(u), Claim: decode.Settled, Evidence: []decode.ID{r.ID},
				Words: fmt.Sprintf("unit %d answers late: its answer came after the time limit; with %s it came in time", u, decode.Seconds(s.Response)),
				Do:    "give it a longer response time in the line file; other slow units may be missed: search again with --response " + (2 * s.Response).String(),
			})
		}
	}
	return any, nil
}

// settled goes on at the settings that were found: all units, what they are,
// and their addresses.
func (s *seeker) settled(ctx context.Context, err error) error {
	if err != nil {
		return err
	}
	if err := s.every(ctx); err != nil {
		return err
	}
	s.report.Whole = !s.report.Ignores
	s.left = time.Duration(len(s.report.Units)*(mostObjectAsks+1)) * s.Interval
	for _, u := range s.report.Units {
		if err := s.card(ctx, u); err != nil {
			return err
		}
	}
	if s.Scan == nil {
		return nil
	}
	for i, u := range s.report.Units {
		s.left = time.Duration((len(s.report.Units)-i)*len(tables)*s.Scan.bound()) * s.Interval
		if err := s.scan(ctx, u); err != nil {
			return err
		}
	}
	return nil
}

// every asks all units that may be asked and were not yet.
func (s *seeker) every(ctx context.Context) error {
	s.words = "all units"
	if ignores, err := s.ignores(ctx); ignores || err != nil {
		return err
	}
	for _, g := range s.attempt.garbled {
		if err := s.garbled(ctx, g); err != nil {
			return err
		}
	}
	var todo []regmap.Unit
	for _, u := range s.Units {
		if !slices.Contains(s.attempt.asked, u) {
			todo = append(todo, u)
		}
	}
	t := s.probeTime(s.attempt.Settings)
	for i, u := range todo {
		s.left = time.Duration(len(todo)-i) * t
		if i%aliveEvery == aliveEvery-1 {
			first := s.report.Units[0]
			if _, err := s.ask(ctx, first.Number, first.good); err != nil {
				return err
			}
		}
		before := len(s.attempt.garbled)
		if _, err := s.meet(ctx, u); err != nil {
			return err
		}
		if len(s.attempt.garbled) > before {
			if err := s.garbled(ctx, s.attempt.garbled[before]); err != nil {
				return err
			}
		}
	}
	return nil
}

// garbled asks a unit again whose answer was damaged, to tell two stations with
// one number from a single accident.
func (s *seeker) garbled(ctx context.Context, g Garbled) error {
	for range garbledAsks {
		r, err := s.once(ctx, g.Unit, probe, s.patient())
		if err != nil {
			return err
		}
		switch {
		case r.fits():
			_, err := s.confirm(ctx, g.Unit, r)
			return err
		case r.Class != Garbage:
			return nil
		}
	}
	s.report.Garbled = append(s.report.Garbled, g)
	return nil
}

// ignores says whether a device in a network answers to numbers that nobody has.
// Source of the field's meaning: TCP guide V1.0b, 4.4.1.2.
func (s *seeker) ignores(ctx context.Context) (bool, error) {
	if !s.attempt.Settings.Network() {
		return false, nil
	}
	first, strange := s.report.Units[0], 0
	for _, u := range []regmap.Unit{211, 138} {
		if !slices.Contains(s.Units, u) || u == first.Number {
			return false, nil
		}
		r, err := s.once(ctx, u, first.good, s.patient())
		if err != nil {
			return false, err
		}
		if r.fits() {
			strange++
		}
	}
	if strange < 2 {
		return false, nil
	}
	s.report.Ignores = true
	s.sign(decode.Finding{
		Code: "number-ignored", Subject: subject(first.Number), Claim: decode.Likely,
		Words: "the device answers to numbers that nobody is likely to have (211 and 138): it ignores the unit number, and the other numbers were not asked",
		Do:    "use 255, or the number that its manual names",
	})
	return true, nil
}
