package main

import (
	"encoding/hex"

	"plumbline/decode"
	"plumbline/poll/seek"
	"plumbline/regmap"
)

// seekJSON is the document of seek. Keys may be added, none renamed.
type seekJSON struct {
	Format   int           `json:"format"`
	Place    string        `json:"place"`
	End      string        `json:"end"`
	Found    *seekSettings `json:"found"`
	Units    []seekUnit    `json:"units"`
	Garbled  []int         `json:"garbled"`
	AllAsked bool          `json:"all_asked"`
	Shared   bool          `json:"shared"`
	Heard    []seekHeard   `json:"heard"`
	Tried    []seekTried   `json:"tried"`
	Findings []seekFinding `json:"findings"`
	Check    []string      `json:"check"` // what to look at when all is silent; else empty
	Requests int           `json:"requests"`
	Seconds  float64       `json:"seconds"`
	Files    []string      `json:"files"`
}

type seekSettings struct {
	Words   string  `json:"words"`
	Framing string  `json:"framing"`
	Baud    *int    `json:"baud"`
	Parity  *string `json:"parity"`
	Stop    *int    `json:"stop"`
}

type seekUnit struct {
	Unit           int            `json:"unit"`
	RefusesAll     bool           `json:"refuses_all"`
	Identification map[int]string `json:"identification"`
	ServerID       *string        `json:"server_id"`
	SlowestSeconds float64        `json:"slowest_seconds"`
	Exchanges      []seekExchange `json:"exchanges"`
	Tables         []seekTable    `json:"tables"`
}

type seekExchange struct {
	Exchange  string `json:"exchange"`
	Function  int    `json:"function"`
	Exception *int   `json:"exception"`
	Request   string `json:"request"`
	Response  string `json:"response"`
}

type seekTable struct {
	Table    string   `json:"table"`
	Absent   bool     `json:"absent"`
	Answers  [][2]int `json:"answers"` // first and last address
	Open     [][2]int `json:"open"`
	Limit    *int     `json:"limit"`
	Requests int      `json:"requests"`
}

type seekHeard struct {
	Settings string      `json:"settings"`
	Seconds  float64     `json:"seconds"`
	Bytes    int         `json:"bytes"`
	Damaged  int         `json:"damaged"`
	Noise    int         `json:"noise"`
	Answers  int         `json:"answers"`
	Asked    []seekAsked `json:"asked"`
}

type seekAsked struct {
	Unit          int      `json:"unit"`
	Function      int      `json:"function"`
	Times         int      `json:"times"`
	PeriodSeconds *float64 `json:"period_seconds"`
}

type seekTried struct {
	Settings string         `json:"settings"`
	Closed   *string        `json:"closed"`
	Requests int            `json:"requests"`
	Damaged  int            `json:"damaged"`
	Seen     map[string]int `json:"seen"`
}

type seekFinding struct {
	Code     string   `json:"code"`
	Subject  string   `json:"subject"`
	Claim    string   `json:"claim"`
	Words    string   `json:"words"`
	Evidence []string `json:"evidence"`
	Do       string   `json:"do"`
}

// seekDocument is a report as JSON.
func seekDocument(at *seekPlace, r *seek.Report, files []string) seekJSON {
	d := seekJSON{
		Format: 1, Place: at.where(), End: r.End.String(), AllAsked: r.Whole, Shared: r.Shared, Requests: r.Requests, Seconds: r.Elapsed.Seconds(),
		Units: []seekUnit{}, Garbled: []int{}, Heard: []seekHeard{}, Tried: []seekTried{}, Findings: []seekFinding{}, Check: []string{}, Files: append([]string{}, files...),
	}
	if r.Found != nil {
		d.Found = settingsJSON(*r.Found)
	}
	for _, u := range r.Units {
		d.Units = append(d.Units, unitJSON(u))
	}
	for _, g := range r.Garbled {
		d.Garbled = append(d.Garbled, int(g.Unit))
	}
	for _, h := range r.Heard {
		d.Heard = append(d.Heard, heardJSON(h))
	}
	for _, a := range r.Tried {
		d.Tried = append(d.Tried, triedJSON(a))
	}
	for _, f := range r.Signs {
		one := seekFinding{Code: f.Code, Subject: f.Subject, Claim: f.Claim.String(), Words: f.Words, Evidence: []string{}, Do: f.Do}
		for _, id := range f.Evidence {
			one.Evidence = append(one.Evidence, id.String())
		}
		d.Findings = append(d.Findings, one)
	}
	if r.AllSilent() && r.Found == nil {
		d.Check = r.Check()
	}
	return d
}

func settingsJSON(s seek.Settings) *seekSettings {
	out := &seekSettings{Words: s.String(), Framing: s.Framing.String()}
	if !s.Network() {
		parity := s.Serial.Parity.String()
		out.Baud, out.Parity, out.Stop = &s.Serial.Baud, &parity, &s.Serial.Stop
	}
	return out
}

func unitJSON(u *seek.Unit) seekUnit {
	out := seekUnit{Unit: int(u.Number), RefusesAll: u.Refuses, Identification: map[int]string{}, SlowestSeconds: u.Slowest.Seconds(), Exchanges: []seekExchange{}, Tables: []seekTable{}}
	for _, o := range u.Identified {
		out.Identification[int(o.ID)] = string(o.Value)
	}
	if len(u.Server) > 0 {
		text := hex.EncodeToString(u.Server)
		out.ServerID = &text
	}
	for _, x := range u.Matched {
		out.Exchanges = append(out.Exchanges, exchangeJSON(x))
	}
	for _, t := range u.Tables {
		one := seekTable{Table: t.Table.String(), Absent: t.Absent, Answers: spansJSON(t.Answers), Open: spansJSON(t.Open), Requests: t.Requests}
		if t.Limit > 0 {
			one.Limit = &t.Limit
		}
		out.Tables = append(out.Tables, one)
	}
	return out
}

func exchangeJSON(x *decode.Exchange) seekExchange {
	out := seekExchange{Exchange: x.ID.String(), Function: int(x.Request.Function), Request: hex.EncodeToString(x.Sent), Response: hex.EncodeToString(x.Received)}
	if e := int(x.Response.Exception); e != 0 {
		out.Exception = &e
	}
	return out
}

func spansJSON(spans []regmap.Span) [][2]int {
	out := [][2]int{}
	for _, s := range spans {
		out = append(out, [2]int{int(s.First), int(s.Last())})
	}
	return out
}

func heardJSON(h seek.Heard) seekHeard {
	out := seekHeard{Settings: h.Settings.String(), Seconds: h.Lasted.Seconds(), Bytes: h.Bytes, Damaged: h.Damaged, Noise: h.Noise, Answers: h.Answers, Asked: []seekAsked{}}
	for _, a := range h.Asked {
		one := seekAsked{Unit: int(a.Unit), Function: int(a.Function), Times: a.Times}
		if a.Every > 0 {
			s := a.Every.Seconds()
			one.PeriodSeconds = &s
		}
		out.Asked = append(out.Asked, one)
	}
	return out
}

func triedJSON(a *seek.Attempt) seekTried {
	out := seekTried{Settings: a.Settings.String(), Requests: a.Asked, Damaged: a.Damaged, Seen: map[string]int{}}
	if a.Closed != "" {
		out.Closed = &a.Closed
	}
	for c, n := range a.Seen {
		if n > 0 {
			out.Seen[seek.Class(c).String()] = n
		}
	}
	return out
}
