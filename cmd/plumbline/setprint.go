package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"plumbline/decode"
	"plumbline/poll/gate"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// A setPrinter talks with the person: on standard output, or where that carries
// the JSON document, on standard error.
type setPrinter struct {
	streams  *streams
	talk     io.Writer
	line     *line.Line
	flags    setFlags
	in       *bufio.Reader
	terminal bool
}

func newSetPrinter(s *streams, l *line.Line, f setFlags) *setPrinter {
	p := &setPrinter{streams: s, talk: s.out, line: l, flags: f, in: bufio.NewReader(s.in), terminal: isTerminal(s.in)}
	if f.asJSON {
		p.talk = s.err
	}
	return p
}

// isTerminal says whether somebody may sit at the other end.
func isTerminal(in io.Reader) bool {
	f, ok := in.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// shown puts before the person what is about to happen.
func (p *setPrinter) shown(all []gate.Shown) {
	fmt.Fprintln(p.talk, paper.Text(fmt.Sprintf("%s, %s", p.line.Name, p.line.Where())))
	for _, s := range all {
		fmt.Fprintln(p.talk)
		for _, t := range s.Targets {
			head := fmt.Sprintf("%s of %s (unit %d)   %s  ->  %s", s.Point.Name, t.Station.Name, t.Station.Unit, gate.As(s.Point, t.From.Value), gate.As(s.Point, s.To))
			fmt.Fprintln(p.talk, paper.Text(head))
			p.item("raw", rawText(s, t.From.Raw)+"  ->  "+rawText(s, s.RawTo))
			p.item("device", t.Identity)
		}
		p.item("does", s.Starts)
		p.item("tag", s.Point.Tag)
		p.item("place", fmt.Sprintf("%s %s", s.Point.Table, s.Place()))
		p.item("request", fmt.Sprintf("unit %d, %s, %d (0x%02X): % X", s.Unit, strings.ToLower(s.Request.Function.String()), uint8(s.Request.Function), uint8(s.Request.Function), s.PDU))
		if s.Release != nil {
			p.item("pulse", fmt.Sprintf("held %s, then released: % X", decode.Seconds(s.Hold), s.Release))
		}
		for _, note := range s.Notes {
			p.item("note", note)
		}
	}
	fmt.Fprintln(p.talk)
}

// rawText is a point's contents as the wire has them.
func rawText(s gate.Shown, raw []uint16) string {
	if s.Point.Table.Bits() {
		return strings.Trim(fmt.Sprint(raw), "[]")
	}
	return decode.Hex16(raw)
}

func (p *setPrinter) item(label, text string) {
	if text != "" {
		fmt.Fprintf(p.talk, "  %-8s %s\n", label, paper.Block(text))
	}
}

// errNobody is why nobody could be asked.
var errNobody = errors.New("nobody is there to ask: no terminal, or the end of the input")

// confirm answers out of --yes, or asks.
func (p *setPrinter) confirm(ctx context.Context, q gate.Question) (string, error) {
	if i := slices.IndexFunc(p.flags.yes, func(y string) bool { return y == q.Wants || q.Also != "" && y == q.Also }); i >= 0 {
		return q.Wants, nil
	}
	nobody := fmt.Errorf("%w; --yes %s confirms it (%s)", errNobody, q.Wants, q.Why)
	if !p.terminal {
		return "", nobody
	}
	if strings.HasPrefix(q.Why, "to ") {
		fmt.Fprintf(p.talk, "Type %s %s: ", q.Wants, q.Why)
	} else {
		fmt.Fprintf(p.talk, "%s.\nType %s to go on: ", paper.Text(q.Why), q.Wants)
	}
	typed := make(chan string, 1)
	go func() {
		text, err := p.in.ReadString('\n')
		if err != nil {
			close(typed)
			return
		}
		typed <- strings.TrimSpace(text)
	}()
	select {
	case text, ok := <-typed:
		if !ok {
			fmt.Fprintln(p.talk)
			return "", nobody
		}
		return text, nil
	case <-ctx.Done():
		fmt.Fprintln(p.talk)
		return "", errors.New("stopped")
	}
}

// shout tells at once what must not wait.
func (p *setPrinter) shout(words string) {
	fmt.Fprintf(p.streams.err, "\nAttention: %s\n\n", paper.Text(words))
}

// stopping tells a person who wants to stop that what has left is seen to its
// end; a second stop ends the program at once.
func (p *setPrinter) stopping() {
	fmt.Fprintln(p.streams.err, "stopping; what was sent already is read back, and a pulse released, first. Stopping again ends at once and may leave it pressed")
}

// report shows what became of each write.
func (p *setPrinter) report(rep gate.Report) error {
	if p.flags.asJSON {
		return writeJSON(p.streams.out, setDocument(p.line, p.flags, rep))
	}
	for _, r := range rep.Results {
		fmt.Fprintln(p.talk, paper.Block(resultWords(r)))
	}
	switch {
	case rep.LogError != nil:
		fmt.Fprintf(p.talk, "the audit log could not be written to its end: %s; note by hand what was done\n", paper.Text(rep.LogError.Error()))
	case !p.flags.dryRun:
		fmt.Fprintf(p.talk, "noted in %s\n", auditName(p.line, p.flags))
	}
	return nil
}

// resultWords is one write's end in words.
func resultWords(r gate.Result) string {
	name := ""
	if r.Shown.Point != nil {
		name = r.Shown.Point.Name + "  "
	}
	head := map[gate.Outcome]string{
		gate.NotTried: "not done", gate.Checked: "checked", gate.Refused: "refused", gate.NotSent: "not sent",
		gate.Done: "done", gate.Failed: "failed", gate.Unknown: "not known",
	}[r.Outcome]
	if r.Outcome == gate.Refused {
		head += " (" + r.Step.String() + ")"
	}
	return name + head + ": " + r.Words
}
