package safefile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// newLog opens a log in a folder of the test's own.
func newLog(t *testing.T) (*Log, string) {
	t.Helper()
	name := filepath.Join(t.TempDir(), "line.audit.jsonl")
	l, err := OpenLog(OS{}, name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l, name
}

// TestChain: each line carries the SHA-256 of the one before, worked out here
// with the standard library from the bytes of the file.
func TestChain(t *testing.T) {
	l, name := newLog(t)
	for i := range 3 {
		if err := l.Append(entryOf(i + 1)); err != nil {
			t.Fatal(err)
		}
	}
	if l.Lines() != 3 {
		t.Errorf("%d lines, want 3", l.Lines())
	}
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	previous := ""
	for i, line := range bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n")) {
		var got struct {
			Line     int
			Previous string
			Number   int
		}
		if err := json.Unmarshal(line, &got); err != nil || got.Line != i+1 || got.Number != i+1 || got.Previous != previous {
			t.Errorf("line %d: %+v, %v; want previous %q", i+1, got, err, previous)
		}
		sum := sha256.Sum256(line)
		previous = hex.EncodeToString(sum[:])
	}
	if info, _ := os.Stat(name); info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, want 0600", info.Mode())
	}
}

// TestEveryByteIsGuarded: abuse table H11. A change of any byte but of the last
// line is found, and so is a line taken out.
func TestEveryByteIsGuarded(t *testing.T) {
	l, name := newLog(t)
	for i := range 3 {
		if err := l.Append(entry{"sent", i, ""}); err != nil {
			t.Fatal(err)
		}
	}
	text, _ := os.ReadFile(name)
	lines := bytes.SplitAfter(text, []byte("\n"))
	last := len(text) - len(lines[2])
	for i := range text {
		changed := bytes.Clone(text)
		changed[i] ^= 0x01
		_, err := Verify(bytes.NewReader(changed), nil)
		if i < last && !errors.Is(err, ErrBroken) && !errors.Is(err, ErrTorn) {
			t.Fatalf("byte %d of %d changed: %v", i, len(text), err)
		}
	}
	_, err := Verify(bytes.NewReader(append(bytes.Clone(lines[0]), lines[2]...)), nil)
	var at *LineError
	if !errors.As(err, &at) || at.Line != 2 || at.Offset != int64(len(lines[0])) {
		t.Errorf("a line was taken out: %v", err)
	}
	if n, err := Verify(bytes.NewReader(text), nil); n != 3 || err != nil {
		t.Errorf("the log as it was: %d lines, %v", n, err)
	}
}

