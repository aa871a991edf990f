package fault

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"
)

// example uses every verb, argument and condition once.
const example = `seed 18446744073709551615
answers: deliver 5 bytes
answers: deliver 1..5 bytes with 5%
requests: delay 230ms with 0.25%
both: delay 20ms..1m30s overtake
answers: drop
answers: drop 2 bytes
answers: drop 2..3 bytes at start
answers of unit 17: duplicate every 10
answers of unit 0: duplicate after 1.5s
answers: duplicate after 0s..1h
answers: reorder 3 from 100 to 120
answers: split 1..8
answers: split at 4 gap 16ms
answers: join 2 once
answers: flip
answers: flip at 13 times 3
answers: flip at end with 100%
answers: flip 3 bits from 1h to 2h30m
answers: insert 00ff
answers: insert 1..4 bytes at end to 1h
answers: stall
answers: stall for 5s..10s
requests: close fin from 500
requests: close rst from 500 to 600 from 1ns to 8784h
both: half-open once
answers: drip each 150ms
answers: drip 4 bytes each 1µs
answers: flood ff
answers: flood ff00 each 1ms for 10m with 0.000001%
answers: answer-as unit 18
answers: answer-as transaction +1
answers: answer-as transaction -65535
answers: answer-as function random
answers: answer-as length 4
`

func TestScriptTextReadsBack(t *testing.T) {
	s, err := Parse(example)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.String(); got != example {
		for i, line := range strings.Split(got, "\n") {
			if want := strings.Split(example, "\n")[i]; line != want {
				t.Errorf("line %d:\n got %q\nwant %q", i+1, line, want)
			}
		}
	}
	verbsUsed := map[Verb]bool{}
	for _, r := range s.Rules {
		verbsUsed[r.Verb] = true
	}
	if len(verbsUsed) != len(verbs)-1 {
		t.Errorf("the example uses %d of %d verbs", len(verbsUsed), len(verbs)-1)
	}
}

func TestScriptReadsLoosely(t *testing.T) {
	s, err := Parse("# nothing\n\n \t requests  of unit 3 :drop\twith 5.50% # why\r\nseed 7\nanswers: flip at random")
	want := Script{Seed: 7, Rules: []Rule{
		{Direction: Requests, OfUnit: true, Unit: 3, Verb: Drop, When: Condition{Chance: 5_500_000}},
		{Direction: Answers, Verb: Flip},
	}}
	if err != nil || !reflect.DeepEqual(s, want) {
		t.Errorf("got %+v, %v\nwant %+v", s, err, want)
	}
}

func TestScriptFaults(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"answer: drop", `1:1: "answer" is no direction; allowed is requests, answers, both`},
		{"answers drop", `1:9: "drop"; allowed here is ":"`},
		{"answers", `1:8: the line ends where ":" should be`},
		{"answers:", `1:9: the line ends where verb should be`},
		{"answers: # drop", `1:10: the line ends where verb should be`},
		{"answers: dorp", `1:10: "dorp" is no verb; allowed is deliver, delay, drop, duplicate, reorder, split, join, flip, ` +
			`insert, stall, close, half-open, drip, flood, answer-as`},
		{"\n\nanswers of unit 256: drop", `3:17: unit "256"; allowed is 0 to 255`},
		{"answers of station 2: drop", `1:12: "station"; allowed here is "unit"`},
		{"answers: delay", `1:15: the line ends where delay should be`},
		{"answers: delay 230", `1:16: delay "230"; allowed is a time with its unit from 0s to 8784h, such as 230ms`},
		{"answers: delay -1s", `1:16: delay "-1s"; allowed is a time with its unit from 0s to 8784h, such as 230ms`},
		{"answers: delay 9s..1s", `1:16: delay "9s..1s"; the shorter time comes first`},
		{"answers: deliver 5", `1:19: the line ends where "bytes" should be`},
		{"answers: deliver 0 bytes", `1:18: count "0"; allowed is 1 to 4096`},
		{"answers: deliver 7..2 bytes", `1:18: count "7..2"; the smaller number comes first`},
		{"answers: join 1", `1:15: count "1"; allowed is 2 to 64`},
		{"answers: reorder 007", `1:18: count "007"; allowed is 1 to 64`},
		{"answers: split at end", `1:22: split at a number of bytes, or into a number of pieces`},
		{"answers: insert 0", `1:17: bytes "0"; allowed is 1 to 4096 bytes as pairs of hexadecimal digits, such as 00ff`},
		{"answers: flip at 40000", `1:18: place "40000"; allowed is 0 to 32767`},
		{"answers: stall for 0s", `1:20: a time of nothing; allowed is above 0s, or no "for" at all, which is without end`},
		{"answers: close", `1:15: the line ends where end of a connection should be`},
		{"answers: close now", `1:16: "now" is no end of a connection; allowed is fin, rst`},
		{"answers: flood ff each 1µs", `1:24: time "1µs"; allowed is a time with its unit from 87µs to 8784h, such as 230ms`},
		{"answers: answer-as crc 1", `1:20: "crc" is no field; allowed is unit, function, transaction, length`},
		{"answers: answer-as unit 256", `1:25: unit "256"; allowed is 0 to 255, a step such as +1 or -1, or random`},
		{"answers: answer-as unit +0", `1:25: unit "+0"; allowed is 0 to 255, a step such as +1 or -1, or random`},
		{"answers: drop wiht 5%", `1:15: "wiht" is no condition; allowed is with, every, from, to, once, times, overtake`},
		{"answers: drop with 0%", `1:20: chance "0%"; allowed is above 0% and up to 100%, such as 2.5%`},
		{"answers: drop with 100.000001%", `1:20: chance "100.000001%"; allowed is above 0% and up to 100%, such as 2.5%`},
		{"answers: drop with 5.+5%", `1:20: chance "5.+5%"; allowed is above 0% and up to 100%, such as 2.5%`},
		{"answers: drop with 5", `1:20: chance "5"; allowed is above 0% and up to 100%, such as 2.5%`},
		{"answers: drop once times 2", `1:20: "times" is given twice`},
		{"answers: drop from 1h from 2h", `1:23: "from" is given twice`},
		{"answers: drop from 5 to 4", `1:22: from is not before to, so the rule never applies`},
		{"answers: drop from 2h to 1h", `1:23: from is not before to, so the rule never applies`},
		{"seed 0", `1:6: seed "0"; allowed is a whole number from 1 to 18446744073709551615`},
		{"seed 1\nseed 2", `2:6: a second seed; a script has one`},
		{"seed 1 2", `1:8: "2" where the line should end`},
		{"ä: drop\nanswers: \x1b[2J", `1:1: "ä" is no direction; allowed is requests, answers, both` + "\n" +
			`2:10: "\x1b[2J" is no verb; allowed is deliver, delay, drop, duplicate, reorder, split, join, flip, ` +
			`insert, stall, close, half-open, drip, flood, answer-as`},
	} {
		s, err := Parse(c.text)
		var faults Faults
		if !errors.As(err, &faults) || err.Error() != c.want {
			t.Errorf("%q:\n got %v\nwant %s", c.text, err, c.want)
		}
		if !reflect.DeepEqual(s, Script{}) {
			t.Errorf("%q: a script beside the error: %+v", c.text, s)
		}
	}
}

