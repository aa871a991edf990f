package interop

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"
)

// The framings, each on its medium, in the order of the table.
const (
	mbapTCP     = "MBAP in TCP"
	mbapUDP     = "MBAP in UDP"
	mbapTLS     = "MBAP in TLS"
	rtuSerial   = "RTU on a serial line"
	rtuTCP      = "RTU inside TCP"
	asciiSerial = "ASCII on a serial line"
	asciiTCP    = "ASCII inside TCP"
)

// The directions.
const (
	weAsk   = "poll asks"
	weWrite = "the link writes"
	theyAsk = "simulate answers"
)

var order = []string{mbapTCP, mbapUDP, mbapTLS, rtuSerial, rtuTCP, asciiSerial, asciiTCP, weAsk, weWrite, theyAsk}

// The witnesses: protocol libraries that others wrote.
const (
	cLibrary    = "libmodbus"
	goLibrary   = "simonvetter/modbus"
	nodeLibrary = "modbus-serial"
	packagers   = "goburrow/modbus"
)

// A witness is one foreign end for one framing in one direction, and what stands
// between the ends or is particular about it; "" where nothing is.
type witness struct{ framing, way, by, over string }

// witnesses is what ran: each with its outcome.
var witnesses struct {
	sync.Mutex
	outcome map[witness]string
}

func (w witness) note(outcome string) {
	witnesses.Lock()
	defer witnesses.Unlock()
	if witnesses.outcome == nil {
		witnesses.outcome = map[witness]string{}
	}
	if was := witnesses.outcome[w]; was == "" || was == "agrees" {
		witnesses.outcome[w] = outcome
	}
}

// held runs a test of one witness and notes whether the two ends agree.
func held(t *testing.T, w witness, test func(t *testing.T)) {
	t.Helper()
	t.Run(strings.TrimSuffix(w.framing+", "+w.by+", "+w.over, ", "), func(t *testing.T) {
		defer func() {
			outcome := "agrees"
			if t.Failed() {
				outcome = "DIFFERS"
			}
			w.note(outcome)
		}()
		test(t)
	})
}

// notYet notes a framing that the simulated station does not have, and sees
// that this is still so: a station that has it wants its witness here.
func notYet(t *testing.T, framing, by, flag string) {
	t.Helper()
	help, code := run(t, plumblineProgram, "simulate", "--help")
	if code != 0 || strings.Contains(string(help), flag+" ") {
		t.Errorf("simulate has %s now (help ends with %d): hold it against %s and take this line out", flag, code, by)
		return
	}
	witness{framing, theyAsk, by, ""}.note("not tried: simulate has no " + flag + " yet")
}

// writeWitnesses writes the table of what ran, for .ci/run to print.
func writeWitnesses(path string) error {
	var all []witness
	for w := range witnesses.outcome {
		all = append(all, w)
	}
	place := func(w witness) string {
		return fmt.Sprintf("%02d %02d %s %s", slices.Index(order, w.framing), slices.Index(order, w.way), w.by, w.over)
	}
	slices.SortFunc(all, func(a, b witness) int { return strings.Compare(place(a), place(b)) })
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(file, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "framing\tdirection\twitness\toutcome\tby way of")
	for _, w := range all {
		row := []string{w.framing, w.way, w.by, witnesses.outcome[w], w.over}
		fmt.Fprintln(table, strings.TrimRight(strings.Join(row, "\t"), "\t"))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(file, "\n%s\n", strings.Join(versions(), ", "))
	return file.Close()
}

// versions are those of the witnesses that were here, as each says itself.
func versions() (all []string) {
	if out, err := exec.Command(peerProgram, "version").Output(); err == nil {
		all = append(all, strings.TrimSpace(string(out)))
	}
	list := exec.Command("go", "list", "-m", "-f", "{{.Path}} {{.Version}}", "github.com/"+goLibrary, "github.com/"+packagers)
	if out, err := list.Output(); err == nil {
		all = append(all, strings.Split(strings.TrimSpace(strings.ReplaceAll(string(out), "github.com/", "")), "\n")...)
	}
	var p struct{ Name, Version string }
	if text, err := os.ReadFile(nodePackage); err == nil && json.Unmarshal(text, &p) == nil {
		all = append(all, p.Name+" "+p.Version)
	}
	return all
}
