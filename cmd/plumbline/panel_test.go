package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/decode/traffic"
)

// What a panel asks is told by ranges, and where it and the map disagree.
func TestPanelReport(t *testing.T) {
	c, out, ask := manned(t, false)
	l, err := stationLine(cistern, place{unit: 17})
	if err != nil {
		t.Fatal(err)
	}
	c.panel = newPanelReport(l)
	for range 5 {
		ask(readLevel)
	}
	ask("\x00\x02\x00\x00\x00\x06\x11\x03\x03\xe8\x00\x02") // holding registers 1000-1001: not in the map
	ask("\x00\x03\x00\x00\x00\x06\x11\x06\x00\x20\x06\x72") // lead-start to 1.650 m
	ask("\x00\x04\x00\x00\x00\x06\x11\x03\x00\x20\x00\x01") // so that the write has been observed
	c.do("report")
	for _, want := range []string{"What the panel asked", "30001", "41001", "lead-start"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	file := filepath.Join(t.TempDir(), "panel.html")
	if err := c.panel.write(out, false, file); err != nil {
		t.Fatal(err)
	}
	if page, err := os.ReadFile(file); err != nil || !strings.Contains(string(page), "<svg") {
		t.Errorf("the page has no picture, %v", err)
	}
	var text lines
	if err := c.panel.write(&text, true, ""); err != nil {
		t.Fatal(err)
	}
	ranges, findings := map[int]panelRange{}, 0
	for _, row := range strings.Split(strings.TrimSpace(text.String()), "\n") {
		var r panelRange
		if strings.Contains(row, `"code"`) {
			findings++
		} else if err := json.Unmarshal([]byte(row), &r); err != nil {
			t.Fatal(err)
		} else {
			ranges[r.Function<<16|r.Address] = r
		}
	}
	if r := ranges[4<<16]; r.Count != 5 || !r.Mapped || r.Quantity != 1 || r.Unit != 17 {
		t.Errorf("%+v", r)
	}
	if r := ranges[3<<16|1000]; r.Count != 1 || r.Mapped || r.Problem == nil {
		t.Errorf("%+v", r)
	}
	if findings == 0 || len(ranges) != 4 {
		t.Errorf("%d findings, %d ranges:\n%s", findings, len(ranges), text.String())
	}
	if all := c.panel.state.Findings(); !traffic.Trouble(all) {
		t.Errorf("a request outside the map is no trouble: %v", all)
	}
}
