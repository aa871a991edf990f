package interop

import (
	"fmt"
	"net"
	"strings"
	"testing"
)

// stationMap is the station that foreign clients are let loose on.
const stationMap = "station.yaml"

// A client is a foreign client that takes requests in the words of peer.c, as
// far as it has them.
type client interface {
	ask(request string) string
	has(kind string) bool
}

// A step is a request and its answer. After names the kind of request that must
// have gone before.
type step struct{ request, answer, after string }

// The map's contents at the start, then writes, then refusals.
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
	{request: "22 32 0xff00 0x0064", answer: "ok"}, // 04b0 becomes 0464
	{request: "3 32 1", answer: "ok 1124", after: "22"},
	{request: "23 31 4 33 1900", answer: "ok 300 1124 1900 2500", after: "22"}, // written before read
	{request: "6 32 9000", answer: "ok"},                                       // beyond max: the map limits it
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
	{request: "coil-value 0 0x1234", answer: "exception 3"},
	{request: "raw 0500001234", answer: "ok 8503"},
	{request: "raw 0300000000", answer: "ok 8303"},
	{request: "raw 030064007e", answer: "ok 8303"}, // 126 of what is not there
	{request: "raw 0f0000000103ff", answer: "ok 8f03"},
	{request: "raw 10001f00010300", answer: "ok 9003"},
	{request: "raw 6c", answer: "ok ec01"},
	{request: "1 0 2", answer: "ok 1 0"}, // and it goes on
}

// TestForeignClients: what foreign clients ask the simulated station and what
// they get.
func TestForeignClients(t *testing.T) {
	inTCP := func(flags ...string) place {
		return place{"tcp", append([]string{"--listen", "127.0.0.1:0"}, flags...)}
	}
	rtu, ascii := []string{"--framing", "rtu"}, []string{"--framing", "ascii"}
	onPTY := func(flags ...string) place { return place{"pty", append([]string{"--pty"}, flags...)} }
	for _, v := range []struct {
		witness
		at   place
		dial func(t *testing.T, at string) client
	}{
		{witness{mbapTCP, theyAsk, cLibrary, ""}, inTCP(), func(t *testing.T, at string) client { return dialC(t, "tcp", portOf(t, at)) }},
		{witness{mbapTCP, theyAsk, goLibrary, ""}, inTCP(), func(t *testing.T, at string) client { return dialLibrary(t, "tcp://"+at) }},
		{witness{mbapTCP, theyAsk, nodeLibrary, ""}, inTCP(), func(t *testing.T, at string) client { return dialNode(t, "tcp", at) }},
		{witness{mbapTCP, theyAsk, nodeLibrary, "its buffered reader"}, inTCP(), func(t *testing.T, at string) client { return dialNode(t, "tcp-buffered", at) }},
		{witness{rtuSerial, theyAsk, cLibrary, ""}, onPTY(), func(t *testing.T, at string) client { return dialC(t, "rtu", at) }},
		{witness{rtuSerial, theyAsk, goLibrary, ""}, onPTY(), func(t *testing.T, at string) client { return dialLibrary(t, "rtu://"+at) }},
		{witness{rtuSerial, theyAsk, nodeLibrary, socketToLine}, onPTY(), func(t *testing.T, at string) client { return dialNode(t, "rtu", portToLine(t, at)) }},
		{witness{rtuTCP, theyAsk, cLibrary, lineToSocket}, inTCP(rtu...), func(t *testing.T, at string) client { return dialC(t, "rtu", lineToTCP(t, at)) }},
		{witness{rtuTCP, theyAsk, goLibrary, ""}, inTCP(rtu...), func(t *testing.T, at string) client { return dialLibrary(t, "rtuovertcp://"+at) }},
		{witness{rtuTCP, theyAsk, nodeLibrary, ""}, inTCP(rtu...), func(t *testing.T, at string) client { return dialNode(t, "rtu-tcp", at) }},
		{witness{asciiSerial, theyAsk, nodeLibrary, socketToLine}, onPTY(ascii...), func(t *testing.T, at string) client { return dialNode(t, "ascii", portToLine(t, at)) }},
		{witness{asciiSerial, theyAsk, packagers, socketToLine}, onPTY(ascii...), func(t *testing.T, at string) client { return dialPackager(t, portToLine(t, at)) }},
		{witness{asciiTCP, theyAsk, nodeLibrary, "its serial reader on a socket"}, inTCP(ascii...), func(t *testing.T, at string) client { return dialNode(t, "ascii", at) }},
		{witness{asciiTCP, theyAsk, packagers, ""}, inTCP(ascii...), func(t *testing.T, at string) client { return dialPackager(t, at) }},
	} {
		held(t, v.witness, func(t *testing.T) {
			station, at := simulate(t, v.at)
			t.Run("client", func(t *testing.T) { checkClient(t, v.dial(t, at)) }) // it goes before the station does
			stopWell(t, station)
		})
	}
	notYet(t, mbapUDP, goLibrary, "--udp")
	notYet(t, mbapUDP, nodeLibrary, "--udp")
	notYet(t, mbapTLS, goLibrary, "--tls")
}

// A place is where a station listens: its word for it, and the flags.
type place struct {
	word  string
	flags []string
}

func portOf(t *testing.T, address string) string {
	t.Helper()
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// simulate starts the station and gives its place.
func simulate(t *testing.T, at place) (station *child, address string) {
	t.Helper()
	station = start(t, plumblineProgram, append([]string{"simulate", stationMap, "--unit", unit}, at.flags...)...)
	said := station.after("listening " + at.word + " ")
	address, ok := strings.CutSuffix(said, " unit "+unit)
	if !ok {
		t.Fatalf("the station says it listens at %q, want a place and unit %s", said, unit)
	}
	return station, address
}

// stopWell interrupts the station, which is its good end.
func stopWell(t *testing.T, station *child) {
	t.Helper()
	if code := station.stop(); code != 0 {
		t.Errorf("the interrupted station ended with code %d, want 0\n%s", code, station.stderr.String())
	}
}

// checkClient makes every step that the client has.
func checkClient(t *testing.T, c client) {
	t.Helper()
	for _, s := range steps {
		kind, _, _ := strings.Cut(s.request, " ")
		if !c.has(kind) || s.after != "" && !c.has(s.after) {
			continue
		}
		if got := c.ask(s.request); got != s.answer {
			t.Errorf("%s: %q, want %q", s.request, got, s.answer)
		}
	}
	checkMoving(t, c)
	if c.has("43") { // nobody may take the station for the device
		if got := c.ask("43 1 0"); !strings.Contains(got, "simulated") {
			t.Errorf("the device identification says %s", got)
		}
	}
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
