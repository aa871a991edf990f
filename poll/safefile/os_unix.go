//go:build unix

package safefile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// noFollow refuses a symbolic link at the end of a name (POSIX, open).
const noFollow = syscall.O_NOFOLLOW | syscall.O_NONBLOCK

// linked says in words that a name is a link.
func linked(name string, err error) error {
	if errors.Is(err, syscall.ELOOP) {
		return fmt.Errorf("%s: %w: it is a symbolic link; name the file itself", name, ErrUnsafe)
	}
	return err
}

// SyncFolder syncs the folder itself, which holds the names.
func (OS) SyncFolder(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	err = f.Sync()
	if closed := f.Close(); err == nil {
		err = closed
	}
	return err
}

// maxLockTries is how often a lock file may vanish while it is locked.
const maxLockTries = 100

// Lock locks a file beside the file, which says who has it and is removed with
// the lock. The kernel gives the lock free when the process ends.
func (OS) Lock(name string) (func() error, error) {
	beside := lockName(name)
	for range maxLockTries {
		f, err := os.OpenFile(beside, os.O_RDWR|os.O_CREATE|noFollow, Mode)
		if err != nil {
			return nil, linked(beside, err)
		}
		if err := flock(f); err != nil {
			f.Close()
			if errors.Is(err, syscall.EWOULDBLOCK) {
				return nil, &LockedError{Name: name, Holder: readHolder(beside)}
			}
			return nil, fmt.Errorf("%s: %w", beside, err)
		}
		if !(OS{}).Same(beside, f) { // its last holder removed it between open and lock
			f.Close()
			continue
		}
		if err := sign(f); err != nil {
			f.Close()
			return nil, err
		}
		return func() error { return errors.Join(os.Remove(beside), f.Close()) }, nil
	}
	return nil, &LockedError{Name: name}
}

func flock(f *os.File) error {
	for {
		if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}

// sign writes into a lock file who has it.
func sign(f *os.File) error {
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := f.WriteAt([]byte(holder()), 0)
	return err
}

func othersMayWrite(info fs.FileInfo) bool { return info.Mode().Perm()&0o002 != 0 }

func own(info fs.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(st.Uid) == os.Geteuid()
}

func ownOrSystem(info fs.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && (st.Uid == 0 || int(st.Uid) == os.Geteuid())
}
