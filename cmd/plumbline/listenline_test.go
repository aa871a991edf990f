package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/frame"
	"plumbline/decode/segment"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// decodeKeys and pollKeys are the keys that JSON lines have. Source: design,
// commands.
var (
	decodeKeys = []string{"exchange", "offset", "time", "framing", "unit", "transaction", "direction", "function", "name", "fields", "crc_ok", "exception", "points", "error"}
	pollKeys   = []string{"time", "steady_seconds", "cycle", "unit", "station", "point", "value", "shown", "units", "quality", "cause", "reason", "last_value", "age_seconds", "raw", "function", "address", "exchange", "request", "response"}
)

// jsonRows reads JSON lines.
func jsonRows(t *testing.T, text string) (all []map[string]any) {
	t.Helper()
	for row := range strings.Lines(text) {
		var m map[string]any
		if err := json.Unmarshal([]byte(row), &m); err != nil {
			t.Fatalf("%q: %v", row, err)
		}
		all = append(all, m)
	}
	return all
}

func hasKeys(m map[string]any, keys []string) bool {
	for _, k := range keys {
		if _, ok := m[k]; !ok {
			return false
		}
	}
	return true
}

// TestListenJSON: a line a frame and a line a reading, each with its keys, the
// readings behind the frames that they come from, bytes in the order of the line.
func TestListenJSON(t *testing.T) {
	out, errs, code := hearAll(t, listenFlags{asJSON: true, mapFile: cistern}, serialLine("/dev/ttyUSB0", 0), wholeTalk(t))
	if code != exitWrong || !strings.HasPrefix(errs, "18 frames and 3 bytes in no frame in 60 s") {
		t.Errorf("%d, %s", code, errs)
	}
	frames := map[string]int{} // by exchange
	offset, damaged, noise, written := -1.0, 0, 0, 0
	values := map[string][]any{}
	for _, m := range jsonRows(t, out) {
		if _, ok := m["direction"]; ok {
			if !hasKeys(m, decodeKeys) {
				t.Errorf("%v", m)
			}
			if at := m["offset"].(float64); at <= offset {
				t.Errorf("offset %v after %v", at, offset)
			} else {
				offset = at
			}
			if x, ok := m["exchange"].(string); ok {
				frames[x]++
			}
			switch m["kind"] {
			case "spoiled":
				damaged++
			case "noise":
				noise++
			}
			if points := m["points"].([]any); m["name"] == "Write Single Register" && m["direction"] == "request" && len(points) == 1 {
				written++
				if p := points[0].(map[string]any); p["point"] != "lead-start" || p["value"] != 1.65 {
					t.Errorf("%v", p)
				}
			}
			continue
		}
		if !hasKeys(m, pollKeys) {
			t.Errorf("%v", m)
		}
		x, _ := m["exchange"].(string)
		if m["quality"] == "good" && frames[x] != 2 {
			t.Errorf("a reading before its frames: %v", m)
		}
		values[m["point"].(string)] = append(values[m["point"].(string)], m["value"])
		if m["cause"] == "checksum" && (m["value"] != nil || m["last_value"] == nil || m["age_seconds"].(float64) <= 0) {
			t.Errorf("%v", m)
		}
	}
	if got := fmt.Sprint(values["level"]); got != "[1.2 <nil> 1.2 1.2]" || damaged != 1 || noise != 1 || written != 1 {
		t.Errorf("level %s, %d damaged, %d noise, %d writes\n%s", got, damaged, noise, written, out)
	}
}

