package main

import (
	"bytes"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/paper"
	"plumbline/regmap/sheet"
)

// importFlags are the flags of "import".
type importFlags struct {
	countFrom, worksheet, into, output, device string
	columns                                    []string
	base                                       uint16
	count                                      int
	asJSON                                     bool
}

// newImportCommand builds "import".
func newImportCommand(s *streams) *cobra.Command {
	var f importFlags
	cmd := &cobra.Command{
		Use:   "import FILE...",
		Short: "A map from a spreadsheet list, a Thing Description or SunSpec models",
		Long: "Reads a register list (CSV or XLSX), a W3C Thing Description with the Modbus binding, or SunSpec model\n" +
			"files, and writes a map with comments that say where each point comes from and what was assumed. The\n" +
			"report on standard error says what each column was taken for, which rows were left out and why. Where\n" +
			"the list cannot tell, it asks and writes no map: answer with --count-from and --column.\n\n" +
			"Several model files are chained in the order given. --into merges a reissued list into a map: its\n" +
			"comments, alarms and other blocks stay, what moved or changed its type is changed in place.\n\n" +
			"Exit code: 0 written, and nothing was left out that matters; 1 rows were left out, or questions are\n" +
			"open; 2 a file was not understood.",
		Example: "  plumbline import cistern.csv -o cistern.yaml\n" +
			"  plumbline import cistern.csv --count-from 0 --column about=Remarks\n" +
			"  plumbline import reissue.csv --into cistern.yaml -o cistern.yaml",
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return runImport(s.out, s.err, args, f)
		},
	}
	addListFlags(cmd, &f)
	flags := cmd.Flags()
	flags.StringVar(&f.into, "into", "", "the map into which a reissued list is merged")
	flags.StringVarP(&f.output, "output", "o", "", "file to write the map to; standard output when left out")
	flags.StringVar(&f.device, "device", "", "the map's device; after the file when left out")
	flags.BoolVar(&f.asJSON, "json", false, "one JSON document on standard output")
	return cmd
}

// addListFlags gives a command what a person must tell about a list that does
// not say it itself.
func addListFlags(cmd *cobra.Command, f *importFlags) {
	flags := cmd.Flags()
	flags.StringVar(&f.countFrom, "count-from", "", "0: the list's numbers are protocol addresses; 1: they count from 1, as 40001 does")
	flags.StringArrayVar(&f.columns, "column", nil, "what a column is, as role=HEADING; roles: "+strings.Join(sheet.Roles(), ", "))
	flags.StringVar(&f.worksheet, "worksheet", "", "the worksheet to read; all of them when left out")
	flags.Uint16Var(&f.base, "base", uint16(sheet.DefaultBase), "models: protocol address of the marker SunS")
	flags.IntVar(&f.count, "count", 1, "models: how often a group repeats whose number the model leaves open")
}

// options turns the flags into what the importer takes.
func (f importFlags) options() (sheet.Options, error) {
	o := sheet.Options{Device: f.device, Base: regmap.Address(f.base), Count: f.count, Columns: map[string]string{}}
	switch f.countFrom {
	case "":
	case "0":
		o.CountFrom = sheet.CountFromZero
	case "1":
		o.CountFrom = sheet.CountFromOne
	default:
		return o, notUnderstood("--count-from %q: 0 or 1", f.countFrom)
	}
	for _, c := range f.columns {
		role, heading, ok := strings.Cut(c, "=")
		if !ok || heading == "" {
			return o, notUnderstood("--column %q: write role=HEADING, such as address=Register", c)
		}
		o.Columns[strings.TrimSpace(role)] = strings.TrimSpace(heading)
	}
	if f.count < 1 || f.count > 1000 {
		return o, notUnderstood("--count %d: 1 to 1000", f.count)
	}
	return o, nil
}

// runImport reads the sources, makes the map and says what became of it.
func runImport(out, errOut io.Writer, files []string, f importFlags) error {
	o, err := f.options()
	if err != nil {
		return err
	}
	r, err := readSources(files, f, o)
	if err != nil {
		return notUnderstood("%w", err)
	}
	text, changes := r.Map, []sheet.Change(nil)
	if f.into != "" && r.Map != nil {
		if text, changes, err = mergeInto(r, f.into); err != nil {
			return notUnderstood("%w", err)
		}
	}
	if f.output != "" && text != nil {
		if err := writeFile(f.output, text); err != nil {
			return err
		}
	}
	if f.asJSON {
		if err := writeJSON(out, importJSON(files, r, text, changes, f.output)); err != nil {
			return err
		}
	} else {
		printImport(errOut, r, changes)
		if f.output == "" {
			if _, err := out.Write(text); err != nil {
				return err
			}
		}
	}
	if text == nil || r.Incomplete() {
		return errSeen
	}
	return nil
}

func mergeInto(r *sheet.Result, file string) ([]byte, []sheet.Change, error) {
	old, err := doc.ReadFile(file)
	if err != nil {
		return nil, nil, err
	}
	return r.Into(file, old, sections()...)
}

// readSources finds out what the files are and reads them.
func readSources(files []string, f importFlags, o sheet.Options) (*sheet.Result, error) {
	var sources []sheet.File
	for _, name := range files {
		text, err := doc.ReadFile(name)
		if err != nil {
			return nil, err
		}
		sources = append(sources, sheet.File{Name: name, Text: text})
	}
	first := sources[0]
	isJSON := bytes.HasPrefix(bytes.TrimSpace(bytes.TrimPrefix(first.Text, []byte("\uFEFF"))), []byte("{"))
	if isJSON && sheet.IsModel(first.Text) {
		return sheet.Models(sources, o)
	}
	if len(sources) > 1 {
		return nil, fmt.Errorf("%s: several files are read together only where they are SunSpec models", files[1])
	}
	if isJSON {
		return sheet.Thing(first.Name, first.Text, o)
	}
	rows, err := sheet.Rows(first, f.worksheet)
	if err != nil {
		return nil, err
	}
	return sheet.List(first.Name, rows, o)
}

// printImport says what became of the source, for people.
func printImport(w io.Writer, r *sheet.Result, changes []sheet.Change) {
	line := func(format string, args ...any) { fmt.Fprintln(w, paper.Text(fmt.Sprintf(format, args...))) }
	for _, c := range r.Columns {
		switch {
		case c.Role != "":
			line("%s: %s, %s (%s)", c, c.Role, c.Sure, c.Why)
		case c.Heading != "" && c.Why != "":
			line("%s: not used; %s", c, c.Why)
		case c.Heading != "":
			line("%s: not used", c)
		}
	}
	for _, n := range r.Notes {
		line("%s", n)
	}
	for _, l := range r.LeftOut {
		if l.Text != "" {
			line("left out: %s: %s (%s)", l.Place, l.Reason, l.Text)
		} else {
			line("left out: %s: %s", l.Place, l.Reason)
		}
	}
	for _, c := range changes {
		line("%s: %s: %s", c.Kind, c.Point, c.Words)
	}
	for _, q := range r.Questions {
		line("question: %s", q)
	}
	if len(r.Questions) > 0 {
		line("no map is written before %s answered", map[bool]string{true: "this is", false: "these are"}[len(r.Questions) == 1])
		return
	}
	line("%s from the %s, %s left out", count(len(r.Points), "point"), r.Kind, count(len(r.LeftOut), "part"))
}
