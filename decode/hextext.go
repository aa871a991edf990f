package decode

import (
	"fmt"
	"strings"
)

// MaxHexLine is the longest line of hex text that is read, in bytes.
const MaxHexLine = 1 << 20

// A HexError is the first character of hex text that cannot be read.
type HexError struct {
	Column int    // in characters, from 1
	Words  string // what was found and what is allowed
}

// Error is the place and the words.
func (e *HexError) Error() string { return fmt.Sprintf("column %d: %s", e.Column, e.Words) }

// Hex reads one frame as people write it: pairs of hex digits, together or
// parted by blanks, commas, colons or hyphens, each part with or without 0x. A
// line that begins with a colon is an ASCII frame as it stands, its CR LF
// added when missing. The error is a *HexError.
func Hex(s string) ([]byte, error) {
	if strings.HasPrefix(s, ":") {
		return asciiLine(s)
	}
	var out []byte
	column, digits, high := 0, 0, byte(0)
	odd := func() error {
		if digits%2 == 0 {
			return nil
		}
		return &HexError{column, "a byte is two hex digits, this part has an odd number"}
	}
	runes := []rune(s)
	for i := 0; i < len(runes); i++ {
		r := runes[i]
		column = i + 1
		switch v := strings.IndexRune("0123456789abcdef", r|0x20); {
		case r == '0' && digits == 0 && i+1 < len(runes) && runes[i+1]|0x20 == 'x':
			i++
		case strings.ContainsRune(" \t,:-", r):
			if err := odd(); err != nil {
				return nil, err
			}
			digits = 0
		case v < 0 || r < '0':
			return nil, &HexError{column, fmt.Sprintf("%q is no hex digit", r)}
		default:
			if digits++; digits%2 == 1 {
				high = byte(v)
			} else {
				out = append(out, high<<4|byte(v))
			}
		}
	}
	if err := odd(); err != nil {
		return nil, err
	}
	return out, nil
}

// asciiLine is an ASCII frame in its own characters.
func asciiLine(s string) ([]byte, error) {
	for i, r := range []rune(s) {
		if r > 0x7E || r < 0x20 && r != '\r' && r != '\n' {
			return nil, &HexError{i + 1, fmt.Sprintf("%q stands in no ASCII frame", r)}
		}
	}
	return []byte(strings.TrimRight(s, "\r\n") + "\r\n"), nil
}