// TestListenRecords: the bytes are kept as a capture from which the same frames
// and times come, and a file that exists is left alone.
func TestListenRecords(t *testing.T) {
	file := filepath.Join(t.TempDir(), "heard.pcapng")
	talk := wholeTalk(t)
	var sent []byte
	for _, s := range talk {
		sent = append(sent, s.bytes...)
	}
	_, errs, _ := hearAll(t, listenFlags{write: file}, serialLine("/dev/ttyUSB0", 0), talk)
	text, err := os.ReadFile(file)
	if err != nil || errs != "" {
		t.Fatal(err, errs)
	}
	var got []byte
	frames := 0
	if _, err := capture.Read(bytes.NewReader(text), capture.Settings{Serial: line.DefaultSerial("")}, func(i capture.Item) {
		if i.Piece != nil {
			got = append(got, i.Piece.Bytes...)
			if i.Piece.Kind == segment.Frame {
				frames++
			}
		}
	}); err != nil || !bytes.Equal(got, sent) || frames != 18 {
		t.Errorf("%v, %d frames of 18\n% X\n% X", err, frames, got, sent)
	}
	if !bytes.Contains(text, []byte("serial /dev/ttyUSB0 rtu 19200 8E1")) {
		t.Error("the settings are not in the file")
	}
	code, _, errs := command(t, "listen", "/dev/pts/0", "--write", file)
	after, err := os.ReadFile(file)
	if code != exitUsage && code != exitNoReply || err != nil || !bytes.Equal(after, text) {
		t.Errorf("%d, %s, %v", code, errs, err)
	}
	e := newEars(t, serialLine("/dev/ttyUSB0", 0), listenFlags{write: file})
	if err := e.record(); err == nil || !strings.Contains(err.Error(), "never written over") {
		t.Error(err)
	}
}

// TestC2Flood: 00 or FF without end is told once, kept, and not looked at; when
// the line is quiet again it is heard as before.
func TestC2Flood(t *testing.T) {
	for _, value := range []byte{0x00, 0xFF} {
		var talk []said
		read := frame.Read(regmap.InputRegister, 0, 8)
		talk = append(talk, exchange(t, line.RTU, read)...)
		for range 3000 { // 30 s of it
			talk = append(talk, said{10 * time.Millisecond, bytes.Repeat([]byte{value}, 19)})
		}
		talk = append(talk, said{2 * time.Second, nil})
		talk = append(talk, exchange(t, line.RTU, read)...)
		out, errs, code := hearAll(t, listenFlags{mapFile: cistern, report: true}, serialLine("/dev/ttyUSB0", 0), talk)
		for _, want := range []string{fmt.Sprintf("%02X without end: the line is never silent", value), fmt.Sprintf("silent again after 57000 times %02X in 30", value),
			"4 frames and 57000 bytes in no frame", "1 time without a silence", "came without end"} {
			if n := strings.Count(out, want); n != 1 {
				t.Errorf("%q is told %d times in\n%s", want, n, out)
			}
		}
		if got := strings.Count(out, "level  1.20 m"); got != 2 || code != exitWrong || errs != "" {
			t.Errorf("%d readings, %d, %s", got, code, errs)
		}
	}
}

