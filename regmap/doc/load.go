package doc

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// MaxFile is the largest file that is read, 16 MiB.
const MaxFile = 16 << 20

// Errors of reading a file; each is wrapped with the file's name.
var (
	ErrNotRegular = errors.New("not a regular file")
	ErrTooLarge   = errors.New("larger than 16 MiB")
)

// ReadFile is the text of a regular file of at most MaxFile bytes. Anything
// else is refused before a byte of it is read: a directory, a pipe, a device.
func ReadFile(path string) ([]byte, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, openError(path, err)
	}
	defer f.Close()
	return readAll(f, path)
}

// ReadIn is ReadFile for a name inside a folder; names and links that lead out
// of the folder are refused.
func ReadIn(root *os.Root, name string) ([]byte, error) {
	f, err := root.OpenFile(filepath.FromSlash(name), os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, openError(name, err)
	}
	defer f.Close()
	return readAll(f, name)
}

// openError drops the system's call name and keeps what a person can use.
func openError(name string, err error) error {
	var path *fs.PathError
	if errors.As(err, &path) {
		return fmt.Errorf("%s: %w", name, path.Err)
	}
	return fmt.Errorf("%s: %w", name, err)
}

func readAll(f *os.File, name string) ([]byte, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, openError(name, err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: %w", name, ErrNotRegular)
	}
	if info.Size() > MaxFile {
		return nil, fmt.Errorf("%s: %w", name, ErrTooLarge)
	}
	text, err := io.ReadAll(io.LimitReader(f, MaxFile+1))
	switch {
	case err != nil:
		return nil, openError(name, err)
	case len(text) > MaxFile:
		return nil, fmt.Errorf("%s: %w", name, ErrTooLarge)
	}
	return text, nil
}
