package safefile

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

const logName, otherName = "/plant/line.audit.jsonl", "/plant/map.yaml"

// entry is what the tests log: long ones span several sectors.
type entry struct {
	Event  string `json:"event"`
	Number int    `json:"number"`
	Words  string `json:"words"`
}

func entryOf(i int) entry {
	return entry{"sending", i, strings.Repeat("w", 700*(i%3))}
}

// numbers are those of the entries of a log, in order; 0 for a repair's line.
func numbers(t *testing.T, files Files) []int {
	t.Helper()
	f, err := files.Open(logName)
	if err != nil {
		t.Fatal(err)
	}
	var got []int
	if _, err := Verify(f, func(line []byte) error {
		var e entry
		err := json.Unmarshal(line, &e)
		got = append(got, e.Number)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return got
}

// work opens a log, adds entries, and gives back how many were acknowledged.
func work(files Files, first, n int) (acknowledged int, err error) {
	l, err := OpenLog(files, logName)
	if err != nil {
		return 0, err
	}
	for i := range n {
		if err := l.Append(entryOf(first + i)); err != nil {
			return i, err
		}
	}
	return n, l.Close()
}

// survives is what must hold of a log after a crash: it opens, at most after a
// repair, with every entry that was acknowledged, in order, and at most one
// more.
func survives(t *testing.T, after *twin, acknowledged int) error {
	t.Helper()
	if acknowledged == 0 && after.names[logName] == nil {
		return nil // the log was not there yet
	}
	l, err := OpenLog(after, logName)
	if errors.Is(err, ErrTorn) {
		if _, err = Repair(after, logName); err != nil {
			return fmt.Errorf("repair: %w", err)
		}
		l, err = OpenLog(after, logName)
	}
	if err != nil {
		return err
	}
	if err := l.Append(entryOf(1000)); err != nil {
		return err
	}
	got := numbers(t, after)
	for i := range acknowledged {
		if i >= len(got) || got[i] != i+1 {
			return fmt.Errorf("%d entries were acknowledged, found %v", acknowledged, got)
		}
	}
	rest := got[acknowledged:]
	if !slices.Equal(rest, []int{1000}) && !slices.Equal(rest, []int{0, 1000}) && !slices.Equal(rest, []int{acknowledged + 1, 1000}) {
		return fmt.Errorf("after %d acknowledged entries came %v", acknowledged, rest)
	}
	return nil
}

// TestLogSurvivesPowerCuts: abuse table H1 and H2. The power is cut before
// every call, and each cut is tried with many states of the disk.
func TestLogSurvivesPowerCuts(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	cuts := 0
	for cut := 1; ; cut++ {
		files := newTwin()
		files.cutAt = cut
		done, _ := work(files, 1, 4)
		if !files.met {
			break
		}
		cuts++
		for range 50 {
			if err := survives(t, files.crashed(r), done); err != nil {
				t.Fatalf("cut before call %d: %v", cut, err)
			}
		}
	}
	if cuts < 12 {
		t.Errorf("only %d cuts were made", cuts)
	}
}

// TestTwinSeesAMissingSync: were the syncs left out, the test above would fail.
func TestTwinSeesAMissingSync(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	files := newTwin()
	files.deaf = true
	done, err := work(files, 1, 4)
	if err != nil {
		t.Fatal(err)
	}
	for range 50 {
		if survives(t, files.crashed(r), done) != nil {
			return
		}
	}
	t.Error("no state of the disk showed that nothing was synced")
}

// TestRepairSurvivesPowerCuts: a repair that is cut leaves the torn log or the
// repaired one.
func TestRepairSurvivesPowerCuts(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	torn := func() *twin {
		files := newTwin()
		if _, err := work(files, 1, 3); err != nil {
			t.Fatal(err)
		}
		n := files.names[logName]
		n.now = n.now[:len(n.now)-40]
		n.synced = slices.Clone(n.now)
		return files
	}
	for cut := 1; ; cut++ {
		files := torn()
		files.calls, files.cutAt = 0, cut
		_, err := Repair(files, logName)
		if !files.met {
			if err != nil {
				t.Fatal(err)
			}
			return
		}
		for range 20 {
			if err := survives(t, files.crashed(r), 2); err != nil {
				t.Fatalf("cut before call %d of the repair: %v", cut, err)
			}
		}
	}
}

// TestLogAfterFaultsOfTheDisk: abuse table H4. Whatever call fails, once or for
// ever, every acknowledged entry stays, and after the first failure nothing is
// acknowledged any more.
func TestLogAfterFaultsOfTheDisk(t *testing.T) {
	for _, always := range []bool{false, true} {
		met := 0
		for n := 1; ; n++ {
			files := newTwin()
			files.failAt, files.always = n, always
			done := 0
			l, err := OpenLog(files, logName)
			if err == nil {
				failed := false
				for i := range 4 {
					err := l.Append(entryOf(i + 1))
					switch {
					case err == nil && failed:
						t.Fatalf("call %d failed, and a later entry was acknowledged", n)
					case err == nil:
						done++
					case failed && !errors.Is(err, ErrLost):
						t.Fatalf("after a failure: %v, want %v", err, ErrLost)
					}
					failed = failed || err != nil
				}
				l.Close()
			}
			if !files.met {
				break
			}
			met++
			files.failAt = 0
			if err := survives(t, files, done); err != nil {
				t.Fatalf("call %d fails, always %v: %v", n, always, err)
			}
		}
		if met < 12 {
			t.Errorf("only %d faults were met", met)
		}
	}
}

// TestReplaceIsAllOrNothing: after a cut or a fault at any call the old text or
// the new one stands, the new one once Replace has said so, and after a fault
// no half-made file lies about.
func TestReplaceIsAllOrNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	older, newer := strings.Repeat("old ", 400), strings.Repeat("newer ", 500)
	start := func() *twin {
		files := newTwin()
		if err := Replace(files, otherName, []byte(older), 0o640); err != nil {
			t.Fatal(err)
		}
		files.calls = 0
		return files
	}
	text := func(files *twin) string { return string(files.names[otherName].now) }
	met := 0
	for n := 1; ; n++ {
		files := start()
		files.cutAt = n
		err := Replace(files, otherName, []byte(newer), 0o640)
		for range 30 {
			if got := text(files.crashed(r)); got != newer && (err == nil || got != older) {
				t.Fatalf("cut before call %d, %v: neither text stands", n, err)
			}
		}
		if !files.met {
			break
		}
		met++
		files = start()
		files.failAt = n
		err = Replace(files, otherName, []byte(newer), 0o640)
		if got := text(files); err == nil || got != older && got != newer {
			t.Errorf("call %d fails: %v, %.8q", n, err, got)
		}
		if left := files.left("/plant"); len(left) != 1 {
			t.Errorf("call %d fails: %v lie about", n, left)
		}
	}
	if met != 6 {
		t.Errorf("%d cuts were made, want 6: create, write, sync, close, rename, sync of the folder", met)
	}
}
