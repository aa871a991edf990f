package main

import (
	"encoding/hex"
	"encoding/json"
	"io"
	"strconv"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/regmap/paper"
)

// pollRow is the JSON of one reading. Keys may be added, none renamed.
type pollRow struct {
	Time          string          `json:"time"`
	SteadySeconds float64         `json:"steady_seconds"`
	Cycle         uint64          `json:"cycle"`
	Unit          int             `json:"unit"`
	Station       string          `json:"station"`
	Point         string          `json:"point"`
	Value         json.RawMessage `json:"value"`
	Shown         *string         `json:"shown"`
	Units         string          `json:"units"`
	Quality       string          `json:"quality"`
	Cause         *string         `json:"cause"`
	Reason        *string         `json:"reason"`
	LastValue     json.RawMessage `json:"last_value"`
	AgeSeconds    *float64        `json:"age_seconds"`
	Alarm         *string         `json:"alarm"`
	Raw           []uint16        `json:"raw"`
	Function      *int            `json:"function"`
	Address       int             `json:"address"`
	Exchange      *string         `json:"exchange"`
	Request       *string         `json:"request"`
	Response      *string         `json:"response"`
}

// writeRow writes one reading as a JSON line.
func writeRow(out io.Writer, r decode.Reading) error {
	row := pollRow{
		Time: instant(r.Time.Wall), SteadySeconds: r.Time.Steady.Seconds(), Cycle: r.Cycle,
		Unit: int(r.Unit), Station: r.Station, Point: r.Point.Name, Value: jsonValue(r.Value),
		Units: r.Point.Units, Quality: r.Value.Quality().String(), LastValue: jsonValue(r.Last),
		Raw: r.Raw, Address: int(r.Point.Address),
		Cause: orNull(r.Value.Cause().String()), Reason: orNull(r.Reason), Alarm: orNull(r.Alarm),
	}
	if r.Value.Kind() != regmap.None {
		row.Shown = ptr(r.Point.Shown(r.Value))
	}
	if r.Last.Kind() != regmap.None && r.Value.Quality() == regmap.Bad {
		row.AgeSeconds = ptr(r.Time.Sub(r.LastAt).Seconds())
	} else {
		row.LastValue = json.RawMessage("null")
	}
	if x := r.From; x != nil {
		row.Function = ptr(int(x.Request.Function))
		row.Exchange = orNull(x.ID.String())
		row.Request, row.Response = orNull(hex.EncodeToString(x.Sent)), orNull(hex.EncodeToString(x.Received))
	}
	text, err := json.Marshal(row)
	if err != nil {
		return err
	}
	_, err = out.Write(append(text, '\n'))
	return err
}

func ptr[T any](v T) *T { return &v }

// orNull is null for an empty text.
func orNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// instant is a time in files: RFC 3339, UTC, nanoseconds.
func instant(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000000Z") }

// exactWhole is the largest whole number that every JSON reader keeps (2^53);
// beyond it whole numbers are written as text.
const exactWhole = 1 << 53

// jsonValue is a value in JSON: true or false, a number, text, or null.
func jsonValue(v regmap.Value) json.RawMessage {
	switch v.Kind() {
	case regmap.Bool:
		b, _ := v.Bool()
		return json.RawMessage(strconv.FormatBool(b))
	case regmap.Text:
		s, _ := v.Text()
		text, err := json.Marshal(s)
		if err == nil {
			return text
		}
	case regmap.Int, regmap.Uint:
		if f, _ := v.Float(); f > exactWhole || f < -exactWhole {
			return json.RawMessage(`"` + v.Decimal() + `"`)
		}
		return json.RawMessage(v.Decimal())
	case regmap.Float:
		return json.RawMessage(v.Decimal())
	}
	return json.RawMessage("null")
}

var csvHead = []string{"time", "station", "unit", "point", "value", "shown", "units", "quality", "cause", "reason", "raw", "exchange"}

// csvRow is one reading as CSV cells; a bad value is an empty cell.
func csvRow(r decode.Reading) []string {
	value := r.Value.Decimal()
	switch r.Value.Kind() {
	case regmap.Bool:
		b, _ := r.Value.Bool()
		value = strconv.FormatBool(b)
	case regmap.Text:
		s, _ := r.Value.Text()
		value = paper.Cell(s)
	}
	shown := ""
	if r.Value.Kind() != regmap.None {
		if shown = r.Point.Shown(r.Value); shown != r.Value.Decimal() {
			if _, err := strconv.ParseFloat(shown, 64); err != nil {
				shown = paper.Cell(shown)
			}
		}
	}
	exchange := ""
	if r.From != nil {
		exchange = r.From.ID.String()
	}
	return []string{instant(r.Time.Wall), paper.Cell(r.Station), strconv.Itoa(int(r.Unit)), r.Point.Name, value, shown,
		paper.Cell(r.Point.Units), r.Value.Quality().String(), r.Value.Cause().String(), paper.Cell(r.Reason),
		decode.Hex16(r.Raw), exchange}
}
