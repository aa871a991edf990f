package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// writeFile puts text into a file, all of it or none: it is written beside the
// file under another name, synced, and takes the file's place. What stood there
// before is there until then. A pipe or a device is written as it is.
func writeFile(file string, text []byte) error {
	mode := fs.FileMode(0o644)
	if real, err := filepath.EvalSymlinks(file); err == nil {
		info, err := os.Stat(real)
		if err != nil {
			return unwritable(file, err)
		}
		if !info.Mode().IsRegular() {
			return unwritable(file, os.WriteFile(file, text, mode))
		}
		file, mode = real, info.Mode().Perm()
	}
	return unwritable(file, replace(file, text, mode))
}

// replace writes a new file and gives it the old one's name.
func replace(file string, text []byte, mode fs.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(file), "."+filepath.Base(file)+".*")
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		os.Remove(f.Name()) // nothing half-made stays
	}
	return err
}

// unwritable is a file that could not be written; nil stays nil.
func unwritable(file string, err error) error {
	if err == nil {
		return nil
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		err = path.Err
	}
	return notUnderstood("%s cannot be written: %w", file, err)
}
