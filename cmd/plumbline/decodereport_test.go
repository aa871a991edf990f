package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// A good line has nothing to say and ends with 0; what is wrong is said with its
// frames and ends with 1.
func TestDecodeReport(t *testing.T) {
	good := inFile(t, "good.pcap", tappedPoll(60).file)
	code, out, errs := command(t, "decode", good, "--report")
	if code != exitDone || !strings.Contains(out, "60, 100 % answered") || !strings.Contains(out, "good.pcap: 123 packets, 1 stream") {
		t.Errorf("%d\n%s%s", code, out, errs)
	}
	r := tappedPoll(60)
	for i := range 5 {
		r.say(true, time.Second, mbapFrame(uint16(100+i), 18, readEight...))
	}
	bad := inFile(t, "bad.pcap", r.file)
	code, out, _ = command(t, "decode", bad, "--report")
	if code != exitWrong || !strings.Contains(out, "unit 18: silent-unit (settled") || !strings.Contains(out, "00 64 00 00 00 06 12 04 00 00 00 08") {
		t.Errorf("%d\n%s", code, out)
	}
	code, out, _ = command(t, "decode", bad, "--report", "--json")
	rows := jsonLines(t, out)
	if code != exitWrong || len(rows) == 0 || rows[0]["code"] != "silent-unit" || rows[0]["subject"] != "unit 18" || rows[0]["claim"] != "settled" {
		t.Fatalf("%d\n%s", code, out)
	}
	for _, key := range []string{"words", "do", "evidence", "line", "time"} {
		if rows[0][key] == nil {
			t.Errorf("%s is missing", key)
		}
	}
	for _, ending := range []string{"html", "md", "pdf", "txt", "csv", "xlsx"} {
		file := inFile(t, "r."+ending, nil)
		if code, out, errs := command(t, "decode", bad, "--report", "-o", file); code != exitWrong || out != "" || len(fileBytes(t, file)) < 200 {
			t.Errorf("%s: %d %s%s", ending, code, out, errs)
		}
	}
	if code, _, errs := command(t, "decode", bad, "--report", "-o", "x.doc"); code != exitUsage || !strings.Contains(errs, ".html") {
		t.Errorf("%d %s", code, errs)
	}
}

// The page is one file that loads nothing from elsewhere, with the picture in it.
func TestDecodeReportPage(t *testing.T) {
	file := inFile(t, "r.html", nil)
	command(t, "decode", inFile(t, "a.pcap", tappedPoll(60).file), "--report", "-o", file)
	page := string(fileBytes(t, file))
	for _, want := range []string{"<svg", "The line&#39;s occupation", "Share of the time in which the line was occupied"} {
		if !strings.Contains(page, want) && !strings.Contains(page, strings.ReplaceAll(want, "&#39;", "'")) {
			t.Errorf("%q is not in the page", want)
		}
	}
	for _, never := range []string{"<script", "src=", "href=", "@import", "url("} {
		if strings.Contains(page, never) {
			t.Errorf("%q is in the page", never)
		}
	}
}

// With a map, requests outside it are found, whatever units the input speaks of.
func TestDecodeReportMap(t *testing.T) {
	r := tappedPoll(20)
	for i := range 4 {
		r.say(true, time.Second, mbapFrame(uint16(100+i), 17, readBeyond...)).say(false, time.Millisecond, mbapFrame(uint16(100+i), 17, refuses02...))
	}
	file := inFile(t, "a.pcap", r.file)
	for _, m := range []string{cistern, "../../testdata/maps/nursery.yaml"} {
		_, out, errs := command(t, "decode", file, "--report", "--json", "--map", m)
		if !strings.Contains(out, `"code":"outside-map"`) || strings.Contains(out, `"subject":"unit 99"`) {
			t.Errorf("%s\n%s%s", m, out, errs)
		}
	}
	if code, _, errs := command(t, "decode", "--report", "--map", cistern); code != exitUsage || !strings.Contains(errs, "reads its input twice") {
		t.Errorf("%d %s", code, errs)
	}
}

// A client that asks again after silence is found, in a capture too.
func TestDecodeReportRepeats(t *testing.T) {
	r := tappedPoll(5)
	for i := range uint16(40) {
		r.say(true, 400*time.Millisecond, mbapFrame(100+2*i, 17, readEight...))
		r.say(true, 500*time.Millisecond, mbapFrame(101+2*i, 17, readEight...)).say(false, 10*time.Millisecond, mbapFrame(101+2*i, 17, givesEight...))
	}
	code, out, _ := command(t, "decode", inFile(t, "a.pcap", r.file), "--report", "--json")
	if code != exitWrong || !strings.Contains(out, "40 requests to unit 17 asked again what was not answered") || !strings.Contains(out, `"code":"unanswered"`) {
		t.Errorf("%d\n%s", code, out)
	}
}