// TestTornTail: a last line cut at any byte is recognised, left alone by
// OpenLog, and cut by Repair, which keeps it in the log.
func TestTornTail(t *testing.T) {
	l, name := newLog(t)
	for i := range 2 {
		if err := l.Append(entryOf(i + 1)); err != nil {
			t.Fatal(err)
		}
	}
	l.Close()
	text, _ := os.ReadFile(name)
	first := bytes.IndexByte(text, '\n') + 1
	for cut := first + 1; cut < len(text); cut += 37 {
		torn := text[:cut]
		if err := os.WriteFile(name, torn, 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := OpenLog(OS{}, name)
		var at *LineError
		if !errors.Is(err, ErrTorn) || !errors.As(err, &at) || at.Line != 2 || at.Offset != int64(first) {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		if now, _ := os.ReadFile(name); !bytes.Equal(now, torn) {
			t.Fatalf("cut at %d: opening changed the file", cut)
		}
		c, err := Repair(OS{}, name)
		if err != nil || c.Line != 2 || c.Bytes != hex.EncodeToString(torn[first:]) {
			t.Fatalf("cut at %d: %+v, %v", cut, c, err)
		}
		again, err := OpenLog(OS{}, name)
		if err != nil || again.Lines() != 2 {
			t.Fatalf("cut at %d: after the repair %v", cut, err)
		}
		again.Close()
		if now, _ := os.ReadFile(name); !strings.Contains(string(now), `"event":"repaired"`) || !strings.Contains(string(now), c.Bytes) {
			t.Fatalf("the repair left no trace: %s", now)
		}
	}
	if c, err := Repair(OS{}, name); err != nil || c != (Cut{}) {
		t.Errorf("a whole log: %+v, %v", c, err)
	}
	os.WriteFile(name, append(bytes.Replace(text, []byte("sending"), []byte("sendinG"), 1), text...), 0o600)
	if _, err := Repair(OS{}, name); !errors.Is(err, ErrBroken) {
		t.Errorf("a log that is broken in the middle: %v", err)
	}
}

// TestOneWriter: abuse table H6.
func TestOneWriter(t *testing.T) {
	l, name := newLog(t)
	_, err := OpenLog(OS{}, name)
	var locked *LockedError
	if !errors.As(err, &locked) || !strings.Contains(err.Error(), "is being written by process ") {
		t.Fatalf("a second writer: %v", err)
	}
	if _, err := Repair(OS{}, name); !errors.As(err, &locked) {
		t.Errorf("a repair beside a writer: %v", err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Append(entryOf(1)); !errors.Is(err, ErrLost) || !errors.Is(err, fs.ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
	again, err := OpenLog(OS{}, name)
	if err != nil {
		t.Fatal(err)
	}
	again.Close()
	if left, _ := filepath.Glob(filepath.Dir(name) + "/*"); len(left) != 1 {
		t.Errorf("%v lie about", left)
	}
}

// TestUnsafePlaces: abuse table H7.
func TestUnsafePlaces(t *testing.T) {
	open := t.TempDir()
	if err := os.Chmod(open, 0o777); err != nil {
		t.Fatal(err)
	}
	own := t.TempDir()
	target := filepath.Join(own, "target")
	if err := os.WriteFile(target, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(own, "link")
	if err := os.Symlink(target, link); err != nil {
		t.Fatal(err)
	}
	dangling := filepath.Join(own, "dangling")
	os.Symlink(filepath.Join(own, "nothing"), dangling)
	for name, says := range map[string]string{
		filepath.Join(open, "log"): "everybody may write to the folder",
		link:                       "symbolic link",
		dangling:                   "symbolic link",
		own:                        "no regular file",
	} {
		if _, err := OpenLog(OS{}, name); !errors.Is(err, ErrUnsafe) || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, want %q", name, err, says)
		}
	}
	if _, err := os.Stat(filepath.Join(own, "nothing")); err == nil {
		t.Error("a file was made through a link")
	}
	if _, err := (OS{}).Open(link); !errors.Is(err, ErrUnsafe) {
		t.Errorf("a link that came after the look: %v", err)
	}
	if os.Geteuid() == 0 {
		theirs := filepath.Join(own, "theirs")
		os.WriteFile(theirs, nil, 0o600)
		os.Chown(theirs, 4711, 4711)
		if _, err := OpenLog(OS{}, theirs); !errors.Is(err, ErrUnsafe) {
			t.Errorf("another user's file: %v", err)
		}
		os.Chown(own, 4711, 4711)
		if _, err := OpenLog(OS{}, filepath.Join(own, "log")); !errors.Is(err, ErrUnsafe) {
			t.Errorf("another user's folder: %v", err)
		}
	}
}

// TestReplacedUnderneath: abuse table H9.
func TestReplacedUnderneath(t *testing.T) {
	l, name := newLog(t)
	if err := l.Append(entryOf(1)); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(name, name+".old"); err != nil {
		t.Fatal(err)
	}
	if err := l.Append(entryOf(2)); !errors.Is(err, ErrReplace) {
		t.Errorf("renamed underneath: %v", err)
	}
}

// TestEntries: what is no entry harms nothing.
func TestEntries(t *testing.T) {
	l, _ := newLog(t)
	for _, e := range []any{map[string]any{"line": "x.yaml"}, map[string]string{"previous": "", "line": "1"}, nil, 5, "text", []int{1}, func() {}, entry{Words: strings.Repeat("w", MaxLine)}} {
		if err := l.Append(e); !errors.Is(err, ErrEntry) {
			t.Errorf("%T: %v, want %v", e, err, ErrEntry)
		}
	}
	if err := l.Append(struct{}{}); err != nil {
		t.Errorf("an empty object: %v", err)
	}
	if err := l.Append(entryOf(2)); err != nil {
		t.Errorf("after entries that are none: %v", err)
	}
}

// TestForeignFile: abuse table H8. A file that is no log is left as it is.
func TestForeignFile(t *testing.T) {
	name := filepath.Join(t.TempDir(), "log")
	for _, text := range []string{"line: Pump house\nevery: 1s\n", "{}\n{}\n", `{"line":1}` + "\n{}\n", strings.Repeat("x", 3*MaxLine)} {
		os.WriteFile(name, []byte(text), 0o600)
		if _, err := OpenLog(OS{}, name); !errors.Is(err, ErrBroken) {
			t.Errorf("%.20q: %v, want %v", text, err, ErrBroken)
		}
		if now, _ := os.ReadFile(name); string(now) != text {
			t.Errorf("%.20q was changed", text)
		}
	}
}

func TestReplaceOnTheRealDisk(t *testing.T) {
	name := filepath.Join(t.TempDir(), "map.yaml")
	for _, text := range []string{"first", "second, longer", ""} {
		if err := Replace(OS{}, name, []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
		got, _ := os.ReadFile(name)
		if info, _ := os.Stat(name); string(got) != text || info.Mode().Perm() != 0o640 {
			t.Errorf("%q, %v", got, info.Mode())
		}
	}
	if left, _ := filepath.Glob(filepath.Dir(name) + "/.*"); len(left) != 0 {
		t.Errorf("%v lie about", left)
	}
	if err := Replace(OS{}, filepath.Join(name, "below"), nil, 0o600); err == nil {
		t.Error("a file below a file")
	}
}
