package simdevice

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"plumbline/decode/frame"
	"plumbline/regmap"
)

// publishedMap is a device that holds what the printed answers show, so that
// the printed requests must give them. Source: the vectors' own clauses.
func publishedMap(t testing.TB, rows []vector) string {
	t.Helper()
	points, start := new(strings.Builder), new(strings.Builder)
	seen := map[string]bool{}
	point := func(table regmap.Table, a, value int, more string) {
		name := fmt.Sprintf("p-%s-%d", table, a)
		if seen[name] {
			return
		}
		seen[name] = true
		typ := ", type: uint16"
		if table.Bits() {
			typ = ""
		}
		fmt.Fprintf(points, "  %s: {%s: %d%s%s}\n", name, table, a, typ, more)
		fmt.Fprintf(start, "    %s: {start: %d}\n", name, value)
	}
	point(regmap.DiscreteInput, 9999, 0, "") // so that the map is never empty
	for _, v := range rows {
		q, err := frame.ParseRequest(unhex(t, v.Request.PDU))
		if err != nil {
			t.Fatalf("%s: %v", v.ID, err)
		}
		if q.Function == frame.MaskWriteRegister {
			point(regmap.HoldingRegister, int(q.Address), 0x12, ", write: {}") // V1.1b3 6.16: current contents
		}
		if w, ok := q.Writes(); ok {
			for i := range w.Count {
				point(w.Table, int(w.First)+i, 0, ", write: {}")
			}
		}
		if r, ok := q.Reads(); ok {
			answer, err := frame.Match(q, unhex(t, v.Response.PDU))
			if err != nil {
				t.Fatalf("%s: %v", v.ID, err)
			}
			for i := range r.Count {
				point(r.Table, int(r.First)+i, int(answer.Item(i, r.Table.Bits())), "")
			}
		}
	}
	return "device: Worked examples\npoints:\n" + points.String() + "simulate:\n  points:\n" + start.String()
}

// Functions that the station has, and of which rows answers are printed.
var answered = []string{
	"fc01-read-coils-20-38", "fc02-read-discrete-inputs-197-218", "fc03-read-holding-registers-108-110",
	"fc04-read-input-register-9", "fc05-write-coil-173-on", "fc06-write-register-2", "fc08-00-return-query-data",
	"fc0F-write-coils-20-29", "fc10-write-registers-2-3", "fc16-mask-write-register-5", "fc17-overlap",
}

func TestPublishedExamples(t *testing.T) {
	f := vectors(t)
	for _, id := range append([]string{"fc17-read-write-registers"}, answered...) {
		v := f.find(t, id)
		s := stationOf(t, publishedMap(t, []vector{v}), Options{})
		if got := ask(t, s, testUnit, v.Request.PDU); got != v.Response.PDU {
			t.Errorf("%s (%s): answer %q, want %q", id, v.Clause, got, v.Response.PDU)
		}
	}
}

// What the printed writes leave behind: V1.1b3 6.5, 6.6, 6.11, 6.12, 6.16.
func TestPublishedWritesAreStored(t *testing.T) {
	f := vectors(t)
	for id, read := range map[string]struct{ pdu, want string }{
		"fc05-write-coil-173-on":     {"01 00 AC 00 01", "01 01 01"},
		"fc06-write-register-2":      {"03 00 01 00 01", "03 02 00 03"},
		"fc0F-write-coils-20-29":     {"01 00 13 00 0A", "01 02 CD 01"},
		"fc10-write-registers-2-3":   {"03 00 01 00 02", "03 04 00 0A 01 02"},
		"fc16-mask-write-register-5": {"03 00 04 00 01", "03 02 00 17"},
		"fc17-read-write-registers":  {"03 00 0E 00 03", "03 06 00 FF 00 FF 00 FF"},
	} {
		v := f.find(t, id)
		s := stationOf(t, publishedMap(t, []vector{v}), Options{})
		ask(t, s, testUnit, v.Request.PDU)
		if got := ask(t, s, testUnit, read.pdu); got != read.want {
			t.Errorf("%s (%s): then %s gives %q, want %q", id, v.Clause, read.pdu, got, read.want)
		}
	}
}

