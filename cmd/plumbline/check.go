package main

import (
	"encoding/json"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/regmap/lint"
	"plumbline/regmap/paper"
)

// newCheckCommand builds "check".
func newCheckCommand(s *streams) *cobra.Command {
	var asJSON, strict bool
	var schema string
	cmd := &cobra.Command{
		Use:   "check FILE...",
		Short: "Report every fault and warning of map and line files, with its place",
		Long: "Reads map and line files and reports everything that is wrong in one run: file, line,\n" +
			"column, path, what was found and what to do. A line file's maps are checked with it.\n" +
			"In a map without faults it also points out what is doubtful: missing units or limits, tag\n" +
			"letters that do not fit, odd addresses. Those are warnings.\n\n" +
			"--schema prints the JSON Schema of map or line files instead, for editors that check\n" +
			"while you write.\n\n" +
			"Exit code: 0 no faults; 1 faults (with --strict also warnings); 2 a file could not be read.",
		Example: "  plumbline check cistern.yaml\n  plumbline check pump-house.yaml --json\n  plumbline check --schema map > map.schema.json",
		Args: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("schema") && len(args) > 0 {
				return notUnderstood("--schema prints a schema and checks no file, such as %q", args[0])
			} else if cmd.Flags().Changed("schema") {
				return nil
			}
			return cobra.MinimumNArgs(1)(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("schema") {
				return printSchema(s.out, schema)
			}
			return runCheck(s.out, s.err, args, asJSON, strict)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "one JSON document on standard output")
	cmd.Flags().BoolVar(&strict, "strict", false, "count warnings as wrong")
	cmd.Flags().StringVar(&schema, "schema", "", "print the JSON Schema of this kind of file: map or line")
	return cmd
}

// printSchema prints the JSON Schema of one kind of file.
func printSchema(out io.Writer, kind string) error {
	switch kind {
	case "map":
		return writeJSON(out, doc.Schema("Register map", regmap.MapShape(sections()...)))
	case "line":
		return writeJSON(out, doc.Schema("Line file", line.Shape()))
	}
	return notUnderstood("--schema %q is no kind of file; map or line", kind)
}

// checkDocument is the JSON of check.
type checkDocument struct {
	Format int         `json:"format"`
	Files  []checkFile `json:"files"`
}

type checkFile struct {
	File     string       `json:"file"`
	OK       bool         `json:"ok"`
	Errors   []checkFault `json:"errors"`
	Warnings []checkFault `json:"warnings"`
}

type checkFault struct {
	Line    int    `json:"line"`
	Column  int    `json:"column"`
	Path    string `json:"path"`
	Message string `json:"message"`
	Hint    string `json:"hint"`
}

// runCheck checks files and prints what was found.
func runCheck(out, errOut io.Writer, files []string, asJSON, strict bool) error {
	document := checkDocument{Format: 1, Files: []checkFile{}}
	rep := new(doc.Report)
	unread := false
	for _, file := range files {
		text, err := doc.ReadFile(file)
		if err != nil {
			fmt.Fprintln(errOut, "plumbline: "+paper.Text(err.Error()))
			unread = true
			continue
		}
		one := new(doc.Report)
		checkOne(file, text, one)
		rep.Merge(one)
		document.Files = append(document.Files, asFile(file, one, strict))
	}
	if asJSON {
		if err := writeJSON(out, document); err != nil {
			return err
		}
	} else if len(document.Files) > 0 {
		printFaults(out, rep, len(document.Files), strict)
	}
	switch {
	case unread:
		return verdict{code: exitUsage}
	case rep.Bad() || strict && len(rep.Warnings()) > 0:
		return errSeen
	}
	return nil
}

// checkOne checks one file's text as what it is. Maps without faults are looked
// through for doubts too.
func checkOne(file string, text []byte, rep *doc.Report) {
	if line.IsLine(text) {
		l, err := line.Parse(file, text, rep, sections()...)
		if err != nil {
			rep.Add(doc.Fault{Pos: doc.Pos{File: file, Line: 1, Column: 1}, Message: err.Error()})
		}
		warnLine(l, rep)
		return
	}
	warnMap(regmap.Load(file, text, rep, sections()...), rep)
}

// warnMap adds the doubts about a map; nil is one with faults.
func warnMap(m *regmap.Map, rep *doc.Report) {
	if m == nil {
		return
	}
	for _, w := range lint.Map(m) {
		rep.Warn(w.Fault)
	}
}

// warnLine adds the doubts about the maps of a line, each map once.
func warnLine(l *line.Line, rep *doc.Report) {
	if l == nil {
		return
	}
	seen := map[*regmap.Map]bool{}
	for _, s := range l.Stations {
		if !seen[s.Map] {
			seen[s.Map] = true
			warnMap(s.Map, rep)
		}
	}
}

func asFile(file string, rep *doc.Report, strict bool) checkFile {
	return checkFile{File: file, OK: !rep.Bad() && !(strict && len(rep.Warnings()) > 0),
		Errors: asFaults(file, rep.Faults()), Warnings: asFaults(file, rep.Warnings())}
}

// asFaults is the JSON of faults. One that stands in another file, a station's
// map, says so in its message.
func asFaults(file string, faults []*doc.Fault) []checkFault {
	out := []checkFault{}
	for _, f := range faults {
		message := f.Message
		if f.Pos.File != file {
			message = f.Pos.File + ": " + message
		}
		out = append(out, checkFault{f.Pos.Line, f.Pos.Column, f.Path, message, f.Hint})
	}
	return out
}

// mostFaults is how many faults the text lists; JSON lists all.
const mostFaults = 100

// printFaults writes faults and warnings as text, two lines each, and a count.
func printFaults(out io.Writer, rep *doc.Report, files int, strict bool) {
	faults, warnings := rep.Faults(), rep.Warnings()
	for i, f := range faults {
		if i == mostFaults {
			fmt.Fprintf(out, "... and %s more\n", count(len(faults)-mostFaults, "fault"))
			break
		}
		printFault(out, f, "")
	}
	for i, f := range warnings {
		if i == mostFaults {
			fmt.Fprintf(out, "... and %s more\n", count(len(warnings)-mostFaults, "warning"))
			break
		}
		printFault(out, f, "warning: ")
	}
	in := count(files, "file")
	if len(faults)+len(warnings) == 0 {
		fmt.Fprintf(out, "no faults, no warnings in %s\n", in)
		return
	}
	fmt.Fprintf(out, "%s, %s in %s", count(len(faults), "fault"), count(len(warnings), "warning"), in)
	if strict && len(faults) == 0 {
		fmt.Fprint(out, "; --strict counts warnings as wrong")
	}
	fmt.Fprintln(out)
}

func printFault(out io.Writer, f *doc.Fault, kind string) {
	head := f.Pos.String()
	if f.Path != "" {
		head += "  " + f.Path
	}
	words := kind + f.Message
	if f.Hint != "" {
		words += "; " + f.Hint
	}
	fmt.Fprintf(out, "%s\n    %s\n", paper.Text(head), paper.Text(words))
}

// writeJSON writes one indented JSON document.
func writeJSON(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
