package interop

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"
)

// A row is what is looked at of plumbline's reading.
type row struct {
	Unit     int             `json:"unit"`
	Point    string          `json:"point"`
	Value    json.RawMessage `json:"value"`
	Quality  string          `json:"quality"`
	Cause    *string         `json:"cause"`
	Raw      []uint16        `json:"raw"`
	Function int             `json:"function"`
	Response *string         `json:"response"`
}

// TestPollForeignServers: plumbline reads from each foreign server exactly what
// that server was given, with 01, 02, 03 and 04, and says that the register it
// does not have was refused.
func TestPollForeignServers(t *testing.T) {
	t.Run("Go library, TCP", func(t *testing.T) {
		address, bank := serveLibrary(t)
		checkPoll(t, "83"+"02", "--tcp", address)
		wantAsked(t, bank.asked(), "1", "2", "3", "4")
	})
	t.Run("C library, TCP", func(t *testing.T) {
		address, server := serveC(t, "tcp")
		checkPoll(t, "83"+"02", "--tcp", address)
		wantAsked(t, askedOf(server), "1", "2", "3", "4")
	})
	t.Run("C library, RTU", func(t *testing.T) {
		theirs, ours := cable(t)
		_, server := serveC(t, "rtu", theirs)
		// The CRC of 11 83 02, low byte first: x^16+x^15+x^2+1, serial guide V1.02, 6.2.2, worked out by the foreign library too.
		checkPoll(t, "118302c134", "--serial", ours, "--baud", "19200")
		wantAsked(t, askedOf(server), "1", "2", "3", "4")
	})
}

// checkPoll polls once and compares every reading; refusal is how the answer
// for the missing register ends.
func checkPoll(t *testing.T, refusal string, place ...string) {
	t.Helper()
	args := append([]string{"poll", "peer.yaml", "--unit", unit, "--once", "--json"}, place...)
	out, code := run(t, plumblineProgram, args...)
	if code != 1 {
		t.Errorf("exit code %d, want 1: one reading is bad", code)
	}
	rows := map[string]row{}
	for _, text := range bytes.Split(bytes.TrimSpace(out), []byte("\n")) {
		var r row
		if err := json.Unmarshal(text, &r); err != nil {
			t.Fatalf("%v in %s", err, text)
		}
		rows[r.Point] = r
	}
	for _, w := range wants {
		r, read := rows[w.point]
		switch {
		case !read:
			t.Errorf("%s was not read", w.point)
		case r.Quality != "good" || string(r.Value) != w.value || !slices.Equal(r.Raw, w.raw) || r.Function != w.function:
			t.Errorf("%s is %s (%s), registers %04x, function %d; given %s, registers %04x, function %d",
				w.point, r.Value, r.Quality, r.Raw, r.Function, w.value, w.raw, w.function)
		}
	}
	missing := rows["missing"]
	if missing.Quality != "bad" || string(missing.Value) != "null" || missing.Cause == nil || *missing.Cause != "exception" {
		t.Errorf("the register that is not there reads %+v, want bad because of an exception", missing)
	}
	if missing.Response == nil || !strings.HasSuffix(*missing.Response, refusal) {
		t.Errorf("the refusal does not end with %s", refusal)
	}
	if len(rows) != len(wants)+1 {
		t.Errorf("%d points were read, want %d", len(rows), len(wants)+1)
	}
}

// wantAsked checks what reached the foreign end.
func wantAsked(t *testing.T, asked map[string]bool, want ...string) {
	t.Helper()
	for _, f := range want {
		if !asked[f] {
			t.Errorf("function %s never reached the foreign end; there came %v", f, asked)
		}
	}
}
