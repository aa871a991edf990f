package gate

import (
	"context"
	"fmt"
	"math"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// An act is one request that is to be sent, and what it is for.
type act struct {
	unit    regmap.Unit
	timing  line.Timing
	request frame.Request
	release *frame.Request // of a pulse; nil for none
	targets []*target
	shown   Shown
	consent consent
}

func (a *act) broadcast() bool { return len(a.targets) > 1 || a.unit != a.targets[0].want.Station.Unit }

// A target is one station and point of an act, and what was read for it.
type target struct {
	want     Want
	point    *regmap.Point // with the power of ten that its exponent register holds now
	from     decode.Reading
	rest     regmap.Value  // of a pulse: what it goes back to
	oldest   time.Duration // steady: of all that was read for it
	read     []decode.ID
	identity string
	unproven string // why it is not proven to be the right device
}

func newTarget(want Want) *target { return &target{want: want, oldest: math.MaxInt64} }

// prepare takes one write through the first four steps.
func (w *work) prepare(ctx context.Context, want Want) (*act, *refusal) {
	t := newTarget(want)
	for _, step := range []func(context.Context, *target) *refusal{w.may, w.device, w.moment} {
		if no := step(ctx, t); no != nil {
			return nil, no
		}
	}
	a := &act{unit: want.Station.Unit, timing: want.Station.Timing, targets: []*target{t}}
	if no := a.build(); no != nil {
		return nil, no
	}
	if w.Line.Medium == line.UDP {
		a.shown.Notes = append(a.shown.Notes, "over UDP the network itself may deliver a request twice")
	}
	return a, nil
}

// may: the map and the line file allow it.
func (w *work) may(_ context.Context, t *target) *refusal {
	p, s := t.want.Point, t.want.Station
	no := func(format string, args ...any) *refusal {
		return &refusal{step: May, words: fmt.Sprintf(format, args...)}
	}
	switch {
	case s == nil || w.Line.Station(s.Unit) != s || s.Map.Point(p.Name) != p:
		return no("%s is no point of a station on this line", p.Name)
	case p.Derived():
		return no("%s is worked out of other points and has no register to write", p.Name)
	case !p.Writable():
		return no("%s may not be written: its map, %s, has no write for it", p.Name, s.MapFile)
	case !p.Table.Writable():
		return no("%s is a %s, which no function writes", p.Name, p.Table)
	case !s.Write:
		return no("station %s may not be written: %s does not say `write: true` of it", s.Name, w.Line.File)
	}
	return nil
}

// build is the right value as a request, and what a person is shown of it.
func (a *act) build() *refusal {
	t := a.targets[0]
	p, before := t.point, t.from.Raw
	no := func(words string) *refusal { return &refusal{step: RightValue, words: words} }
	raw, words := encode(p, t.want.Value, before)
	if words != "" {
		return no(words)
	}
	request, note, words := requestOf(p, raw, before)
	if words != "" {
		return no(words)
	}
	if n := written(request); n > limitOf(t.want.Station.Map, p) {
		return no(fmt.Sprintf("%s takes %d items, and one request to this device writes at most %d", p.Name, n, limitOf(t.want.Station.Map, p)))
	}
	pdu, err := request.Append(nil)
	if err != nil {
		return no(err.Error())
	}
	a.request = request
	a.shown = Shown{
		Point: t.want.Point, Unit: a.unit, To: p.ValueOf(raw), RawTo: raw, Request: request, PDU: pdu, Starts: starts(t.want.Point),
		Targets: []Target{{Station: t.want.Station, From: t.from, Identity: t.identity}},
	}
	if note != "" {
		a.shown.Notes = append(a.shown.Notes, note)
	}
	if t.unproven != "" {
		a.shown.Notes = append(a.shown.Notes, t.unproven)
	}
	return a.arm(raw)
}

// written is how many items a request writes.
func written(q frame.Request) int {
	s, _ := q.Writes()
	return s.Count
}

// limitOf is how many items of the point's table one request may write.
func limitOf(m *regmap.Map, p *regmap.Point) int {
	if p.Table.Bits() {
		return m.Layout().Limits().WriteCoils
	}
	return m.Layout().Limits().WriteRegisters
}
