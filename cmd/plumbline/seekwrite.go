package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"plumbline/poll/seek"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// mostFirstPoints is how many registers a first map names at most: enough to
// begin with, and few enough to be read by a person.
const mostFirstPoints = 64

// writeFound writes the line file and, for each unit, a first map beside it. A
// map that is there already stays as it is. It gives the names of the files
// written. Units of which no contents were read get no station: a map needs a
// point, and there is none to name.
func writeFound(file string, at *seekPlace, r *seek.Report) ([]string, error) {
	l := at.at(*r.Found)
	text := []string{
		"# Written by plumbline seek: the settings and units that answered. To be filled in: the line's name, the",
		"# stations' names, and in each map the names, types, scales and units from the device's register list.",
		"line: " + strconv.Quote(at.where()),
		placeBlock(l),
		fmt.Sprintf("timing: {response: %s, retries: %d}", responseFor(r), line.DefaultTiming.Retries),
		"stations:",
	}
	base := strings.TrimSuffix(filepath.Base(file), filepath.Ext(file))
	var files []string
	stations := 0
	for _, u := range r.Units {
		name := fmt.Sprintf("%s-unit-%d.yaml", base, u.Number)
		points := firstPoints(u)
		if len(points) == 0 {
			text = append(text, fmt.Sprintf("  # %d: {name: unit-%d, map: MAP}   # it refuses what was asked; find its addresses with --addresses, or its list", u.Number, u.Number))
			continue
		}
		stations++
		text = append(text, fmt.Sprintf("  %d: {name: unit-%d, map: %s}", u.Number, u.Number, strconv.Quote(name)))
		beside := filepath.Join(filepath.Dir(file), name)
		if _, err := os.Stat(beside); err == nil {
			continue // somebody's work
		} else if !errors.Is(err, os.ErrNotExist) {
			return files, unwritable(beside, err)
		}
		if err := writeFile(beside, []byte(firstMap(u, points))); err != nil {
			return files, err
		}
		files = append(files, beside)
	}
	if stations == 0 {
		text = append(text, "  # no unit gave contents yet: name one here with its map before the file can be used")
	}
	if err := writeFile(file, []byte(strings.Join(text, "\n")+"\n")); err != nil {
		return files, err
	}
	return append([]string{file}, files...), readsBack(file, stations)
}

// readsBack loads what was written, so that no file is left that other commands
// do not take.
func readsBack(file string, stations int) error {
	if stations == 0 {
		return nil
	}
	rep := new(doc.Report)
	if _, err := line.Load(file, rep, sections()...); err != nil || rep.Bad() {
		return verdict{exitWrong, fmt.Errorf("%s was written and does not read back: %w", file, errors.Join(err, rep.Err()))}
	}
	return nil
}

// placeBlock is the line file's block that says what carries the bytes.
func placeBlock(l *line.Line) string {
	if l.Medium == line.SerialPort {
		s := fmt.Sprintf("serial: {port: %s, framing: %s, baud: %d, parity: %s, stop: %d", strconv.Quote(l.Serial.Port), l.Framing, l.Serial.Baud, l.Serial.Parity, l.Serial.Stop)
		if turns := l.Serial.RS485.String(); turns != "" {
			s += ", rs485: " + turns
		}
		return s + "}"
	}
	s := fmt.Sprintf("%s: {host: %s, port: %d", l.Medium, strconv.Quote(l.Host), l.Port)
	if l.Framing != line.MBAP {
		s += ", framing: " + l.Framing.String()
	}
	if k := l.Keys; l.Medium == line.TLS {
		s = strings.Replace(s, "tls:", "tcp:", 1) + fmt.Sprintf(", tls: {ca: %s, cert: %s, key: %s, crl: %s}", strconv.Quote(k.CA), strconv.Quote(k.Cert), strconv.Quote(k.Key), strconv.Quote(k.CRL))
		if k.Name != "" {
			s = strings.TrimSuffix(s, "}") + ", name: " + strconv.Quote(k.Name) + "}"
		}
	}
	return s + "}"
}

// responseFor is the usual time limit, or twice the slowest answer where that is
// longer.
func responseFor(r *seek.Report) time.Duration {
	limit := line.DefaultTiming.Response
	for _, u := range r.Units {
		limit = max(limit, (2*u.Slowest + 99*time.Millisecond).Truncate(100*time.Millisecond))
	}
	return limit
}

// firstPoints is what a first map names: the addresses that the scan found, or
// without one those that answered.
func firstPoints(u *seek.Unit) []regmap.Span {
	var all []regmap.Span
	for _, t := range u.Tables {
		all = append(all, t.Answers...)
	}
	if len(all) > 0 {
		return all
	}
	seen := map[regmap.Table]int{}
	for _, x := range u.Matched {
		s, ok := x.Request.Reads()
		if !ok || !x.Answered() {
			continue
		}
		if i, have := seen[s.Table]; have {
			all[i].Count = max(all[i].Count, s.Count) // both begin at 0
			continue
		}
		seen[s.Table] = len(all)
		all = append(all, s)
	}
	return all
}

// firstMap is a map of raw contents, without a meaning.
func firstMap(u *seek.Unit, spans []regmap.Span) string {
	text := []string{
		fmt.Sprintf("# First map of unit %d, as plumbline seek found it: contents as they are, without a meaning.", u.Number),
		"# Put names, types, order, scales and units from the device's register list here.",
		fmt.Sprintf("device: \"Unit %d\"", u.Number),
	}
	if l := firstLimits(u); l != "" {
		text = append(text, l)
	}
	text = append(text, "points:")
	n, left := 0, 0
	for _, s := range spans {
		for i := range s.Count {
			if n == mostFirstPoints {
				left++
				continue
			}
			n++
			a := int(s.First) + i
			kind := ", type: uint16"
			if s.Table.Bits() {
				kind = ""
			}
			text = append(text, fmt.Sprintf("  %s-%d: {%s: %d%s}", s.Table, a, s.Table, a, kind))
		}
	}
	if left > 0 {
		text = append(text, fmt.Sprintf("  # and %d more addresses: %s", left, spansText(spans)))
	}
	return strings.Join(text, "\n") + "\n"
}

// firstLimits is how much the unit gives at a time, where that is less than the
// standard's most.
func firstLimits(u *seek.Unit) string {
	registers, bits := 0, 0
	for _, t := range u.Tables {
		switch {
		case t.Limit == 0:
		case t.Table.Bits():
			bits = t.Limit
		case registers == 0 || t.Limit < registers:
			registers = t.Limit
		}
	}
	var all []string
	if registers > 0 {
		all = append(all, fmt.Sprintf("registers: %d", registers))
	}
	if bits > 0 {
		all = append(all, fmt.Sprintf("coils: %d", bits))
	}
	if all == nil {
		return ""
	}
	return "limits: {" + strings.Join(all, ", ") + "}"
}
