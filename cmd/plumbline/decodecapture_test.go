package main

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"
)

// Frames come in order with time, stream and exchange, and a map names points.
func TestDecodeCapture(t *testing.T) {
	r := tappedPoll(2)
	r.say(true, time.Second, mbapFrame(9, 17, readBeyond...)).say(false, 10*time.Millisecond, mbapFrame(9, 17, refuses02...))
	file := inFile(t, "a.pcap", r.file)
	code, out, errs := command(t, "decode", file, "--json", "--map", cistern)
	if code != exitDone {
		t.Fatalf("%d %s %s", code, out, errs)
	}
	rows := jsonLines(t, out)
	if len(rows) != 6 {
		t.Fatalf("%d frames\n%s", len(rows), out)
	}
	for i, row := range rows {
		direction := "request"
		if i%2 == 1 {
			direction = "response"
		}
		stream := row["stream"].(map[string]any)
		if row["direction"] != direction || row["framing"] != "mbap" || row["unit"] != 17.0 || row["exchange"] != rows[i/2*2]["exchange"] ||
			row["exchange"] == nil || row["certainty"] != "certain" || stream["client"] != clientAt.String() || stream["server"] != serverAt.String() || stream["medium"] != "tcp" {
			t.Errorf("frame %d: %v", i, row)
		}
	}
	if rows[0]["time"] != "2025-11-24T16:00:00.488000000Z" || rows[1]["time"] != "2025-11-24T16:00:00.500000000Z" || rows[3]["offset"] != 25.0 {
		t.Errorf("%v\n%v", rows[0], rows[3])
	}
	point := rows[1]["points"].([]any)[0].(map[string]any)
	if point["point"] != "level" || point["shown"] != "1.82" || point["quality"] != "good" {
		t.Errorf("%v", point)
	}
	if rows[5]["exception"] != 2.0 {
		t.Errorf("%v", rows[5])
	}
	if _, again, _ := command(t, "decode", file, "--json", "--map", cistern); again != out {
		t.Error("the same file gives other lines")
	}
	_, out, _ = command(t, "decode", file, "--map", cistern)
	for _, want := range []string{
		"2025-11-24T16:00:00.500000000Z  192.0.2.10:502 -> 192.0.2.1:40000  exchange ",
		"  -> level  1.82 m\n", "One or more of 40301-40304 (address 300-303) do not exist here.", "a.pcap: 9 packets, 1 stream\n",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
}

// A line file says which map each unit has.
func TestDecodeCaptureLineFile(t *testing.T) {
	r := newWireTape().open()
	r.say(true, 0, mbapFrame(1, 17, readEight...)).say(false, time.Millisecond, mbapFrame(1, 17, givesEight...))
	r.say(true, 0, mbapFrame(2, 99, readEight...)).say(false, time.Millisecond, mbapFrame(2, 99, givesEight...))
	code, out, _ := command(t, "decode", inFile(t, "a.pcap", r.file), "--map", "../../testdata/maps/nursery.yaml", "--json")
	rows := jsonLines(t, out)
	if code != exitDone || len(rows) != 4 || len(rows[1]["points"].([]any)) == 0 || len(rows[3]["points"].([]any)) != 0 {
		t.Errorf("%d\n%s", code, out)
	}
}

// Framing and port of the flags, datagrams, and what is no Modbus. Rows E5 and
// E7 of the abuse table.
func TestDecodeOtherStreams(t *testing.T) {
	elsewhere := func() *wireTape {
		r := newWireTape()
		r.server = serverPlaceAt(1502)
		return r
	}
	pairs := func(r *wireTape, wrap func(pdu ...byte) []byte) []byte {
		r.open()
		for range 3 {
			r.say(true, time.Second, wrap(readEight...)).say(false, 20*time.Millisecond, wrap(givesEight...))
		}
		return r.file
	}
	onLine := func(pdu ...byte) []byte { return rtuFrame(17, pdu...) }
	inTCP := func(pdu ...byte) []byte { return mbapFrame(7, 17, pdu...) }
	datagrams := newWireTape().datagram(true, 0, inTCP(readEight...)).datagram(false, time.Millisecond, inTCP(givesEight...)).file
	hole := newWireTape().open()
	hole.say(true, 0, inTCP(readEight...)).say(false, time.Millisecond, inTCP(givesEight...))
	hole.down += 30
	hole.say(false, time.Millisecond, inTCP(givesEight...))
	hole.up += 12
	hole.say(true, time.Millisecond, mbapFrame(8, 17, readEight...)).say(false, time.Millisecond, mbapFrame(8, 17, givesEight...))
	for name, c := range map[string]struct {
		file   []byte
		args   []string
		code   int
		frames int
		says   string
	}{
		"port":     {pairs(elsewhere(), inTCP), []string{"--port", "1502"}, exitDone, 6, `"mbap"`},
		"ports":    {pairs(elsewhere(), inTCP), []string{"--port", "1503", "--port", "1502"}, exitDone, 6, `"mbap"`},
		"no port":  {pairs(elsewhere(), inTCP), nil, exitUsage, 0, "--port"},
		"rtu":      {pairs(newWireTape(), onLine), []string{"--framing", "rtu"}, exitDone, 6, `"rtu"`},
		"rtu?":     {pairs(newWireTape(), onLine), nil, exitUsage, 0, "RTU frames inside TCP; say --framing rtu"},
		"udp":      {datagrams, nil, exitDone, 2, `"udp"`},
		"tls":      {newWireTape().open().say(true, 0, []byte{0x16, 3, 1, 2, 0, 1, 0, 1, 0xFC, 3, 3}).file, nil, exitUsage, 0, "this is TLS"},
		"http":     {newWireTape().open().say(true, 0, []byte("GET / HTTP/1.1\r\n\r\n")).file, nil, exitUsage, 0, "it begins like HTTP"},
		"hole":     {hole.file, nil, exitDone, 4, "the capture misses"},
		"short":    {tappedPoll(1).say(true, 0, mbapFrame(5, 17, 3, 0, 0)).file, nil, exitWrong, 3, "too short"},
		"half":     {tappedPoll(1).say(true, 0, mbapFrame(5, 17, readEight...)[:9]).file, nil, exitWrong, 2, "ends inside a frame"},
		"pdu":      {tappedPoll(1).file, []string{"--framing", "pdu"}, exitUsage, 0, "leave out --framing pdu"},
		"bad port": {tappedPoll(1).file, []string{"--port", "70000"}, exitUsage, 0, "1 to 65535"},
	} {
		code, out, errs := command(t, append([]string{"decode", inFile(t, "a.pcap", c.file), "--json"}, c.args...)...)
		frames := strings.Count(out, `"kind":"frame"`)
		if code != c.code || frames < c.frames || c.frames == 0 && frames > 0 || !strings.Contains(out+errs, c.says) {
			t.Errorf("%s: exit code %d, %d frames, want %d, %d and %q\n%s%s", name, code, frames, c.code, c.frames, c.says, out, errs)
		}
	}
}

func serverPlaceAt(port uint16) netip.AddrPort { return netip.AddrPortFrom(serverAt.Addr(), port) }

// A file that ends early is told with code 2, and what came before is shown; one
// that is compressed is refused. Rows E3 and E10.
func TestDecodeDamagedCapture(t *testing.T) {
	whole := tappedPoll(3).file
	code, out, errs := command(t, "decode", inFile(t, "cut.pcap", whole[:len(whole)-5]), "--json")
	if code != exitUsage || strings.Count(out, `"kind":"frame"`) != 5 || !strings.Contains(errs, "cannot be read beyond packet 8") {
		t.Errorf("%d\n%s%s", code, out, errs)
	}
	code, out, errs = command(t, "decode", inFile(t, "cut.pcap", whole[:len(whole)-5]), "--report")
	if code != exitUsage || !strings.Contains(out, "Exchanges") || !strings.Contains(errs, "cannot be read beyond packet 8") {
		t.Errorf("%d\n%s%s", code, out, errs)
	}
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	z.Write(whole)
	z.Close()
	for name, text := range map[string][]byte{"gz": b.Bytes(), "zstd": {0x28, 0xB5, 0x2F, 0xFD, 0, 0}, "xz": []byte("\xFD7zXZ\x00\x00"), "bzip2": []byte("BZh91AY&SY")} {
		code, out, errs = command(t, "decode", inFile(t, "a.pcap."+name, text))
		if code != exitUsage || out != "" || !strings.Contains(errs, "compressed; unpack it first") {
			t.Errorf("%s: %d %s%s", name, code, out, errs)
		}
	}
}

// Raw bytes of a line: frames with their exchange, noise told, a lone write in
// noise is possible and its points are never good. Row E1.
func TestDecodeRawBytes(t *testing.T) {
	var raw []byte
	for range 3 {
		raw = append(append(raw, rtuFrame(17, readEight...)...), rtuFrame(17, givesEight...)...)
	}
	good := inFile(t, "raw.bin", append([]byte{0, 0x12}, raw...))
	for _, args := range [][]string{{"--framing", "rtu"}, nil} { // the framing is told by the bytes too
		code, out, errs := command(t, append([]string{"decode", good, "--json", "--map", cistern}, args...)...)
		rows := jsonLines(t, out)
		if code != exitDone || len(rows) != 7 || rows[0]["kind"] != "noise" || rows[0]["bytes"] != "0012" || rows[2]["exchange"] != rows[1]["exchange"] ||
			rows[1]["offset"] != 2.0 || rows[1]["time"] != nil || rows[1]["crc_ok"] != true || len(rows[2]["points"].([]any)) != 5 {
			t.Errorf("%d\n%s%s", code, out, errs)
		}
	}
	var noise []byte
	for i := range 700 {
		noise = append(noise, byte(i*i>>3)|0x80)
	}
	many := append([]byte{16, 0, 32, 0, 1, 2}, 0x06, 0x72) // 10, write multiple registers: reads one way only
	lone := inFile(t, "lone.bin", append(append(bytes.Clone(noise), rtuFrame(17, many...)...), noise...))
	_, out, errs := command(t, "decode", lone, "--framing", "rtu", "--json", "--map", cistern)
	found := false
	for _, row := range jsonLines(t, out) {
		if row["kind"] != "frame" || row["function"] != 16.0 {
			continue
		}
		found = true
		point := row["points"].([]any)[0].(map[string]any)
		if row["certainty"] != "possible" || point["point"] != "lead-start" || point["quality"] != "uncertain" || point["cause"] != "lone-frame" {
			t.Errorf("%v", row)
		}
	}
	if !found {
		t.Errorf("the lone frame is not there\n%s%s", out, errs)
	}
	if code, out, errs := command(t, "decode", inFile(t, "noise.bin", noise)); code != exitUsage || out != "" || !strings.Contains(errs, "say --framing rtu or ascii") {
		t.Errorf("%d %s%s", code, out, errs)
	}
	if code, _, errs := command(t, "decode", good, "--framing", "mbap"); code != exitUsage || !strings.Contains(errs, "raw bytes") {
		t.Errorf("%d %s", code, errs)
	}
	spoiled := bytes.Clone(raw)
	spoiled[35] ^= 0x10
	if code, out, _ := command(t, "decode", inFile(t, "spoiled.bin", spoiled)); code != exitWrong || !strings.Contains(out, "CRC wrong") {
		t.Errorf("%d\n%s", code, out)
	}
	ascii := "?!" + strings.Repeat(":1103006B00037E\r\n:1183026A\r\n", 3)
	if code, out, _ := command(t, "decode", inFile(t, "a.txt", []byte(ascii)), "--framing", "ascii", "--json"); code != exitDone || strings.Count(out, `"framing":"ascii"`) != 6 {
		t.Errorf("%d\n%s", code, out)
	}
}

// What was heard comes back from a capture as it was, with comments. The link
// type of serial lines is 250 (the registry of link types, from memory).
func TestDecodeWritesCapture(t *testing.T) {
	var raw []byte
	for range 4 {
		raw = append(append(raw, rtuFrame(17, readEight...)...), rtuFrame(17, givesEight...)...)
	}
	raw = append(raw, rtuFrame(17, readBeyond...)...)
	raw = append(raw, rtuFrame(17, refuses02...)...)
	from := inFile(t, "raw.bin", raw)
	to := inFile(t, "out.pcapng", nil)
	if code, out, errs := command(t, "decode", from, "--framing", "rtu", "--write", to); code != exitDone || out != "" {
		t.Fatalf("%d %s%s", code, out, errs)
	}
	text := string(fileBytes(t, to))
	for _, want := range []string{"request, unit 17, read input registers (04), address 0, 8 registers", "answer of unit 17, exception 02"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in the capture", want)
		}
	}
	kept := func(file string) (all string) {
		_, out, _ := command(t, "decode", file, "--json")
		for _, row := range jsonLines(t, out) {
			all += fmt.Sprint(row["bytes"], row["direction"], row["offset"], row["time"], " ")
		}
		return all
	}
	if a, b := kept(from), kept(to); a != b || a == "" {
		t.Errorf("from the bytes\n%s\nfrom the capture\n%s", a, b)
	}
	for name, args := range map[string][]string{
		"let the name end in .pcapng":      {from, "--write", to + ".cap"},
		"hex text is frames already":       {"11 83 02 C1 34", "--write", to},
		"network's capture already":        {inFile(t, "a.pcap", tappedPoll(1).file), "--write", to},
		"are given together":               {from, "--write", to, "--report"},
		"-o goes with --report or --draft": {from, "-o", "x.html"},
		"leave out --json":                 {from, "--draft", "--json"},
		"cannot be written":                {from, "--write", "/nowhere/out.pcapng"},
	} {
		if code, _, errs := command(t, append([]string{"decode"}, args...)...); code != exitUsage || !strings.Contains(errs, name) {
			t.Errorf("%v: %d %s", args, code, errs)
		}
	}
}
