package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/seek"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

var updateListen = flag.Bool("update", false, "write the golden files anew")

// A said is bytes on a line, after a pause.
type said struct {
	after time.Duration
	bytes []byte
}

// exchange is a request and its answer as a panel and its station talk.
func exchange(t *testing.T, f line.Framing, q frame.Request) []said {
	asked, told := askedAndTold(t, f, q)
	return []said{{150 * time.Millisecond, asked}, {30 * time.Millisecond, told}}
}

// ears is a listenJob whose streams are in memory: each opening takes the next
// of them, and gives the port's error when none is left.
type ears struct {
	*listenJob
	out, errs bytes.Buffer
	opened    []line.Line
}

func newEars(t *testing.T, l *line.Line, f listenFlags) *ears {
	t.Helper()
	e := &ears{}
	f.given = func(string) bool { return false }
	book, err := f.book(l)
	if err != nil {
		t.Fatal(err)
	}
	e.listenJob = newListening(nil, l, book, f)
	e.streams = &streams{out: &e.out, err: &e.errs}
	return e
}

// hearAll makes a job hear a talk, and gives its end.
func hearAll(t *testing.T, f listenFlags, l *line.Line, talks ...[]said) (out, errs string, code int) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		e := newEars(t, l, f)
		next := 0
		e.open = func(_ context.Context, l *line.Line) (link.Stream, error) {
			e.opened = append(e.opened, *l)
			if next == len(talks) {
				return nil, errors.New("there is no such port")
			}
			ours, theirs := fault.Pipe()
			talk := talks[next]
			next++
			go func() {
				for _, s := range talk {
					time.Sleep(s.after)
					if _, err := theirs.Write(s.bytes); err != nil {
						return
					}
				}
				if next < len(talks) {
					time.Sleep(time.Second)
					theirs.Close()
				}
			}()
			return mute{ours, t}, nil
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		err := e.run(ctx)
		var v verdict
		if errors.As(err, &v) {
			code = v.code
			if v.err != nil {
				e.errs.WriteString(v.err.Error())
			}
		} else if err != nil {
			t.Error(err)
		}
		out, errs = e.out.String(), e.errs.String()
	})
	return out, errs, code
}

// wholeTalk is a talk with all that a line shows: reads, a write, an exception, a
// silent unit, noise, a damaged answer, an answer out of nothing, a broadcast.
func wholeTalk(t *testing.T) []said {
	read := frame.Read(regmap.InputRegister, 0, 8)
	var all []said
	all = append(all, exchange(t, line.RTU, read)...)
	all = append(all, exchange(t, line.RTU, frame.Read(regmap.HoldingRegister, 16, 2))...)
	all = append(all, exchange(t, line.RTU, request(t, 0x06, 0, 32, 0x06, 0x72))...)
	all = append(all, exchange(t, line.RTU, frame.Read(regmap.HoldingRegister, 100, 1))...)
	silent := adu(t, line.RTU, 18, []byte{3, 0, 0, 0, 2})
	all = append(all, said{150 * time.Millisecond, silent}, said{500 * time.Millisecond, silent}, said{500 * time.Millisecond, []byte{0, 0xFF, 0x41}})
	all = append(all, exchange(t, line.RTU, frame.Read(regmap.DiscreteInput, 0, 2))...)
	damaged := exchange(t, line.RTU, read)
	damaged[1].bytes = bytes.Clone(damaged[1].bytes)
	damaged[1].bytes[5] ^= 0x10
	all = append(all, damaged...)
	all = append(all, exchange(t, line.RTU, read)...)
	all = append(all, said{150 * time.Millisecond, adu(t, line.RTU, 0, []byte{6, 0, 32, 6, 0x72})})
	return append(all, exchange(t, line.RTU, read)...)
}

// request is a request from its PDU.
func request(t *testing.T, pdu ...byte) frame.Request {
	t.Helper()
	q, err := frame.ParseRequest(pdu)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// goldenText compares got with a golden file of the program's output.
func goldenText(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("../../testdata/golden", name)
	if *updateListen {
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		put(t, file, []byte(got), 0o644)
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; -update writes it anew. Got:\n%s", name, got)
	}
}

// TestListenShows: the display of a talk, with points by a map and without.
func TestListenShows(t *testing.T) {
	for name, f := range map[string]listenFlags{
		"listen-map.txt":  {mapFile: cistern},
		"listen-bare.txt": {},
	} {
		out, errs, code := hearAll(t, f, serialLine("/dev/ttyUSB0", 0), wholeTalk(t))
		if errs != "" || code != exitWrong {
			t.Errorf("%s: %d, %s", name, code, errs)
		}
		goldenText(t, name, out)
		for row := range strings.Lines(out) {
			if strings.ContainsFunc(strings.TrimSuffix(row, "\n"), func(r rune) bool { return r < 0x20 || r >= 0x7F }) {
				t.Errorf("%q", row)
			}
		}
	}
}

// seekOrder is the settings that are tried where nothing is known of a line.
func seekOrder(l *line.Line, f listenFlags) []seek.Settings {
	f.given = func(string) bool { return false }
	return seek.SerialOrder(l.Serial.Port, f.known(l))
}
