package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/regmap/agree"
	"plumbline/regmap/paper"
)

// newCompareCommand builds "compare".
func newCompareCommand(s *streams) *cobra.Command {
	var f importFlags
	cmd := &cobra.Command{
		Use:   "compare OLD NEW",
		Short: "Every change between two register maps or lists in words, the breaking ones first",
		Long: "Compares an older and a newer map point by point. First comes what breaks a panel that was made\n" +
			"by the older one, then what touches limits, alarms and periods, then names and texts.\n\n" +
			"Each side is a map or what import reads: a register list (CSV, XLSX), a Thing Description or a SunSpec\n" +
			"model. A list is read as import reads it; what it does not speak of is not compared, what it leaves\n" +
			"open is asked, and rows that are left out are told on standard error.\n\n" +
			"Exit code: 0 nothing on the wire differs; 1 something does, or rows of a list were left out; 2 a file\n" +
			"was not understood, or a question about a list is open.",
		Example: "  plumbline compare cistern-rev-a.yaml cistern-rev-b.yaml\n" +
			"  plumbline compare cistern.yaml reissue.xlsx --count-from 0 --worksheet Modbus",
		Args: cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error {
			older, newer, err := openSides(s.err, args[0], args[1], f)
			if err != nil {
				return err
			}
			return runCompare(s.out, s.err, older, newer, f.asJSON)
		},
	}
	addListFlags(cmd, &f)
	cmd.Flags().BoolVar(&f.asJSON, "json", false, "one JSON document on standard output")
	return cmd
}

// compareDocument is the JSON of compare.
type compareDocument struct {
	Format      int                 `json:"format"`
	Old         string              `json:"old"`
	New         string              `json:"new"`
	Differences []compareDifference `json:"differences"`
	NotCompared []string            `json:"not_compared"` // what a list does not speak of
	LeftOut     []compareLeftOut    `json:"left_out"`
}

type compareDifference struct {
	Weight   string   `json:"weight"`
	Point    string   `json:"point"`
	What     string   `json:"what"`
	Old      string   `json:"old"`
	New      string   `json:"new"`
	OldLine  int      `json:"old_line"` // 0 in a list
	NewLine  int      `json:"new_line"`
	OldPlace string   `json:"old_place"` // in a list: "row 12"
	NewPlace string   `json:"new_place"`
	Assumed  []string `json:"assumed"` // what a list does not say of the point
	Words    string   `json:"words"`
}

type compareLeftOut struct {
	File   string `json:"file"`
	Place  string `json:"place"`
	Text   string `json:"text"`
	Reason string `json:"reason"`
}

// weightHeads are what stands over the differences of each weight.
var weightHeads = map[agree.Weight]string{
	agree.Breaks:  "Breaks what was made by the older map",
	agree.Touches: "Touches limits, alarms, periods or writing",
	agree.Words:   "Names and texts only",
}

// runCompare prints the differences of two maps or lists.
func runCompare(out, errOut io.Writer, older, newer *side, asJSON bool) error {
	differences, dropped := differencesOf(older, newer)
	wire := 0
	for _, d := range differences {
		if d.Weight == agree.Breaks {
			wire++
		}
	}
	if asJSON {
		if err := writeJSON(out, compareJSON(older, newer, differences, dropped)); err != nil {
			return err
		}
	} else {
		older.tell(errOut)
		newer.tell(errOut)
		if len(dropped) > 0 {
			fmt.Fprintf(errOut, "not compared, because a list does not speak of it: %s\n", strings.Join(dropped, ", "))
		}
		printDifferences(out, older, newer, differences)
		fmt.Fprintf(out, "%s, %d of them breaking\n", count(len(differences), "difference"), wire)
	}
	if wire > 0 || older.incomplete() || newer.incomplete() {
		return errSeen
	}
	return nil
}

// printDifferences lists differences for people, each weight under its head.
func printDifferences(out io.Writer, older, newer *side, differences []agree.Difference) {
	counts := map[agree.Weight]int{}
	for _, d := range differences {
		counts[d.Weight]++
	}
	last := agree.Weight(0)
	for _, d := range differences {
		if d.Weight != last {
			fmt.Fprintf(out, "%s (%d):\n", weightHeads[d.Weight], counts[d.Weight])
			last = d.Weight
		}
		fmt.Fprintf(out, "  %s%s\n", paper.Text(d.String()), paper.Text(places(older, newer, d)))
		for _, a := range assumptions(older, newer, d) {
			fmt.Fprintf(out, "    the list does not say it: %s\n", paper.Text(a))
		}
	}
}

// compareJSON is the differences for programs.
func compareJSON(older, newer *side, differences []agree.Difference, dropped []string) compareDocument {
	document := compareDocument{Format: 1, Old: older.name, New: newer.name, Differences: []compareDifference{},
		NotCompared: append([]string{}, dropped...), LeftOut: append(older.leftOut(), newer.leftOut()...)}
	for _, d := range differences {
		row := compareDifference{Weight: d.Weight.String(), Point: d.Point, What: d.What, Old: d.Old, New: d.New,
			OldPlace: older.row(d.Was), NewPlace: newer.row(d.Point), Assumed: append([]string{}, assumptions(older, newer, d)...), Words: d.String()}
		if older.list == nil {
			row.OldLine = d.OldPos.Line
		}
		if newer.list == nil {
			row.NewLine = d.NewPos.Line
		}
		document.Differences = append(document.Differences, row)
	}
	return document
}

// places are where both files say it: the line of a map, the row of a list.
func places(older, newer *side, d agree.Difference) string {
	was, is := older.where(d.Was, d.OldPos.Line), newer.where(d.Point, d.NewPos.Line)
	switch {
	case was != "" && is != "":
		return fmt.Sprintf("  (%s, now %s)", was, is)
	case is != "":
		return fmt.Sprintf("  (%s)", is)
	case was != "":
		return fmt.Sprintf("  (was %s)", was)
	}
	return ""
}
