package safefile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"sync"
)

// Mode is a log's permissions: its owner's alone.
const Mode fs.FileMode = 0o600

// MaxLine is the longest line of a log, in bytes. Ours: an entry of a log says
// what happened, it carries no data.
const MaxLine = 256 << 10

// The errors of a log, for errors.Is.
var (
	ErrTorn    = errors.New("the last line is not whole")
	ErrBroken  = errors.New("the chain of lines is broken")
	ErrLost    = errors.New("the log is no longer trusted")
	ErrReplace = errors.New("the file was removed or renamed")
	ErrEntry   = errors.New("an entry must be a JSON object")
)

// A Log is a file of JSON lines that only grows. Each line begins with its
// number, from 1, and the SHA-256 of the line before, in hex, so that a line
// that was changed, taken out or put in is found; what was cut off the end is
// not, which needs a hash kept elsewhere. It is safe for concurrent use.
type Log struct {
	files  Files
	name   string
	unlock func() error

	mu     sync.Mutex
	file   File
	last   chain
	failed error
}

// chain is where a log has got to.
type chain struct {
	lines int
	hash  string // of the last line; empty before the first
	size  int64
}

// OpenLog opens a log for one writer, or makes it: exclusively, with Mode, in a
// folder that nobody else can write to. A log that is there is read and checked
// whole. The errors: ErrUnsafe, *LockedError, ErrTorn (a crash cut the last
// line; see Repair), ErrBroken (a *LineError names the line), or those of the
// file system. With ErrTorn and ErrBroken the file is left as it is.
func OpenLog(files Files, name string) (*Log, error) {
	if err := files.Safe(name); err != nil {
		return nil, err
	}
	unlock, err := files.Lock(name)
	if err != nil {
		return nil, err
	}
	l := &Log{files: files, name: name, unlock: unlock}
	if err := l.open(); err != nil {
		if l.file != nil {
			l.file.Close()
		}
		unlock()
		return nil, err
	}
	return l, nil
}

// open opens or makes the file. The folder is synced in either case: who made
// the file may have crashed before that.
func (l *Log) open() (err error) {
	l.file, err = l.files.Open(l.name)
	if errors.Is(err, fs.ErrNotExist) {
		if l.file, err = l.files.Create(l.name, Mode); err == nil {
			err = l.file.Sync()
		}
	} else if err == nil {
		l.last, err = verify(l.file, nil)
	}
	if err != nil {
		return err
	}
	return l.files.SyncFolder(filepath.Dir(l.name))
}

// Lines is how many lines the log has.
func (l *Log) Lines() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last.lines
}

// Append adds an entry, a JSON object, as one line and returns once it is on the
// disk. After any error the log is no longer trusted: whether the line is there
// is not known, every later Append gives ErrLost, and nothing is tried again.
// An entry that cannot be written as a line (ErrEntry) does no harm.
func (l *Log) Append(entry any) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.failed != nil {
		return fmt.Errorf("%w: %w", ErrLost, l.failed)
	}
	line, err := l.last.line(entry)
	if err != nil {
		return err
	}
	if err := l.write(line); err != nil {
		l.failed = err
		return err
	}
	l.last.add(line)
	return nil
}

func (l *Log) write(line []byte) error {
	if !l.files.Same(l.name, l.file) {
		return fmt.Errorf("%s: %w underneath", l.name, ErrReplace)
	}
	if _, err := l.file.Write(append(line, '\n')); err != nil {
		return err
	}
	return l.file.Sync()
}

// Close gives the log free for another writer.
func (l *Log) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if errors.Is(l.failed, fs.ErrClosed) {
		return nil
	}
	err := l.file.Close()
	if unlocked := l.unlock(); err == nil {
		err = unlocked
	}
	l.failed = fs.ErrClosed
	return err
}

// line is an entry as the next line, without its end.
func (c *chain) line(entry any) ([]byte, error) {
	text, err := json.Marshal(entry)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrEntry, err)
	}
	if len(text) < 2 || text[0] != '{' {
		return nil, fmt.Errorf("%w, not %s", ErrEntry, text[:min(len(text), 20)])
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, `{"line":%d,"previous":"%s"`, c.lines+1, c.hash)
	if rest := text[1:]; len(rest) > 1 {
		b.WriteByte(',')
		b.Write(rest)
	} else {
		b.WriteByte('}')
	}
	if b.Len() > MaxLine {
		return nil, fmt.Errorf("%w of at most %d bytes, this one has %d", ErrEntry, MaxLine, b.Len())
	}
	if words := c.wrong(b.Bytes()); words != "" {
		return nil, fmt.Errorf("%w without line and previous of its own: with them %s", ErrEntry, words)
	}
	return b.Bytes(), nil
}

// add takes a line into the chain.
func (c *chain) add(line []byte) {
	sum := sha256.Sum256(line)
	c.lines++
	c.hash = hex.EncodeToString(sum[:])
	c.size += int64(len(line)) + 1
}
