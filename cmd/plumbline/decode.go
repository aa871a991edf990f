package main

import (
	"bufio"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// decodeFlags are the flags of decode.
type decodeFlags struct {
	framing, direction, mapFile string
	output, write, lineFile     string
	ports                       []int
	asJSON, report, draft       bool
}

// newDecodeCommand builds "decode".
func newDecodeCommand(s *streams) *cobra.Command {
	var f decodeFlags
	cmd := &cobra.Command{
		Use:   "decode [FILE|HEX]...",
		Short: "Say what frames mean, byte by byte, and what is wrong with the traffic they are part of",
		Long: "Reads captures (pcap, pcapng), raw bytes of a serial line (a binary file), and frames as hex text:\n" +
			"arguments, files (a name that exists wins), or standard input, one frame a line. A line that begins\n" +
			"with a colon is an ASCII frame as it stands. What is not stated by --framing and --direction is tried.\n\n" +
			"--report says what the traffic shows instead: findings with their frames, the worst first. --draft\n" +
			"writes a first map of what was asked, for a person to complete. --write puts raw bytes of a serial\n" +
			"line into a capture that can be passed on.\n\n" +
			"Exit code: 0 every frame is right, exceptions included; 1 a frame is refused, or the report has\n" +
			"trouble in it; 2 the input was not understood.",
		Example: "  plumbline decode \"11 83 02 C1 34\"\n  plumbline decode heard.pcapng --map cistern.yaml\n" +
			"  plumbline decode heard.pcapng --report -o traffic.html\n  plumbline decode tapped.bin --framing rtu --draft -o first.yaml",
		RunE: func(_ *cobra.Command, args []string) error { return runDecode(s, args, f) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.framing, "framing", "", "mbap, rtu, ascii or pdu, when it is known; of captures: what TCP carries, mbap when left out")
	flags.StringVar(&f.direction, "direction", "", "request or response, when it is known; of hex text")
	flags.StringVar(&f.mapFile, "map", "", "a map or line file: adds points and values")
	flags.IntSliceVar(&f.ports, "port", nil, "of captures: a port where servers are, beside 502 and 802; may be given again")
	flags.BoolVar(&f.asJSON, "json", false, "JSON lines, one a frame; with --report one a finding")
	flags.BoolVar(&f.report, "report", false, "what the traffic shows, instead of the frames")
	flags.BoolVar(&f.draft, "draft", false, "a first map of what was asked, instead of the frames")
	flags.StringVar(&f.lineFile, "line", "", "with --draft -o: a line file for the maps, to be written too")
	flags.StringVar(&f.write, "write", "", "raw bytes of a serial line as a capture, FILE.pcapng, instead of the frames")
	flags.StringVarP(&f.output, "output", "o", "", "with --report: file to write, its ending chooses .txt, .md, .csv, .html, .xlsx or .pdf; with --draft: the map's file")
	return cmd
}

// known is what the flags say of every frame.
func (f *decodeFlags) known() (k decode.Known, err error) {
	switch f.direction {
	case "":
	case "request":
		k.Direction = frame.Asking
	case "response":
		k.Direction = frame.Answering
	default:
		return k, notUnderstood("--direction %q is none of request, response", f.direction)
	}
	if f.framing == "pdu" {
		k.Bare = true
	} else if f.framing != "" {
		var ok bool
		if k.Framing, ok = line.ParseFraming(f.framing); !ok {
			return k, notUnderstood("--framing %q is none of mbap, rtu, ascii, pdu", f.framing)
		}
	}
	return k, nil
}

// runDecode reads what is given and shows it the way that was asked for.
func runDecode(s *streams, args []string, f decodeFlags) error {
	known, err := f.known()
	if err != nil {
		return err
	}
	if err := f.check(); err != nil {
		return err
	}
	input := &decodeInput{stdin: s.in, args: args, flags: f, known: known}
	switch {
	case f.report:
		return runReport(s.out, input)
	case f.draft:
		return runDraft(s.out, input)
	case f.write != "":
		return runWriteCapture(input)
	}
	maps, _, err := openMaps(f.mapFile)
	if err != nil {
		return err
	}
	d := &decoder{out: bufio.NewWriter(s.out), maps: maps, asJSON: f.asJSON}
	err = input.each(d)
	if flushed := d.out.Flush(); err == nil && flushed != nil {
		return verdict{code: exitDone} // nobody reads on
	}
	switch {
	case err != nil:
		return err
	case d.shown == 0:
		return input.nothing("frame")
	case d.refused:
		return errSeen
	}
	return nil
}

// check refuses flags that do not go together.
func (f *decodeFlags) check() error {
	var ways []string
	for _, way := range []struct {
		flag  string
		given bool
	}{{"--report", f.report}, {"--draft", f.draft}, {"--write", f.write != ""}} {
		if way.given {
			ways = append(ways, way.flag)
		}
	}
	switch {
	case len(ways) > 1:
		return notUnderstood("%s are given together; one at a time", strings.Join(ways, " and "))
	case f.output != "" && !f.report && !f.draft:
		return notUnderstood("-o goes with --report or --draft; frames are shown on standard output")
	case f.lineFile != "" && (!f.draft || f.output == ""):
		return notUnderstood("--line goes with --draft -o MAP")
	case f.draft && f.asJSON:
		return notUnderstood("--draft writes a map, which is YAML; leave out --json")
	case f.report && f.asJSON && f.output != "":
		return notUnderstood("--json goes to standard output; leave out -o, or --json")
	}
	for _, p := range f.ports {
		if p < 1 || p > 65535 {
			return notUnderstood("--port %d: a port is 1 to 65535", p)
		}
	}
	return nil
}

// openMaps gives the map of each unit: one map for all, or a line file's. The
// line is nil for a bare map.
func openMaps(file string) (func(regmap.Unit) *regmap.Map, *line.Line, error) {
	if file == "" {
		return nil, nil, nil
	}
	text, err := doc.ReadFile(file)
	if err != nil {
		return nil, nil, unreadable(err)
	}
	rep := new(doc.Report)
	if line.IsLine(text) {
		l, err := line.Parse(file, text, rep, sections()...)
		if err != nil {
			return nil, nil, unreadable(err)
		}
		if l == nil {
			return nil, nil, verdict{exitUsage, rep.Err()}
		}
		return func(u regmap.Unit) *regmap.Map {
			if s := l.Station(u); s != nil {
				return s.Map
			}
			return nil
		}, l, nil
	}
	m := regmap.Load(file, text, rep, sections()...)
	if m == nil {
		return nil, nil, verdict{exitUsage, rep.Err()}
	}
	return func(regmap.Unit) *regmap.Map { return m }, nil, nil
}
