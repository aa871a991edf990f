package main

import (
	"bufio"
	"fmt"
	"strings"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// A decoder shows frames one after the other. It is a hearer.
type decoder struct {
	out     *bufio.Writer
	maps    func(regmap.Unit) *regmap.Map // nil for none
	asJSON  bool
	shown   int
	told    int // notes and stretches of noise
	refused bool
}

// wants is every frame.
func (d *decoder) wants() capture.Settings { return capture.Settings{} }

// message shows one frame of hex text.
func (d *decoder) message(m *decode.Message, offset int64) error {
	return d.show(&shownFrame{m: m, offset: offset})
}

// A shownFrame is a frame with what is known of it beside its bytes.
type shownFrame struct {
	m        *decode.Message
	offset   int64
	exchange decode.ID
	at       decode.Stamp
	stream   *capture.Stream // nil for hex text
	possible bool            // nothing beside its check says that it was sent
	kind     string          // "frame", "spoiled", "cut"; "" for hex text
}

// show shows one frame.
func (d *decoder) show(f *shownFrame) error {
	d.shown++
	d.refused = d.refused || f.m.Err != nil
	if d.asJSON {
		return d.json(f)
	}
	if d.shown+d.told > 1 {
		fmt.Fprintln(d.out)
	}
	if f.stream != nil {
		fmt.Fprintln(d.out, f.place())
	}
	d.text(f)
	return nil
}

// place is when and where a frame was heard.
func (f *shownFrame) place() string {
	parts := []string{fmt.Sprintf("byte %d", f.offset)}
	if !f.at.IsZero() {
		parts[0] = instant(f.at.Wall)
	}
	if way := way(f.stream, f.m.Direction != frame.Answering); way != "" {
		parts = append(parts, way)
	}
	if f.exchange != (decode.ID{}) {
		parts = append(parts, "exchange "+f.exchange.String())
	}
	if f.possible {
		parts = append(parts, "possible")
	}
	return strings.Join(parts, "  ")
}

// way is who talks to whom; "" on a serial line.
func way(s *capture.Stream, fromClient bool) string {
	switch {
	case s.Medium == line.SerialPort:
		return ""
	case fromClient:
		return s.Client.String() + " -> " + s.Server.String()
	}
	return s.Server.String() + " -> " + s.Client.String()
}

// text shows one frame for people.
func (d *decoder) text(f *shownFrame) {
	m := f.m
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
	for _, p := range d.points(f) {
		fmt.Fprintf(d.out, "  -> %s\n", paper.Text(p.words()))
	}
	if m.Err != nil {
		fmt.Fprintf(d.out, "\nRefused: %s.\n", paper.Text(m.Err.Error()))
	} else if e, ok := m.Exception(); ok {
		for _, cause := range e.LikelyCauses(m.Asked) {
			fmt.Fprintf(d.out, "\n%s\n", paper.Text(cause))
		}
	} else if m.Direction == 0 {
		fmt.Fprintf(d.out, "\nRequest and answer of this function look the same; alone it may be either.\n")
	}
	if f.possible {
		fmt.Fprintf(d.out, "\nNothing beside its check says that this was sent as a frame; bytes make such a one by accident.\n")
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
