package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// A mute stream is one that must never be written to.
type mute struct {
	*fault.End
	t *testing.T
}

func (m mute) Write(b []byte) (int, error) {
	m.t.Errorf("% X was sent by somebody who only listens", b)
	return 0, errors.New("written to")
}

// adu is a frame of unit 17 on a line.
func adu(t *testing.T, f line.Framing, u regmap.Unit, pdu []byte) []byte {
	t.Helper()
	b, err := frame.AppendADU(nil, frame.ADU{Framing: f, Unit: u, PDU: pdu})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// askedAndTold is a request to the cistern and its station's answer.
func askedAndTold(t *testing.T, f line.Framing, q frame.Request) (asked, told []byte) {
	t.Helper()
	pdu, err := q.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return adu(t, f, 17, pdu), adu(t, f, 17, cisternStation(t).Answer(nil, 17, pdu))
}

// talk writes what a panel and a station say to each other, again and again,
// until the other side is closed.
func talk(to interface{ Write([]byte) (int, error) }, done <-chan struct{}, pause time.Duration, frames ...[]byte) {
	tick := time.NewTicker(pause)
	defer tick.Stop()
	for i := 0; ; i++ {
		select {
		case <-done:
			return
		case <-tick.C:
		}
		if _, err := to.Write(frames[i%len(frames)]); err != nil {
			return
		}
	}
}

// serialLine is a line on a port.
func serialLine(path string, every time.Duration) *line.Line {
	return &line.Line{Name: "Pump house", Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial(path), Every: every}
}

// TestListensBeforeItSends: 3 s or three of the line's cycles, whichever is
// longer, and never a byte sent.
func TestListensBeforeItSends(t *testing.T) {
	asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	for _, c := range []struct {
		name   string
		every  time.Duration
		frames [][]byte // said by others, one each 200 ms
		share  bool
		code   int
		lasts  time.Duration
		says   []string
	}{
		{name: "silence", every: time.Second, lasts: 3 * time.Second},
		{name: "a slow line", every: 4 * time.Second, lasts: 12 * time.Second},
		{name: "another client", every: 100 * time.Millisecond, frames: [][]byte{asked, told}, code: exitWrong, lasts: 3 * time.Second,
			says: []string{"nothing was sent on /dev/ttyUSB0", "unit 17, read input registers (04), every 0.4 s", "plumbline listen /dev/ttyUSB0", "--share"}},
		{name: "another client, shared", frames: [][]byte{asked, told}, share: true, lasts: 3 * time.Second,
			says: []string{"unit 17, read input registers (04)", "because of --share"}},
		{name: "one spike", frames: [][]byte{{0}, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil}, lasts: 3 * time.Second,
			says: []string{"1 bytes came", "going on"}},
		{name: "talk at other settings", frames: [][]byte{{0xC8, 0x3F, 0x91, 0xFE, 0x00, 0x12}}, code: exitWrong, lasts: 3 * time.Second,
			says: []string{"they make no frame as rtu 19200 8E1", "other settings", "--share"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ours, theirs := fault.Pipe()
				done := make(chan struct{})
				if c.frames != nil {
					go talk(theirs, done, 200*time.Millisecond, c.frames...)
				}
				var said bytes.Buffer
				began := time.Now()
				opens := 0
				err := courtesy{share: c.share, say: &said, open: func(context.Context, *line.Line) (link.Stream, error) {
					opens++
					return mute{ours, t}, nil
				}}.before(t.Context(), serialLine("/dev/ttyUSB0", c.every))
				close(done)
				if got := time.Since(began); got != c.lasts || opens != 1 {
					t.Errorf("%d listenings, %v, want %v", opens, got, c.lasts)
				}
				var v verdict
				if errors.As(err, &v); v.code != c.code || (err == nil) != (c.code == 0) {
					t.Errorf("%v, code %d", err, v.code)
				}
				all := said.String() + v.Error()
				for _, want := range c.says {
					if !strings.Contains(all, want) {
						t.Errorf("%q is not in %q", want, all)
					}
				}
				if c.says == nil && said.Len() > 0 {
					t.Errorf("%q", said.String())
				}
			})
		})
	}
}

// TestNoWaitWhereNobodyElseIs: pseudo-terminals and networks are not listened to.
func TestNoWaitWhereNobodyElseIs(t *testing.T) {
	c := courtesy{open: func(context.Context, *line.Line) (link.Stream, error) {
		t.Error("opened")
		return nil, errors.New("opened")
	}}
	if err := c.before(t.Context(), serialLine("/dev/pts/4", 0), &line.Line{Medium: line.TCP, Host: "127.0.0.1", Port: 502}); err != nil {
		t.Error(err)
	}
}

// TestLineThatCannotBeListenedTo: nothing is sent on a line that cannot be heard
// first, nor after the wait was broken off.
func TestLineThatCannotBeListenedTo(t *testing.T) {
	_, _, errs := command(t, "poll", cistern, "--serial", "/dev/ttyUSB-none", "--unit", "17", "--once", "--share")
	if !strings.Contains(errs, "there is no such port") {
		t.Error(errs)
	}
	synctest.Test(t, func(t *testing.T) {
		ours, _ := fault.Pipe()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		err := courtesy{open: func(context.Context, *line.Line) (link.Stream, error) { return mute{ours, t}, nil }}.before(ctx, serialLine("/dev/ttyUSB0", 0))
		var v verdict
		if !errors.As(err, &v) || v.code != exitNoReply || !strings.Contains(v.Error(), "nothing was sent") {
			t.Error(err)
		}
	})
}

// TestCommandsRefuseABusyLine: each command that sends on a serial port refuses
// where a panel and a station talk, and sends nothing. The pseudo-terminal is
// given by another name, so that it is taken for a port with a line behind it.
func TestCommandsRefuseABusyLine(t *testing.T) {
	asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	folder := t.TempDir()
	for name, args := range map[string]func(path string) []string{
		"poll": func(path string) []string {
			return []string{"poll", cistern, "--serial", path, "--unit", "17", "--once"}
		},
		"simulate": func(path string) []string { return []string{"simulate", cistern, "--serial", path, "--unit", "17"} },
		"set": func(path string) []string {
			file := filepath.Join(folder, "line.yaml")
			text, err := os.ReadFile(cistern)
			if err != nil {
				t.Fatal(err)
			}
			put(t, filepath.Join(folder, "cistern.yaml"), text, 0o600)
			put(t, file, []byte("line: Pump house\nserial: {port: "+path+"}\nstations: {17: {name: cistern, map: cistern.yaml, write: true}}\n"), 0o600)
			return []string{"set", file, "lead-start", "1.65", "--yes", "lead-start", "--yes", "cistern"}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "usb-Two-wire_adapter_A1-if00")
			pair, err := port.OpenPair()
			if err != nil {
				t.Fatal(err)
			}
			defer pair.Close()
			if err := os.Symlink(pair.Path(), path); err != nil {
				t.Fatal(err)
			}
			done := make(chan struct{})
			go talk(pair, done, 50*time.Millisecond, asked, told)
			code, out, errs := command(t, args(path)...)
			close(done)
			if code != exitWrong || out != "" || !strings.Contains(errs, "unit 17, read input registers (04)") || !strings.Contains(errs, "plumbline listen "+path) {
				t.Errorf("%d, %s%s", code, out, errs)
			}
			pair.SetReadDeadline(time.Now())
			if n, err := pair.Read(make([]byte, 1)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
				t.Errorf("%d bytes were sent, %v", n, err)
			}
		})
	}
}
