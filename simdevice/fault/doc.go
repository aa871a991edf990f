// Package fault puts faults on a link on purpose: lost, late, doubled, damaged
// and misplaced frames, stalls, noise and connections that end in every way
// there is. It has three parts: an in-memory link of two ends (Pipe; PacketPipe
// carries datagrams), the script language that says what goes wrong and when
// (Parse, Script), and a Run of a script, which is the Filter through which
// written frames pass. Wrap puts the same filters on a real stream.
//
// One language serves users and tests. Nothing here opens a socket or a port,
// nothing sleeps, and everything that waits uses the standard timers, so that
// a whole day passes at once in a testing/synctest bubble. A seed and a script
// give the same faults again, to the byte.
//
// A Filter sees one direction only and takes one Write for one frame. On a link
// of datagrams each piece is a datagram; close fin, which nobody would be told,
// does nothing there, and close rst tells both ends once that nobody listens.
//
// # The script language
//
// A rule a line; "#" begins a comment, "seed N" fixes the random choice:
//
//	DIRECTION [of unit N]: VERB [CONDITION ...]
//
// DIRECTION is requests, answers or both. Every time has its unit (230ms, 1h).
// A verb's N, and the time of delay, duplicate, stall and flood, may be a range
// to choose from (1..4, 20ms..80ms). The verbs, with what may be left out in
// brackets; PLACE is at start, at end, at random (the default) or at and a
// number from 0:
//
//	deliver N bytes               only the first N, the rest is lost
//	delay TIME
//	drop [N bytes [PLACE]]        the chunk, or a part of it
//	duplicate [after TIME]
//	reorder N                     behind the next N chunks
//	split N | at N [gap TIME]     into N pieces, or in two
//	join N                        N chunks arrive as one
//	flip [PLACE] | N bits         PLACE counts bits, the least significant first
//	insert HEX | N bytes [PLACE]
//	stall [for TIME]              nothing passes, for ever when left out
//	close fin | rst               after this chunk
//	half-open                     all vanishes from here on, and nobody is told
//	drip [N bytes] each TIME
//	flood HEX [each TIME] [for TIME]
//	answer-as FIELD N | +N | -N | random
//
// FIELD is unit, function, transaction or length. All conditions of a rule
// must hold; counts are of chunks of the rule's direction and unit, from 1,
// and times of the run:
//
//	with P%      by chance
//	every N      each N-th
//	from N, to N, from TIME, to TIME
//	once, times N
//	overtake     what this rule makes late may be overtaken; else order is kept
package fault