func TestScriptHasALength(t *testing.T) {
	if _, err := Parse(strings.Repeat("answers: drop\n", MaxRules)); err != nil {
		t.Errorf("%d rules: %v", MaxRules, err)
	}
	if _, err := Parse(strings.Repeat("answers: drop\n", MaxRules+1)); err == nil || err.Error() != "1001:1: more than 1000 rules" {
		t.Errorf("%d rules: %v", MaxRules+1, err)
	}
}

func TestStartRefuses(t *testing.T) {
	for _, c := range []struct {
		script Script
		want   string
	}{
		{Script{Rules: []Rule{{Direction: Answers, OfUnit: true, Unit: 17, Verb: Drop}}},
			`fault script: "answers of unit 17: drop" looks into frames, and the framing of this link is not known`},
		{Script{Rules: []Rule{{Direction: Both, Verb: AnswerAs, Field: UnitField}}},
			`fault script: "both: answer-as unit random" looks into frames, and the framing of this link is not known`},
		{Script{Rules: []Rule{{Direction: Both, Verb: Drop, Gap: time.Second}}},
			"fault script: a rule has a value that its verb does not use"},
		{Script{Rules: []Rule{{}}}, `fault script: 1:1: "(0)" is no direction; allowed is requests, answers, both`},
		{Script{Rules: []Rule{{Direction: Both, Verb: Verb(99)}}}, ""},
	} {
		run, err := c.script.Start(nil)
		if err == nil || run != nil || c.want != "" && err.Error() != c.want {
			t.Errorf("%+v:\n got %v, %v\nwant %s", c.script.Rules, run, err, c.want)
		}
	}
}

// FuzzFaultScript: what is read is written so that it reads back to the same
// script; what is refused has faults with places inside the text; and a script
// that starts keeps its bounds on any chunk.
func FuzzFaultScript(f *testing.F) {
	f.Add(example)
	for line := range strings.Lines(example) {
		f.Add(line)
	}
	f.Add("both: duplicate\nboth: split 64\nboth: insert 64 bytes\nboth: join 64\nboth: reorder 64")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Parse(text)
		if err != nil {
			var faults Faults
			if !errors.As(err, &faults) || len(faults) == 0 || len(s.Rules) > 0 {
				t.Fatalf("%q: %+v, %v", text, s, err)
			}
			for _, x := range faults {
				if x.Line < 1 || x.Line > strings.Count(text, "\n")+1 || x.Column < 1 || x.Message == "" {
					t.Fatalf("%q: fault %+v", text, x)
				}
			}
			return
		}
		again, err := Parse(s.String())
		if err != nil || !reflect.DeepEqual(again, s) {
			t.Fatalf("%q\nreads %+v\nagain %+v, %v", text, s, again, err)
		}
		run, err := s.Start(rtuShaper{})
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		for _, filter := range []Filter{run.Requests(), run.Answers()} {
			for n := range 5 {
				ds := filter.Deliveries(make([]byte, n*n))
				pieces, made := measure(ds)
				if pieces > 2*MaxPieces+3*MaxRules || made > 2*MaxMade {
					t.Fatalf("%q: %d deliveries, %d bytes of a chunk of %d", text, pieces, made, n*n)
				}
				for _, d := range ds {
					if d.Delay < 0 || d.For < 0 {
						t.Fatalf("%q: %+v", text, d)
					}
				}
			}
		}
	})
}
