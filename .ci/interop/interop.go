// Package interop holds plumbline against foreign protocol libraries, both
// ways: its poller asks their servers, their clients ask its station, in every
// framing that they have. Two own ends that agree prove nothing.
//
// The foreign peers are a Go library and the packagers of another, in the
// test's own process, a C library behind the helper peer.c and a Node library
// behind the helper node/peer.js. plumbline itself is driven from outside, as a
// person would: nothing of it is imported here. Both programs are built by
// .ci/run into the folder build, which also gets the table of what was held
// against whom.
//
// Where a library has a framing on one medium only, a road of roads_test.go
// brings its frames, unchanged, to the other. It judges values, exceptions and
// what reached the foreign end. It does not judge times, and knows no hardware:
// a pseudo-terminal has no speed and no parity.
package interop
