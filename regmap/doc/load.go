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
	ErrOutside    = errors.New("outside the folder")
)

// ReadFile is the text of a regular file of at most MaxFile bytes. Anything
// else is refused before it is opened: a directory, a pipe, a device (opening
// a serial port already moves its lines).
func ReadFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err := regular(info, path, err); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, openError(path, err)
	}
	defer f.Close()
	return readAll(f, path)
}

// ReadIn is ReadFile for a name inside a folder; names and links that lead out
// of the folder are refused with ErrOutside.
func ReadIn(root *os.Root, name string) ([]byte, error) {
	path := filepath.FromSlash(name)
	info, err := root.Stat(path)
	if err := regular(info, name, err); err != nil {
		return nil, err
	}
	f, err := root.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, openError(name, err)
	}
	defer f.Close()
	return readAll(f, name)
}

// openError drops the system's call name and keeps what a person can use. What
// the folder itself refuses comes without a number of the operating system.
func openError(name string, err error) error {
	var path *fs.PathError
	if !errors.As(err, &path) {
		return fmt.Errorf("%s: %w", name, err)
	}
	var number syscall.Errno
	if !errors.As(path.Err, &number) && !errors.Is(path.Err, fs.ErrNotExist) && !errors.Is(path.Err, fs.ErrClosed) {
		return fmt.Errorf("%s: %w", name, ErrOutside)
	}
	return fmt.Errorf("%s: %w", name, path.Err)
}

// regular says whether a file may be read.
func regular(info fs.FileInfo, name string, err error) error {
	switch {
	case err != nil:
		return openError(name, err)
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s: %w", name, ErrNotRegular)
	case info.Size() > MaxFile:
		return fmt.Errorf("%s: %w", name, ErrTooLarge)
	}
	return nil
}

// readAll reads an open file, and looks once more at what it is: it may have
// changed since.
func readAll(f *os.File, name string) ([]byte, error) {
	info, err := f.Stat()
	if err := regular(info, name, err); err != nil {
		return nil, err
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
