package interop

import (
	"slices"
	"strings"
	"testing"
)

// serveC starts the C library's server with the contents, on "tcp" or on "rtu"
// with its path, and gives its place.
func serveC(t *testing.T, where ...string) (place string, server *child) {
	t.Helper()
	server = start(t, peerProgram, append(append([]string{"serve"}, where...), unit)...)
	for _, g := range contents {
		server.say(g.line())
	}
	server.in.Close()
	return server.after("listening " + where[0] + " "), server
}

// askedOf says which functions the C library's server was asked for.
func askedOf(server *child) map[string]bool {
	server.stop()
	asked := map[string]bool{}
	for _, line := range server.seen {
		if words := strings.Fields(line); len(words) == 4 && words[0] == "function" {
			asked[words[1]] = true
		}
	}
	return asked
}

// A childClient is a foreign client in a program of its own, that of peer.c or
// of peer.js, and the words it knows.
type childClient struct {
	*child
	words []string
}

// dialC starts the C library's client, on "tcp" with a port or on "rtu" with a
// path.
func dialC(t *testing.T, where ...string) childClient {
	t.Helper()
	program := start(t, peerProgram, append(append([]string{"ask"}, where...), unit)...)
	return childClient{program, []string{"1", "2", "3", "4", "5", "6", "15", "16", "22", "23", "float-cdab", "raw"}}
}

func (c childClient) ask(request string) string {
	c.say(request)
	return c.next()
}

func (c childClient) has(kind string) bool { return slices.Contains(c.words, kind) }