// Pairs of client and server are parted, each with its own findings.
func TestDecodeReportLines(t *testing.T) {
	r := tappedPoll(30)
	for i := range 3 {
		r.server, r.up, r.down = serverPlaceAt(502), 1, 1
		r.client = addrOf(i + 20)
		r.open()
		for n := range 30 {
			r.say(true, time.Second, mbapFrame(uint16(n), 5, readEight...))
		}
	}
	code, out, _ := command(t, "decode", inFile(t, "a.pcap", r.file), "--report")
	if code != exitWrong || !strings.Contains(out, "Traffic of 4 lines") || strings.Count(out, "unit 5: silent-unit") != 3 || !strings.Contains(out, "192.0.2.21 to 192.0.2.10:502") {
		t.Errorf("%d\n%s", code, out)
	}
	for i := range 40 {
		r.client, r.up, r.down = addrOf(i+100), 1, 1
		r.open().say(true, time.Second, mbapFrame(1, 17, readEight...)).say(false, time.Second, mbapFrame(1, 17, givesEight...))
	}
	if _, out, _ = command(t, "decode", inFile(t, "a.pcap", r.file), "--report"); !strings.Contains(out, "12 pairs of client and server more are not reported on") {
		t.Error(out[max(0, len(out)-800):])
	}
}

// Without times what needs them is left out: of hex text and of raw bytes.
func TestDecodeReportWithoutTimes(t *testing.T) {
	var text strings.Builder
	var raw []byte
	for range 20 {
		for _, pdu := range [][]byte{readEight, givesEight, writeLead, writeLead} {
			b := rtuFrame(17, pdu...)
			fmt.Fprintf(&text, "% x\n", b)
			raw = append(raw, b...)
		}
	}
	for name, file := range map[string]string{"hex": inFile(t, "a.txt", []byte(text.String())), "raw": inFile(t, "a.bin", raw)} {
		code, out, errs := command(t, "decode", file, "--report")
		if code != exitDone || !strings.Contains(out, "40, 100 % answered") || !strings.Contains(out, "20 writes of unit 17") || !strings.Contains(out, "carries no times") {
			t.Errorf("%s: %d\n%s%s", name, code, out, errs)
		}
		for _, never := range []string{"0001-01-01", "Period", "occupation", "Median", "after the start"} {
			if strings.Contains(out, never) {
				t.Errorf("%s: %q is in\n%s", name, never, out)
			}
		}
		_, out, _ = command(t, "decode", file, "--report", "--json")
		for _, row := range jsonLines(t, out) {
			if row["time"] != nil {
				t.Errorf("%s: %v", name, row)
			}
		}
	}
	if code, _, errs := command(t, "decode", "--report"); code != exitUsage || !strings.Contains(errs, "there is no exchange") {
		t.Errorf("%d %s", code, errs)
	}
}

// An unanswered request is one in hex text too, and answers find theirs by their
// transaction.
func TestDecodeReportPairsHexText(t *testing.T) {
	text := "0001 0000 0006 11 04 0000 0008\n0002 0000 0006 11 04 0000 0001\n0002 0000 0005 11 04 02 0007\n0001 0000 0013 11 04 10 358B000066664146 0002C8E4 2994 0073\n" +
		"0003 0000 0006 11 04 0000 0008\n0009 0000 0005 11 04 02 0007\n"
	_, out, _ := command(t, "decode", inFile(t, "a.txt", []byte(text)), "--report")
	if !strings.Contains(out, "3, 66.7 % answered") || !strings.Contains(out, "1 frame, 0 bytes") {
		t.Error(out)
	}
}

// draftOf drafts maps and gives the one of a unit, loaded without a fault.
func draftOf(t *testing.T, name string, text []byte) *regmap.Map {
	t.Helper()
	rep := new(doc.Report)
	m := regmap.Load(name, text, rep)
	if m == nil || rep.Bad() {
		t.Fatalf("%s: %v\n%s", name, rep.Err(), text)
	}
	return m
}

