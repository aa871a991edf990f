package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"plumbline/poll/plan"
	"plumbline/regmap/line"
)

// newPlanCommand builds "plan".
func newPlanCommand(s *streams) *cobra.Command {
	var asJSON bool
	var at place
	cmd := &cobra.Command{
		Use:   "plan LINE...",
		Short: "The requests that fetch all points, and what they cost in line time",
		Long: "Shows the cheapest requests that fetch all points, with their line time, the cycle, the load\n" +
			"and what a silent unit costs. Where the line cannot hold it, says what would have to give.\n" +
			"Nothing is opened and nothing is sent.\n\n" +
			"Exit code: 0 planned; 1 a line cannot hold its plan; 2 a file was not understood.",
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

// runPlan plans lines and prints the requests. It fails when one cannot fit.
func runPlan(out io.Writer, lines []*line.Line, asJSON bool) error {
	document := newPlanDocument()
	fits := true
	for i, l := range lines {
		p := plan.For(l, new(plan.Learnt))
		fits = fits && p.Fits()
		document.add(l, &p)
		if !asJSON {
			if i > 0 {
				fmt.Fprintln(out)
			}
			printPlan(out, l, &p)
		}
	}
	if asJSON {
		if err := writeJSON(out, document); err != nil {
			return err
		}
	}
	if !fits {
		return errSeen
	}
	return nil
}