// TestC9ListenThroughALoss: a port that goes is told, opened again, and what is
// said then is heard.
func TestC9ListenThroughALoss(t *testing.T) {
	read := exchange(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	out, errs, code := hearAll(t, listenFlags{}, serialLine("/dev/ttyUSB0", 0), read, append([]said{{time.Second, nil}}, read...))
	for _, want := range []string{"the port is gone; it is opened again when it is back", "the port is back"} {
		if strings.Count(out, want) != 1 {
			t.Errorf("%q is not told once in\n%s", want, out)
		}
	}
	if n := strings.Count(out, "8 registers"); n != 2 || errs != "" {
		t.Errorf("%d exchanges, %d, %s\n%s", n, code, errs, out)
	}
}

// TestListenEnds: what decides the exit code.
func TestListenEnds(t *testing.T) {
	read := exchange(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	for name, c := range map[string]struct {
		talk []said
		code int
		says string
	}{
		"all is well":      {append(append([]said{}, read...), read...), exitDone, ""},
		"silence":          {nil, exitNoReply, "nothing was heard on /dev/ttyUSB0 in 60 s"},
		"bytes, no frame":  {[]said{{time.Second, []byte{0xC8, 0x3F, 0x91, 0xFE, 0x00, 0x12, 0x34, 0x99}}}, exitWrong, "8 bytes came and make no frame as rtu 19200 8E1; --find tries other settings"},
		"a unit is silent": {bytesOf(adu(t, line.RTU, 18, []byte{3, 0, 0, 0, 2}), 12), exitWrong, ""},
	} {
		out, errs, code := hearAll(t, listenFlags{}, serialLine("/dev/ttyUSB0", 0), c.talk)
		if code != c.code || !strings.Contains(errs, c.says) || c.says == "" && errs != "" {
			t.Errorf("%s: %d, %s\n%s", name, code, errs, out)
		}
	}
}

// bytesOf is the same bytes again and again.
func bytesOf(b []byte, times int) (all []said) {
	for range times {
		all = append(all, said{time.Second, b})
	}
	return all
}

// TestC7SecondClientHeard: two clients with one station, each with its period;
// their requests run into each other's answers.
func TestC7SecondClientHeard(t *testing.T) {
	asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	other, otherTold := askedAndTold(t, line.RTU, frame.Read(regmap.HoldingRegister, 16, 2))
	var talk []said
	for range 8 {
		talk = append(talk, said{200 * time.Millisecond, asked}, said{30 * time.Millisecond, told},
			said{100 * time.Millisecond, asked}, said{5 * time.Millisecond, other}, said{30 * time.Millisecond, told}, said{20 * time.Millisecond, otherTold})
	}
	out, errs, code := hearAll(t, listenFlags{report: true}, serialLine("/dev/ttyUSB0", 0), talk)
	if code != exitWrong || errs != "" || !strings.Contains(out, "Traffic on line Pump house") {
		t.Errorf("%d, %s", code, errs)
	}
	if !strings.Contains(out, "two-clients") && !strings.Contains(out, "unasked-bytes") {
		t.Errorf("the second client is no finding:\n%s", out)
	}
}

// TestListenReports: the findings at the end, as JSON lines behind the others
// and as a page of its own.
func TestListenReports(t *testing.T) {
	out, _, _ := hearAll(t, listenFlags{asJSON: true, report: true}, serialLine("/dev/ttyUSB0", 0), bytesOf(adu(t, line.RTU, 18, []byte{3, 0, 0, 0, 2}), 12))
	rows := jsonRows(t, out)
	if last := rows[len(rows)-1]; last["claim"] == nil || last["words"] == nil {
		t.Errorf("%v", last)
	}
	file := filepath.Join(t.TempDir(), "traffic.html")
	hearAll(t, listenFlags{report: true, output: file}, serialLine("/dev/ttyUSB0", 0), bytesOf(adu(t, line.RTU, 18, []byte{3, 0, 0, 0, 2}), 12))
	if text, err := os.ReadFile(file); err != nil || !bytes.Contains(text, []byte("silent-unit")) || !bytes.Contains(text, []byte("<svg")) {
		t.Errorf("%v, %d bytes", err, len(text))
	}
}

// TestG1TextFromTheLine: what a device says is shown as escapes, wherever it
// stands.
func TestG1TextFromTheLine(t *testing.T) {
	name := "\x1b[2J\x07\u202eab\u0085"
	name += strings.Repeat(" ", 12-len(name))
	pdu, err := frame.Read(regmap.HoldingRegister, 50, 6).Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	talk := []said{{time.Second, adu(t, line.RTU, 17, pdu)}, {30 * time.Millisecond, adu(t, line.RTU, 17, append([]byte{3, 12}, name[:12]...))}}
	for _, f := range []listenFlags{{mapFile: cistern}, {mapFile: cistern, asJSON: true}, {mapFile: cistern, report: true}} {
		out, errs, _ := hearAll(t, f, serialLine("/dev/ttyUSB0", 0), talk)
		for _, r := range out + errs {
			if r < 0x20 && r != '\n' || r >= 0x7F && r < 0xA0 || r == 0x202E || r == 0xFFFD {
				t.Errorf("%U in %q", r, out)
			}
		}
		if !strings.Contains(out, "name") && !f.report {
			t.Error(out)
		}
	}
}

// TestListenASCII hears the other framing.
func TestListenASCII(t *testing.T) {
	l := serialLine("/dev/ttyUSB0", 0)
	l.Framing = line.ASCII
	read := exchange(t, line.ASCII, frame.Read(regmap.InputRegister, 0, 8))
	out, errs, code := hearAll(t, listenFlags{mapFile: cistern}, l, append(append([]said{}, read...), read...))
	if strings.Count(out, "level  1.20 m") != 2 || errs != "" || code != exitDone {
		t.Errorf("%d, %s\n%s", code, errs, out)
	}
}

// TestListenTimes: the times of frames that came in pieces, and of two that came
// in one, at 9600 bit/s 8E1, where a character takes 1.146 ms.
func TestListenTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
		char := 11 * time.Second / 9600
		for name, c := range map[string]struct {
			pieces []said
			took   time.Duration // from the request's last byte to the answer's last byte
			joined int
		}{
			"whole frames": {[]said{{0, asked}, {50 * time.Millisecond, told}}, 50 * time.Millisecond, 0},
			"in halves":    {[]said{{0, asked[:4]}, {4 * char, asked[4:]}, {20 * time.Millisecond, told[:5]}, {30 * time.Millisecond, told[5:]}}, 50 * time.Millisecond, 0},
			"in one":       {[]said{{0, append(append([]byte{}, asked...), told...)}}, time.Duration(len(told)) * char, 1},
		} {
			l := serialLine("/dev/ttyUSB0", 0)
			l.Serial.Baud = 9600
			var heard []segment.Heard
			e := newEars(t, l, listenFlags{})
			w := newWire(l, e.clock, e.source, hears{exchange: func(h segment.Heard) { heard = append(heard, h) }})
			time.Sleep(time.Second)
			for _, s := range c.pieces {
				time.Sleep(s.after)
				w.take(s.bytes, e.clock(), 0)
			}
			time.Sleep(time.Second)
			w.idle(e.clock())
			if len(heard) != 1 || w.heard.joined != c.joined {
				t.Fatalf("%s: %d exchanges, %d joined", name, len(heard), w.heard.joined)
			}
			x := heard[0].Exchange
			if got := x.Done.Sub(x.Left); got != c.took {
				t.Errorf("%s: %v, want %v", name, got, c.took)
			}
			if got := x.Left.Sub(x.Asked); got != 8*char {
				t.Errorf("%s: the request took %v, want %v", name, got, 8*char)
			}
		}
	})
}

