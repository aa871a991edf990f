package port

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// holders finds the process that has locked path or, when none has, those that
// have it open, as far as /proc may be read: the superuser sees all, others
// their own. The lock comes first, because the maker of a pseudo-terminal has
// it open too and is not the one in the way.
func holders(path string) []Holder {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return nil
	}
	locks, _ := os.ReadFile("/proc/locks")
	if pid := locker(string(locks), uint64(st.Dev), st.Ino); pid > 0 {
		return []Holder{{PID: pid, Command: command(pid), Self: pid == os.Getpid()}}
	}
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

// locker finds the process with a lock on a whole file in the text of
// /proc/locks, 0 for none. A row is "1: FLOCK ADVISORY WRITE 4711 00:1a:3 0 EOF",
// device numbers in hexadecimal (Linux kernel, filesystems/proc.rst).
func locker(locks string, device, inode uint64) int {
	want := fmt.Sprintf("%02x:%02x:%d", unix.Major(device), unix.Minor(device), inode)
	for row := range strings.Lines(locks) {
		f := strings.Fields(row)
		if len(f) < 6 || f[1] != "FLOCK" || f[5] != want {
			continue
		}
		if pid, err := strconv.Atoi(f[4]); err == nil && pid > 0 {
			return pid
		}
	}
	return 0
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
