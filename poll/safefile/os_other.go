//go:build !unix

package safefile

import (
	"errors"
	"io/fs"
	"os"
)

// What other systems have no word for: links are looked for by Safe, owners and
// permissions are the system's own affair.
const noFollow = 0

func linked(_ string, err error) error { return err }

// SyncFolder does nothing: a folder cannot be synced here.
func (OS) SyncFolder(string) error { return nil }

// Lock makes a file beside the file, which says who has it. It is removed with
// the lock; one that a crash left behind must be removed by hand, and the error
// says which.
func (OS) Lock(name string) (func() error, error) {
	beside := lockName(name)
	f, err := os.OpenFile(beside, os.O_RDWR|os.O_CREATE|os.O_EXCL, Mode)
	switch {
	case errors.Is(err, fs.ErrExist):
		return nil, &LockedError{Name: name, Holder: readHolder(beside) + " (if that has ended, remove " + beside + ")"}
	case err != nil:
		return nil, err
	}
	if _, err := f.WriteString(holder()); err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(beside))
	}
	return func() error { return errors.Join(f.Close(), os.Remove(beside)) }, nil
}

func othersMayWrite(fs.FileInfo) bool { return false }

func own(fs.FileInfo) bool { return true }

func ownOrSystem(fs.FileInfo) bool { return true }
