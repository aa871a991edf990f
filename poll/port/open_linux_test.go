package port

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// childPort names the environment variable that makes this test program hold
// a port and do nothing else: it opens it, says so, and ends with its input.
const childPort = "PLUMBLINE_TEST_HOLD_PORT"

func TestMain(m *testing.M) {
	path := os.Getenv(childPort)
	if path == "" {
		os.Exit(m.Run())
	}
	if _, err := Open(rtu(path), Options{}); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	fmt.Println("held")
	io.Copy(io.Discard, os.Stdin)
}

// refusal opens path and wants a refusal of one kind.
func refusal(t *testing.T, path string, kind error) *OpenError {
	t.Helper()
	p, err := Open(rtu(path), Options{})
	var open *OpenError
	if p != nil || !errors.Is(err, kind) || !errors.As(err, &open) {
		t.Fatalf("open %s: %v, %v; want %v", path, p, err, kind)
	}
	if open.Port != path {
		t.Errorf("the error names %q, not %q", open.Port, path)
	}
	return open
}

func TestC10OpenRefusesWhatIsNoPort(t *testing.T) {
	dir := t.TempDir()
	plain := filepath.Join(dir, "cistern.yaml")
	if err := os.WriteFile(plain, []byte("device: cistern\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	pipe := filepath.Join(dir, "pipe")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(dir, "s")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for path, found := range map[string]string{
		plain:       "it is a plain file",
		dir:         "it is a directory",
		pipe:        "it is a named pipe",
		socket:      "it is a socket",
		os.DevNull:  "the device answers no terminal call",
		"/dev/zero": "the device answers no terminal call",
	} {
		if got := refusal(t, path, ErrNotSerial); got.Found != found {
			t.Errorf("%s: %q, want %q", path, got.Found, found)
		}
	}
	if text, err := os.ReadFile(plain); err != nil || string(text) != "device: cistern\n" {
		t.Errorf("the plain file is now %q, %v", text, err)
	}
	missing := filepath.Join(dir, "ttyUSB7")
	if got := refusal(t, missing, ErrNotFound); !errors.Is(got, fs.ErrNotExist) || len(got.Ports) != len(List()) {
		t.Errorf("missing: %v with ports %v, want %v", got, got.Ports, List())
	}
	dangling := filepath.Join(dir, "usb-adapter")
	if err := os.Symlink(missing, dangling); err != nil {
		t.Fatal(err)
	}
	refusal(t, dangling, ErrNotFound)
}

// The kinds of the system's errors. Source: POSIX.1-2017, open (ENXIO, EBUSY
// of a terminal in exclusive use: Linux, man 2 ioctl_tty).
func TestKindsOfSystemErrors(t *testing.T) {
	for errno, kind := range map[unix.Errno]error{
		unix.ENOENT: ErrNotFound, unix.ENXIO: ErrNotFound, unix.ENODEV: ErrNotFound,
		unix.EACCES: ErrNoPermission, unix.EPERM: ErrNoPermission,
		unix.EBUSY: ErrHeld, unix.EIO: ErrNotSerial, unix.EMFILE: nil,
	} {
		err := openError("/no/such/port", &fs.PathError{Op: "open", Path: "/no/such/port", Err: errno}).(*OpenError)
		if err.Kind != kind || !errors.Is(err, errno) {
			t.Errorf("%v (%d): kind %v, want %v", errno, errno, err.Kind, kind)
		}
		if strings.Contains(err.Error(), "<nil>") || kind == nil && !strings.Contains(err.Error(), errno.Error()) {
			t.Errorf("%v: %s", errno, err)
		}
	}
}

// withoutRights runs f on a thread of its own that has no rights beyond its
// user's, also when the test runs as the superuser; with stranger, that user
// owns nothing and is in no group. The thread ends with it.
func withoutRights(t *testing.T, stranger bool, f func()) {
	t.Helper()
	done := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked: the runtime ends the thread
		defer close(done)
		if os.Geteuid() == 0 {
			if err := giveUpRights(stranger); err != nil {
				done <- err
				return
			}
		}
		f()
	}()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// giveUpRights changes this thread alone.
func giveUpRights(stranger bool) error {
	if stranger {
		if _, _, errno := unix.RawSyscall(unix.SYS_SETGROUPS, 0, 0, 0); errno != 0 {
			return errno
		}
		if err := errors.Join(unix.Setfsgid(65534), unix.Setfsuid(65534)); err != nil {
			return err
		}
	}
	none := [2]unix.CapUserData{}
	return unix.Capset(&unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}, &none[0])
}

