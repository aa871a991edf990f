package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbline/decode"
	"plumbline/poll/plan"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// newPlanCommand builds "plan".
func newPlanCommand(s *streams) *cobra.Command {
	var asJSON bool
	var at place
	cmd := &cobra.Command{
		Use:   "plan LINE...",
		Short: "The requests that fetch all points, and what they cost in line time",
		Long: "Shows the requests of one cycle with their line time, the cycle and the load. Nothing is\n" +
			"opened and nothing is sent.\n\n" +
			"Exit code: 0 planned; 2 a file was not understood.",
		Example: "  plumbline plan pump-house.yaml\n  plumbline plan cistern.yaml --serial /dev/ttyUSB0 --unit 17",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			lines, err := openLines(args, &at)
			if err != nil {
				return err
			}
			return runPlan(s.out, lines, asJSON)
		},
	}
	addPlaceFlags(cmd, &at)
	cmd.Flags().BoolVar(&asJSON, "json", false, "one JSON document on standard output")
	return cmd
}

// planDocument is the JSON of plan.
type planDocument struct {
	Format         int           `json:"format"`
	Requests       []planRequest `json:"requests"`
	CycleSeconds   float64       `json:"cycle_seconds"`
	OptimumSeconds *float64      `json:"optimum_seconds"` // not searched for yet
}

type planRequest struct {
	Line     string   `json:"line"`
	Unit     int      `json:"unit"`
	Function int      `json:"function"`
	Address  int      `json:"address"`
	Quantity int      `json:"quantity"`
	Points   []string `json:"points"`
	Seconds  float64  `json:"seconds"`
}

// runPlan plans lines and prints the requests.
func runPlan(out io.Writer, lines []*line.Line, asJSON bool) error {
	document := planDocument{Format: 1, Requests: []planRequest{}}
	for i, l := range lines {
		p := plan.For(l, new(plan.Learnt))
		document.CycleSeconds += p.Cycle.Seconds()
		for _, r := range p.Requests {
			q := planRequest{Line: l.Name, Unit: int(r.Station.Unit), Function: int(r.Frame().Function),
				Address: int(r.Span.First), Quantity: r.Span.Count, Seconds: r.Cost.Seconds()}
			for _, point := range r.Points() {
				q.Points = append(q.Points, point.Name)
			}
			document.Requests = append(document.Requests, q)
		}
		if !asJSON {
			if i > 0 {
				fmt.Fprintln(out)
			}
			printPlan(out, l, p)
		}
	}
	if asJSON {
		return writeJSON(out, document)
	}
	return nil
}

// printPlan writes the plan of one line as text.
func printPlan(out io.Writer, l *line.Line, p plan.Plan) {
	fmt.Fprintf(out, "%s\n\n", paper.Text(l.Name+", "+l.Where()))
	fmt.Fprintf(out, "%-34s %6s %11s\n", "request", "items", "line time")
	load := 0.0
	paced := true
	for _, r := range p.Requests {
		where, _, _ := strings.Cut(r.Span.String(), " ")
		head := fmt.Sprintf("unit %d  %02X  %s", r.Station.Unit, uint8(r.Frame().Function), where)
		fmt.Fprintf(out, "%-34s %6d %11s   %s\n", head, r.Span.Count, milliseconds(r.Cost), pointList(r, 3))
		if r.Every == 0 {
			paced = false
			continue
		}
		load += r.Cost.Seconds() / r.Every.Seconds()
	}
	fmt.Fprintf(out, "\ncycle %s", milliseconds(p.Cycle))
	if paced {
		fmt.Fprintf(out, ", load %.1f %%", 100*load)
	} else {
		fmt.Fprint(out, ", polled without pause")
	}
	fmt.Fprintln(out)
	printDead(out, l)
}

// printDead says what one silent unit costs a cycle.
func printDead(out io.Writer, l *line.Line) {
	for _, s := range l.Stations {
		tries := s.Timing.Retries + 1
		lost := time.Duration(tries) * s.Timing.Response
		fmt.Fprintf(out, "If unit %d is silent each of its requests takes %s (%s, %s).\n",
			s.Unit, decode.Seconds(lost), decode.Seconds(s.Timing.Response), tryWords(tries))
	}
}

func tryWords(n int) string {
	if n == 1 {
		return "1 try"
	}
	return fmt.Sprintf("%d tries", n)
}

// pointList names the first points of a request.
func pointList(r plan.Request, most int) string {
	var names []string
	for i, p := range r.Points() {
		if i == most {
			return strings.Join(names, ", ") + " ..."
		}
		names = append(names, p.Name)
	}
	return strings.Join(names, ", ")
}

// milliseconds writes a short time with a tenth, below one millisecond with a
// hundredth.
func milliseconds(d time.Duration) string {
	if d > 0 && d < time.Millisecond {
		return fmt.Sprintf("%.2f ms", d.Seconds()*1000)
	}
	return fmt.Sprintf("%.1f ms", d.Seconds()*1000)
}