// TestSlowAnswerSupportsItsRequest: a request that came out alone, because its
// answer took longer than a silence, is certain once it is answered; alone behind
// noise it stays possible.
func TestSlowAnswerSupportsItsRequest(t *testing.T) {
	asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
	spike := said{300 * time.Millisecond, []byte{0x3B}}
	slow := []said{spike, {300 * time.Millisecond, asked}, {400 * time.Millisecond, told}}
	out, _, _ := hearAll(t, listenFlags{}, serialLine("/dev/ttyUSB0", 0), slow)
	if strings.Contains(out, "possible") || !strings.Contains(out, "400.0 ms") {
		t.Error(out)
	}
	alone := []said{spike, {300 * time.Millisecond, asked}, spike}
	out, _, code := hearAll(t, listenFlags{}, serialLine("/dev/ttyUSB0", 0), alone)
	if !strings.Contains(out, "no answer (possible: nothing beside its check says that it was sent)") || !strings.Contains(out, "1 of the frames only possible") || code != exitDone {
		t.Errorf("%d\n%s", code, out)
	}
}

// TestSilenceOnATerminal: it is shown in place, and gone before the next row.
func TestSilenceOnATerminal(t *testing.T) {
	var b bytes.Buffer
	s := newListenShow(&b, serialLine("/dev/ttyUSB0", 0), nil, false)
	s.quiet(5 * time.Second)
	if b.Len() != 0 {
		t.Errorf("piped: %q", b.String())
	}
	s.watched = true
	for _, silent := range []time.Duration{2900 * time.Millisecond, 3 * time.Second, 3500 * time.Millisecond, 4 * time.Second} {
		s.quiet(silent)
	}
	s.note(decode.Stamp{}, "the port is gone")
	if got := b.String(); got != "\rnothing for 3 s \rnothing for 4 s \r"+strings.Repeat(" ", 30)+"\r              the port is gone\n" {
		t.Errorf("%q", got)
	}
}

// A closedOutput is standard output that nobody reads.
type closedOutput struct{ tries int }

func (c *closedOutput) Write([]byte) (int, error) {
	c.tries++
	return 0, errors.New("broken pipe")
}