// The first map has what was asked for: tables, groups from the borders of
// requests, limits, writes, samples; it loads without a fault, and so does the
// line file.
func TestDecodeDraft(t *testing.T) {
	r := tappedPoll(3)
	ask := func(unit byte, q, a []byte) {
		r.say(true, time.Second, mbapFrame(9, unit, q...)).say(false, time.Millisecond, mbapFrame(9, unit, a...))
	}
	ask(17, []byte{4, 0, 2, 0, 2}, []byte{4, 4, 0x66, 0x66, 0x41, 0x46}) // flow alone: two registers together
	ask(17, writeLead, writeLead)
	ask(17, []byte{1, 0, 0, 0, 5}, []byte{1, 1, 0x15})
	ask(17, []byte{5, 0, 1, 0xFF, 0}, []byte{5, 0, 1, 0xFF, 0})
	ask(17, readBeyond, refuses02)
	ask(18, []byte{3, 0xFF, 0xFF, 0, 1}, []byte{3, 2, 0, 7})
	ask(19, readBeyond, refuses02) // nothing is known of it
	folder := t.TempDir()
	maps, lineFile := folder+"/first.yaml", folder+"/line.yaml"
	code, out, errs := command(t, "decode", inFile(t, "a.pcap", r.file), "--draft", "-o", maps, "--line", lineFile)
	if code != exitDone || !strings.Contains(out, "first-unit-17.yaml: first map of unit 17, 13 points") || !strings.Contains(out, "a line file for 2 stations") {
		t.Fatalf("%d\n%s%s", code, out, errs)
	}
	text := fileBytes(t, folder+"/first-unit-17.yaml")
	m := draftOf(t, "first-unit-17.yaml", text)
	flow := m.Point("input-register-2")
	if flow == nil || flow.Count != 2 || flow.Write != nil || m.Point("input-register-3") != nil || m.Point("input-register-0") == nil {
		t.Errorf("%s", text)
	}
	if lead := m.Point("holding-register-32"); lead == nil || lead.Write == nil || m.Point("coil-1").Write == nil || m.Point("coil-0").Write != nil || m.Point("holding-register-300") != nil {
		t.Errorf("%s", text)
	}
	for _, want := range []string{"limits: {registers: 8, coils: 5}", "358B (13707)", "order: CDAB   # two registers asked for together; as a float, low word first, 12.4: a guess",
		"Complete each point\n", "refused once, exception 02", "was written and never read: 0672 (1650)"} {
		if !bytes.Contains(text, []byte(want)) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	rep := new(doc.Report)
	if l, err := line.Load(lineFile, rep); err != nil || l == nil || len(l.Stations) != 2 || l.Host != "192.0.2.10" {
		t.Errorf("%v %v\n%s", err, rep.Err(), fileBytes(t, lineFile))
	}
	if code, _, errs := command(t, "check", lineFile, folder+"/first-unit-17.yaml", folder+"/first-unit-18.yaml"); code != exitDone {
		t.Errorf("check: %d %s", code, errs)
	}
	if code, _, errs := command(t, "decode", inFile(t, "a.pcap", r.file), "--draft", "-o", maps, "--line", "/tmp/elsewhere/line.yaml"); code != exitUsage || !strings.Contains(errs, "in its own folder") {
		t.Errorf("%d %s", code, errs)
	}
}

// One map goes to standard output, or to the file named; a line of a serial line
// says that its port is not known.
func TestDecodeDraftSerial(t *testing.T) {
	raw := append(rtuFrame(17, readEight...), rtuFrame(17, givesEight...)...)
	file := inFile(t, "a.bin", bytes.Repeat(raw, 3))
	code, out, errs := command(t, "decode", file, "--draft", "--framing", "rtu")
	if code != exitDone || len(draftOf(t, "out.yaml", []byte(out)).Points) != 8 {
		t.Errorf("%d\n%s%s", code, out, errs)
	}
	folder := t.TempDir()
	if code, _, errs := command(t, "decode", file, "--draft", "-o", folder+"/m.yaml", "--line", folder+"/l.yaml"); code != exitDone {
		t.Fatal(errs)
	}
	if code, _, errs := command(t, "check", folder+"/l.yaml"); code != exitDone || !strings.Contains(string(fileBytes(t, folder+"/l.yaml")), "are not known") {
		t.Errorf("%d %s", code, errs)
	}
	if code, _, errs := command(t, "decode", "11 04 00 00 00 08 F3 5C", "--draft"); code != exitUsage || !strings.Contains(errs, "nothing that was asked was answered") {
		t.Errorf("%d %s", code, errs)
	}
}
