package main

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"math/big"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/regmap"
	"plumbline/regmap/alarm"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// A pollPrinter shows the events of poll as a table, JSON lines or CSV, and
// remembers what decides the exit code.
type pollPrinter struct {
	out   *bufio.Writer
	flags pollFlags
	lines []*line.Line
	csv   *csv.Writer
	units *display

	now      map[readingKey]decode.Reading // the latest of each point
	busy     time.Duration                 // line time of the cycle
	asked    int                           // exchanges of the cycle
	anything bool                          // something answered at all
	failed   error                         // standard output is gone
}

// readingKey is one row: a station of a line and a point or named bit.
type readingKey struct {
	station string
	unit    regmap.Unit
	point   *regmap.Point
}

func newPollPrinter(out io.Writer, lines []*line.Line, f pollFlags, units *display) *pollPrinter {
	p := &pollPrinter{out: bufio.NewWriter(out), flags: f, lines: lines, units: units, now: map[readingKey]decode.Reading{}}
	if f.asCSV {
		p.csv = csv.NewWriter(p.out)
		p.failed = p.csv.Write(csvHead)
	}
	return p
}

// event takes one event.
func (p *pollPrinter) event(e decode.Event) {
	switch {
	case e.Exchange != nil:
		x := e.Exchange
		p.anything = p.anything || x.Answered() || x.Cause == regmap.Excepted
		p.asked++
		p.busy += x.Done.Sub(x.Asked)
	case e.Readings != nil:
		for _, r := range e.Readings {
			p.now[readingKey{r.Station, r.Unit, r.Point}] = r
			switch {
			case p.flags.asJSON:
				p.keep(writeRow(p.out, r))
			case p.csv != nil:
				p.keep(p.csv.Write(csvRow(r)))
			}
		}
	case e.Cycle != nil:
		p.cycle(e)
	}
}

// keep remembers the first fault of standard output.
func (p *pollPrinter) keep(err error) {
	if p.failed == nil {
		p.failed = err
	}
}

// cycle shows the table at the end of a cycle, and gives on what is buffered.
func (p *pollPrinter) cycle(e decode.Event) {
	if p.csv != nil {
		p.csv.Flush()
		p.keep(p.csv.Error())
	} else if !p.flags.asJSON {
		for _, l := range p.lines {
			if l.Name == e.Cycle.Line {
				p.table(l, e.At)
			}
		}
		if e.Cycle.Skipped > 0 {
			fmt.Fprintf(p.out, "%s left out: the cycle takes longer than its period\n", count(e.Cycle.Skipped, "cycle"))
		}
		fmt.Fprintln(p.out)
	}
	p.busy, p.asked = 0, 0
	p.keep(p.out.Flush())
}

// finish flushes and says how it went.
func (p *pollPrinter) finish() error {
	if p.csv != nil {
		p.csv.Flush()
	}
	p.keep(p.out.Flush())
	if p.failed != nil {
		return verdict{exitDone, nil} // nobody reads on: a quiet end
	}
	if !p.anything {
		return verdict{exitNoReply, p.nothing()}
	}
	for _, r := range p.now {
		if r.Value.Quality() == regmap.Bad {
			return errSeen
		}
	}
	return nil
}

// nothing says why nothing answered, with the first reason that is known.
func (p *pollPrinter) nothing() error {
	for _, l := range p.lines {
		for _, s := range l.Stations {
			for point := range s.Map.Readings {
				if r, ok := p.now[readingKey{s.Name, s.Unit, point}]; ok {
					return fmt.Errorf("nothing answered on %s: %s", l.Where(), r.Reason)
				}
			}
		}
	}
	return fmt.Errorf("nothing answered before the end")
}

// tableRow is one line of the table in its pieces.
type tableRow struct{ name, whole, fraction, units, remark string }

