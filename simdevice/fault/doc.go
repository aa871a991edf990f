// Package fault puts faults on a link on purpose: lost, late, doubled, damaged
// and misplaced frames, stalls, noise and connections that end in every way
// there is. It has three parts: an in-memory link of two ends (Pipe), the
// script language that says what goes wrong and when (Parse, Script), and a
// Run of a script, which is the Filter through which written frames pass.
//
// One language serves users and tests. Nothing here opens a socket or a port,
// nothing sleeps, and everything that waits uses the standard timers, so that
// a whole day passes at once in a testing/synctest bubble. A seed and a script
// give the same faults again, to the byte.
//
// A Filter sees one direction only and takes one Write for one frame.
package fault
