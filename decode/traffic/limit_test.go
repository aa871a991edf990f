package traffic

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
)

// measured is a distribution of answer times met in the field: of 1000 reads
// 707 took more than 300 ms, 112 more than 400 ms, 5 more than 500 ms and none
// more than 600 ms. Source: trade.md 2.4, [L17], an issue of a protocol library.
var measured = []struct{ beyond, upTo, reads int }{{0, 300, 293}, {300, 400, 595}, {400, 500, 107}, {500, 600, 5}}

// drawn is the 1000 times in a random order; lowest is where those within 300
// ms begin, which the source does not say.
func drawn(lowest int) (out []time.Duration) {
	for _, m := range measured {
		from := max(m.beyond, lowest)
		for i := range m.reads {
			out = append(out, ms(float64(from)+float64(m.upTo-from)*(float64(i)+0.5)/float64(m.reads)))
		}
	}
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// polled is a unit with those times, asked with a time limit.
func polled(t *testing.T, times []time.Duration, limit time.Duration) *State {
	c := serial()
	c.Timing.Response = limit
	s, g := start(t, c)
	for _, d := range times {
		if d > limit {
			g.silent(17, frame.Read(regmap.HoldingRegister, 0, 4), limit)
		} else {
			g.read(17, regmap.HoldingRegister, 0, 4, d)
		}
		g.wait(ms(100))
	}
	return s
}

// TestLimitOnMeasuredTimes: with each limit that lost reads the advice is one
// that loses none of the 1000; with those that lose none nothing is wrong.
func TestLimitOnMeasuredTimes(t *testing.T) {
	for _, lowest := range []int{20, 100, 200, 280} {
		for _, v := range []struct {
			limit, lost int
		}{{300, 707}, {400, 112}, {500, 5}} {
			s := polled(t, drawn(lowest), ms(float64(v.limit)))
			f := one(t, s, "time-limit-short")
			if got := s.units[17].silent.count; got != uint64(v.lost) {
				t.Fatalf("the generator lost %d with %d ms, the source has %d", got, v.limit, v.lost)
			}
			a := s.advice(s.units[17])
			if a.limit < ms(600) || a.limit > ms(900) || f.Claim != decode.Likely || !f.Trouble() {
				t.Errorf("limit %d ms, from %d ms on: advises %v, %s: %s", v.limit, lowest, a.limit, f.Claim, f.Words)
			}
			says(t, f, fmt.Sprintf("%d of 1000 first tries", v.lost), "set response: "+span(a.limit), "So many tries (1000) tell of shares down to 0.3 %")
		}
		for _, limit := range []float64{600, 1000} {
			s := polled(t, drawn(lowest), ms(limit))
			none(t, s, "time-limit-short", "unanswered", "late-answers")
			if Trouble(s.Findings()) {
				t.Errorf("limit %v ms: %s", limit, codes(s))
			}
		}
	}
	// Twice the limit's worth of room needs no word.
	none(t, polled(t, drawn(100), ms(1000)), "time-limit-tight")
	says(t, one(t, polled(t, drawn(100), ms(600)), "time-limit-tight"), "response: 750 ms")
}

// TestLimitIsNotBlamedForLoss: a unit that answers in 20 ms and loses 5 % has
// another illness, and a longer limit is no cure.
func TestLimitIsNotBlamedForLoss(t *testing.T) {
	s, g := start(t, serial())
	for i := range 1000 {
		if i%20 == 7 {
			g.silent(17, frame.Read(regmap.HoldingRegister, 0, 4), ms(300))
		} else {
			g.read(17, regmap.HoldingRegister, 0, 4, ms(20+float64(i%5)))
		}
		g.wait(ms(100))
	}
	none(t, s, "time-limit-short", "time-limit-tight")
	f := one(t, s, "unanswered")
	if f.Claim != decode.Settled || !f.Trouble() || len(f.Evidence) == 0 || len(f.Evidence) > mostEvidence {
		t.Errorf("%+v", f)
	}
	says(t, f, "50 requests of 1000 unanswered (5.0 %)", "2026-11-02T13:00:0")
	says(t, one(t, s, "retries-few"), "5.0 % of first tries", "with 0 repeats about 5.0 %", "with 2 about 0.01", "set retries: 2")
	says(t, one(t, s, "time-limit-long"), "response: 30 ms would do")
}

// TestLimitBySureness: a few tries say nothing, some make a hint.
func TestLimitBySureness(t *testing.T) {
	times := drawn(100)
	none(t, polled(t, times[:limitFewest-1], ms(300)), "time-limit-short")
	if f := one(t, polled(t, times[:60], ms(300)), "time-limit-short"); f.Claim != decode.Hint {
		t.Errorf("60 tries: %s", f.Claim)
	}
}

// TestLateAnswersHeard: what listens sees how late an answer came.
func TestLateAnswersHeard(t *testing.T) {
	c := serial()
	c.Seen = Between
	s, g := start(t, c)
	for i := range 100 {
		d := ms(250)
		if i%10 == 3 {
			d = ms(420)
		}
		g.read(17, regmap.HoldingRegister, 0, 4, d)
		g.wait(ms(20))
	}
	f := one(t, s, "late-answers")
	says(t, f, "10 answers of unit 17 began after the limit of 300 ms, the latest after 420 ms", "550 ms or more")
	if f.Claim != decode.Settled || f.Rank != Wrong || f.Exchanges[0].ID.Number != 4 {
		t.Errorf("%+v", f)
	}
}
