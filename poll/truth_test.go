package poll_test

import (
	"crypto/rand"
	"encoding/binary"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"

	"plumbline/poll/link"
)

// The promise that this file tests: no wrong value is ever called good. A
// station whose registers say who they are stands behind a line on which
// everything goes wrong, in virtual time; what the client calls good is held
// against the station's own copy of what it answered. Three classes are
// counted apart:
//
//	(a) damage that the check or the match can see, and answers that are late
//	    within the horizon: none may be called good
//	(b) damage that the check lets through: no client can see it; the count
//	    stands beside the number expected, see passes
//	(c) answers later than the horizon, and more answers than questions: each
//	    wrong value must have been put in doubt by the end, and the horizon
//	    must have grown. Only where an answer was lost as well, so that the
//	    numbers agree again, can nothing tell; such are counted apart
//
// A run is repeated with its seed: PLUMBLINE_SEED=n go test ./poll. More seeds
// are drawn with PLUMBLINE_SEEDS=n; 120 make ten million exchanges.

// mixes is what goes wrong. The time limit is 200 ms, the horizon 600 ms. What
// MBAP carries is damaged in its head only: it has no check of its own, because
// TCP has one, and what TCP lets through nobody can see. No answer is given the
// transaction of a request that may be open: that would be a lie, not a fault.
// What is put behind a frame is put there before it is cut, so that its length
// never comes right again with other bytes in it.
var mixes = []mix{
	{name: "late", media: []medium{serialRTU, networkRTU}, strict: true, quiet: true, retries: 2, runs: 2, exchanges: 1200, leastGood: 0.97,
		wire: "answers: drop with 3%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..530ms with 5% overtake"},
	{name: "late, all alike", media: []medium{serialRTU, networkRTU}, strict: true, quiet: true, looks: alike, retries: 0, runs: 2, exchanges: 1200, leastGood: 0.85,
		wire: "answers: drop with 3%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..530ms with 6% overtake"},
	{name: "late, three callers", media: []medium{serialRTU}, strict: true, quiet: true, looks: alike, callers: 3, retries: 1, runs: 1, exchanges: 900, leastGood: 0.85,
		wire: "answers: drop with 3%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..530ms with 5% overtake"},
	{name: "damaged", media: []medium{serialRTU, networkRTU}, strict: true, retries: 2, runs: 2, exchanges: 900, leastGood: 0.85,
		wire: "answers: flip 1..3 bits with 6%\nanswers: flip 1..64 bits with 8%\nanswers: insert 1..20 bytes with 6%\nanswers: deliver 1..20 bytes with 4%\n" +
			"answers: drop 1..3 bytes with 4%\nanswers: insert 00 at end with 2%\nanswers: insert ff at start with 2%\nanswers: drop with 2%\nanswers: delay 5ms..60ms"},
	{name: "damaged and late", media: []medium{serialRTU, networkRTU}, strict: true, looks: alike, retries: 1, runs: 1, exchanges: 1200, leastGood: 0.7,
		wire: "answers: flip 1..64 bits with 8%\nanswers: insert 1..9 bytes with 5%\nanswers: deliver 1..8 bytes with 4%\nanswers: drop with 3%\n" +
			"answers: delay 20ms..60ms overtake\nanswers: delay 140ms..500ms with 8% overtake"},
	{name: "foreign", media: []medium{serialRTU, networkRTU}, strict: true, retries: 2, runs: 2, exchanges: 800, leastGood: 0.8,
		wire: "answers: answer-as unit random with 3%\nanswers: answer-as unit +1 with 3%\nanswers: answer-as function random with 3%\nanswers: answer-as function +1 with 3%\n" +
			"answers: answer-as length random with 3%\nanswers: answer-as length +2 with 3%\nanswers: drop with 2%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..500ms with 4% overtake"},
	{name: "strangers", media: []medium{serialRTU, networkRTU}, strict: true, strangers: 0.1, retries: 1, runs: 1, exchanges: 1200, leastGood: 0.7,
		wire: "answers: drop with 2%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..500ms with 4% overtake"},
	{name: "in pieces", media: []medium{serialRTU, networkRTU}, strict: true, retries: 2, runs: 2, exchanges: 800, leastGood: 0.9,
		wire: "answers: drop with 2%\nanswers: split 2..6 gap 5ms with 20%\nanswers: drip each 1ms with 4%\nanswers: split 2 gap 40ms with 5%\nanswers: split 2 gap 120ms with 2%\n" +
			"answers: delay 5ms..60ms\nanswers: stall for 50ms..300ms with 2%"},
	{name: "requests", media: []medium{serialRTU, networkRTU}, strict: true, retries: 2, runs: 1, exchanges: 800, leastGood: 0.9,
		wire: "requests: flip 1..40 bits with 6%\nrequests: drop with 3%\nrequests: delay 5ms..100ms with 10%\nanswers: delay 5ms..60ms overtake\nanswers: delay 140ms..400ms with 4% overtake"},
	{name: "hang-up", media: []medium{serialRTU, networkRTU}, strict: true, quiet: true, looks: alike, retries: 1, runs: 2, exchanges: 800, leastGood: 0.8,
		wire: "answers: drop with 2%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..530ms with 6% overtake",
		door: "answers: deliver 1..7 bytes every 53\nanswers: close rst every 53\nanswers: close fin with 1%\nrequests: close rst with 0.5%"},
	{name: "four bits", media: []medium{networkRTU}, strict: true, retries: 0, runs: 1, exchanges: 2500, leastGood: 0.2,
		wire: "answers: flip 4 bits with 65%\nanswers: delay 1ms"},
	{name: "beyond the horizon", media: []medium{serialRTU, networkRTU}, retries: 0, looks: few, runs: 10, exchanges: 150, leastGood: 0.4,
		wire: "answers: delay 20ms..60ms overtake\nanswers: delay 140ms..2500ms with 5% overtake"},
	{name: "beyond the horizon, all alike", media: []medium{serialRTU, networkRTU}, retries: 0, looks: alike, runs: 12, exchanges: 150, leastGood: 0.4,
		wire: "answers: delay 20ms..60ms overtake\nanswers: delay 140ms..2500ms with 5% overtake"},
	{name: "beyond the horizon, in order", media: []medium{serialRTU, networkRTU}, retries: 1, looks: alike, runs: 8, exchanges: 150, leastGood: 0.4,
		wire: "answers: delay 20ms..60ms\nanswers: delay 140ms..3s with 4%\nanswers: stall for 500ms..2s with 1%"},
	{name: "beyond the horizon, lost and damaged", media: []medium{serialRTU, networkRTU}, retries: 1, looks: alike, runs: 12, exchanges: 150, leastGood: 0.3,
		wire: "answers: drop with 4%\nanswers: flip 1..64 bits with 4%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..2500ms with 6% overtake"},
	{name: "beyond the horizon, never a pause", media: []medium{serialRTU, networkRTU}, retries: 0, looks: alike, busy: true, runs: 1, exchanges: 2500, leastGood: 0.8,
		wire: "answers: delay 20ms..60ms overtake\nanswers: delay 640ms..5s with 0.3% overtake"},
	{name: "twice", media: []medium{serialRTU, networkRTU}, twice: true, retries: 1, looks: alike, runs: 8, exchanges: 100, leastGood: 0.4,
		wire: "answers: delay 20ms..60ms overtake\nanswers: duplicate with 2%\nanswers: duplicate after 1ms..500ms with 4% overtake\nrequests: duplicate after 0ms..90ms with 2%"},
	{name: "overtaken and glued", media: []medium{serialRTU, networkRTU}, retries: 1, looks: alike, runs: 8, exchanges: 100, leastGood: 0.3,
		wire: "answers: delay 20ms..60ms\nanswers: reorder 1..3 with 3%\nanswers: join 2 with 3%"},

	{name: "late", media: []medium{serialASCII, networkASCII}, strict: true, quiet: true, retries: 2, runs: 1, exchanges: 800, leastGood: 0.95,
		wire: "answers: drop with 3%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..530ms with 5% overtake"},
	{name: "damaged", media: []medium{serialASCII, networkASCII}, strict: true, looks: few, retries: 1, runs: 1, exchanges: 1500, leastGood: 0.7,
		wire: "answers: flip at random with 8%\nanswers: flip 2..4 bits with 4%\nanswers: insert 1..20 bytes with 6%\nanswers: insert 3a with 3%\nanswers: deliver 1..20 bytes with 4%\n" +
			"answers: drop 1..3 bytes with 4%\nanswers: insert 0d0a with 2%\nanswers: drop with 2%\nrequests: flip at random with 2%\nanswers: delay 5ms..60ms"},
	{name: "foreign", media: []medium{serialASCII, networkASCII}, strict: true, strangers: 0.1, retries: 2, runs: 1, exchanges: 600, leastGood: 0.7,
		wire: "answers: answer-as unit +1 with 3%\nanswers: answer-as function +1 with 3%\nanswers: answer-as length +2 with 3%\nanswers: drop with 2%\n" +
			"answers: delay 20ms..60ms overtake\nanswers: delay 140ms..500ms with 4% overtake"},
	{name: "in pieces, hang-up", media: []medium{serialASCII, networkASCII}, strict: true, retries: 2, runs: 1, exchanges: 600, leastGood: 0.8,
		wire: "answers: drop with 2%\nanswers: split 2..6 gap 5ms with 20%\nanswers: drip each 1ms with 4%\nanswers: split 2 gap 120ms with 2%\nanswers: delay 5ms..60ms",
		door: "answers: close rst every 53\nanswers: close fin with 1%\nrequests: close rst with 0.5%"},
	{name: "beyond the horizon", media: []medium{serialASCII, networkASCII}, retries: 0, looks: alike, runs: 6, exchanges: 150, leastGood: 0.4,
		wire: "answers: delay 20ms..60ms overtake\nanswers: delay 140ms..2500ms with 5% overtake"},

	{name: "datagrams", media: []medium{udp}, strict: true, quiet: true, looks: alike, callers: 16, retries: 2, runs: 1, exchanges: 4000, leastGood: 0.85,
		wire: "requests: drop with 2%\nrequests: duplicate after 0ms..90ms with 2%\nrequests: delay 1ms..90ms with 5% overtake\n" +
			"answers: drop with 2%\nanswers: duplicate after 0ms..900ms with 4% overtake\nanswers: reorder 1..9 with 5%\nanswers: delay 5ms..90ms overtake\nanswers: delay 100ms..5s with 4% overtake"},
	{name: "datagrams, damaged and foreign", media: []medium{udp}, strict: true, quiet: true, callers: 4, retries: 2, runs: 1, exchanges: 1200, gateway: true, leastGood: 0.6,
		wire: "answers: insert 1..9 bytes at end with 2%\nanswers: deliver 1..12 bytes with 3%\nanswers: insert 1..9 bytes at start with 2%\nanswers: join 2..3 with 2%\nanswers: split 2..4 with 2%\n" +
			"answers: flip at 14 with 1%\nanswers: flip at 31 with 1%\nanswers: flip at 40 with 1%\nanswers: flip at 49 with 1%\nanswers: answer-as transaction +20000 with 3%\n" +
			"answers: answer-as unit random with 3%\nanswers: answer-as function random with 3%\nanswers: answer-as length random with 3%\nanswers: close rst with 2%\nanswers: delay 5ms..60ms overtake"},

	{name: "late", media: []medium{tcp}, strict: true, quiet: true, callers: 16, retries: 2, runs: 1, exchanges: 2400, leastGood: 0.9,
		wire: "answers: drop with 2%\nanswers: delay 20ms..90ms overtake\nanswers: delay 100ms..5s with 6% overtake\nanswers: duplicate after 0ms..900ms with 4% overtake\nrequests: delay 1ms..90ms with 5%"},
	{name: "overtaken, glued, in pieces", media: []medium{tcp}, strict: true, quiet: true, looks: alike, callers: 16, retries: 1, runs: 1, exchanges: 2400, leastGood: 0.8,
		wire: "answers: delay 5ms..90ms\nanswers: reorder 1..9 with 10%\nanswers: join 2..5 with 8%\nanswers: drip 3 bytes each 1ms with 3%\nanswers: split 1..9 gap 2ms with 10%\nanswers: stall for 50ms..900ms with 0.5%"},
	{name: "foreign", media: []medium{tcp}, strict: true, quiet: true, retries: 2, runs: 2, exchanges: 900, gateway: true, leastGood: 0.7,
		wire: "answers: answer-as transaction random with 4%\nanswers: answer-as transaction +3000 with 2%\nanswers: answer-as transaction -1 with 2%\nanswers: answer-as unit random with 4%\n" +
			"answers: answer-as function random with 3%\nanswers: answer-as function +1 with 3%\nanswers: answer-as length random with 4%\nanswers: delay 5ms..60ms\nanswers: delay 100ms..900ms with 5% overtake"},
	{name: "foreign, many open", media: []medium{tcp}, strict: true, quiet: true, callers: 16, retries: 2, runs: 1, exchanges: 1600, leastGood: 0.7,
		wire: "answers: answer-as transaction +20000 with 5%\nanswers: answer-as unit random with 5%\nanswers: answer-as function random with 4%\n" +
			"answers: answer-as length random with 4%\nanswers: delay 5ms..60ms overtake\nanswers: delay 100ms..900ms with 5% overtake"},
	{name: "strangers", media: []medium{tcp}, strict: true, quiet: true, strangers: 0.2, callers: 4, retries: 1, runs: 1, exchanges: 1200, gateway: true, leastGood: 0.7,
		wire: "answers: drop with 2%\nanswers: delay 20ms..60ms overtake\nanswers: delay 140ms..900ms with 4% overtake"},
	{name: "damaged heads", media: []medium{tcp}, strict: true, quiet: true, retries: 2, runs: 2, exchanges: 700, gateway: true, leastGood: 0.7,
		wire: "answers: flip at 3 with 1%\nanswers: flip at 14 with 1%\nanswers: flip at 20 with 1%\nanswers: flip at 31 with 1%\nanswers: flip at 33 with 1%\nanswers: flip at 40 with 1%\n" +
			"answers: flip at 47 with 1%\nanswers: flip at 49 with 1%\nanswers: flip at 56 with 1%\nanswers: flip at 63 with 1%\nanswers: flip at 65 with 1%\nanswers: delay 5ms..60ms"},
	{name: "cut and closed", media: []medium{tcp}, strict: true, quiet: true, callers: 8, retries: 2, runs: 2, exchanges: 800, leastGood: 0.5,
		wire: "answers: deliver 1..12 bytes every 31\nanswers: close rst every 31\nanswers: insert 1..9 bytes at start with 0.5%\nanswers: delay 5ms..60ms overtake\nanswers: close rst with 0.5%\nanswers: close fin with 0.5%\nrequests: close rst with 0.3%"},
	{name: "half a frame, then silence", media: []medium{tcp}, strict: true, quiet: true, callers: 3, retries: 1, runs: 1, exchanges: 900, leastGood: 0.5,
		wire: "answers: deliver 1..12 bytes from 23 to 23\nanswers: stall from 24\nanswers: half-open with 0.5%\nanswers: delay 5ms..60ms"},
}