func TestC10NoPermissionNamesTheGroup(t *testing.T) {
	pair, client := openBoth(t)
	client.Close()
	path := pair.Path()
	if os.Geteuid() == 0 { // others have the terminal in a group already
		if err := os.Chown(path, -1, 4242); err != nil {
			t.Fatal(err)
		}
	}
	for mode, joinable := range map[os.FileMode]bool{0o060: true, 0o040: false, 0o020: false, 0: false} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
		owner, group := owners(path)
		if owner == "" || (group != "") != joinable {
			t.Errorf("mode %v: owner %q, group %q", mode, owner, group)
		}
		withoutRights(t, true, func() {
			p, err := Open(rtu(path), Options{})
			var open *OpenError
			if p != nil || !errors.Is(err, ErrNoPermission) || !errors.As(err, &open) {
				t.Errorf("mode %v: %v, %v; want %v", mode, p, err, ErrNoPermission)
				return
			}
			if open.Owner != owner || open.Group != group {
				t.Errorf("mode %v: owner %q, group %q; want %q, %q", mode, open.Owner, open.Group, owner, group)
			}
			if joinable && !strings.Contains(err.Error(), fmt.Sprintf("group %q", group)) {
				t.Errorf("the group is not named: %v", err)
			}
		})
	}
	// A port in a folder that may not be entered.
	closed := filepath.Join(t.TempDir(), "closed")
	if err := os.Mkdir(closed, 0); err != nil {
		t.Fatal(err)
	}
	withoutRights(t, true, func() {
		if _, err := Open(rtu(filepath.Join(closed, "ttyUSB0")), Options{}); !errors.Is(err, ErrNoPermission) {
			t.Errorf("in a closed folder: %v, want %v", err, ErrNoPermission)
		}
	})
}

func TestOwners(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "group")
	text := "root:x:0:\ntty:x:5:\ndialout:x:20:pump,cistern\nbroken\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for id, want := range map[uint32]string{0: "root", 5: "tty", 20: "dialout", 77: "77"} {
		if got := nameOf(file, id); got != want {
			t.Errorf("number %d is %q, want %q", id, got, want)
		}
	}
	if got := nameOf(filepath.Join(dir, "none"), 20); got != "20" {
		t.Errorf("without a file number 20 is %q", got)
	}
	if owner, group := owners(filepath.Join(dir, "none")); owner != "" || group != "" {
		t.Errorf("nothing is owned by %q, %q", owner, group)
	}
}

func TestC10SecondOpenIsRefused(t *testing.T) {
	pair, client := openBoth(t)
	got := refusal(t, pair.Path(), ErrHeld)
	if len(got.Holders) != 1 || !got.Holders[0].Self || got.Holders[0].PID != os.Getpid() {
		t.Errorf("holders %v, want this program", got.Holders)
	}
	carry(t, client, pair, []byte{1, 2, 3}) // the refused one has changed nothing
	client.Close()
	again, err := Open(rtu(pair.Path()), Options{})
	if err != nil {
		t.Fatalf("after the first was closed: %v", err)
	}
	again.Close()
}

