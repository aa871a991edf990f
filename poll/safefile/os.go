package safefile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// OS is the real file system.
type OS struct{}

var _ Files = OS{}

// Open opens a regular file that is there.
func (OS) Open(name string) (File, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_APPEND|noFollow, 0)
	if err != nil {
		return nil, linked(name, err)
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s: %w: it is no regular file", name, ErrUnsafe)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// Create makes a file that is not there yet. An exclusive creation follows no
// link (POSIX, open). The permissions hold whatever the process's mask is.
func (OS) Create(name string, mode fs.FileMode) (File, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_APPEND|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return nil, err
	}
	if err := f.Chmod(mode); err != nil {
		f.Close()
		os.Remove(name)
		return nil, err
	}
	return f, nil
}

// Rename gives a file another name, in the place of the one that has it.
func (OS) Rename(from, to string) error { return os.Rename(from, to) }

// Remove removes a file.
func (OS) Remove(name string) error { return os.Remove(name) }

// Safe refuses a folder that all may write to or that is another user's, and a
// file that is a link, no regular file, or another user's.
func (OS) Safe(name string) error {
	folder := filepath.Dir(name)
	info, err := os.Stat(folder)
	if err != nil {
		return err
	}
	switch {
	case !info.IsDir():
		return fmt.Errorf("%s: %w: %s is no folder", name, ErrUnsafe, folder)
	case othersMayWrite(info):
		return fmt.Errorf("%s: %w: everybody may write to the folder %s; choose another, or take that right away", name, ErrUnsafe, folder)
	case !ownOrSystem(info):
		return fmt.Errorf("%s: %w: the folder %s belongs to another user", name, ErrUnsafe, folder)
	}
	info, err = os.Lstat(name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode()&fs.ModeSymlink != 0:
		return fmt.Errorf("%s: %w: it is a symbolic link; name the file itself", name, ErrUnsafe)
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s: %w: it is no regular file", name, ErrUnsafe)
	case !own(info):
		return fmt.Errorf("%s: %w: it belongs to another user", name, ErrUnsafe)
	}
	return nil
}

// Same compares the file itself, not its contents.
func (OS) Same(name string, f File) bool {
	real, ok := f.(*os.File)
	if !ok {
		return false
	}
	open, err := real.Stat()
	if err != nil {
		return false
	}
	there, err := os.Lstat(name)
	return err == nil && os.SameFile(open, there)
}

// lockName is the file beside a file by which it is locked.
func lockName(name string) string { return name + ".lock" }

// holder is this process, for the one who finds the file locked.
func holder() string {
	host, err := os.Hostname()
	if err != nil {
		host = "this machine"
	}
	return fmt.Sprintf("process %d on %s, since %s", os.Getpid(), host, time.Now().UTC().Format(time.RFC3339))
}

// maxHolder is how much of a lock file is read.
const maxHolder = 200

// readHolder is what a lock file says; empty when it cannot be read.
func readHolder(name string) string {
	f, err := os.OpenFile(name, os.O_RDONLY|noFollow, 0)
	if err != nil {
		return ""
	}
	defer f.Close()
	b := make([]byte, maxHolder)
	n, _ := f.Read(b)
	return string(b[:n])
}
