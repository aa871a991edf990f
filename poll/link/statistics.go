package link

import "sync/atomic"

// Statistics counts what happened on a link since it was made. They hint at
// what no single exchange shows: many refused frames mean that some damaged
// ones passed, late answers that the time limit is short.
type Statistics struct {
	Sent       uint64 // requests that left, repeats included
	Repeated   uint64 // of these, repeats
	Answered   uint64 // exchanges answered as asked
	Exceptions uint64 // exchanges answered with an exception
	Failed     uint64 // exchanges with neither

	Late       uint64 // answers discarded because they came after the wait for them had ended
	Duplicates uint64 // second answers to a request that was answered already
	Foreign    uint64 // valid frames that answer nothing this link asked
	Refused    uint64 // answers of the right origin that are no answer to their request
	Unowed     uint64 // answers that came when none was owed: too late, or given twice
	Noise      uint64 // bytes that belong to no valid frame
	Echoes     uint64 // copies of our own requests taken off

	Dials      uint64 // attempts to open the stream
	Reconnects uint64 // streams opened after the first
	Losses     uint64 // streams lost
	Flooded    uint64 // streams closed, or exchanges given up, because unasked bytes never ended

	Slots   int    // requests that may be open at once now
	Lowered uint64 // times that their number was lowered, because the station took fewer
	Crowded uint64 // reads asked again because they were crowded out
}

// counters are the statistics while they are counted.
type counters struct {
	sent, repeated, answered, exceptions, failed              atomic.Uint64
	late, duplicates, foreign, refused, unowed, noise, echoes atomic.Uint64
	dials, reconnects, losses, flooded, crowded               atomic.Uint64
}

func (c *counters) read() Statistics {
	return Statistics{
		Sent: c.sent.Load(), Repeated: c.repeated.Load(),
		Answered: c.answered.Load(), Exceptions: c.exceptions.Load(), Failed: c.failed.Load(),
		Late: c.late.Load(), Duplicates: c.duplicates.Load(), Foreign: c.foreign.Load(),
		Refused: c.refused.Load(), Unowed: c.unowed.Load(), Noise: c.noise.Load(), Echoes: c.echoes.Load(),
		Dials: c.dials.Load(), Reconnects: c.reconnects.Load(), Losses: c.losses.Load(), Flooded: c.flooded.Load(), Crowded: c.crowded.Load(),
	}
}
