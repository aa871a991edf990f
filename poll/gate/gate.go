package gate

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/internal/permit"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// What holds where the map names no time; all but the first two are ours.
const (
	// MaxAge is how old what was read may be when the write leaves.
	MaxAge = 5 * time.Second
	// MaxConsent is how long a confirmation serves.
	MaxConsent = 60 * time.Second
	// OwnReadBack is how long a point may take to show its own new value, and
	// OtherReadBack how long another point, which the map names to be read
	// back: a machine moves before its feedback does.
	OwnReadBack   = time.Second
	OtherReadBack = 5 * time.Second
	readBackEvery = 200 * time.Millisecond
	// ReleaseFor is how long the release of a pulse is tried again.
	ReleaseFor   = 30 * time.Second
	releaseFirst = 200 * time.Millisecond
	releaseMost  = 2 * time.Second
)

// A Link makes exchanges; *link.Link is one.
type Link interface {
	Ask(ctx context.Context, u regmap.Unit, q frame.Request, opts ...link.Option) (*decode.Exchange, error)
	Change(ctx context.Context, u regmap.Unit, q frame.Request, p permit.Permit, opts ...link.Option) (*decode.Exchange, error)
}

// A Log takes audit entries. Append returns once the entry is on the disk;
// *safefile.Log is one.
type Log interface{ Append(entry any) error }

// Config is what a gate needs. Line, Link, Clock, Show and Confirm must be set.
type Config struct {
	Line  *line.Line
	Link  Link
	Clock decode.Clock
	Log   Log // nil: nothing is written to the plant

	// Show puts what is about to happen before a person, all of it.
	Show func([]Shown)
	// Confirm asks for one confirmation and gives the text that was typed. An
	// error means that nobody could be asked.
	Confirm func(context.Context, Question) (string, error)
	// Shout tells at once what must not wait for the report: a button that may
	// still be pressed. nil: it is only in the report.
	Shout func(words string)

	User, Program string // for the log
}

// A Gate writes to the stations of one line, one job at a time.
type Gate struct {
	Config
	run string

	one     sync.Mutex // a job
	begun   bool       // the log knows the run
	changed map[regmap.Unit]bool

	mu     sync.Mutex
	doubts []link.Doubt
}

// ErrConfig is wrapped by the error of New.
var ErrConfig = errors.New("the gate cannot be made")

// New makes a gate. It reads and writes nothing.
func New(c Config) (*Gate, error) {
	if c.Line == nil || c.Link == nil || c.Clock == nil || c.Show == nil || c.Confirm == nil {
		return nil, fmt.Errorf("%w: line, link, clock, show and confirm must be given", ErrConfig)
	}
	return &Gate{Config: c, run: fmt.Sprintf("%08x", uint32(decode.NewSource())), changed: map[regmap.Unit]bool{}}, nil
}

// A Want is a point and the value that it is to have.
type Want struct {
	Station *line.Station // of the gate's line
	Point   *regmap.Point // of the station's map
	Value   regmap.Value
}

// A Job is what one call of Write is to do.
type Job struct {
	Wants     []Want // in this order
	Broadcast bool   // one broadcast; Wants holds the same point of every station of the line
	DryRun    bool   // every step up to the log
}

// Write takes a job through the gate. It returns when all is written and read
// back, or at the first failure. Once a write has left, the end of ctx no
// longer stops it: it is seen to its end.
func (g *Gate) Write(ctx context.Context, job Job) Report {
	g.one.Lock()
	defer g.one.Unlock()
	w := &work{Gate: g, job: job}
	if no := w.pass(ctx); no != nil {
		w.refuse(no)
	}
	return w.report()
}

// A work is one job while it passes the gate.
type work struct {
	*Gate
	job     Job
	acts    []*act
	results []Result
	logLost error
}

