package gate

import (
	"encoding/hex"
	"fmt"

	"plumbline/regmap"
)

// An entry is one line of the audit log. Keys may be added, none renamed.
type entry struct {
	Time    string  `json:"time"`
	Steady  float64 `json:"steady_seconds"`
	Run     string  `json:"run"`
	Event   string  `json:"event"` // begin, asked, refused, sending, release, held, outcome
	User    string  `json:"user,omitempty"`
	Program string  `json:"program,omitempty"`

	LineFile   string `json:"line_file,omitempty"`
	LineDigest string `json:"line_digest,omitempty"`
	Where      string `json:"where,omitempty"`
	MapDigest  string `json:"map_digest,omitempty"`

	Station   string  `json:"station,omitempty"`
	Unit      *int    `json:"unit,omitempty"`
	Point     string  `json:"point,omitempty"`
	Reference string  `json:"reference,omitempty"`
	Address   *int    `json:"address,omitempty"`
	Identity  string  `json:"identity,omitempty"`
	From      string  `json:"from,omitempty"`
	To        string  `json:"to,omitempty"`
	RawTo     string  `json:"raw_to,omitempty"`
	Function  int     `json:"function,omitempty"`
	Request   string  `json:"request,omitempty"` // PDU
	Release   string  `json:"release,omitempty"` // PDU
	Hold      float64 `json:"hold_seconds,omitempty"`
	Also      []entry `json:"stations,omitempty"` // of a broadcast: each station

	Outcome  string `json:"outcome,omitempty"`
	Step     string `json:"step,omitempty"`
	Words    string `json:"words,omitempty"`
	Exchange string `json:"exchange,omitempty"`
	Sent     string `json:"sent,omitempty"`     // ADU
	Received string `json:"received,omitempty"` // ADU, or what came instead
}

// logFirst writes an entry that must be on the disk before anything goes on.
func (w *work) logFirst(e entry) *refusal {
	if w.Log == nil {
		return &refusal{step: Logged, words: "there is no audit log, and nothing is written without one"}
	}
	if err := w.Log.Append(e); err != nil {
		w.logLost = err
		return &refusal{step: Logged, words: fmt.Sprintf("the audit log cannot be written, and nothing is written without it: %s", err)}
	}
	return nil
}

// note writes an entry about what has happened already. When that fails the
// report says so.
func (w *work) note(e entry) {
	if w.Log == nil {
		return
	}
	if err := w.Log.Append(e); err != nil && w.logLost == nil {
		w.logLost = err
	}
}

func (w *work) entry(event string) entry {
	now := w.Clock()
	return entry{Time: now.Wall.UTC().Format("2006-01-02T15:04:05.000000000Z"), Steady: now.Steady.Seconds(), Run: w.run, Event: event}
}

// beginning says who writes, with what, and by which files.
func (w *work) beginning() entry {
	e := w.entry("begin")
	e.User, e.Program = w.User, w.Program
	e.LineFile, e.LineDigest, e.Where = w.Line.File, w.Line.Digest.String(), w.Line.Where()
	return e
}

func (w *work) asking(want Want) entry {
	e := w.entry("asked").of(shownOf(want))
	if w.job.Broadcast {
		e.Words = "as a broadcast"
	}
	return e
}

// of adds what a write is.
func (e entry) of(s Shown) entry {
	if s.Point == nil {
		return e
	}
	e.Point, e.To = s.Point.Name, As(s.Point, s.To)
	e.Unit, e.Address = pointer(int(s.Unit)), pointer(int(s.Point.Address))
	if !s.Point.Derived() {
		e.Reference = regmap.ReferenceOf(s.Point.Table, s.Point.Address).String()
	}
	e.RawTo = hex16(s.RawTo)
	e.Function = int(s.Request.Function)
	e.Request, e.Release, e.Hold = hex.EncodeToString(s.PDU), hex.EncodeToString(s.Release), s.Hold.Seconds()
	if len(s.Targets) == 1 {
		e = e.at(s.Point, s.Targets[0])
	} else {
		for _, t := range s.Targets {
			e.Also = append(e.Also, entry{Unit: pointer(int(t.Station.Unit))}.at(s.Point, t))
		}
	}
	return e
}

// at adds which station it is for, and what stood there.
func (e entry) at(p *regmap.Point, t Target) entry {
	if t.Station != nil {
		e.Station, e.MapDigest = t.Station.Name, t.Station.Map.Digest.String()
	}
	e.Identity = t.Identity
	if t.From.From != nil {
		e.From = As(p, t.From.Value) + " (" + hex16(t.From.Raw) + ")"
	}
	return e
}

func pointer(n int) *int { return &n }

// sending is the line that stands on the disk before the bytes leave.
func (w *work) sending(a *act) entry {
	e := w.entry("sending").of(a.shown)
	e.Words = "about to be sent once, confirmed by name; if no outcome follows it may have been done or not: read the point"
	if a.release != nil {
		e.Words += "; if no release follows it may still be pressed"
	}
	return e
}

func (w *work) releasing(a *act, try int) entry {
	e := w.entry("release").of(a.shown)
	e.Words = fmt.Sprintf("release, try %d", try)
	return e
}

func (w *work) held(a *act, words string) entry {
	e := w.entry("held").of(a.shown)
	e.Words = words
	return e
}

func (w *work) refusing(r Result) entry {
	e := w.entry("refused").of(r.Shown)
	e.Outcome, e.Step, e.Words = r.Outcome.String(), r.Step.String(), r.Words
	return e
}

func (w *work) outcome(r Result) entry {
	e := w.entry("outcome").of(r.Shown)
	e.Outcome, e.Step, e.Words = r.Outcome.String(), r.Step.String(), r.Words
	if x := r.Sent; x != nil {
		e.Exchange, e.Sent, e.Received = x.ID.String(), hex.EncodeToString(x.Sent), hex.EncodeToString(x.Received)
	}
	return e
}
