package link

import (
	"time"

	"plumbline/decode/nap"
)

// toThePoint waits out the rest of a silence until a moment. In time that is not
// the machine's, as tests have it, nobody can: it says so after the first
// attempt. Nothing ends early, and time decides nothing but when to send.
func (t *turns) toThePoint(end time.Duration) bool {
	return nap.Until(func() time.Duration { return t.clock().Steady }, end)
}
