package safefile

import (
	"crypto/rand"
	"encoding/hex"
	"io/fs"
	"path/filepath"
)

// Replace puts a text into a file, all of it or none: it is written beside the
// file under another name, synced, and takes the file's place, and the folder
// is synced. What stood there before is there until then. With an error nothing
// half-made stays, and the old file stands, unless only the last sync failed:
// then the new one stands and may not last.
func Replace(files Files, name string, text []byte, mode fs.FileMode) error {
	folder := filepath.Dir(name)
	var random [6]byte
	rand.Read(random[:]) // never fails (crypto/rand)
	beside := filepath.Join(folder, "."+filepath.Base(name)+"."+hex.EncodeToString(random[:]))
	f, err := files.Create(beside, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = files.Rename(beside, name)
	}
	if err != nil {
		files.Remove(beside) // the first error is the one to tell
		return err
	}
	return files.SyncFolder(folder)
}