// TestI4NobodyReads: without a recording listening ends quietly; with one it goes
// on to its end.
func TestI4NobodyReads(t *testing.T) {
	for _, file := range []string{"", filepath.Join(t.TempDir(), "heard.pcapng")} {
		synctest.Test(t, func(t *testing.T) {
			e := newEars(t, serialLine("/dev/ttyUSB0", 0), listenFlags{write: file})
			e.streams.out = new(closedOutput)
			ours, theirs := fault.Pipe()
			e.open = func(context.Context, *line.Line) (link.Stream, error) { return mute{ours, t}, nil }
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			defer cancel()
			asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
			go talk(theirs, ctx.Done(), 100*time.Millisecond, asked, told)
			began := time.Now()
			err := e.run(ctx)
			if v, ok := err.(verdict); !ok || v.code != exitDone || v.err != nil || e.errs.Len() > 0 {
				t.Errorf("%v, %s", err, e.errs.String())
			}
			if took := time.Since(began); file == "" && took > time.Second || file != "" && took != 10*time.Second {
				t.Errorf("%q ended after %v", file, took)
			}
		})
	}
}

// TestRecordingBreaksOff: a disk that takes no more is told once, and decides the
// exit code; listening goes on.
func TestRecordingBreaksOff(t *testing.T) {
	if _, err := os.Stat("/dev/full"); err != nil {
		t.Skip("no /dev/full here")
	}
	synctest.Test(t, func(t *testing.T) {
		e := newEars(t, serialLine("/dev/ttyUSB0", 0), listenFlags{})
		full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		e.flags.write = "heard.pcapng"
		e.tape = &tape{file: full}
		if e.tape.out, err = capture.NewWriter(full, "", ""); err != nil {
			t.Fatal(err)
		}
		e.begin()
		asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
		for range 3 {
			e.wire.take(asked, e.clock(), 0)
			time.Sleep(time.Second)
			e.wire.take(told, e.clock(), 0)
			time.Sleep(time.Second)
		}
		e.wire.finish()
		if err := e.end(time.Second); err != errSeen {
			t.Error(err)
		}
		if got := e.errs.String(); strings.Count(got, "\n") != 1 || !strings.Contains(got, "heard.pcapng cannot be written on: no space left on device") {
			t.Errorf("%q", got)
		}
		if n := strings.Count(e.out.String(), "8 registers"); n != 3 {
			t.Errorf("%d exchanges", n)
		}
	})
}

// TestWireIsBounded: what is kept of noise without end does not grow.
func TestWireIsBounded(t *testing.T) {
	w := newWire(serialLine("/dev/ttyUSB0", 0), func() decode.Stamp { return decode.Stamp{Steady: 1} }, 1, hears{})
	seed, b := uint32(11), make([]byte, 7)
	for range 1 << 17 {
		for i := range b {
			seed = seed*1664525 + 1013904223
			b[i] = byte(seed >> 24)
		}
		w.take(b, decode.Stamp{Steady: 1}, 0)
		if len(w.times.chunks) > 4*513/7 {
			t.Fatalf("%d chunks are kept", len(w.times.chunks))
		}
	}
	if w.heard.noise < 900_000 {
		t.Errorf("%d bytes of noise", w.heard.noise)
	}
}

// TestDamagedCharactersAreNotTrusted: what the port marks as damaged makes a
// value uncertain, whatever the check says.
func TestDamagedCharactersAreNotTrusted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
		e := newEars(t, serialLine("/dev/ttyUSB0", 0), listenFlags{asJSON: true, mapFile: cistern})
		e.begin()
		e.wire.take(asked, e.clock(), 0)
		time.Sleep(50 * time.Millisecond)
		e.wire.take(told, e.clock(), 1)
		time.Sleep(time.Second)
		e.wire.idle(e.clock())
		e.wire.finish()
		n := 0
		for _, m := range jsonRows(t, e.out.String()) {
			if m["point"] == "level" {
				n++
				if m["quality"] != "uncertain" || m["cause"] != "checksum" {
					t.Errorf("%v", m)
				}
			}
		}
		if n != 1 || e.wire.heard.damaged != 1 {
			t.Errorf("%d readings, %d damaged", n, e.wire.heard.damaged)
		}
	})
}

