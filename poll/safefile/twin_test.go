package safefile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"
)

// sector is the least that a disk writes whole.
const sector = 512

var (
	errPower = errors.New("the power is off")
	errDisk  = errors.New("input/output error")
)

// twin is a file system in memory that keeps apart what is on the disk and what
// was only written. After the power is cut, crashed gives one of the states
// that the disk may be in: of the writes that were not synced each sector is
// kept or lost by chance, in any order; of the changes of names, which real
// file systems keep in order (a journal), any first part is kept.
type twin struct {
	names   map[string]*node // as the program sees them
	disk    map[string]*node // as they last were synced
	changes []func(map[string]*node)
	locked  map[string]bool

	calls  int
	cutAt  int // the call before which the power goes; 0: never
	failAt int // the call that fails; 0: none
	always bool
	met    bool // the cut or the fault was met
	deaf   bool // sync does nothing: to see that the checks notice
}

// node is one file.
type node struct {
	mode    fs.FileMode
	now     []byte // as the program sees it
	synced  []byte
	pending []write
}

// write is bytes at a place that were not synced.
type write struct {
	at    int
	bytes []byte
}

func newTwin() *twin {
	return &twin{names: map[string]*node{}, disk: map[string]*node{}, locked: map[string]bool{}}
}

// step counts a call and says whether it fails.
func (t *twin) step() error {
	t.calls++
	switch {
	case t.cutAt > 0 && t.calls >= t.cutAt:
		t.met = true
		return errPower
	case t.failAt > 0 && (t.calls == t.failAt || t.always && t.calls > t.failAt):
		t.met = true
		return errDisk
	}
	return nil
}

// crashed is the file system after the power came back.
func (t *twin) crashed(r *rand.Rand) *twin {
	after := newTwin()
	names := maps.Clone(t.disk)
	for _, change := range t.changes[:r.IntN(len(t.changes)+1)] {
		change(names)
	}
	for name, n := range names {
		b := n.afterCrash(r)
		after.names[name] = &node{mode: n.mode, now: b, synced: slices.Clone(b)}
	}
	after.disk = maps.Clone(after.names)
	return after
}

// afterCrash is what a file may hold: each sector of each unsynced write is
// kept or lost; a file that grew may show zeros where data were lost.
func (n *node) afterCrash(r *rand.Rand) []byte {
	b := slices.Clone(n.synced)
	for _, w := range n.pending {
		for from := w.at; from < w.at+len(w.bytes); {
			to := min((from/sector+1)*sector, w.at+len(w.bytes))
			if r.IntN(2) == 0 {
				if len(b) < to {
					b = append(b, make([]byte, to-len(b))...)
				}
				copy(b[from:to], w.bytes[from-w.at:to-w.at])
			}
			from = to
		}
	}
	return b
}

func (t *twin) change(f func(map[string]*node)) {
	f(t.names)
	t.changes = append(t.changes, f)
}

func (t *twin) Open(name string) (File, error) {
	if err := t.step(); err != nil {
		return nil, err
	}
	n, ok := t.names[name]
	if !ok {
		return nil, fmt.Errorf("%s: %w", name, fs.ErrNotExist)
	}
	return &twinFile{twin: t, node: n}, nil
}

func (t *twin) Create(name string, mode fs.FileMode) (File, error) {
	if err := t.step(); err != nil {
		return nil, err
	}
	if _, ok := t.names[name]; ok {
		return nil, fmt.Errorf("%s: %w", name, fs.ErrExist)
	}
	n := &node{mode: mode}
	t.change(func(names map[string]*node) { names[name] = n })
	return &twinFile{twin: t, node: n}, nil
}

func (t *twin) Rename(from, to string) error {
	if err := t.step(); err != nil {
		return err
	}
	if t.names[from] == nil {
		return fs.ErrNotExist
	}
	t.change(func(names map[string]*node) {
		if n := names[from]; n != nil {
			names[to] = n
			delete(names, from)
		}
	})
	return nil
}

func (t *twin) Remove(name string) error {
	if err := t.step(); err != nil {
		return err
	}
	if t.names[name] == nil {
		return fs.ErrNotExist
	}
	t.change(func(names map[string]*node) { delete(names, name) })
	return nil
}

func (t *twin) SyncFolder(string) error {
	if err := t.step(); err != nil {
		return err
	}
	if !t.deaf {
		t.disk, t.changes = maps.Clone(t.names), nil
	}
	return nil
}

func (t *twin) Safe(string) error { return t.step() }

func (t *twin) Same(name string, f File) bool {
	return t.names[name] == f.(*twinFile).node
}

func (t *twin) Lock(name string) (func() error, error) {
	if err := t.step(); err != nil {
		return nil, err
	}
	if t.locked[name] {
		return nil, &LockedError{Name: name, Holder: "the twin"}
	}
	t.locked[name] = true
	return func() error { delete(t.locked, name); return nil }, nil
}

// left is the names in a folder.
func (t *twin) left(folder string) (names []string) {
	for name := range t.names {
		if filepath.Dir(name) == folder {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// twinFile is an open file of the twin.
type twinFile struct {
	twin *twin
	node *node
	read int
}

func (f *twinFile) Read(p []byte) (int, error) {
	if err := f.twin.step(); err != nil {
		return 0, err
	}
	if f.read >= len(f.node.now) {
		return 0, io.EOF
	}
	n := copy(p, f.node.now[f.read:])
	f.read += n
	return n, nil
}

// Write adds at the end. One that fails is half done, as on a full disk.
func (f *twinFile) Write(p []byte) (int, error) {
	err := f.twin.step()
	if err != nil {
		p = p[:len(p)/2]
	}
	f.node.pending = append(f.node.pending, write{at: len(f.node.now), bytes: slices.Clone(p)})
	f.node.now = append(f.node.now, p...)
	return len(p), err
}

func (f *twinFile) Sync() error {
	if err := f.twin.step(); err != nil {
		return err
	}
	if !f.twin.deaf {
		f.node.synced, f.node.pending = slices.Clone(f.node.now), nil
	}
	return nil
}

func (f *twinFile) Close() error { return f.twin.step() }
