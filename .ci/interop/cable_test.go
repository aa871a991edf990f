package interop

import (
	"io"
	"os"
	"testing"

	"plumbline/interop/terminal"
)

// cable is a serial line between two programs: the paths of two serial ports
// that are joined. What one receives is copied to the other.
func cable(t *testing.T) (one, other string) {
	t.Helper()
	a, pathA := openTerminal(t)
	b, pathB := openTerminal(t)
	go io.Copy(a, b)
	go io.Copy(b, a)
	return pathA, pathB
}

func openTerminal(t *testing.T) (near *os.File, path string) {
	t.Helper()
	near, path, end, err := terminal.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { end() })
	return near, path
}