// freshSeeds is how many seeds are drawn for each run of the tests, beside
// those in the file. One takes at least leastExchanges.
const (
	freshSeeds     = 2
	leastExchanges = 80_000
	seedFile       = "../testdata/seeds/truth.txt"
	seedVariable   = "PLUMBLINE_SEED"
	seedsVariable  = "PLUMBLINE_SEEDS"
)

// seeds draws the seeds of a run, or takes the one that was given.
func seeds(t *testing.T) (all []uint64, given bool) {
	t.Helper()
	if text := os.Getenv(seedVariable); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatalf("%s=%q; a whole number from 0 to 18446744073709551615 is allowed", seedVariable, text)
		}
		return []uint64{n}, true
	}
	fresh := freshSeeds
	if text := os.Getenv(seedsVariable); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 10_000 {
			t.Fatalf("%s=%q; 1 to 10000 is allowed", seedsVariable, text)
		}
		fresh = n
	}
	for range fresh {
		var b [8]byte
		rand.Read(b[:])
		all = append(all, binary.BigEndian.Uint64(b[:]))
	}
	text, err := os.ReadFile(seedFile)
	if err != nil {
		t.Fatal(err)
	}
	kept := 0
	for row := range strings.Lines(string(text)) {
		if row = strings.TrimSpace(row); row == "" || row[0] == '#' {
			continue
		}
		n, err := strconv.ParseUint(row, 10, 64)
		if err != nil {
			t.Fatalf("%s: %q is no seed", seedFile, row)
		}
		all = append(all, n)
		kept++
	}
	if kept == 0 {
		t.Fatalf("%s holds no seed", seedFile)
	}
	return all, false
}

