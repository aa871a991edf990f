package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"plumbline/poll/safefile"
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
	return unwritable(file, safefile.Replace(safefile.OS{}, file, text, mode))
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
