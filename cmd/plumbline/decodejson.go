package main

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"unicode/utf16"

	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/paper"
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
	Bytes       string        `json:"bytes"`
	Stream      *decodeStream `json:"stream"` // null for hex text
	Kind        *string       `json:"kind"`   // frame, spoiled, cut, noise, or a note's word; null for hex text
	Certainty   *string       `json:"certainty"`
}

// decodeStream says in which conversation a frame was heard, and who sent it;
// the places are null on a serial line.
type decodeStream struct {
	Number int     `json:"number"`
	Medium string  `json:"medium"`
	Client *string `json:"client"`
	Server *string `json:"server"`
}

func streamOf(s *capture.Stream) *decodeStream {
	if s == nil {
		return nil
	}
	out := &decodeStream{Number: s.Number, Medium: s.Medium.String()}
	if s.Client.IsValid() {
		out.Client, out.Server = ptr(s.Client.String()), ptr(s.Server.String())
	}
	return out
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
	lone  bool // good, but for the frame
}

// A value that a lone frame brings has a cause of its own, because it is the
// frame that is in doubt. E1 of the abuse table.
const (
	loneFrame      = "lone-frame"
	loneFrameWords = "nothing beside its check says that this frame was sent"
)

func (p *decodePoint) cause() string {
	if p.lone {
		return loneFrame
	}
	return p.value.Cause().String()
}

// json shows one frame as a JSON line.
func (d *decoder) json(f *shownFrame) error {
	m := f.m
	row := decodeRow{Exchange: orNull(f.exchange.String()), Offset: f.offset, Framing: "pdu", Direction: m.Direction.String(), Fields: m.Decoded(),
		CRCOK: m.CheckOK, Points: d.points(f), Bytes: hex.EncodeToString(m.Bytes), Stream: streamOf(f.stream), Kind: orNull(f.kind)}
	if !f.at.IsZero() {
		row.Time = ptr(instant(f.at.Wall))
	}
	if f.kind == segment.Frame.String() {
		row.Certainty = ptr(segment.Certain.String())
		if f.possible {
			row.Certainty = ptr(segment.Possible.String())
		}
	}
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
	return d.line(row)
}

// jsonNote shows what is no frame as a JSON line of the same keys.
func (d *decoder) jsonNote(n *noteRow) error {
	row := decodeRow{Offset: n.offset, Framing: "", Direction: frame.Direction(0).String(), Points: []decodePoint{}, Error: ptr(n.words),
		Bytes: hex.EncodeToString(n.bytes), Stream: streamOf(n.stream), Kind: ptr(n.kind)}
	if !n.at.IsZero() {
		row.Time = ptr(instant(n.at.Wall))
	}
	return d.line(row)
}

func (d *decoder) line(row decodeRow) error {
	text, err := json.Marshal(row)
	if err != nil {
		return err
	}
	_, err = d.out.Write(append(plainJSON(text), '\n'))
	return err
}

// plainJSON is JSON in which the characters that would steer a terminal or hide
// themselves are escaped; inside strings, where alone they can stand, that says
// the same.
func plainJSON(text []byte) []byte {
	if !bytes.ContainsFunc(text, func(r rune) bool { return r >= 0x7F }) {
		return text
	}
	out := make([]byte, 0, len(text)+16)
	for _, r := range string(text) {
		if s := string(r); r < 0x7F || paper.Text(s) == s {
			out = append(out, s...)
			continue
		}
		for _, unit := range utf16.Encode([]rune{r}) {
			out = fmt.Appendf(out, `\u%04x`, unit)
		}
	}
	return out
}

// points lists the points that a frame asks for, brings or answers.
func (d *decoder) points(f *shownFrame) []decodePoint {
	m, out := f.m, []decodePoint{}
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
			row.point, row.value = valueOf(p, contents, raw)
			if f.possible && row.value.Quality() == regmap.Good {
				row.value, row.lone = row.value.Doubt(regmap.LateDoubt), true
			}
			row.Raw, row.Value = raw, jsonValue(row.value)
			row.Quality, row.Cause = ptr(row.value.Quality().String()), orNull(row.cause())
			if row.value.Kind() != regmap.None {
				row.Shown = ptr(row.point.Shown(row.value))
			}
		}
		out = append(out, row)
	}
	return out
}

// valueOf is a point's value, scaled with the exponent that its register holds.
func valueOf(p *regmap.Point, c regmap.Contents, raw []uint16) (*regmap.Point, regmap.Value) {
	fixed, cause := p.Fixed(c)
	if cause != regmap.NoCause {
		return p, regmap.BadValue(cause)
	}
	return fixed, fixed.ValueOf(raw)
}

// words is one point for people.
func (p decodePoint) words() string {
	if p.Raw == nil {
		return p.Point
	}
	s := p.Point + "  " + strings.TrimSpace(p.point.Shown(p.value)+" "+p.Units)
	if q := p.value.Quality(); q != regmap.Good {
		words := p.value.Cause().Words()
		if p.lone {
			words = loneFrameWords
		}
		s += "  " + q.String() + ": " + words
	}
	return s
}