// A broadcast of the same write does the same, without an answer.
func TestPublishedBroadcast(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	if got := ask(t, s, 0, "06 00 01 00 03"); got != "" {
		t.Errorf("a broadcast was answered: %q", got)
	}
	wants(t, s, "03 00 01 00 01", "03 02 00 03")
}

// Functions of the standard that the station does not have.
func TestStandardFunctionsLeftOut(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	for _, v := range vectors(t).Vectors {
		pdu := unhex(t, v.Request.PDU)
		if slices.Contains(answered, v.ID) || pdu[0] == 0x17 || pdu[0] == 0x2B {
			continue
		}
		want := []byte{pdu[0] | 0x80, 1}
		if got := s.Answer(nil, testUnit, pdu); !bytes.Equal(got, want) {
			t.Errorf("%s: answer % X, want % X", v.ID, got, want)
		}
	}
}

// Exceptions that a station can give by itself. Not among them: file records,
// queue (functions that it does not have, code 01 instead), the authorization
// of a secure line, and one frame for each code.
func TestExceptionVectors(t *testing.T) {
	s := stationOf(t, hundred(""), Options{})
	left := map[string]uint8{"ex-file-reference-type": 1, "ex-file-byte-count": 1, "ex-fifo-too-long": 1}
	n := 0
	for _, v := range vectors(t).Exceptions.Vectors {
		if strings.HasPrefix(v.ID, "ex-code-") || v.ID == "ex-authorization-denied" {
			continue
		}
		pdu := unhex(t, v.Request.PDU)
		want := v.Response.PDU
		if code, ok := left[v.ID]; ok {
			want = spaced([]byte{pdu[0] | 0x80, code})
		}
		before := image(s.Bank(testUnit))
		if got := ask(t, s, testUnit, v.Request.PDU); got != want {
			t.Errorf("%s (%s): answer %q, want %q", v.ID, v.Clause, got, want)
		}
		if !slices.Equal(before, image(s.Bank(testUnit))) {
			t.Errorf("%s: refused, yet the contents changed", v.ID)
		}
		n++
	}
	if n < 15 {
		t.Errorf("only %d exception vectors were tried", n)
	}
}

// A4: a PDU shorter than its function needs is 03, or 01 where the function is
// not there. A5: bytes behind a whole PDU are 03.
func TestA4PrefixesAndA5Tails(t *testing.T) {
	f := vectors(t)
	all := append(slices.Clone(f.Vectors), f.Exceptions.Vectors...)
	// A bank that has every address of the vectors, so that nothing but the
	// length can be refused.
	rows := make([]vector, 0, len(answered))
	for _, id := range answered[:len(answered)-1] {
		rows = append(rows, f.find(t, id))
	}
	s := stationOf(t, publishedMap(t, rows), Options{})
	for _, v := range all {
		pdu := unhex(t, v.Request.PDU)
		for n := 1; n < len(pdu); n++ {
			// The bytes behind the prefix are there in memory and must not be seen.
			got := s.Answer(nil, testUnit, pdu[:n])
			if len(got) != 2 || got[0] != pdu[0]|0x80 || got[1] != 1 && got[1] != 3 {
				t.Errorf("%s: the first %d bytes are answered % X, want exception 03 or 01", v.ID, n, got)
			}
		}
		for n := 1; n <= 8; n++ {
			long := append(slices.Clone(pdu), make([]byte, n)...)
			got := s.Answer(nil, testUnit, long)
			echo := pdu[0] == 8 && n%2 == 0 && v.ID == "fc08-00-return-query-data" // any number of words: V1.1b3 6.8.1
			if !echo && (len(got) != 2 || got[1] != 1 && got[1] != 3) {
				t.Errorf("%s: with %d bytes more answered % X, want exception 03 or 01", v.ID, n, got)
			}
		}
	}
}
