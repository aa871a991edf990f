// Package interop holds plumbline against foreign protocol libraries, both
// ways: its poller asks their servers, their clients ask its station, over TCP
// and over RTU on pseudo-terminals. Two own ends that agree prove nothing.
//
// The foreign peers are a Go library, in the test's own process, and a C
// library behind the helper peer.c. plumbline itself is driven from outside, as
// a person would: nothing of it is imported here. Both programs are built by
// .ci/run into the folder build.
//
// It judges values, exceptions and what reached the foreign end. It does not
// judge times, and knows no hardware: a pseudo-terminal has no speed and no
// parity.
package interop
