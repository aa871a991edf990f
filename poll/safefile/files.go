// Package safefile keeps small files that must survive a crash: a log to which
// lines are added, each on the disk before Append returns and each carrying the
// hash of the one before, and whole files that are replaced at once or not at
// all. An audit log and a signed record are such files.
//
// It works on a small interface of files, so that tests can cut the power
// between any two calls. It knows nothing of what the files say. A large store
// of many records belongs elsewhere: a log is read whole when it is opened.
package safefile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
)

// Files is the part of a file system that this package uses. OS is the real
// one. No call follows a symbolic link at the end of a name.
type Files interface {
	// Open opens a regular file that is there, for reading from its beginning
	// and writing at its end. The error wraps fs.ErrNotExist where there is none.
	Open(name string) (File, error)
	// Create makes a file that is not there yet, with these permissions. The
	// error wraps fs.ErrExist where there is one.
	Create(name string, mode fs.FileMode) (File, error)
	Rename(from, to string) error
	Remove(name string) error
	// SyncFolder makes what was created, renamed and removed in a folder last.
	SyncFolder(folder string) error
	// Safe says whether only this user, or the system, can put files into a
	// folder, and whether a file there, if it exists, is this user's own and
	// regular. The error wraps ErrUnsafe.
	Safe(name string) error
	// Same says whether the name still stands for the open file.
	Same(name string, f File) bool
	// Lock keeps other writers out until unlock is called or the process ends.
	// The error is a *LockedError when another has it.
	Lock(name string) (unlock func() error, err error)
}

// A File is an open file.
type File interface {
	io.Reader
	io.Writer // at the end
	Sync() error
	Close() error
}

// ErrUnsafe is wrapped where others could change the file, or it is not what
// it should be.
var ErrUnsafe = errors.New("not a safe place")

// A LockedError says that another writer has the file.
type LockedError struct {
	Name   string
	Holder string // who, for people; empty when it cannot be told
}

// Error is the sentence.
func (e *LockedError) Error() string {
	if e.Holder == "" {
		return fmt.Sprintf("%s is being written by another program", e.Name)
	}
	return fmt.Sprintf("%s is being written by %s", e.Name, e.Holder)
}
