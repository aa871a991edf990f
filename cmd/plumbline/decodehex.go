package main

import (
	"bufio"
	"errors"
	"io"
	"strings"

	"plumbline/decode"
)

// lines reads one frame a line; empty lines and those that begin with # are
// passed over.
func (in *decodeInput) lines(h hearer, name string, r io.Reader) error {
	scanner := bufio.NewScanner(r)
	scanner.Buffer(make([]byte, 0, 4096), decode.MaxHexLine)
	offset := int64(0)
	for n := 1; scanner.Scan(); n++ {
		text := scanner.Text()
		if trimmed := strings.TrimSpace(text); trimmed != "" && trimmed[0] != '#' {
			if err := in.hex(h, text, offset); errors.As(err, new(*decode.HexError)) {
				return notUnderstood("%s line %d: %w", name, n, err)
			} else if err != nil {
				return err
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

// hex reads one frame. The error is a *decode.HexError for what is no hex text.
func (in *decodeInput) hex(h hearer, text string, offset int64) error {
	b, err := decode.Hex(strings.TrimRight(text, " \t\r\n"))
	if err != nil {
		return err
	}
	if len(b) == 0 {
		return &decode.HexError{Column: 1, Words: "there are no hex digits"}
	}
	k := in.known
	k.Asked = in.before
	m := decode.Recognise(b, k)
	in.before = &m
	return h.message(&m, offset)
}