func TestC10AnotherProgramIsNamed(t *testing.T) {
	pair, client := openBoth(t)
	client.Close()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	child := exec.CommandContext(ctx, os.Args[0])
	child.Env = append(os.Environ(), childPort+"="+pair.Path())
	in, err := child.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	if said, err := bufio.NewReader(out).ReadString('\n'); said != "held\n" {
		t.Fatalf("the other program says %q, %v", said, err)
	}
	got := refusal(t, pair.Path(), ErrHeld)
	if len(got.Holders) != 1 || got.Holders[0].PID != child.Process.Pid || got.Holders[0].Self {
		t.Fatalf("holders %+v, want process %d alone", got.Holders, child.Process.Pid)
	}
	if !strings.Contains(got.Holders[0].Command, filepath.Base(os.Args[0])) {
		t.Errorf("command %q, want %q in it", got.Holders[0].Command, os.Args[0])
	}
	// A program that was killed holds nothing.
	child.Process.Kill()
	child.Wait()
	p, err := Open(rtu(pair.Path()), Options{})
	if err != nil {
		t.Fatalf("after the other program was killed: %v", err)
	}
	p.Close()
}

// A program that asks for no lock is kept out by exclusive use, and one that
// took the port for exclusive use is respected.
func TestExclusiveUse(t *testing.T) {
	pair, client := openBoth(t)
	client.Close()
	other, err := os.OpenFile(pair.Path(), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	fd := int(other.Fd())
	if err := lock(fd, false); err != nil {
		t.Fatalf("lock: %v", err)
	}
	if on, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL); on != 1 || err != nil {
		t.Errorf("exclusive use is %d, %v after lock", on, err)
	}
	if err := unix.Flock(fd, unix.LOCK_UN); err != nil {
		t.Fatal(err)
	}
	withoutRights(t, false, func() {
		p, err := Open(rtu(pair.Path()), Options{})
		var open *OpenError
		if p != nil || !errors.Is(err, ErrHeld) || !errors.Is(err, unix.EBUSY) || !errors.As(err, &open) {
			t.Errorf("%v, %v; want %v", p, err, ErrHeld)
			return
		}
		if len(open.Holders) != 1 || !open.Holders[0].Self {
			t.Errorf("holders %v, want this program", open.Holders)
		}
	})
	// The superuser is not kept out by the system, so the mark itself is asked.
	second, err := unix.Dup(fd)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(second)
	if err := lock(second, false); !errors.Is(err, unix.EBUSY) {
		t.Errorf("lock of a port in exclusive use: %v, want %v", err, unix.EBUSY)
	}
}

// Source: Linux kernel, filesystems/proc.rst (/proc/locks).
func TestLocker(t *testing.T) {
	locks := "1: POSIX  ADVISORY  WRITE 11 08:01:42 0 EOF\n" +
		"2: FLOCK  ADVISORY  WRITE 12 08:01:43 0 EOF\n" +
		"3: -> FLOCK  ADVISORY  WRITE 13 08:01:42 0 EOF\n" +
		"4: FLOCK  ADVISORY  WRITE -1 08:01:42 0 EOF\n" +
		"5: FLOCK  ADVISORY  WRITE 14 08:01:42 0 EOF\n" +
		"6: FLOCK\n"
	dev := unix.Mkdev(8, 1)
	for inode, want := range map[uint64]int{42: 14, 43: 12, 44: 0} {
		if got := locker(locks, dev, inode); got != want {
			t.Errorf("inode %d is locked by process %d, want %d", inode, got, want)
		}
	}
	if got := locker(locks, unix.Mkdev(8, 2), 42); got != 0 {
		t.Errorf("another disk's inode 42 is locked by process %d", got)
	}
	if holders("/no/such/port") != nil {
		t.Error("a port that is not there is held")
	}
}

func TestCommand(t *testing.T) {
	if got := command(os.Getpid()); !strings.HasPrefix(got, os.Args[0][:min(80, len(os.Args[0]))]) {
		t.Errorf("this program is %q, want %q", got, os.Args[0])
	}
	if got := command(-1); got != "" {
		t.Errorf("no process is %q", got)
	}
}
