package interop

import (
	"context"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// writes are the functions that plumbline's link sends.
var writes = []string{"1", "3", "5", "6", "15", "16"}

// TestLinkForeignServers lets the link's own test write to each foreign server:
// writing needs a permit, which nothing outside poll can make.
func TestLinkForeignServers(t *testing.T) {
	t.Run("Go library, TCP", func(t *testing.T) {
		address, bank := serveLibrary(t)
		linkTest(t, "tcp", "PLUMBLINE_FOREIGN_TCP="+address, "PLUMBLINE_FOREIGN_WITHOUT=22 23")
		wantAsked(t, bank.asked(), writes...)
	})
	t.Run("C library, TCP", func(t *testing.T) {
		address, server := serveC(t, "tcp")
		linkTest(t, "tcp", "PLUMBLINE_FOREIGN_TCP="+address)
		wantAsked(t, askedOf(server), append(writes, "22", "23")...)
	})
	t.Run("C library, RTU", func(t *testing.T) {
		theirs, ours := cable(t)
		_, server := serveC(t, "rtu", theirs)
		linkTest(t, "rtu", "PLUMBLINE_FOREIGN_RTU="+ours)
		wantAsked(t, askedOf(server), append(writes, "22", "23")...)
	})
}

// linkTest runs the link's test against the server that the environment names,
// and sees that it ran there.
func linkTest(t *testing.T, name string, environment ...string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute) // it may have to be compiled
	defer cancel()
	cmd := exec.CommandContext(ctx, "go", "test", "-count=1", "-v", "-run", "^TestForeign$", "./poll/link")
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), environment...)
	cmd.WaitDelay = 5 * time.Second
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "--- PASS: TestForeign/"+name) {
		t.Errorf("the link's test against a foreign %s server: %v\n%s", name, err, out)
	}
}