// table shows one line's points, numbers aligned on the decimal point.
func (p *pollPrinter) table(l *line.Line, now decode.Stamp) {
	good, uncertain, bad, rows := 0, 0, 0, 0
	for i := range l.Stations {
		s := &l.Stations[i]
		fmt.Fprintf(p.out, "%s\n\n", paper.Text(fmt.Sprintf("%s, %s, station %s (unit %d), %s",
			l.Name, l.Where(), s.Name, s.Unit, now.Wall.Local().Format(time.TimeOnly))))
		var table []tableRow
		var chains []decode.Reading
		for point := range s.Map.Readings {
			r, ok := p.now[readingKey{s.Name, s.Unit, point}]
			if !ok || len(point.Fields) > 0 {
				continue // a word with named bits is shown by its bits
			}
			rows++
			switch r.Value.Quality() {
			case regmap.Good:
				good++
			case regmap.Uncertain:
				uncertain++
			default:
				bad++
			}
			table = append(table, p.row(r, now))
			chains = append(chains, r)
		}
		printTable(p.out, table)
		fmt.Fprintln(p.out)
		if p.flags.frames {
			for _, r := range chains {
				printChain(p.out, r)
			}
		}
	}
	fmt.Fprintf(p.out, "%s, %d good, ", count(rows, "point"), good)
	if uncertain > 0 {
		fmt.Fprintf(p.out, "%d uncertain, ", uncertain)
	}
	fmt.Fprintf(p.out, "%d bad; %s, %.3f s of line time\n", bad, count(p.asked, "exchange"), p.busy.Seconds())
}

// row is one reading as it stands in the table.
func (p *pollPrinter) row(r decode.Reading, now decode.Stamp) tableRow {
	shown, units := p.units.shown(r.Point, r.Value)
	row := tableRow{name: r.Point.Name, units: paper.Text(units)}
	shown = paper.Text(shown)
	if _, isNumber := r.Value.Float(); isNumber && strings.ContainsRune(shown, '.') {
		row.whole, row.fraction, _ = strings.Cut(shown, ".")
		row.fraction = "." + row.fraction
	} else {
		row.whole = shown
	}
	row.remark = p.remark(r, now)
	return row
}

// remark is what stands beside a value: its quality when it is not good, the
// limits of a set-point when it is.
func (p *pollPrinter) remark(r decode.Reading, now decode.Stamp) string {
	as := func(v regmap.Value) string {
		shown, units := p.units.shown(r.Point, v)
		return strings.TrimSpace(shown + " " + units)
	}
	if q := r.Value.Quality(); q != regmap.Good {
		s := q.String() + ": " + r.Reason
		if f := r.Last; q == regmap.Bad && f.Kind() != regmap.None {
			s += fmt.Sprintf("; last %s, %s ago", as(f), age(now.Sub(r.LastAt)))
		}
		return s
	}
	if r.Alarm != "" {
		return alarmRemark(r.Alarm)
	}
	if w := r.Point.Write; w != nil && r.Point.Type.Number() {
		bare := func(limit *big.Rat) string { return strings.SplitN(as(regmap.ExactValue(limit)), " ", 2)[0] }
		switch low, high := w.Min, w.Max; {
		case low != nil && high != nil:
			return fmt.Sprintf("set-point %s to %s", bare(low), bare(high))
		case low != nil:
			return "set-point from " + bare(low)
		case high != nil:
			return "set-point up to " + bare(high)
		}
		return "set-point"
	}
	return ""
}

// age is a time as people say it.
func age(d time.Duration) string {
	switch {
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}

// printTable aligns names left and numbers on their decimal point.
func printTable(out io.Writer, rows []tableRow) {
	var name, whole, fraction, units int
	for _, r := range rows {
		name = max(name, len(r.name))
		units = max(units, len([]rune(r.units)))
		fraction = max(fraction, len(r.fraction))
	}
	for _, r := range rows {
		if r.fraction != "" {
			whole = max(whole, len(r.whole))
		} else { // a word may reach below the fractions
			whole = max(whole, len([]rune(r.whole))-fraction)
		}
	}
	for _, r := range rows {
		cell := fmt.Sprintf("%*s%-*s", whole, r.whole, fraction, r.fraction)
		if r.fraction == "" {
			cell = fmt.Sprintf("%*s", whole+fraction, r.whole)
		}
		text := fmt.Sprintf("%-*s  %s  %-*s    %s", name, r.name, cell, units, r.units, paper.Block(r.remark))
		fmt.Fprintln(out, strings.TrimRight(text, " "))
	}
}

// alarmRemark names an active alarm; the alarm of a bit has the bit's name.
func alarmRemark(kind string) string {
	if kind == alarm.Bit.String() {
		return "alarm"
	}
	return "alarm: " + kind
}
