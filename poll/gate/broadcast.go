package gate

import (
	"bytes"
	"context"
	"fmt"
	"strings"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// prepareAll takes a broadcast through the first four steps for every station
// of the line, because every station obeys it: each must have the point, at the
// same place, and must be allowed to be written.
// Source: serial guide V1.02, 2.1 (unit 0; no answer).
func (w *work) prepareAll(ctx context.Context, wants []Want) (*act, *refusal) {
	if no := w.mayBroadcast(wants); no != nil {
		return nil, no
	}
	var all *act
	for _, want := range wants {
		one, no := w.prepare(ctx, want)
		switch {
		case no != nil:
			no.words = want.Station.Name + ": " + no.words
			return nil, no
		case one.release != nil:
			return nil, &refusal{step: Broadcast, words: fmt.Sprintf("%s is a pulse, whose release nobody would confirm; press it in each station", want.Point.Name)}
		case all == nil:
			all = one
			continue
		case !bytes.Equal(all.shown.PDU, one.shown.PDU):
			return nil, &refusal{step: Broadcast, words: fmt.Sprintf("one request cannot mean the same to all: %s is %x for %s and %x for %s",
				want.Point.Name, all.shown.PDU, all.targets[0].want.Station.Name, one.shown.PDU, want.Station.Name)}
		}
		all.targets = append(all.targets, one.targets...)
		all.shown.Targets = append(all.shown.Targets, one.shown.Targets...)
	}
	all.unit, all.timing, all.shown.Unit = regmap.Broadcast, w.Line.Timing, regmap.Broadcast
	all.shown.Notes = append(all.shown.Notes, w.everyStation(wants))
	return all, nil
}

// mayBroadcast: a broadcast exists on this line, and it is meant for all.
func (w *work) mayBroadcast(wants []Want) *refusal {
	no := func(format string, args ...any) *refusal {
		return &refusal{step: Broadcast, words: fmt.Sprintf(format, args...)}
	}
	if w.Line.Framing == line.MBAP {
		return no("unit 0 is the device itself on %s; a broadcast is for serial lines", w.Line.Where())
	}
	for i := range w.Line.Stations {
		s := &w.Line.Stations[i]
		named := 0
		for _, want := range wants {
			if want.Station == s {
				named++
			}
		}
		if named != 1 {
			return no("a broadcast reaches every station, and %s (unit %d) is not among those it is meant for", s.Name, s.Unit)
		}
	}
	if len(wants) != len(w.Line.Stations) {
		return no("%d stations are named, and the line has %d", len(wants), len(w.Line.Stations))
	}
	return nil
}

// everyStation names who will obey.
func (w *work) everyStation(wants []Want) string {
	var names []string
	for _, want := range wants {
		names = append(names, fmt.Sprintf("%s (unit %d)", want.Station.Name, want.Station.Unit))
	}
	return "every station on the line obeys at once and none answers: " + strings.Join(names, ", ") + ", and any that the file does not name"
}
