package interop

import (
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

// A cClient is the C library's client.
type cClient struct{ *child }

func dialC(t *testing.T, where ...string) cClient {
	t.Helper()
	return cClient{start(t, peerProgram, append(append([]string{"ask"}, where...), unit)...)}
}

func (c cClient) ask(request string) string {
	c.say(request)
	return c.next()
}
