package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/signal"
	"syscall"
	"time"

	"plumbline/decode"
	"plumbline/decode/capture"
)

// A tape keeps the raw bytes of a line as a capture. The nil tape keeps nothing.
type tape struct {
	file     *os.File
	out      *capture.Writer
	flushed  decode.Stamp
	comments []string // on the next bytes
	broken   bool
}

// tapeEvery is how often what was heard is on its way to the disk. Ours.
const tapeEvery = time.Second

// mostComments bounds what waits for the next bytes.
const mostComments = 16

// record opens the tape.
func (j *listenJob) record() error {
	f, err := os.OpenFile(j.flags.write, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return writtenAlready(j.flags.write)
	}
	if err != nil {
		return unwritable(j.flags.write, err)
	}
	out, err := capture.NewWriter(f, j.line.Serial.Port, j.line.Where())
	if err == nil {
		err = out.Flush()
	}
	if err != nil {
		f.Close()
		return unwritable(j.flags.write, err)
	}
	j.tape = &tape{file: f, out: out}
	return nil
}

// writtenAlready refuses to write over evidence.
func writtenAlready(file string) error {
	return notUnderstood("%s exists, and what was recorded is never written over; give another name", file)
}

// outlive keeps the program running when its terminal is closed or nobody reads
// its output any more, until the function that it gives is called.
func outlive() (end func()) {
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, syscall.SIGHUP, syscall.SIGPIPE)
	return func() { signal.Stop(signals) }
}

// add keeps bytes that came together.
func (t *tape) add(b []byte, at decode.Stamp, comments ...string) error {
	if t == nil || t.broken {
		return nil
	}
	comments = append(t.comments, comments...)
	t.comments = nil
	if err := t.out.Write(b, at, comments...); err != nil {
		return t.breakOff(err)
	}
	return t.flush(at)
}

// comment notes something with the next bytes.
func (t *tape) comment(words string) {
	if t != nil && len(t.comments) < mostComments {
		t.comments = append(t.comments, words)
	}
}

// flush gives on what is buffered, at most once a second.
func (t *tape) flush(now decode.Stamp) error {
	if t == nil || t.broken || now.Sub(t.flushed) < tapeEvery {
		return nil
	}
	t.flushed = now
	if err := t.out.Flush(); err != nil {
		return t.breakOff(err)
	}
	return nil
}

func (t *tape) breakOff(err error) error {
	t.broken = true
	var path *fs.PathError
	if errors.As(err, &path) {
		err = path.Err
	}
	return err
}

// close ends the recording, which is on the disk then.
func (t *tape) close() error {
	if t == nil {
		return nil
	}
	if t.broken {
		t.file.Close()
		return nil
	}
	var err error
	if len(t.comments) > 0 {
		err = t.out.Write(nil, decode.Stamp{Wall: time.Now().UTC()}, t.comments...)
	}
	if err = errors.Join(err, t.out.Flush(), t.file.Sync(), t.file.Close()); err != nil {
		return fmt.Errorf("at its end: %w", t.breakOff(err))
	}
	return nil
}
