package main

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// runWriteCapture writes what was heard on a serial line as a capture.
func runWriteCapture(in *decodeInput) error {
	if !strings.HasSuffix(strings.ToLower(in.flags.write), ".pcapng") {
		return notUnderstood("--write %s: captures are written as pcapng; let the name end in .pcapng", in.flags.write)
	}
	name := "standard input"
	if len(in.args) > 0 {
		name = paper.Text(strings.Join(in.args, ", "))
	}
	// It may be large: it is written beside its place and takes it when whole.
	to := in.flags.write
	file, err := os.CreateTemp(filepath.Dir(to), ".plumbline-*.pcapng")
	if err != nil {
		return unwritable(to, err)
	}
	defer os.Remove(file.Name())
	defer file.Close()
	w := new(captureWriter)
	buffered := bufio.NewWriterSize(file, 64<<10)
	if w.out, err = capture.NewWriter(buffered, "serial line", "made of "+name); err != nil {
		return unwritable(to, err)
	}
	if err := in.each(w); err != nil {
		return err
	}
	if w.pieces == 0 {
		return notUnderstood("there are no bytes of a serial line in the input")
	}
	for _, step := range []func() error{w.out.Flush, buffered.Flush, file.Sync, file.Close,
		func() error { return os.Chmod(file.Name(), 0o644) }, func() error { return os.Rename(file.Name(), to) }} {
		if err := step(); err != nil {
			return unwritable(to, err)
		}
	}
	return nil
}

// A captureWriter writes pieces of a line as packets with comments. It is a
// hearer.
type captureWriter struct {
	out    *capture.Writer
	pieces int
}

func (w *captureWriter) wants() capture.Settings { return capture.Settings{} }

func (w *captureWriter) message(*decode.Message, int64) error {
	return notUnderstood("--write takes raw bytes of a serial line; hex text is frames already")
}

func (w *captureWriter) item(i capture.Item) error {
	if i.Stream.Medium != line.SerialPort {
		return notUnderstood("--write takes raw bytes of a serial line; this is a network's capture already")
	}
	if i.Piece == nil {
		return nil
	}
	w.pieces++
	at := i.Piece.First
	if at.IsZero() {
		at = capture.NoTime
	}
	return w.out.Write(i.Piece.Bytes, at, pieceWords(i.Piece))
}

func (w *captureWriter) ends(string, *capture.Summary, error) error { return nil }

// pieceWords is a piece in a comment's words.
func pieceWords(p *segment.Piece) string {
	var s string
	switch {
	case p.Kind == segment.Noise:
		return fmt.Sprintf("%s that belong to no frame", count(len(p.Bytes), "byte"))
	case p.Kind != segment.Frame:
		s = p.Kind.String() + " "
	}
	switch f := frame.Function(0); {
	case p.Direction == frame.Asking:
		s += "request, " + decode.RequestWords(p.ADU.Unit, p.Request)
	case p.Response.Exception != 0:
		s += fmt.Sprintf("answer of unit %d, %s", p.ADU.Unit, p.Response.Exception)
	case p.Response.Function != f:
		s += fmt.Sprintf("answer of unit %d, %s (%02X)", p.ADU.Unit, strings.ToLower(p.Response.Function.String()), uint8(p.Response.Function))
	case p.Direction == 0 && p.Kind == segment.Frame:
		s += "request or answer, " + decode.RequestWords(p.ADU.Unit, p.Request)
	default:
		s += "frame"
	}
	if p.Kind == segment.Frame && p.Certainty == segment.Possible {
		s += "; possible: nothing beside its check says that it was sent"
	}
	return s
}
