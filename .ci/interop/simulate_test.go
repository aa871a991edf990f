package interop

import (
	"fmt"
	"net"
	"strings"
	"testing"
)

// exampleMap is the station that foreign clients are let loose on.
const exampleMap = "../../testdata/maps/cistern.yaml"

// A client is a foreign client that takes requests in the words of peer.c.
type client interface{ ask(request string) string }

// A step is a request and its answer. Only limits it to a client that can send
// it.
type step struct{ request, answer, only string }

// The example map's contents at the start, then writes, then refusals.
// Exception codes: Modbus Application Protocol V1.1b3, 7; the order of the
// checks (quantity before address): the same, figures 11 to 22. Registers of
// 12.4 as a float: 41466666, IEEE 754-2008, 3.4, binary32.
var steps = []step{
	{request: "1 0 2", answer: "ok 1 1"},
	{request: "1 4 1", answer: "ok 0"},
	{request: "2 0 2", answer: "ok 1 1"}, // the float switch is active at 0
	{request: "3 16 2", answer: "ok 1 2"},
	{request: "3 31 4", answer: "ok 400 1600 2000 2600"},
	{request: "3 48 2", answer: "ok 0 4711"},
	{request: "3 50 6", answer: "ok 17225 21332 17746 20000 12544 0"}, // CISTERN 1
	{request: "4 2 2", answer: "ok 26214 16710"},
	{request: "float-cdab 4 2", answer: "ok 12.3999996"},
	{request: "4 6 2", answer: "ok 10644 115"},
	{request: "4 16 6", answer: "ok 0 12045 0 11982 4021 4020"},
	{request: "4 8 8", answer: "ok 0 0 0 0 0 0 0 0"}, // a hole that the map's gap bridges

	{request: "5 0 0", answer: "ok"},
	{request: "1 0 2", answer: "ok 0 1"},
	{request: "15 0 1 0", answer: "ok"},
	{request: "1 0 2", answer: "ok 1 0"},
	{request: "6 32 1500", answer: "ok"},
	{request: "3 32 1", answer: "ok 1500"},
	{request: "16 31 300 1200 1800 2500", answer: "ok"},
	{request: "3 31 4", answer: "ok 300 1200 1800 2500"},
	{request: "22 32 0xff00 0x0064", answer: "ok", only: "C"}, // 04b0 becomes 0464
	{request: "3 32 1", answer: "ok 1124", only: "C"},
	{request: "23 31 4 33 1900", answer: "ok 300 1124 1900 2500", only: "C"}, // written before read
	{request: "6 32 9000", answer: "ok"},                                     // beyond max: the map limits it
	{request: "3 32 1", answer: "ok 2500"},

	{request: "3 100 1", answer: "exception 2"},
	{request: "4 22 1", answer: "exception 2"},
	{request: "1 5 1", answer: "exception 2"},
	{request: "2 2 1", answer: "exception 2"},
	{request: "5 2 1", answer: "exception 2"},        // bridged, but not to be written
	{request: "6 16 1", answer: "exception 2"},       // read only
	{request: "16 34 2600 1", answer: "exception 2"}, // half of it unmapped ...
	{request: "3 34 1", answer: "ok 2500"},           // ... so nothing was written
	{request: "6 34 3000", answer: "exception 4"},    // beyond max: the map refuses it
	{request: "coil-value 0 0x1234", answer: "exception 3", only: "Go"},
	{request: "raw 0500001234", answer: "ok 8503", only: "C"},
	{request: "raw 0300000000", answer: "ok 8303", only: "C"},
	{request: "raw 030064007e", answer: "ok 8303", only: "C"}, // 126 of what is not there
	{request: "raw 0f0000000103ff", answer: "ok 8f03", only: "C"},
	{request: "raw 10001f00010300", answer: "ok 9003", only: "C"},
	{request: "raw 6c", answer: "ok ec01", only: "C"},
	{request: "1 0 2", answer: "ok 1 0"}, // and it goes on
}

// TestForeignClients: what foreign clients ask the simulated station and what
// they get.
func TestForeignClients(t *testing.T) {
	t.Run("Go library, TCP", func(t *testing.T) {
		station, address := simulate(t, "tcp", "--listen", "127.0.0.1:0")
		checkClient(t, "Go", dialLibrary(t, address))
		stopWell(t, station)
	})
	t.Run("C library, TCP", func(t *testing.T) {
		station, address := simulate(t, "tcp", "--listen", "127.0.0.1:0")
		_, port, err := net.SplitHostPort(address)
		if err != nil {
			t.Fatal(err)
		}
		checkClient(t, "C", dialC(t, "tcp", port))
		stopWell(t, station)
	})
	t.Run("C library, RTU", func(t *testing.T) {
		station, path := simulate(t, "pty", "--pty")
		checkClient(t, "C", dialC(t, "rtu", path))
		stopWell(t, station)
	})
}

// simulate starts the example station and gives its place.
func simulate(t *testing.T, listening string, flags ...string) (station *child, place string) {
	t.Helper()
	station = start(t, plumblineProgram, append([]string{"simulate", exampleMap, "--unit", unit}, flags...)...)
	said := station.after("listening " + listening + " ")
	place, ok := strings.CutSuffix(said, " unit "+unit)
	if !ok {
		t.Fatalf("the station says it listens at %q, want a place and unit %s", said, unit)
	}
	return station, place
}

// stopWell interrupts the station, which is its good end.
func stopWell(t *testing.T, station *child) {
	t.Helper()
	if code := station.stop(); code != 0 {
		t.Errorf("the interrupted station ended with code %d, want 0\n%s", code, station.stderr.String())
	}
}

func checkClient(t *testing.T, name string, c client) {
	t.Helper()
	for _, s := range steps {
		if s.only != "" && s.only != name {
			continue
		}
		if got := c.ask(s.request); got != s.answer {
			t.Errorf("%s: %q, want %q", s.request, got, s.answer)
		}
	}
	checkMoving(t, c)
}

// checkMoving reads what moves by itself: level and total stay within the ramps
// of the map.
func checkMoving(t *testing.T, c client) {
	t.Helper()
	var level, high, low uint32
	if _, err := fmt.Sscanf(c.ask("4 0 1"), "ok %d", &level); err != nil || level < 10400 || level > 16800 {
		t.Errorf("level is %d, %v; want 10400 to 16800", level, err)
	}
	if _, err := fmt.Sscanf(c.ask("4 4 2"), "ok %d %d", &high, &low); err != nil || high<<16|low < 182500 || high<<16|low > 182624 {
		t.Errorf("total is %d, %v; want 182500 to 182624", high<<16|low, err)
	}
}
