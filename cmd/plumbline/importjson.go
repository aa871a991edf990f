package main

import "plumbline/regmap/sheet"

// importDocument is the JSON of import.
type importDocument struct {
	Format    int             `json:"format"`
	Files     []string        `json:"files"`
	Kind      string          `json:"kind"`
	Map       *string         `json:"map"` // null while questions are open, and where -o took it
	Output    string          `json:"output"`
	Columns   []importColumn  `json:"columns"`
	Points    []importPoint   `json:"points"`
	LeftOut   []importLeftOut `json:"left_out"`
	Questions []string        `json:"questions"`
	Notes     []string        `json:"notes"`
	Changes   []importChange  `json:"changes"`
}

type importColumn struct {
	Column  string `json:"column"`
	Heading string `json:"heading"`
	Role    string `json:"role"`
	Sure    string `json:"sure"`
	Why     string `json:"why"`
	Under   string `json:"under"` // where its row of headings stands, for those further down a list
}

type importPoint struct {
	Point   string   `json:"point"`
	Place   string   `json:"place"`
	Assumed []string `json:"assumed"`
}

type importLeftOut struct {
	Place    string `json:"place"`
	Text     string `json:"text"`
	Reason   string `json:"reason"`
	Harmless bool   `json:"harmless"`
}

type importChange struct {
	Kind  string `json:"kind"`
	Point string `json:"point"`
	Words string `json:"words"`
}

// importJSON is what became of the source, for programs.
func importJSON(files []string, r *sheet.Result, text []byte, changes []sheet.Change, output string) importDocument {
	d := importDocument{Format: 1, Files: files, Kind: r.Kind, Output: output,
		Columns: []importColumn{}, Points: []importPoint{}, LeftOut: []importLeftOut{},
		Questions: append([]string{}, r.Questions...), Notes: append([]string{}, r.Notes...), Changes: []importChange{}}
	if text != nil && output == "" {
		s := string(text)
		d.Map = &s
	}
	for _, c := range r.Columns {
		d.Columns = append(d.Columns, importColumn{c.Letter, c.Heading, c.Role, string(c.Sure), c.Why, c.Under})
	}
	for _, p := range r.Points {
		d.Points = append(d.Points, importPoint{p.Point, p.Place, append([]string{}, p.Assumed...)})
	}
	for _, l := range r.LeftOut {
		d.LeftOut = append(d.LeftOut, importLeftOut(l))
	}
	for _, c := range changes {
		d.Changes = append(d.Changes, importChange(c))
	}
	return d
}
