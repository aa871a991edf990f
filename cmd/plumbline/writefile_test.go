package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestWriteFile: the old text stands until the new is whole; its mode and a
// link to it are kept; nothing else is left in the folder.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	file, link := filepath.Join(dir, "map.yaml"), filepath.Join(dir, "link.yaml")
	if err := writeFile(file, []byte("first")); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(file, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("map.yaml", link); err != nil {
		t.Fatal(err)
	}
	if err := writeFile(link, []byte("second")); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	info, err2 := os.Lstat(link)
	if err != nil || err2 != nil || string(text) != "second" || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("%q, %v, %v, %v", text, err, info, err2)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 2 {
		t.Errorf("%d files, %v", len(entries), err)
	}
	if err := writeFile(os.DevNull, []byte("gone")); err != nil {
		t.Errorf("a device: %v", err)
	}
	for _, bad := range []string{filepath.Join(dir, "none", "map.yaml"), filepath.Join(file, "below")} {
		if err := writeFile(bad, nil); err == nil || !strings.Contains(err.Error(), "cannot be written") {
			t.Errorf("%s: %v", bad, err)
		}
	}
}
