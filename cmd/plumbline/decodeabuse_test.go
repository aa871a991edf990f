package main

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"runtime/metrics"
	"strings"
	"testing"
	"time"
	"unicode"
)

// canaries are texts that would steer a terminal, a page or a spreadsheet. Rows
// G1, G2, G3 and G5 of the abuse table.
var canaries = []string{
	"\x1b[2J", "\x1b]0;title\x07", "\x1b]52;c;eA==\x07", "\x9b31m", "\u009b31m", "a\rb", "a\bb", "a\x7fb", "a\u202eb", "a\u200bb", "\xff\xfe", "a\nb",
	"<script>alert(1)</script>", `"><img src=x onerror=alert(1)>`, "</title>", "javascript:alert(1)", "`|[x](y)|`", "=1+1", "@SUM(A1)", strings.Repeat("x", 240),
}

// clean fails for text that holds what no output of ours may.
func cleanText(t *testing.T, what, text string) {
	t.Helper()
	for _, r := range text {
		if r < 0x20 && r != '\n' && r != '\t' || r == 0x7F || r == unicode.ReplacementChar || r >= 0x80 && !unicode.IsGraphic(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp) {
			t.Errorf("%s: %q is in %q", what, r, text)
			return
		}
	}
}

// identified is a capture in which a station calls itself so.
func identified(text string) []byte {
	id := []byte(text)
	pdu := append([]byte{0x2B, 0x0E, 4, 0x81, 0, 0, 1, 0, byte(len(id))}, id...)
	r := newWireTape().open()
	r.say(true, 0, mbapFrame(1, 17, 0x2B, 0x0E, 4, 0)).say(false, time.Millisecond, mbapFrame(1, 17, pdu...))
	name := append([]byte(text), make([]byte, 80)...)[:80] // the same in a string point
	r.say(true, 0, mbapFrame(2, 17, 3, 0, 0, 0, 40)).say(false, time.Millisecond, mbapFrame(2, 17, append([]byte{3, 80}, name...)...))
	r.client = addrOf(9) // a stream of something else
	r.up, r.down = 5, 5
	return r.open().say(true, 0, append([]byte("xyzzy"), id...)).file
}

// What a station says stays text in every output.
func TestDecodeCanaries(t *testing.T) {
	textMap := inFile(t, "m.yaml", []byte("device: Any\npoints:\n  name:\n    holding-register: 0\n    type: string\n    length: 80\n"))
	harmless := inFile(t, "harmless.pcap", identified("harmless"))
	tags := func(file string) (elements, attributes int) {
		to := inFile(t, "r.html", nil)
		command(t, "decode", file, "--report", "--map", textMap, "-o", to)
		page := string(fileBytes(t, to))
		cleanText(t, "page", page)
		return strings.Count(page, "<"), strings.Count(page, `="`)
	}
	elements, attributes := tags(harmless)
	for _, c := range canaries {
		file := inFile(t, "a.pcap", identified(c))
		for _, args := range [][]string{nil, {"--json"}, {"--report"}, {"--report", "--json"}, {"--draft"}, {"--map", textMap}, {"--map", textMap, "--json"}} {
			_, out, errs := command(t, append([]string{"decode", file}, args...)...)
			cleanText(t, strings.Join(args, " "), out)
			cleanText(t, "stderr", errs)
			if len(args) > 0 && args[len(args)-1] == "--json" {
				jsonLines(t, out)
			}
		}
		if e, a := tags(file); e != elements || a != attributes {
			t.Errorf("%q: the page has %d elements and %d attributes, the harmless one %d and %d", c, e, a, elements, attributes)
		}
	}
	code, out, errs := command(t, "decode", "nothing\x1b[2J\u202e")
	if cleanText(t, "errors", out+errs); code != exitUsage || strings.Count(errs, "\n") != 1 {
		t.Errorf("%d %q", code, errs)
	}
	named := inFile(t, "a\x1b[2J\u202e.pcap", tappedPoll(2).file)
	for _, args := range [][]string{nil, {"--report"}, {"--draft"}} {
		_, out, errs := command(t, append([]string{"decode", named}, args...)...)
		cleanText(t, "file name", out+errs)
	}
}

// A line feed in a device's text makes no second line. Row G5.
func TestDecodeLineFeeds(t *testing.T) {
	lines := func(text string) int {
		_, out, _ := command(t, "decode", inFile(t, "a.pcap", identified(text)))
		return strings.Count(out, "\n")
	}
	if a, b := lines("plain text"), lines("a\nb\nc\r\nde"); a != b {
		t.Errorf("%d lines and %d", a, b)
	}
}