func TestNoWrongValueIsCalledGood(t *testing.T) {
	all, given := seeds(t)
	t.Logf("seeds %d; %s=n repeats one", all, seedVariable)
	totals, ran := make([]tally, len(mixes)), 0
	var mu sync.Mutex
	t.Run("seeds", func(t *testing.T) {
		for _, seed := range all {
			for i, m := range mixes {
				t.Run(strconv.FormatUint(seed, 10)+"/"+m.media[0].framing.String()+", "+m.name, func(t *testing.T) {
					t.Parallel()
					sum := m.play(t, seed)
					mu.Lock()
					defer mu.Unlock()
					totals[i].add(sum)
					ran++
				})
			}
		}
	})
	report(t, mixes, totals, !given && ran == len(all)*len(mixes))
	if sum := 0; ran == len(all)*len(mixes) {
		for _, c := range totals {
			sum += c.exchanges
		}
		if sum < len(all)*leastExchanges {
			t.Errorf("%d exchanges; %d for each of %d seeds are wanted", sum, leastExchanges, len(all))
		}
	}
}

// play makes the runs of a mix with one seed.
func (m mix) play(t *testing.T, seed uint64) (sum tally) {
	for i := range m.runs {
		for _, where := range m.media {
			r := newRun(t, m, where, mixSeed(seed, m.name+where.name, uint64(i)))
			sum.add(r.askLink(func(*link.Config) {}))
		}
	}
	for _, f := range sum.faults {
		t.Errorf("seed %d: %s", seed, f)
	}
	return sum
}

