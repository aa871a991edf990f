package link

import "time"

// How the number of requests open at once is found; all ours.
const (
	raiseFirst = 10 * time.Second // without a sign of crowding, then one more is tried ...
	raiseMost  = 10 * time.Minute // ... and after each try that failed twice as late, up to this
	signWindow = 10 * time.Second // two silences within it are a sign, one may be chance
	maxCrowded = 16               // times that a call may be crowded out and asked again
)

// Room is how many requests may be open at once on a connection. A station
// takes from 1 to 16 and does not say how many; what is too much it refuses with
// exception 06, leaves unanswered, or answers by closing the connection. Each of
// these lowers the number, never below 1; time without them raises it again by
// one. Source: TCP guide V1.0b, 4.4.1.2 and 4.4.2.1.
type room struct {
	most, limit int
	lowered     uint64

	raiseAt time.Duration // steady: when one more may be tried
	pause   time.Duration // before that
	tried   bool          // the last change was upwards
	changed time.Duration // when it was lowered last

	silence     time.Duration // when one was silent beside others; 0: never
	silenceFits int           // how many had been fewer than it
}

func newRoom(most int) room { return room{most: most, limit: most, pause: raiseFirst} }

// lower leaves room for no more than so many, after a request that left at a
// moment. What is not sure needs a second of its kind soon after. Then the number
// is halved at least: requests that a station dropped count as open until their
// time limit, so that how many it takes cannot be told from them.
func (r *room) lower(fits int, sure bool, left, now time.Duration) {
	if !sure {
		first := r.silence == 0 || now-r.silence > signWindow
		if !first {
			fits = min(fits, r.silenceFits)
		}
		r.silence, r.silenceFits = now, fits
		if first {
			return
		}
		if left >= r.changed {
			fits = min(fits, r.limit/2)
		}
	}
	fits = max(fits, 1)
	if fits >= r.limit {
		r.raiseAt = max(r.raiseAt, now+r.pause)
		return
	}
	if r.tried {
		r.pause = min(2*r.pause, raiseMost)
		r.tried = false
	}
	r.limit = fits
	r.lowered++
	r.changed = now
	r.raiseAt = now + r.pause
}

// raise allows one more when the room was used up and no sign came for a while.
func (r *room) raise(beside int, now time.Duration) bool {
	if r.limit >= r.most || beside < r.limit || now < r.raiseAt {
		return false
	}
	r.limit++
	r.tried = true
	r.raiseAt = now + r.pause
	return true
}
