package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"plumbline/regmap"
	"plumbline/regmap/agree"
	"plumbline/regmap/doc"
	"plumbline/regmap/paper"
)

// newCompareCommand builds "compare".
func newCompareCommand(s *streams) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "compare OLD NEW",
		Short: "Every change between two register maps in words, the breaking ones first",
		Long: "Compares an older and a newer map point by point. First comes what breaks a panel that was made\n" +
			"by the older one, then what touches limits, alarms and periods, then names and texts.\n\n" +
			"Exit code: 0 nothing on the wire differs; 1 something does; 2 a file was not understood.",
		Example: "  plumbline compare cistern-rev-a.yaml cistern-rev-b.yaml",
		Args:    cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error {
			older, err := loadMap(args[0])
			if err != nil {
				return err
			}
			newer, err := loadMap(args[1])
			if err != nil {
				return err
			}
			return runCompare(s.out, older, newer, asJSON)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "one JSON document on standard output")
	return cmd
}

// loadMap reads one map file; its faults are the error.
func loadMap(file string) (*regmap.Map, error) {
	text, err := doc.ReadFile(file)
	if err != nil {
		return nil, unreadable(err)
	}
	rep := new(doc.Report)
	m := regmap.Load(file, text, rep, sections()...)
	if m == nil {
		return nil, verdict{exitUsage, rep.Err()}
	}
	return m, nil
}

// compareDocument is the JSON of compare.
type compareDocument struct {
	Format      int                 `json:"format"`
	Old         string              `json:"old"`
	New         string              `json:"new"`
	Differences []compareDifference `json:"differences"`
}

type compareDifference struct {
	Weight  string `json:"weight"`
	Point   string `json:"point"`
	What    string `json:"what"`
	Old     string `json:"old"`
	New     string `json:"new"`
	OldLine int    `json:"old_line"`
	NewLine int    `json:"new_line"`
	Words   string `json:"words"`
}

// weightHeads are what stands over the differences of each weight.
var weightHeads = map[agree.Weight]string{
	agree.Breaks:  "Breaks what was made by the older map",
	agree.Touches: "Touches limits, alarms, periods or writing",
	agree.Words:   "Names and texts only",
}

// runCompare prints the differences of two maps.
func runCompare(out io.Writer, older, newer *regmap.Map, asJSON bool) error {
	differences := agree.Compare(older, newer)
	wire := 0
	document := compareDocument{Format: 1, Old: older.File, New: newer.File, Differences: []compareDifference{}}
	counts := map[agree.Weight]int{}
	for _, d := range differences {
		counts[d.Weight]++
		if d.Weight == agree.Breaks {
			wire++
		}
		document.Differences = append(document.Differences, compareDifference{d.Weight.String(), d.Point, d.What, d.Old, d.New, d.OldPos.Line, d.NewPos.Line, d.String()})
	}
	if asJSON {
		if err := writeJSON(out, document); err != nil {
			return err
		}
	} else {
		last := agree.Weight(0)
		for _, d := range differences {
			if d.Weight != last {
				fmt.Fprintf(out, "%s (%d):\n", weightHeads[d.Weight], counts[d.Weight])
				last = d.Weight
			}
			fmt.Fprintf(out, "  %s%s\n", paper.Text(d.String()), places(d))
		}
		fmt.Fprintf(out, "%s, %d of them breaking\n", count(len(differences), "difference"), wire)
	}
	if wire > 0 {
		return errSeen
	}
	return nil
}

// places are the lines of both files.
func places(d agree.Difference) string {
	switch {
	case d.OldPos.Line > 0 && d.NewPos.Line > 0:
		return fmt.Sprintf("  (line %d, now %d)", d.OldPos.Line, d.NewPos.Line)
	case d.NewPos.Line > 0:
		return fmt.Sprintf("  (line %d)", d.NewPos.Line)
	case d.OldPos.Line > 0:
		return fmt.Sprintf("  (was line %d)", d.OldPos.Line)
	}
	return ""
}
