package main

import (
	"slices"
	"strings"

	"plumbline/poll/gate"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// jobOf is what the arguments want written: points and values in turn.
func jobOf(l *line.Line, pairs []string, f setFlags) (gate.Job, error) {
	job := gate.Job{Broadcast: f.broadcast, DryRun: f.dryRun}
	if f.broadcast && len(pairs) > 2 {
		return job, notUnderstood("--broadcast writes one point in every station; give one")
	}
	for i := 0; i < len(pairs); i += 2 {
		stations, name, err := stationsOf(l, pairs[i], f.broadcast)
		if err != nil {
			return job, err
		}
		for _, s := range stations {
			p := s.Map.Point(name)
			if p == nil {
				return job, notUnderstood("a broadcast reaches every station, and the map of %s has no point %s", s.Name, name)
			}
			v, err := p.Means(pairs[i+1])
			if err != nil {
				return job, notUnderstood("%w", err)
			}
			job.Wants = append(job.Wants, gate.Want{Station: s, Point: p, Value: v})
		}
	}
	return job, checkYes(job, f.yes)
}

// stationsOf finds the stations that a point's name means: one, or for a
// broadcast all.
func stationsOf(l *line.Line, full string, broadcast bool) (stations []*line.Station, point string, err error) {
	station, point, named := strings.Cut(full, "/")
	if !named {
		station, point = "", full
	}
	var known []string
	for i := range l.Stations {
		s := &l.Stations[i]
		if named && s.Name != station {
			continue
		}
		if broadcast || s.Map.Point(point) != nil {
			stations = append(stations, s)
		}
		for p := range s.Map.Readings {
			known = append(known, p.Name)
		}
	}
	switch {
	case broadcast && named:
		return nil, "", notUnderstood("%s names a station, and a broadcast reaches all; give the point alone", full)
	case len(known) == 0:
		return nil, "", notUnderstood("%s has no station %q; stations: %s", l.File, station, strings.Join(stationNames(l), ", "))
	case len(stations) == 0 && doc.Near(point, known) != "":
		return nil, "", notUnderstood("there is no point %q; did you mean %s?", point, doc.Near(point, known))
	case len(stations) == 0:
		return nil, "", notUnderstood("there is no point %q on %s", point, l.File)
	case len(stations) > 1 && !broadcast:
		return nil, "", notUnderstood("%s is a point of %d stations; write one of %s/%s", point, len(stations), strings.Join(stationNames(l), ", "), point)
	}
	return stations, point, nil
}

func stationNames(l *line.Line) (names []string) {
	for _, s := range l.Stations {
		names = append(names, s.Name)
	}
	return names
}

// checkYes refuses a confirmation of something that is not to be written.
func checkYes(job gate.Job, yes []string) error {
	for _, name := range yes {
		if !slices.ContainsFunc(job.Wants, func(w gate.Want) bool {
			return name == w.Point.Name || name == w.Station.Name || name == w.Station.Name+"/"+w.Point.Name
		}) {
			return notUnderstood("--yes %s: that is not among what is to be written", name)
		}
	}
	return nil
}

// reference is where a point lies, for files.
func reference(p *regmap.Point) string {
	if p.Derived() {
		return ""
	}
	return regmap.ReferenceOf(p.Table, p.Address).String()
}
