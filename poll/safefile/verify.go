package safefile

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
)

// A LineError is the line of a log at which something is wrong.
type LineError struct {
	Line   int
	Offset int64 // of the line's first byte
	Words  string
	Err    error // ErrTorn or ErrBroken
}

// Error is the place and the words.
func (e *LineError) Error() string { return fmt.Sprintf("line %d: %s: %s", e.Line, e.Err, e.Words) }

// Unwrap is ErrTorn or ErrBroken.
func (e *LineError) Unwrap() error { return e.Err }

// head is what this package puts at the beginning of each line.
type head struct {
	Line     *int    `json:"line"`
	Previous *string `json:"previous"`
}

// Verify reads a log from its beginning, checks the chain and gives each line,
// without its end, to each, which may be nil. The error is a *LineError at the
// first line that does not fit, or the reader's, or that of each. The lines
// before it were given.
func Verify(r io.Reader, each func(line []byte) error) (lines int, err error) {
	c, err := verify(r, each)
	return c.lines, err
}

func verify(r io.Reader, each func(line []byte) error) (chain, error) {
	var c chain
	in := bufio.NewReaderSize(r, MaxLine+2)
	for {
		line, err := in.ReadSlice('\n')
		if errors.Is(err, io.EOF) && len(line) == 0 {
			return c, nil
		}
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
			return c, err
		}
		whole := err == nil
		words := c.wrong(bytes.TrimSuffix(line, []byte{'\n'}))
		switch {
		case whole && words == "":
		case whole && !endsHere(in):
			return c, c.fault(ErrBroken, words)
		case errors.Is(err, bufio.ErrBufferFull):
			return c, c.fault(ErrBroken, fmt.Sprintf("it is longer than %d bytes", MaxLine))
		default:
			return c, c.fault(ErrTorn, tornWords(line, words))
		}
		line = line[:len(line)-1]
		if each != nil {
			if err := each(line); err != nil {
				return c, err
			}
		}
		c.add(line)
	}
}

func endsHere(in *bufio.Reader) bool {
	_, err := in.Peek(1)
	return errors.Is(err, io.EOF)
}

// wrong says what of a line does not fit the chain; empty when it does.
func (c *chain) wrong(line []byte) string {
	var h head
	if err := json.Unmarshal(line, &h); err != nil {
		return "it is no JSON object"
	}
	switch {
	case h.Line == nil || h.Previous == nil:
		return "it has no line or previous"
	case *h.Line != c.lines+1:
		return fmt.Sprintf("it says that it is line %d", *h.Line)
	case *h.Previous != c.hash:
		return "its hash is not that of the line before"
	}
	return ""
}

// tornWords tells a line that a crash cut from one that was damaged later: both
// are last, and only a person can tell.
func tornWords(line []byte, words string) string {
	if words == "" {
		words = "its end is missing"
	}
	return fmt.Sprintf("%d bytes stand there, %s", len(line), words)
}

func (c *chain) fault(class error, words string) error {
	return &LineError{Line: c.lines + 1, Offset: c.size, Words: words, Err: class}
}

// A Cut is what Repair took off a log.
type Cut struct {
	Line  int    `json:"cut_line"`
	Bytes string `json:"cut_bytes"` // hex
}

// Repair takes a torn last line off a log and leaves a line in its place that
// says so and keeps the bytes. The file is replaced at once, so that a crash
// leaves either the torn log or the repaired one. The Cut is zero, and nothing
// is changed, when the log is whole. A log that is broken elsewhere is refused
// with ErrBroken. The other errors are those of OpenLog.
func Repair(files Files, name string) (Cut, error) {
	if err := files.Safe(name); err != nil {
		return Cut{}, err
	}
	unlock, err := files.Lock(name)
	if err != nil {
		return Cut{}, err
	}
	cut, err := repair(files, name)
	if unlocked := unlock(); err == nil {
		err = unlocked
	}
	return cut, err
}

func repair(files Files, name string) (Cut, error) {
	f, err := files.Open(name)
	if err != nil {
		return Cut{}, err
	}
	text, err := io.ReadAll(f)
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err != nil {
		return Cut{}, err
	}
	c, err := verify(bytes.NewReader(text), nil)
	switch {
	case err == nil:
		return Cut{}, files.SyncFolder(filepath.Dir(name))
	case !errors.Is(err, ErrTorn):
		return Cut{}, err
	}
	rest := text[c.size:]
	// A torn line of full length would not fit into a line again as hex.
	cut := Cut{Line: c.lines + 1, Bytes: hex.EncodeToString(rest[:min(len(rest), MaxLine/4)])}
	line, err := c.line(struct {
		Event string `json:"event"`
		Cut
		Length int `json:"cut_length"`
	}{"repaired", cut, len(rest)})
	if err != nil {
		return Cut{}, err
	}
	return cut, Replace(files, name, append(append(text[:c.size:c.size], line...), '\n'), Mode)
}
