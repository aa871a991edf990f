package interop

import (
	"os/exec"
	"testing"
)

// startNode starts the helper around the Node library.
func startNode(t *testing.T, args ...string) *child {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		t.Fatalf("%v; bash .ci/run installs it", err)
	}
	return start(t, node, append([]string{"node/peer.js"}, append(args, unit)...)...)
}

// serveNode starts the Node library's server with the contents, on "tcp", or
// on "rtu" with the place where a serial line waits, and gives its place.
func serveNode(t *testing.T, where ...string) (place string, server *child) {
	t.Helper()
	server = startNode(t, append([]string{"serve"}, where...)...)
	for _, g := range contents {
		server.say(g.line())
	}
	server.in.Close()
	return server.after("listening " + where[0] + " "), server
}

// dialNode starts the Node library's client of a kind that peer.js names. On
// lines without transaction numbers it knows the length of the plain answers
// only, and knows no other functions there.
func dialNode(t *testing.T, kind, address string) childClient {
	t.Helper()
	words := []string{"1", "2", "3", "4", "5", "6", "15", "16", "float-cdab"}
	if kind == "tcp" || kind == "tcp-buffered" || kind == "udp" {
		words = append(words, "22", "23", "43")
	}
	return childClient{startNode(t, "ask", kind, address), words}
}
