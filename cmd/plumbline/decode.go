package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// decodeFlags are the flags of decode.
type decodeFlags struct {
	framing, direction, mapFile string
	asJSON                      bool
}

// newDecodeCommand builds "decode".
func newDecodeCommand(s *streams) *cobra.Command {
	var f decodeFlags
	cmd := &cobra.Command{
		Use:   "decode [FILE|HEX]...",
		Short: "Say what frames mean, byte by byte, and why one is refused",
		Long: "Reads frames as hex text: arguments, files (a name that exists wins), or standard input,\n" +
			"one frame a line. A line that begins with a colon is an ASCII frame as it stands. What is\n" +
			"not stated by --framing and --direction is tried.\n\n" +
			"Exit code: 0 every frame is right, exceptions included; 1 a frame is refused; 2 the\n" +
			"text was not understood.",
		Example: "  plumbline decode \"11 83 02 C1 34\"\n  plumbline decode frames.txt --map cistern.yaml",
		RunE:    func(_ *cobra.Command, args []string) error { return runDecode(s, args, f) },
	}
	flags := cmd.Flags()
	flags.StringVar(&f.framing, "framing", "", "mbap, rtu, ascii or pdu, when it is known")
	flags.StringVar(&f.direction, "direction", "", "request or response, when it is known")
	flags.StringVar(&f.mapFile, "map", "", "a map or line file: adds points and values")
	flags.BoolVar(&f.asJSON, "json", false, "JSON lines, one a frame")
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

// A decoder reads frames one after the other and shows them.
type decoder struct {
	out     *bufio.Writer
	known   decode.Known
	maps    func(regmap.Unit) *regmap.Map // nil for none
	asJSON  bool
	shown   int
	refused bool
	before  *decode.Message
}

// runDecode reads frames from arguments, files or standard input.
func runDecode(s *streams, args []string, f decodeFlags) error {
	known, err := f.known()
	if err != nil {
		return err
	}
	maps, err := openMaps(f.mapFile)
	if err != nil {
		return err
	}
	d := &decoder{out: bufio.NewWriter(s.out), known: known, maps: maps, asJSON: f.asJSON}
	err = d.all(s.in, args)
	if flushed := d.out.Flush(); err == nil && flushed != nil {
		return verdict{code: exitDone} // nobody reads on
	}
	switch {
	case err != nil:
		return err
	case d.shown == 0:
		return notUnderstood("there is no frame in the input; give hex text, such as 1183 02C1 34")
	case d.refused:
		return errSeen
	}
	return nil
}

func (d *decoder) all(in io.Reader, args []string) error {
	if len(args) == 0 {
		return d.lines("standard input", in)
	}
	for i, arg := range args {
		info, err := os.Stat(arg)
		switch {
		case err == nil && !info.Mode().IsRegular():
			return notUnderstood("%s: %w", arg, doc.ErrNotRegular)
		case err == nil:
			f, err := os.Open(arg)
			if err != nil {
				return unreadable(err)
			}
			err = d.lines(arg, f)
			f.Close()
			if err != nil {
				return err
			}
			continue
		}
		if err := d.one(arg, 0); err != nil {
			return notUnderstood("argument %d: %w; it is no file either", i+1, err)
		}
	}
	return nil
}

// lines reads one frame a line; empty lines and those that begin with # are
// passed over.
func (d *decoder) lines(name string, in io.Reader) error {
	scanner := bufio.NewScanner(in)
	scanner.Buffer(make([]byte, 0, 4096), decode.MaxHexLine)
	offset := int64(0)
	for n := 1; scanner.Scan(); n++ {
		text := scanner.Text()
		if trimmed := strings.TrimSpace(text); trimmed != "" && trimmed[0] != '#' {
			if err := d.one(text, offset); err != nil {
				return notUnderstood("%s line %d: %w", name, n, err)
			}
		}
		offset += int64(len(text)) + 1
	}
	if err := scanner.Err(); err != nil {
		if errors.Is(err, bufio.ErrTooLong) {
			return notUnderstood("%s: a line is longer than 1 MiB", name)
		}
		return notUnderstood("%s: %w", name, err)
	}
	return nil
}

// one reads and shows one frame.
func (d *decoder) one(text string, offset int64) error {
	b, err := decode.Hex(strings.TrimRight(text, " \t\r\n"))
	if err != nil {
		return err
	}
	if len(b) == 0 {
		return &decode.HexError{Column: 1, Words: "there are no hex digits"}
	}
	k := d.known
	k.Asked = d.before
	m := decode.Recognise(b, k)
	d.shown++
	d.refused = d.refused || m.Err != nil
	d.before = &m
	if d.asJSON {
		return d.json(&m, offset)
	}
	d.text(&m)
	return nil
}

// openMaps gives the map of each unit: one map for all, or a line file's.
func openMaps(file string) (func(regmap.Unit) *regmap.Map, error) {
	if file == "" {
		return nil, nil
	}
	text, err := doc.ReadFile(file)
	if err != nil {
		return nil, unreadable(err)
	}
	rep := new(doc.Report)
	if line.IsLine(text) {
		l, err := line.Parse(file, text, rep, sections()...)
		if err != nil {
			return nil, unreadable(err)
		}
		if l == nil {
			return nil, verdict{exitUsage, rep.Err()}
		}
		return func(u regmap.Unit) *regmap.Map {
			if s := l.Station(u); s != nil {
				return s.Map
			}
			return nil
		}, nil
	}
	m := regmap.Load(file, text, rep, sections()...)
	if m == nil {
		return nil, verdict{exitUsage, rep.Err()}
	}
	return func(regmap.Unit) *regmap.Map { return m }, nil
}

// text shows one frame for people.
func (d *decoder) text(m *decode.Message) {
	if d.shown > 1 {
		fmt.Fprintln(d.out)
	}
	whole := hexBytes(m.Bytes, 0, 0)
	if m.Framing == line.ASCII {
		whole = characters(m.Bytes)
	}
	fmt.Fprintf(d.out, "%-34s %s\n", paper.Text(whole), headline(m))
	for _, f := range m.Fields() {
		bytes := hexBytes(m.Bytes[f.Offset:f.Offset+f.Length], 0, 0)
		if m.Framing == line.ASCII {
			bytes = characters(m.Bytes[f.Offset : f.Offset+f.Length])
		}
		fmt.Fprintf(d.out, "  %-11s %s\n", paper.Text(bytes), paper.Text(f.Words))
	}
	for _, p := range d.points(m) {
		fmt.Fprintf(d.out, "  -> %s\n", paper.Text(p.words()))
	}
	if m.Err != nil {
		fmt.Fprintf(d.out, "\nRefused: %s.\n", paper.Text(m.Err.Error()))
	} else if e, ok := m.Exception(); ok {
		if hint := exceptionHint[e]; hint != "" {
			fmt.Fprintf(d.out, "\n%s\n", hint)
		}
	} else if m.Direction == 0 {
		fmt.Fprintf(d.out, "\nRequest and answer of this function look the same; alone it may be either.\n")
	}
}

// characters are the characters of an ASCII frame, its end in words.
func characters(b []byte) string {
	return strings.TrimSpace(strings.NewReplacer("\r", "CR ", "\n", "LF").Replace(string(b)))
}

// headline is framing, length and check of a frame.
func headline(m *decode.Message) string {
	name := map[line.Framing]string{0: "PDU", line.MBAP: "MBAP", line.RTU: "RTU", line.ASCII: "ASCII"}[m.Framing]
	s := fmt.Sprintf("%s, %s", name, count(len(m.Bytes), "byte"))
	if m.Framing == line.ASCII {
		s = fmt.Sprintf("%s, %s", name, count(len(m.Bytes), "character"))
	}
	check := map[line.Framing]string{line.RTU: "CRC", line.ASCII: "LRC"}[m.Framing]
	if m.CheckOK != nil && *m.CheckOK {
		s += ", " + check + " right"
	} else if m.CheckOK != nil {
		s += ", " + check + " wrong"
	}
	if m.Direction != 0 {
		s += ", " + m.Direction.String()
	}
	return s
}

// exceptionHint is what to do about an exception, where that is not plain.
var exceptionHint = map[frame.Exception]string{
	frame.IllegalDataAddress: "A device also answers so when one register inside a longer read does not exist. Ask for fewer.",
	frame.IllegalDataValue:   "A device also answers so when a read is longer than it allows. Ask for fewer.",
}
