package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"plumbline/decode"
	"plumbline/poll/plan"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// printPlan writes the plan of one line as text.
func printPlan(out io.Writer, l *line.Line, p *plan.Plan) {
	fmt.Fprintf(out, "%s\n\n", paper.Text(l.Name+", "+l.Where()))
	alike := onePeriod(p)
	head := fmt.Sprintf("%-34s %6s %11s", "request", "items", "line time")
	if !alike {
		head += fmt.Sprintf("   %7s", "every")
	}
	fmt.Fprintln(out, head)
	for i := range p.Requests {
		r := &p.Requests[i]
		where, _, _ := strings.Cut(r.Span.String(), " ")
		row := fmt.Sprintf("unit %d  %02X  %s", r.Station.Unit, uint8(r.Frame().Function), where)
		row = fmt.Sprintf("%-34s %6d %11s", row, r.Span.Count, milliseconds(r.Cost))
		if !alike {
			row += fmt.Sprintf("   %7s", everyWords(r.Every))
		}
		fmt.Fprintf(out, "%s   %s\n", row, pointList(r, 3))
	}
	fmt.Fprintln(out)
	printCycle(out, p, alike)
	printSilence(out, l, p)
	printRelief(out, l, p)
}

// onePeriod says whether all requests have the same period.
func onePeriod(p *plan.Plan) bool {
	for i := range p.Requests {
		if p.Requests[i].Every != p.Tick {
			return false
		}
	}
	return true
}

// printCycle writes what the requests come to. The plan was made with nothing
// learnt, so it is itself the cheapest.
func printCycle(out io.Writer, p *plan.Plan, alike bool) {
	cycle := "cycle " + lineTime(p.Cycle)
	load, paced := p.Load()
	switch {
	case !paced:
		cycle += ", polled without pause"
	case alike:
		cycle += fmt.Sprintf(" of %s, load %s", decode.Seconds(p.Tick), percent(load))
	default:
		cycle += ", load " + percent(load)
	}
	fmt.Fprintf(out, "%s; cheapest possible %s\n", cycle, lineTime(p.Cycle))
	if paced && !alike {
		fmt.Fprintf(out, "At most %s is due in one tick of %s.\n", lineTime(p.Busiest), decode.Seconds(p.Tick))
	}
	if paced && load <= 1 && p.Busiest > p.Tick {
		fmt.Fprintln(out, "That is more than a tick holds: such a cycle runs over, and the next is skipped.")
	}
}

// printSilence says what it costs when a unit falls silent.
func printSilence(out io.Writer, l *line.Line, p *plan.Plan) {
	for i := range l.Stations {
		s := p.Silence(l, l.Stations[i].Unit)
		if s.Tries == 0 {
			continue // nothing is asked of it
		}
		tries := count(s.Tries, "try")
		if s.Tries > 1 {
			tries = fmt.Sprintf("%d tries", s.Tries)
		}
		if s.More {
			tries += " and 1 of the next request"
		}
		grows := "grows by " + lineTime(s.Cycle)
		if s.Cycle == 0 {
			grows = "does not grow" // its own requests, which are then left out, take more
		}
		fmt.Fprintf(out, "If unit %d falls silent the cycle %s (%s, %s); each time it is asked again later takes %s.\n",
			s.Unit, grows, decode.Seconds(l.Stations[i].Timing.Response), tries, lineTime(s.Inquiry))
	}
}

// printRelief says that a plan cannot fit, and what would have to give.
func printRelief(out io.Writer, l *line.Line, p *plan.Plan) {
	if p.Fits() {
		return
	}
	load, _ := p.Load()
	fmt.Fprintf(out, "\nThis cannot fit: each second the line is asked for %s of line time.\n", lineTime(time.Duration(load*float64(time.Second))))
	r := plan.Relieve(l, p, new(plan.Learnt))
	fmt.Fprintln(out, "Any one of these would do:")
	if r.Every > 0 {
		fmt.Fprintf(out, "  nothing read more often than every %s (load %s)\n", decode.Seconds(r.Every), percent(r.EveryLoad))
	}
	if r.Baud > 0 {
		fmt.Fprintf(out, "  %d bit/s in place of %d (load %s)\n", r.Baud, l.Serial.Baud, percent(r.BaudLoad))
	}
	fmt.Fprintf(out, "  %d of the %s\n", r.Points, count(r.Of, "point"))
	if l.Medium == line.SerialPort && r.Baud == 0 {
		fmt.Fprintln(out, "No usual speed up to 115200 bit/s is enough.")
	}
}

// everyWords is a period for a column.
func everyWords(d time.Duration) string {
	if d == 0 {
		return "always"
	}
	return decode.Seconds(d)
}

// percent writes a share of the time, below one in a hundred with a tenth.
func percent(load float64) string {
	if load > 0 && load < 0.01 {
		return fmt.Sprintf("%.1f %%", 100*load)
	}
	return fmt.Sprintf("%.0f %%", 100*load)
}

// pointList names the first points of a request.
func pointList(r *plan.Request, most int) string {
	var names []string
	for i, p := range r.Points() {
		if i == most {
			return strings.Join(names, ", ") + " ..."
		}
		names = append(names, p.Name)
	}
	return strings.Join(names, ", ")
}

// lineTime writes a time as it matters: milliseconds below a second, then
// seconds.
func lineTime(d time.Duration) string {
	if d < time.Second {
		return milliseconds(d)
	}
	return strconv.FormatFloat(math.Round(d.Seconds()*100)/100, 'f', -1, 64) + " s"
}

// milliseconds writes a short time with a tenth, below one millisecond with a
// hundredth.
func milliseconds(d time.Duration) string {
	if d > 0 && d < time.Millisecond {
		return fmt.Sprintf("%.2f ms", d.Seconds()*1000)
	}
	return fmt.Sprintf("%.1f ms", d.Seconds()*1000)
}
