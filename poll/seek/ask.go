package seek

import (
	"context"
	"errors"
	"sync"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Why a search ends before its time.
var (
	errClient    = errors.New("another client is heard")
	errNoise     = errors.New("bytes come that nobody understands")
	errFallen    = errors.New("a unit fell silent")
	errLost      = errors.New("the line was lost")
	errCancelled = errors.New("stopped")
)

// mostResponse is how far the time limit grows where answers come late; it
// doubles. Ours.
const mostResponse = 3 * time.Second

// renewals is how often a stream that was closed is opened again, in vain,
// before the search ends. Ours.
const renewals = 3

// A seeker is one search.
type seeker struct {
	Config
	report *Report
	tries  map[Settings]*Attempt

	attempt *Attempt
	link    *link.Link
	stream  link.Stream // the link's, for its count of damaged characters
	damaged int
	counted link.Statistics
	late    bool // an answer came after its time
	broken  bool // the stream was closed
	known   map[regmap.Unit]*Unit
	silent  []regmap.Unit // the last units that were silent, at these settings
	next    time.Duration // steady: no request leaves before
	left    time.Duration // of what is planned
	words   string        // for the progress

	mu    sync.Mutex
	notes []decode.Finding // of the link, not looked at yet
}

// hear is the link's sink.
func (s *seeker) hear(e decode.Event) {
	if e.Finding != nil {
		s.mu.Lock()
		s.notes = append(s.notes, *e.Finding)
		s.mu.Unlock()
	}
}

// open begins at settings. The error is the opener's.
func (s *seeker) open(ctx context.Context, at Settings) error {
	s.known, s.silent = map[regmap.Unit]*Unit{}, nil
	return s.dial(ctx, at)
}

// dial makes a link, in the place of the one before.
func (s *seeker) dial(ctx context.Context, at Settings) error {
	s.close()
	k, err := link.New(link.Config{
		Dial: func(ctx context.Context) (link.Stream, error) {
			stream, err := s.Open(ctx, at)
			if err == nil {
				s.mu.Lock()
				s.stream, s.damaged = stream, damagedOf(stream)
				s.mu.Unlock()
			}
			return stream, err
		},
		Framing: at.Framing, Serial: at.Serial, Timing: s.timing(at), Slots: 1, Gateway: true,
		Clock: s.Clock, Sink: s.hear,
	})
	if err != nil {
		return err
	}
	if err := k.Open(ctx); err != nil {
		k.Close()
		return err
	}
	s.link, s.counted, s.late, s.broken = k, link.Statistics{}, false, false
	return nil
}

// renew opens the stream again after it was closed: some devices close a
// connection rather than stay silent. A link would wait longer each time.
func (s *seeker) renew(ctx context.Context) error {
	for try := 1; ; try++ {
		if !s.sleep(ctx, time.Duration(try)*s.Interval) {
			return errCancelled
		}
		err := s.dial(ctx, s.attempt.Settings)
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			return errCancelled
		case try == renewals:
			s.attempt.Closed = err.Error()
			return errLost
		}
	}
}

// close closes the link at these settings, if there is one.
func (s *seeker) close() {
	if s.link != nil {
		s.link.Close()
		s.link = nil
	}
}

// A reply is how one request ended.
type reply struct {
	*decode.Exchange
	Class
}

// ask sends one request, in its time. A unit that answered before and is lost
// now is asked once more what it had answered: two silences in a row end the
// search, unless it is to go on.
func (s *seeker) ask(ctx context.Context, u regmap.Unit, q frame.Request) (reply, error) {
	known := s.known[u]
	timing := s.timing(s.attempt.Settings)
	if known != nil {
		timing = s.patient()
	}
	r, err := s.once(ctx, u, q, timing)
	if err != nil || known == nil || !r.lost() || s.GoOn {
		return r, err
	}
	again, err := s.once(ctx, u, known.good, timing)
	if err == nil && again.lost() {
		s.report.Fallen = u
		err = errFallen
	}
	return r, err
}

// once sends one request and looks at what came.
func (s *seeker) once(ctx context.Context, u regmap.Unit, q frame.Request, timing line.Timing) (reply, error) {
	s.Progress(Progress{Settings: s.attempt.Settings, Unit: u, Words: s.words, Requests: s.report.Requests, Left: s.left})
	if !s.sleep(ctx, s.next-s.Clock().Steady) {
		return reply{}, errCancelled
	}
	if s.broken {
		if err := s.renew(ctx); err != nil {
			return reply{}, err
		}
	}
	x, err := s.link.Ask(ctx, u, q, link.With(timing), link.Once())
	if err != nil {
		return reply{}, err
	}
	before, after := s.counted, s.link.Statistics()
	s.counted = after
	s.late = s.late || after.Late+after.Unowed > before.Late+before.Unowed
	s.next = max(x.Asked.Steady, x.Left.Steady) + s.Interval // it may have waited for the line
	if x.Cause == regmap.Interrupted {
		return reply{}, errCancelled
	}
	s.report.Requests += int(after.Sent - before.Sent)
	r := reply{x, classify(x, after.Echoes > before.Echoes)}
	s.attempt.note(x, r.Class)
	s.countDamaged()
	s.broken = r.Class == Hangup
	if !x.First.IsZero() && s.known[u] != nil {
		s.known[u].Slowest = max(s.known[u].Slowest, x.First.Sub(x.Left))
	}
	return r, s.heed()
}

// countDamaged notes the damaged characters that came since the last look.
func (s *seeker) countDamaged() {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := damagedOf(s.stream)
	s.attempt.Damaged += n - s.damaged
	s.damaged = n
}

// heed looks at what the link noticed: another client ends the search.
func (s *seeker) heed() error {
	s.mu.Lock()
	notes := s.notes
	s.notes = nil
	s.mu.Unlock()
	client := false
	for _, f := range notes {
		client = client || f.Code == "second-client"
		s.sign(f)
	}
	if client {
		if !s.Share {
			return errClient
		}
		s.report.Shared = true
	}
	return nil
}

// sign keeps a finding, each one of a code and subject once.
func (s *seeker) sign(f decode.Finding) {
	for _, have := range s.report.Signs {
		if have.Code == f.Code && have.Subject == f.Subject {
			return
		}
	}
	s.report.Signs = append(s.report.Signs, f)
}

// sleep waits and says whether it waited it out.
func (s *seeker) sleep(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