// Numbers that JSON cannot say are null and bad; whole numbers beyond 2^53 are
// text. Row G4.
func TestDecodeOddNumbers(t *testing.T) {
	numbers := inFile(t, "m.yaml", []byte("device: Any\npoints:\n  f:\n    holding-register: 0\n    type: float32\n  u:\n    holding-register: 2\n    type: uint64\n"))
	for _, bits := range []uint32{math.Float32bits(float32(math.NaN())), math.Float32bits(float32(math.Inf(1)))} {
		b := []byte{3, 12, byte(bits >> 24), byte(bits >> 16), byte(bits >> 8), byte(bits), 0x7F, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
		r := newWireTape().open().say(true, 0, mbapFrame(1, 17, 3, 0, 0, 0, 6)).say(false, 0, mbapFrame(1, 17, b...))
		_, out, _ := command(t, "decode", inFile(t, "a.pcap", r.file), "--json", "--map", numbers)
		rows := jsonLines(t, out)
		points := rows[1]["points"].([]any)
		f, u := points[0].(map[string]any), points[1].(map[string]any)
		if f["value"] != nil || f["quality"] != "bad" || f["cause"] == nil || u["value"] != "9223372036854775807" {
			t.Errorf("%v", points)
		}
	}
}

// Hex text with its place of the first bad character. Row E9.
func TestDecodeHexText(t *testing.T) {
	for text, want := range map[string]string{
		"11 8":               "column 4: a byte is two hex digits",
		"0x11 0x83 0x02zz":   "column 15: 'z' is no hex digit",
		"11:83:02:C1:3g":     "column 14: 'g' is no hex digit",
		"11 83\x00 02 C1 34": "", // a byte that stands in no text: it is read as raw bytes of a line, and they are none
		"é":                  "column 1: 'é' is no hex digit",
	} {
		var out, errs bytes.Buffer
		code := run(t.Context(), &streams{in: strings.NewReader(text + "\n"), out: &out, err: &errs}, []string{"decode"})
		if code != exitUsage || !strings.Contains(errs.String(), want) || want == "" && !strings.Contains(errs.String(), "byte 5 is 00") {
			t.Errorf("%q: %d %s", text, code, errs.String())
		}
	}
	for _, text := range []string{"0x11 0x83 0x02 0xC1 0x34", "11:83:02:C1:34", "11-83-02-c1-34", "118302C134", "11,83,02,C1,34"} {
		if code, out, errs := command(t, "decode", text); code != exitDone || !strings.Contains(out, "illegal data address") {
			t.Errorf("%q: %d %s%s", text, code, out, errs)
		}
	}
}

// endless gives one character for ever and counts how much was taken.
type endless struct{ taken int }

func (e *endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = 'A'
	}
	e.taken += len(b)
	if e.taken > 1<<30 {
		return 0, io.EOF
	}
	return len(b), nil
}

// A line of 1 GiB is refused as soon as it is too long. Row E9.
func TestDecodeEndlessLine(t *testing.T) {
	in := new(endless)
	var out, errs bytes.Buffer
	code := run(t.Context(), &streams{in: in, out: &out, err: &errs}, []string{"decode"})
	if code != exitUsage || !strings.Contains(errs.String(), "longer than 1 MiB") || in.taken > 4<<20 {
		t.Errorf("%d after %d bytes: %s", code, in.taken, errs.String())
	}
}

// FuzzDecodeText gives any bytes to the command: it ends with one of its codes,
// its lines are JSON, nothing in them steers a terminal, and memory is bounded.
func FuzzDecodeText(f *testing.F) {
	for _, s := range []string{"11 83 02 C1 34", ":1183026A\r\n", "0x1", "\x00\x01\x02", "11 03 00 6B 00 03 76 87\n11 03 02 00 01 78 47", "# a\n\n;", "\u009b31m"} {
		f.Add([]byte(s))
	}
	f.Add(tappedPoll(2).file)
	f.Add(append(rtuFrame(17, readEight...), rtuFrame(17, givesEight...)...))
	f.Fuzz(func(t *testing.T, text []byte) {
		before := heapTaken()
		for _, args := range [][]string{{"decode", "--json"}, {"decode", "--framing", "rtu"}, {"decode", "--report"}, {"decode", "--draft"}} {
			var out, errs bytes.Buffer
			code := run(t.Context(), &streams{in: bytes.NewReader(text), out: &out, err: &errs}, args)
			if code != exitDone && code != exitWrong && code != exitUsage {
				t.Errorf("%v: exit code %d", args, code)
			}
			if cleanText(t, "out", out.String()+errs.String()); args[1] != "--json" {
				continue
			}
			for line := range bytes.Lines(out.Bytes()) {
				if !json.Valid(line) {
					t.Errorf("%s", line)
				}
			}
		}
		if taken := heapTaken() - before; taken > uint64(len(text))*20000+64<<20 {
			t.Errorf("%d bytes taken for %d", taken, len(text))
		}
	})
}

// heapTaken is how many bytes the program has ever taken, near enough.
func heapTaken() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}
