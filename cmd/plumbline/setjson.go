package main

import (
	"encoding/hex"
	"encoding/json"

	"plumbline/decode"
	"plumbline/poll/gate"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// setJSON is the document of set. Keys may be added, none renamed.
type setJSON struct {
	Format    int        `json:"format"`
	Line      string     `json:"line"`
	Where     string     `json:"where"`
	DryRun    bool       `json:"dry_run"`
	Broadcast bool       `json:"broadcast"`
	Audit     *string    `json:"audit"`
	OK        bool       `json:"ok"`
	LogError  *string    `json:"log_error"`
	Writes    []setWrite `json:"writes"`
}

// setWrite is one write: where to, what, and how it ended.
type setWrite struct {
	Point     string          `json:"point"`
	Unit      int             `json:"unit"`
	Reference string          `json:"reference"`
	Address   int             `json:"address"`
	Units     string          `json:"units"`
	To        json.RawMessage `json:"to"`
	ToShown   string          `json:"to_shown"`
	RawTo     []uint16        `json:"raw_to"`
	Function  *int            `json:"function"`
	Request   *string         `json:"request"` // PDU
	Release   *string         `json:"release"` // PDU
	Hold      float64         `json:"hold_seconds"`
	Starts    string          `json:"starts"`
	Notes     []string        `json:"notes"`
	Stations  []setStation    `json:"stations"`

	Outcome  string        `json:"outcome"`
	Step     *string       `json:"step"`
	Words    string        `json:"words"`
	Cause    *string       `json:"cause"`
	Held     *string       `json:"held"`
	Exchange *string       `json:"exchange"`
	Sent     *string       `json:"sent"`
	Received *string       `json:"received"`
	ReadBack []setReadBack `json:"read_back"`
}

// setStation is one station that a write is for, and what stood there.
type setStation struct {
	Station   string          `json:"station"`
	Unit      int             `json:"unit"`
	Identity  *string         `json:"identity"`
	From      json.RawMessage `json:"from"`
	FromShown *string         `json:"from_shown"`
	RawFrom   []uint16        `json:"raw_from"`
}

// setReadBack is what a station showed afterwards.
type setReadBack struct {
	Station string          `json:"station"`
	Point   string          `json:"point"`
	Value   json.RawMessage `json:"value"`
	Shown   *string         `json:"shown"`
	Units   string          `json:"units"`
	Quality string          `json:"quality"`
	Cause   *string         `json:"cause"`
	Raw     []uint16        `json:"raw"`
}

func setDocument(l *line.Line, f setFlags, rep gate.Report) setJSON {
	d := setJSON{Format: 1, Line: l.Name, Where: l.Where(), DryRun: f.dryRun, Broadcast: f.broadcast, OK: rep.OK(), Writes: []setWrite{}}
	if !f.dryRun {
		d.Audit = ptr(auditName(l, f))
	}
	if rep.LogError != nil {
		d.LogError = ptr(rep.LogError.Error())
	}
	for _, r := range rep.Results {
		d.Writes = append(d.Writes, setWriteOf(r))
	}
	return d
}

func setWriteOf(r gate.Result) setWrite {
	s := r.Shown
	w := setWrite{
		Point: s.Point.Name, Unit: int(s.Unit), Reference: reference(s.Point), Address: int(s.Point.Address), Units: s.Point.Units,
		To: jsonValue(s.To), ToShown: s.Point.Shown(s.To), RawTo: s.RawTo, Hold: s.Hold.Seconds(), Starts: s.Starts, Notes: append([]string{}, s.Notes...),
		Request: orNull(hex.EncodeToString(s.PDU)), Release: orNull(hex.EncodeToString(s.Release)),
		Outcome: r.Outcome.String(), Step: orNull(r.Step.String()), Words: r.Words, Cause: orNull(r.Cause.String()), Held: orNull(r.Held),
		Stations: []setStation{}, ReadBack: []setReadBack{},
	}
	if len(s.PDU) > 0 {
		w.Function = ptr(int(s.Request.Function))
	}
	for _, t := range s.Targets {
		w.Stations = append(w.Stations, setStationOf(s.Point, t))
	}
	if x := r.Sent; x != nil {
		w.Exchange, w.Sent, w.Received = orNull(x.ID.String()), orNull(hex.EncodeToString(x.Sent)), orNull(hex.EncodeToString(x.Received))
	}
	for _, b := range r.Backs {
		w.ReadBack = append(w.ReadBack, setReadBackOf(b))
	}
	return w
}

func setStationOf(p *regmap.Point, t gate.Target) setStation {
	s := setStation{Station: t.Station.Name, Unit: int(t.Station.Unit), Identity: orNull(t.Identity), From: jsonValue(t.From.Value), RawFrom: t.From.Raw}
	if t.From.Value.Kind() != regmap.None {
		s.FromShown = ptr(p.Shown(t.From.Value))
	}
	return s
}

func setReadBackOf(b decode.Reading) setReadBack {
	r := setReadBack{Station: b.Station, Point: b.Point.Name, Value: jsonValue(b.Value), Units: b.Point.Units,
		Quality: b.Value.Quality().String(), Cause: orNull(b.Value.Cause().String()), Raw: b.Raw}
	if b.Value.Kind() != regmap.None {
		r.Shown = ptr(b.Point.Shown(b.Value))
	}
	return r
}
