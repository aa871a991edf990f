package main

import (
	"context"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

// simulatedTime is how the station's own time goes, and what moves with it.
type simulatedTime struct {
	speed     float64
	processes []string // FILE, or STATION=FILE
}

// The speeds that are taken: beyond them a step of the loop would be nothing,
// or take longer than it lasts.
const slowest, fastest = 0.001, 10000

func (t *simulatedTime) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.Float64Var(&t.speed, "speed", 1, "how fast the station's own time goes: 60 runs an hour in a minute, with the same results")
	f.StringArrayVar(&t.processes, "process", nil, "file of the process behind the station, in place of the one in its map; STATION=FILE where the line has several")
}

// check says whether the speed can be kept.
func (t *simulatedTime) check() error {
	if !(t.speed >= slowest && t.speed <= fastest) {
		return notUnderstood("--speed %v is outside %v to %v", t.speed, slowest, fastest)
	}
	return nil
}

// attach puts the processes of the files behind their stations.
func (t *simulatedTime) attach(l *line.Line, s *simdevice.Station) error {
	rep := new(doc.Report)
	taken := map[string]bool{}
	for _, given := range t.processes {
		of, file, err := t.station(l, given)
		if err != nil {
			return err
		}
		if taken[of.Name] {
			return notUnderstood("--process is given twice for station %s", of.Name)
		}
		taken[of.Name] = true
		text, err := doc.ReadFile(file)
		if err != nil {
			return unreadable(err)
		}
		model := simdevice.ReadProcess(file, text, of.Map, rep)
		if model == nil {
			continue
		}
		if err := s.Bank(of.Unit).Run(model); err != nil {
			return notUnderstood("%s: %w", file, err)
		}
	}
	if rep.Bad() {
		return verdict{exitUsage, rep.Err()}
	}
	return nil
}

// station is the one that a --process is for, and its file.
func (t *simulatedTime) station(l *line.Line, given string) (of *line.Station, file string, err error) {
	var names []string
	name, file, named := strings.Cut(given, "=")
	for i := range l.Stations {
		s := &l.Stations[i]
		if names = append(names, s.Name); named && s.Name == name {
			return s, file, nil
		}
	}
	switch {
	case len(l.Stations) == 1: // an = may stand in the name of a file
		return &l.Stations[0], given, nil
	case named:
		return nil, "", notUnderstood("--process %s: there is no station %q; there are %s", given, name, strings.Join(names, ", "))
	}
	return nil, "", notUnderstood("--process %s: %s has several stations; write STATION=%s, with one of %s", given, l.File, given, strings.Join(names, ", "))
}

// stepEvery is how often the station's own changes are published.
const stepEvery = 100 * time.Millisecond

// longestStep is the most that one step makes up for: a program that was
// stopped for a while goes on where it was.
const longestStep = 2 * time.Second

// gone is how far the station's time moves on in a time of the wall.
func (t *simulatedTime) gone(wall time.Duration) time.Duration {
	return time.Duration(float64(min(wall, longestStep)) * t.speed)
}

// step publishes the station's own changes as time goes by.
func (t *simulatedTime) step(ctx context.Context, s *simdevice.Station) error {
	var at time.Duration
	last := time.Now()
	tick := time.NewTicker(stepEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			now := time.Now()
			at += t.gone(now.Sub(last))
			last = now
			if err := s.Step(at); err != nil {
				return err
			}
		}
	}
}
