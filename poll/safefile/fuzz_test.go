package safefile

import (
	"bytes"
	"errors"
	"testing"
)

// FuzzVerify: any bytes are a log, or are refused at a line; what is given of
// them is a log by itself.
func FuzzVerify(f *testing.F) {
	var c chain
	var text []byte
	for range 3 {
		line, err := c.line(entryOf(1))
		if err != nil {
			f.Fatal(err)
		}
		c.add(line)
		text = append(append(text, line...), '\n')
	}
	f.Add(text)
	f.Add(text[:len(text)-9])
	f.Add([]byte("{}\n"))
	f.Add([]byte("\n\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var given []byte
		n, err := Verify(bytes.NewReader(b), func(line []byte) error {
			given = append(append(given, line...), '\n')
			return nil
		})
		var at *LineError
		if err != nil && (!errors.As(err, &at) || at.Line != n+1 || at.Offset != int64(len(given))) {
			t.Fatalf("%d lines, %v", n, err)
		}
		if err == nil && !bytes.Equal(given, b) {
			t.Fatal("a whole log is not given whole")
		}
		if m, err := Verify(bytes.NewReader(given), nil); m != n || err != nil {
			t.Fatalf("what was given: %d of %d lines, %v", m, n, err)
		}
	})
}
