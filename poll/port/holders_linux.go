package port

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// holders finds the processes that have path open, as far as /proc may be
// read: the superuser sees all, others their own.
func holders(path string) []Holder {
	device, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil
	}
	processes, _ := os.ReadDir("/proc")
	var found []Holder
	for _, dir := range processes {
		pid, err := strconv.Atoi(dir.Name())
		if err != nil || !hasOpen(filepath.Join("/proc", dir.Name(), "fd"), device) {
			continue
		}
		found = append(found, Holder{PID: pid, Command: command(pid), Self: pid == os.Getpid()})
	}
	slices.SortFunc(found, func(a, b Holder) int { return a.PID - b.PID })
	return found
}

func hasOpen(fds, device string) bool {
	entries, _ := os.ReadDir(fds)
	for _, fd := range entries {
		if target, err := os.Readlink(filepath.Join(fds, fd.Name())); err == nil && target == device {
			return true
		}
	}
	return false
}

// command is a process's program and arguments, cut at 80 bytes.
func command(pid int) string {
	dir := filepath.Join("/proc", strconv.Itoa(pid))
	line, _ := os.ReadFile(filepath.Join(dir, "cmdline"))
	text := strings.TrimSpace(strings.ReplaceAll(string(line), "\x00", " "))
	if text == "" {
		name, _ := os.ReadFile(filepath.Join(dir, "comm"))
		text = strings.TrimSpace(string(name))
	}
	if len(text) > 80 {
		text = text[:80] + "..."
	}
	return text
}