// TestFindSettings: of two dozen settings those at which the talk is right are
// found; at the others the same talk is garbage.
func TestFindSettings(t *testing.T) {
	read := frame.Read(regmap.InputRegister, 0, 8)
	for name, c := range map[string]struct {
		right string
		flags listenFlags
		code  int
		says  []string
	}{
		"a usual one": {right: "rtu 9600 8N2", says: []string{"trying 48 settings", "204 s at most", "found rtu 9600 8N2: 3 matching exchanges"}},
		"ascii":       {right: "ascii 19200 7E1", says: []string{"found ascii 19200 7E1"}},
		"none":        {right: "rtu 300 8E1", code: exitWrong, says: []string{"no settings were found; bytes came and made no frame at any"}},
		"silence":     {code: exitNoReply, says: []string{"nothing was heard at all"}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				e := newEars(t, serialLine("/dev/ttyUSB0", 0), c.flags)
				var ends []*fault.End
				e.open = func(_ context.Context, l *line.Line) (link.Stream, error) {
					ours, theirs := fault.Pipe()
					ends = append(ends, theirs)
					if c.right == "" {
						return mute{ours, t}, nil
					}
					asked, told := askedAndTold(t, l.Framing, read)
					if settingsOf(l) != c.right {
						asked, told = garbled(asked), garbled(told)
					}
					go talk(theirs, t.Context().Done(), 100*time.Millisecond, asked, told)
					return mute{ours, t}, nil
				}
				l := serialLine("/dev/ttyUSB0", 0)
				l.File = "/dev/ttyUSB0"
				began := time.Now()
				err := e.find(t.Context(), seekOrder(l, c.flags))
				code, words := exitDone, e.out.String()
				if err != nil {
					code = err.(verdict).code
					words += err.Error()
				}
				for _, want := range c.says {
					if !strings.Contains(words, want) {
						t.Errorf("%q is not in\n%s", want, words)
					}
				}
				if took := time.Since(began); code != c.code || took > 204*time.Second {
					t.Errorf("code %d after %v", code, took)
				}
				if c.code == 0 && settingsOf(e.line) != c.right {
					t.Errorf("the line is %s", settingsOf(e.line))
				}
				for _, end := range ends {
					end.Close()
				}
			})
		})
	}
}

// A marked stream counts damaged characters as a port does.
type marked struct {
	mute
	damage func(n int) int // of so many characters
	total  int
}

func (m *marked) Read(b []byte) (int, error) {
	n, err := m.mute.Read(b)
	m.total += m.damage(n)
	return n, err
}

func (m *marked) Damaged() int { return m.total }

// TestFindTellsParityByDamage: at the right speed with the wrong parity the bytes
// are right, and the port marks half of them or all. Source: serial guide V1.02,
// 2.5.1, and trade practice.
func TestFindTellsParityByDamage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := newEars(t, serialLine("/dev/ttyUSB0", 0), listenFlags{})
		asked, told := askedAndTold(t, line.RTU, frame.Read(regmap.InputRegister, 0, 8))
		var ends []*fault.End
		e.open = func(_ context.Context, l *line.Line) (link.Stream, error) {
			ours, theirs := fault.Pipe()
			ends = append(ends, theirs)
			damage := func(n int) int { return (n + 1) / 2 }
			if settingsOf(l) == "rtu 19200 8O1" {
				damage = func(int) int { return 0 }
			}
			if l.Serial.Baud == 19200 && l.Framing == line.RTU {
				go talk(theirs, t.Context().Done(), 100*time.Millisecond, asked, told)
			} else {
				go talk(theirs, t.Context().Done(), 100*time.Millisecond, garbled(asked), garbled(told))
			}
			return &marked{mute: mute{ours, t}, damage: damage}, nil
		}
		l := serialLine("/dev/ttyUSB0", 0)
		l.File = "/dev/ttyUSB0"
		if err := e.find(t.Context(), seekOrder(l, e.flags)); err != nil || settingsOf(e.line) != "rtu 19200 8O1" {
			t.Errorf("%v, %s\n%s", err, settingsOf(e.line), e.out.String())
		}
		if !strings.Contains(e.out.String(), "rtu 19200 8E1: 87 bytes, 3 matching exchanges, 100 % in frames, ") {
			t.Error(e.out.String())
		}
		for _, end := range ends {
			end.Close()
		}
	})
}

// garbled is what a receiver at another speed makes of bytes: each bit pattern
// another one, the same each time.
func garbled(b []byte) []byte {
	out := bytes.Clone(b)
	for i := range out {
		out[i] = out[i]*167 + byte(i)*31 + 5
	}
	return out
}
