package main

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbline/regmap/agree"
	"plumbline/regmap/paper"
	"plumbline/regmap/sheet"
)

// newSheetCommand builds "sheet".
func newSheetCommand(s *streams) *cobra.Command {
	var file, date string
	var asInterface bool
	cmd := &cobra.Command{
		Use:   "sheet MAP",
		Short: "The register list on paper, for both sides to sign; --interface: one worked example a type",
		Long: "Writes the register list of a map: both numbers of every register, type, order, scale, units, limits,\n" +
			"bit meanings, the bytes that ask for it, the addresses in use, and lines to sign. With --interface it\n" +
			"writes the interface sheet: for every type and order in the map one worked example, and what each wrong\n" +
			"reading of it would show.\n\n" +
			"Exit code: 0 written; 2 the map was not understood, or the file could not be written.",
		Example: "  plumbline sheet cistern.yaml -o cistern.pdf\n  plumbline sheet cistern.yaml --interface",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			day, err := reportDate(date)
			if err != nil {
				return err
			}
			if isDescription(file) {
				return runDescription(s.err, args[0], file, asInterface)
			}
			return runSheet(s.out, s.err, args[0], file, day, asInterface)
		},
	}
	cmd.Flags().StringVarP(&file, "output", "o", "", "file to write; its ending chooses .txt, .md, .csv, .html, .xlsx, .pdf, or .jsonld for a Thing Description; without, text goes to standard output")
	cmd.Flags().StringVar(&date, "date", "", "date on the paper, such as 2026-11-24; today when left out")
	cmd.Flags().BoolVar(&asInterface, "interface", false, "the interface sheet instead of the register list")
	return cmd
}

// isDescription says whether a file's ending asks for a W3C Thing Description.
func isDescription(file string) bool { return strings.HasSuffix(file, ".jsonld") }

// runDescription writes the Thing Description of a map and says what it cannot
// hold.
func runDescription(errOut io.Writer, mapFile, file string, asInterface bool) error {
	if asInterface {
		return notUnderstood("the interface sheet is no Thing Description; give another ending than .jsonld")
	}
	m, err := loadMap(mapFile)
	if err != nil {
		return err
	}
	text, losses := sheet.Export(m)
	for _, loss := range losses {
		fmt.Fprintln(errOut, "a foreign reader will lose: "+paper.Text(loss))
	}
	return writeFile(file, text)
}

// reportDate is the date on a paper: as given, or today in UTC.
func reportDate(s string) (time.Time, error) {
	if s == "" {
		return time.Now().UTC().Truncate(24 * time.Hour), nil
	}
	day, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return time.Time{}, notUnderstood("--date %q is no date; write it as 2026-11-24", s)
	}
	return day, nil
}

// runSheet writes one of the two sheets of a map. Of a list that import can
// read back it says what that would not bring.
func runSheet(out, errOut io.Writer, mapFile, file string, date time.Time, asInterface bool) error {
	m, err := loadMap(mapFile)
	if err != nil {
		return err
	}
	document := agree.List(m, date)
	if asInterface {
		document = agree.Interface(m, date)
	}
	if format, err := paper.FormatOf(file); err == nil && !asInterface && (format == paper.CSV || format == paper.XLSX) {
		for _, words := range agree.Unlisted(m) {
			fmt.Fprintln(errOut, "not on the list: "+paper.Text(words))
		}
	}
	return writeDocument(out, document, file)
}

// writeDocument writes a document to a file, or as text to out where no file
// is named.
func writeDocument(out io.Writer, d paper.Document, file string) error {
	if file == "" {
		return paper.Write(out, d, paper.PlainText)
	}
	format, err := paper.FormatOf(file)
	if err != nil {
		return verdict{exitUsage, err}
	}
	var b bytes.Buffer
	if err := paper.Write(&b, d, format); err != nil {
		return err
	}
	return writeFile(file, b.Bytes())
}
