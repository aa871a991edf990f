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
	for _, v := range []struct {
		witness
		serve   func(t *testing.T) (at string, asked func() map[string]bool)
		flag    string
		framing string
	}{
		{witness{mbapTCP, weAsk, cLibrary, ""}, cTCP, "--tcp", "mbap"},
		{witness{mbapTCP, weAsk, goLibrary, ""}, goTCP, "--tcp", "mbap"},
		{witness{mbapTCP, weAsk, nodeLibrary, ""}, nodeTCP, "--tcp", "mbap"},
		{witness{mbapUDP, weAsk, goLibrary, relay}, goUDP, "--udp", "mbap"},
		{witness{rtuSerial, weAsk, cLibrary, ""}, cRTU, "--serial", "rtu"},
		{witness{rtuSerial, weAsk, nodeLibrary, socketToLine}, nodeRTU, "--serial", "rtu"},
		{witness{rtuTCP, weAsk, cLibrary, lineToSocket}, cRTUInTCP, "--tcp", "rtu"},
		{witness{rtuTCP, weAsk, nodeLibrary, "its serial server on a socket"}, nodeRTUInTCP, "--tcp", "rtu"},
		{witness{asciiSerial, weAsk, packagers, gateway}, packagerASCII, "--serial", "ascii"},
		{witness{asciiTCP, weAsk, packagers, gateway}, packagerASCIIInTCP, "--tcp", "ascii"},
	} {
		held(t, v.witness, func(t *testing.T) {
			at, asked := v.serve(t)
			checkPoll(t, refusals[v.framing], v.flag, at, "--framing", v.framing)
			wantAsked(t, asked(), "1", "2", "3", "4")
		})
	}
}

// refusals is how the answer for the missing register ends, exception 02 of
// function 03 from unit 17.
// Sources: Modbus over Serial Line V1.02, 6.2.2 (CRC of 11 83 02, low byte
// first; the foreign library works it out too), 2.5.2.2 (LRC: 100h - 96h, as
// the characters 6A with CR LF).
var refusals = map[string]string{
	"mbap":  "118302",
	"rtu":   "118302c134",
	"ascii": "3131383330323641" + "0d0a",
}

// Servers of foreign libraries with the contents, one for each framing that
// they have, and how what they were asked for is learnt.

func cTCP(t *testing.T) (string, func() map[string]bool) {
	at, server := serveC(t, "tcp")
	return at, func() map[string]bool { return askedOf(server) }
}

func cRTU(t *testing.T) (string, func() map[string]bool) {
	theirs, ours := cable(t)
	_, server := serveC(t, "rtu", theirs)
	return ours, func() map[string]bool { return askedOf(server) }
}

func cRTUInTCP(t *testing.T) (string, func() map[string]bool) {
	path, at := lineInTCP(t)
	_, server := serveC(t, "rtu", path)
	return at, func() map[string]bool { return askedOf(server) }
}

func goTCP(t *testing.T) (string, func() map[string]bool) {
	at, b := serveLibrary(t)
	return at, b.asked
}

func goUDP(t *testing.T) (string, func() map[string]bool) {
	at, b := serveLibrary(t)
	return datagramsToTCP(t, at), b.asked
}

func nodeTCP(t *testing.T) (string, func() map[string]bool) {
	at, server := serveNode(t, "tcp")
	return at, func() map[string]bool { return askedOf(server) }
}

func nodeRTU(t *testing.T) (string, func() map[string]bool) {
	near, path := openTerminal(t)
	l, at := listen(t)
	go func() {
		if c, err := l.Accept(); err == nil {
			join(c, near)
		}
	}()
	_, server := serveNode(t, "rtu", at)
	return path, func() map[string]bool { return askedOf(server) }
}

func nodeRTUInTCP(t *testing.T) (string, func() map[string]bool) {
	theirs, ours := meeting(t)
	_, server := serveNode(t, "rtu", theirs)
	return ours, func() map[string]bool { return askedOf(server) }
}

func packagerASCII(t *testing.T) (string, func() map[string]bool) {
	at, b := serveLibrary(t)
	return serveASCII(t, at), b.asked
}

func packagerASCIIInTCP(t *testing.T) (string, func() map[string]bool) {
	at, b := serveLibrary(t)
	return serveASCIIInTCP(t, at), b.asked
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

// wantAsked checks what reached the foreign end: these functions and no others.
func wantAsked(t *testing.T, asked map[string]bool, want ...string) {
	t.Helper()
	for _, f := range want {
		if !asked[f] {
			t.Errorf("function %s never reached the foreign end; there came %v", f, asked)
		}
		delete(asked, f)
	}
	for f := range asked {
		t.Errorf("function %s reached the foreign end, wanted were %v alone", f, want)
	}
}