// report logs what came out and holds it against what must be; whole says that
// every mix ran with many seeds, so that every fault must have shown.
func report(t *testing.T, mixes []mix, totals []tally, whole bool) {
	var sum tally
	for i, m := range mixes {
		c := totals[i]
		sum.add(c)
		t.Logf("%s, %s: %s", m.media[0].framing, m.name, c)
		if !whole {
			continue
		}
		if float64(c.good) < m.leastGood*float64(c.exchanges) {
			t.Errorf("%s: only %d of %d good, want %.0f %%", m.name, c.good, c.exchanges, 100*m.leastGood)
		}
		for rule, n := range c.fired {
			if n == 0 {
				t.Errorf("%s: %q never applied", m.name, rule)
			}
		}
		if !m.strict && m.media[0].framing != tcp.framing && (c.extras == 0 || c.doubts == 0 || c.classes[beyond] == 0) {
			t.Errorf("%s: nothing went beyond the horizon, so nothing was tested: %s", m.name, c)
		}
	}
	for i, m := range mixes { // but for a doubt so long after that it seems an answer given twice
		if late := !m.strict && !m.twice; whole && late && 10*totals[i].grown < 9*totals[i].doubts {
			t.Errorf("%s: the horizon doubled with %d of %d doubts only", m.name, totals[i].grown, totals[i].doubts)
		}
	}
	t.Logf("in all: %s", sum)
	t.Logf("wrong values called good in %d exchanges: (a) %d; (b) %d, %.3g expected; (c) %d, of which %d were never doubted although a client could have known",
		sum.exchanges, sum.classes[seen], sum.classes[chance], sum.expected, sum.classes[beyond], sum.undoubted)
	if sum.classes[seen] > 0 || sum.undoubted > 0 {
		t.Errorf("%d wrong values called good that the client could have known, %d beyond the horizon never doubted", sum.classes[seen], sum.undoubted)
	}
	if p := atLeast(sum.classes[chance], sum.expected); p < 1e-9 {
		t.Errorf("%d damaged answers passed, %.3g were expected: a chance of %.1g", sum.classes[chance], sum.expected, p)
	}
}
