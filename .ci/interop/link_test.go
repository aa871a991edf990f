package interop

import (
	"context"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"
)

// writes are the functions that plumbline's link sends.
var writes = []string{"1", "3", "5", "6", "15", "16"}

// TestLinkForeignServers lets the link's own test write to each foreign server:
// writing needs a permit, which nothing outside poll can make.
func TestLinkForeignServers(t *testing.T) {
	const without = "PLUMBLINE_FOREIGN_WITHOUT=22 23"
	more := append(slices.Clone(writes), "22", "23")
	for _, v := range []struct {
		witness
		serve func(t *testing.T) (at string, asked func() map[string]bool)
		name  string
		less  bool // without 22 and 23
	}{
		{witness{mbapTCP, weWrite, cLibrary, ""}, cTCP, "tcp", false},
		{witness{mbapTCP, weWrite, goLibrary, ""}, goTCP, "tcp", true},
		{witness{mbapTCP, weWrite, nodeLibrary, ""}, nodeTCP, "tcp", true},
		{witness{rtuSerial, weWrite, cLibrary, ""}, cRTU, "rtu", false},
		{witness{rtuSerial, weWrite, nodeLibrary, socketToLine}, nodeRTU, "rtu", true},
	} {
		held(t, v.witness, func(t *testing.T) {
			at, asked := v.serve(t)
			environment, want := []string{"PLUMBLINE_FOREIGN_" + strings.ToUpper(v.name) + "=" + at}, more
			if v.less {
				environment, want = append(environment, without), writes
			}
			linkTest(t, v.name, environment...)
			wantAsked(t, asked(), want...)
		})
	}
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
