package main

import (
	"encoding/json"
	"strings"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// decodeRow is the JSON of one frame. Keys may be added, none renamed.
type decodeRow struct {
	Exchange    *string       `json:"exchange"`
	Offset      int64         `json:"offset"`
	Time        *string       `json:"time"`
	Framing     string        `json:"framing"`
	Unit        *int          `json:"unit"`
	Transaction *int          `json:"transaction"`
	Direction   string        `json:"direction"`
	Function    *int          `json:"function"`
	Name        *string       `json:"name"`
	Fields      frame.Entries `json:"fields"`
	CRCOK       *bool         `json:"crc_ok"`
	Exception   *int          `json:"exception"`
	Points      []decodePoint `json:"points"`
	Error       *string       `json:"error"`
}

// decodePoint is one point that a frame is about; value is null where the
// frame only asks.
type decodePoint struct {
	Point   string          `json:"point"`
	Address int             `json:"address"`
	Value   json.RawMessage `json:"value"`
	Shown   *string         `json:"shown"`
	Units   string          `json:"units"`
	Quality *string         `json:"quality"`
	Cause   *string         `json:"cause"`
	Raw     []uint16        `json:"raw"`

	point *regmap.Point
	value regmap.Value
}

// json shows one frame as a JSON line.
func (d *decoder) json(m *decode.Message, offset int64) error {
	row := decodeRow{Offset: offset, Framing: "pdu", Direction: m.Direction.String(), Fields: m.Decoded(),
		CRCOK: m.CheckOK, Points: d.points(m)}
	if m.Framing != 0 {
		row.Framing = m.Framing.String()
		if m.ADU.PDU != nil {
			row.Unit = ptr(int(m.ADU.Unit))
			if row.Framing == "mbap" {
				row.Transaction = ptr(int(m.ADU.Transaction))
			}
		}
	}
	if f, ok := m.Function(); ok {
		row.Function, row.Name = ptr(int(f)), ptr(f.String())
	}
	if e, ok := m.Exception(); ok {
		row.Exception = ptr(int(e))
	}
	if m.Err != nil {
		row.Error = ptr(m.Err.Error())
	}
	text, err := json.Marshal(row)
	if err != nil {
		return err
	}
	_, err = d.out.Write(append(text, '\n'))
	return err
}

// points lists the points that a frame asks for, brings or answers.
func (d *decoder) points(m *decode.Message) []decodePoint {
	out := []decodePoint{}
	if d.maps == nil {
		return out
	}
	device := d.maps(m.ADU.Unit)
	contents, span, ok := m.Contents()
	if device == nil || !ok {
		return out
	}
	for p := range device.Readings {
		if !p.Span().Overlaps(span) {
			continue
		}
		row := decodePoint{Point: p.Name, Address: int(p.Address), Units: p.Units, Value: json.RawMessage("null"), point: p}
		if raw, ok := p.Raw(contents); ok {
			row.value = p.ValueOf(raw)
			row.Raw, row.Value = raw, jsonValue(row.value)
			row.Quality, row.Cause = ptr(row.value.Quality().String()), orNull(row.value.Cause().String())
			if row.value.Kind() != regmap.None {
				row.Shown = ptr(p.Shown(row.value))
			}
		}
		out = append(out, row)
	}
	return out
}

// words is one point for people.
func (p decodePoint) words() string {
	if p.Raw == nil {
		return p.Point
	}
	s := p.Point + "  " + strings.TrimSpace(p.point.Shown(p.value)+" "+p.Units)
	if q := p.value.Quality(); q != regmap.Good {
		s += "  " + q.String() + ": " + p.value.Cause().Words()
	}
	return s
}