// pass goes through the steps in their order.
func (w *work) pass(ctx context.Context) *refusal {
	for _, step := range []func(context.Context) *refusal{w.asked, w.checked, w.shown, w.confirmed} {
		if no := step(ctx); no != nil {
			return no
		}
	}
	if w.job.DryRun {
		for _, a := range w.acts {
			w.results = append(w.results, Result{Shown: a.shown, Outcome: Checked, Words: "nothing was sent: this was a dry run"})
		}
		return nil
	}
	return w.carriedOut(ctx)
}

// asked notes in the log what is asked for; without a log nothing goes on.
func (w *work) asked(context.Context) *refusal {
	if len(w.job.Wants) == 0 {
		return &refusal{step: Several, words: "nothing is to be written"}
	}
	if w.job.DryRun {
		return nil
	}
	if !w.begun {
		if no := w.logFirst(w.beginning()); no != nil {
			return no
		}
		w.begun = true
	}
	for _, want := range w.job.Wants {
		if no := w.logFirst(w.asking(want)); no != nil {
			return no
		}
	}
	return nil
}

// checked holds every write against the first four steps before any is sent.
func (w *work) checked(ctx context.Context) *refusal {
	if no := w.togetherAllowed(); no != nil {
		return no
	}
	if w.job.Broadcast {
		a, no := w.prepareAll(ctx, w.job.Wants)
		w.acts = []*act{a}
		return no
	}
	for _, want := range w.job.Wants {
		a, no := w.prepare(ctx, want)
		if no != nil {
			no.want = &want
			return no
		}
		w.acts = append(w.acts, a)
	}
	return nil
}

// togetherAllowed refuses a point that is named twice: which value is meant to
// stand in the end is not sure.
func (w *work) togetherAllowed() *refusal {
	for i, a := range w.job.Wants {
		for _, b := range w.job.Wants[:i] {
			if a.Station == b.Station && a.Point == b.Point {
				return &refusal{step: Several, want: &a, words: a.Point.Name + " is named twice"}
			}
		}
	}
	return nil
}

// shown puts all of it before the person.
func (w *work) shown(context.Context) *refusal {
	all := make([]Shown, 0, len(w.acts))
	for _, a := range w.acts {
		all = append(all, a.shown)
	}
	w.Show(all)
	return nil
}

// carriedOut sends one write after the other and stops at the first that is
// not done.
func (w *work) carriedOut(ctx context.Context) *refusal {
	begun := w.Clock()
	for _, a := range w.acts {
		r := w.carryOut(ctx, a, begun)
		w.results = append(w.results, r)
		if r.Outcome != Done {
			break
		}
	}
	return nil
}

// refuse makes a refusal the result of the write that it is about.
func (w *work) refuse(no *refusal) {
	r := no.result(w.job)
	w.results = append(w.results, r)
	if !w.job.DryRun && w.logLost == nil {
		w.note(w.refusing(r))
	}
}

// report is the results in the job's order, with those that were not come to.
func (w *work) report() Report {
	rep := Report{LogError: w.logLost}
	if w.job.Broadcast || len(w.job.Wants) == 0 {
		rep.Results = w.results
		return rep
	}
	for _, want := range w.job.Wants {
		r := Result{Shown: shownOf(want), Outcome: NotTried, Words: "not done, because of another that stopped the job"}
		for _, one := range w.results {
			if one.Shown.Point == want.Point && one.Shown.Targets[0].Station == want.Station {
				r = one
			}
		}
		rep.Results = append(rep.Results, r)
	}
	return rep
}

// Doubt tells the gate what its link came to doubt; it returns at once.
func (g *Gate) Doubt(d link.Doubt) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.doubts = append(g.doubts, d)
}

// inDoubt says whether any of these exchanges came into doubt.
func (g *Gate) inDoubt(ids ...decode.ID) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, d := range g.doubts {
		for _, id := range ids {
			if id.Source == d.First.Source && d.First.Number <= id.Number && id.Number <= d.Last.Number {
				return true
			}
		}
	}
	return false
}
