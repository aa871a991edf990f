package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"plumbline/decode"
	"plumbline/decode/segment"
	"plumbline/poll/seek"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// How settings are tried; ours, but for the three exchanges (C14 of the abuse
// table).
const (
	findStay    = 4 * time.Second // at each setting
	findMore    = 3               // longer stays in all, where frames came but too few
	findPairs   = 3               // requests with their answers, to be believed
	findShare   = 0.5             // of the bytes, in certain frames
	findDamaged = 0.02            // of the characters, at most
	findEnough  = 512             // bytes without one certain frame: no need to stay
	findKept    = 16 << 10        // bytes looked at
)

// settingsOf is how a line is set, for people.
func settingsOf(l *line.Line) string {
	return seek.Settings{Framing: l.Framing, Serial: l.Serial}.String()
}

// A tried is what was heard at one setting.
type tried struct {
	at      seek.Settings
	bytes   int64
	damaged int
	pairs   int
	part    float64 // of the bytes, those in certain frames
	lasted  time.Duration
}

// fits says whether the setting is believed.
func (t *tried) fits() bool {
	return t.pairs >= findPairs && t.part >= findShare && float64(t.damaged) <= findDamaged*float64(t.bytes)
}

// String is "rtu 9600 8E1: 412 bytes, 3 matching exchanges, 97 % in frames".
func (t *tried) String() string {
	s := fmt.Sprintf("%s: %s, %s, %.0f %% in frames", t.at, count(int(t.bytes), "byte"), count(t.pairs, "matching exchange"), 100*t.part)
	if t.damaged > 0 {
		s += fmt.Sprintf(", %s damaged", count(t.damaged, "character"))
	}
	return s
}

// find tries settings one after the other and sets the line to those that fit.
func (j *listenJob) find(ctx context.Context, order []seek.Settings) error {
	say := j.streams.out
	if j.flags.asJSON {
		say = j.streams.err
	}
	if len(order) == 0 {
		return notUnderstood("no usual settings are left to try with those given")
	}
	worst := time.Duration(len(order)+findMore) * findStay
	fmt.Fprintf(say, "trying %s on %s, %.0f s each, only listening: %s at most\n", count(len(order), "setting"), paper.Text(j.line.Serial.Port), findStay.Seconds(), waited(worst))
	var best *tried
	more, heard := findMore, int64(0)
	for i, at := range order {
		t, err := j.try(ctx, at, &more)
		switch {
		case err != nil:
			return err
		case ctx.Err() != nil:
			return j.notFound(best, heard, "ended before settings were found")
		}
		heard += t.bytes
		if t.bytes > 0 || isTerminalOut(say) {
			fmt.Fprintf(say, "  %2d of %d  %s\n", i+1, len(order), &t)
		}
		if t.fits() {
			j.line.Framing, j.line.Serial = at.Framing, at.Serial
			fmt.Fprintf(say, "found %s: %s, %.0f %% of the bytes in frames\n", at, count(t.pairs, "matching exchange"), 100*t.part)
			return nil
		}
		if best == nil || t.part > best.part {
			best = &t
		}
	}
	return j.notFound(best, heard, "no settings were found")
}

// notFound is the end of a search without success.
func (j *listenJob) notFound(best *tried, heard int64, words string) error {
	if heard == 0 {
		return verdict{exitNoReply, fmt.Errorf("%s on %s, and nothing was heard at all: is anybody asking, is the pair connected, is it the right port", words, j.line.Serial.Port)}
	}
	if best.part > 0 {
		words += "; the nearest is " + best.String()
	} else {
		words += "; bytes came and made no frame at any: another protocol, a speed that is not usual, or a line that floats"
	}
	return verdict{exitWrong, fmt.Errorf("%s", words)}
}

// try listens at one setting, longer where frames come but too few.
func (j *listenJob) try(ctx context.Context, at seek.Settings, more *int) (tried, error) {
	l := *j.line
	l.Framing, l.Serial = at.Framing, at.Serial
	stream, err := j.open(ctx, &l)
	if err != nil {
		return tried{}, verdict{exitNoReply, err}
	}
	defer stream.Close()
	t := tried{at: at}
	began := j.clock()
	var kept []byte
	certain := 0
	for {
		staying, cancel := context.WithTimeout(ctx, findStay)
		w := newWire(&l, j.clock, j.source, hears{
			chunk: func(b []byte, _ decode.Stamp, damaged int) {
				t.bytes, t.damaged = t.bytes+int64(len(b)), t.damaged+damaged
				kept = append(kept, b[:min(len(b), findKept-len(kept))]...)
				if certain == 0 && t.bytes >= findEnough || t.bytes >= findKept {
					cancel()
				}
			},
			piece: func(p segment.Piece, _ bool) {
				if p.Kind == segment.Frame && p.Certainty == segment.Certain {
					certain++
				}
			},
			exchange: func(h segment.Heard) {
				if h.Outcome == segment.Answered && h.Answer.Kind == segment.Frame {
					if t.pairs++; t.pairs >= findPairs {
						cancel()
					}
				}
			},
		})
		err := w.listen(staying, stream)
		cancel()
		t.lasted = j.clock().Sub(began)
		t.part = partIn(kept, at.Framing)
		if err != nil && err != io.EOF {
			return t, verdict{exitNoReply, err}
		}
		if t.fits() || certain == 0 || t.pairs >= findPairs || *more == 0 || ctx.Err() != nil || t.bytes >= findKept {
			return t, nil
		}
		*more--
	}
}

// partIn is the share of bytes that are certain frames of a framing.
func partIn(b []byte, f line.Framing) float64 {
	for _, s := range segment.Guess(b) {
		if s.Framing == f {
			return s.Part
		}
	}
	return 0
}
