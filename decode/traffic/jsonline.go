package traffic

import (
	"encoding/hex"
	"encoding/json"
	"io"
)

// findingLine is a finding in JSON. Keys may be added, none renamed.
type findingLine struct {
	Time     string         `json:"time"`
	Line     string         `json:"line"`
	Code     string         `json:"code"`
	Subject  string         `json:"subject"`
	Claim    string         `json:"claim"`
	Rank     string         `json:"rank"`
	Words    string         `json:"words"`
	Evidence []evidenceLine `json:"evidence"`
	Do       string         `json:"do"`
}

type evidenceLine struct {
	Exchange string  `json:"exchange"`
	Request  *string `json:"request"`
	Response *string `json:"response"`
}

// WriteJSON writes findings of the state as JSON lines, each an object with
// time (of the latest exchange), line, code, subject, claim, rank, words,
// evidence (exchange, request, response) and do. The error is the writer's.
func (s *State) WriteJSON(w io.Writer, all []Finding) error {
	for i := range all {
		l := lineOf(&all[i])
		l.Time, l.Line = s.ends.Wall.UTC().Format("2006-01-02T15:04:05.000000000Z"), s.config.Name
		text, err := json.Marshal(l)
		if err != nil {
			return err
		}
		if _, err := w.Write(append(text, '\n')); err != nil {
			return err
		}
	}
	return nil
}

func lineOf(f *Finding) findingLine {
	l := findingLine{Code: f.Code, Subject: f.Subject, Claim: f.Claim.String(), Rank: f.Rank.String(), Words: f.Words, Do: f.Do, Evidence: []evidenceLine{}}
	for _, id := range f.Evidence {
		e := evidenceLine{Exchange: id.String()}
		for _, x := range f.Exchanges {
			if x.ID == id {
				e.Request, e.Response = hexOrNull(x.Sent), hexOrNull(x.Received)
			}
		}
		l.Evidence = append(l.Evidence, e)
	}
	return l
}

func hexOrNull(b []byte) *string {
	if b == nil {
		return nil
	}
	s := hex.EncodeToString(b)
	return &s
}
