package poll_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll"
	"plumbline/poll/link"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// A scripted asker answers each read with the truth; meanwhile something else
// may happen.
type scripted struct {
	clock   decode.Clock
	station station
	number  uint64
	before  func(number uint64) // called while the exchange is under way
}

func (s *scripted) Ask(_ context.Context, u regmap.Unit, q frame.Request, _ ...link.Option) (*decode.Exchange, error) {
	s.number++
	x := &decode.Exchange{ID: decode.ID{Source: 7, Number: s.number}, Framing: line.MBAP, Unit: u, Request: q,
		Tries: 1, Cause: regmap.NoCause, Asked: s.clock()}
	s.before(s.number)
	pdu, err := s.station.contents(u, q).Append(nil)
	if err != nil {
		return nil, err
	}
	x.Response, err = frame.Match(q, pdu)
	x.Left, x.First, x.Done = x.Asked, s.clock(), s.clock()
	return x, err
}

// doubtOf is a doubt of some exchanges of the scripted asker.
func doubtOf(first, last uint64) link.Doubt {
	return link.Doubt{First: decode.ID{Source: 7, Number: first}, Last: decode.ID{Source: 7, Number: last}}
}

// Three points are read by exchanges 1 to 3, a fourth is derived from the first
// two. What is doubted turns uncertain at the moment at which the doubt comes:
// in the pause of an hour, while the next exchange takes its time, and where
// the exchange under way is itself in doubt its readings never come good.
func TestADoubtIsGivenOnAtOnce(t *testing.T) {
	text := "device: Cistern\npoints:\n  inflow: {holding-register: 0, type: uint16}\n  outflow: {holding-register: 100, type: uint16}\n" +
		"  level: {holding-register: 200, type: uint16}\n  balance: {derive: 'p(\"inflow\") - p(\"outflow\")'}\n"
	for _, c := range []struct {
		name   string
		during uint64     // the exchange under way; 0: the pause after three
		doubt  link.Doubt // which comes then
		want   []string   // what turns uncertain, or comes so
	}{
		{"in the pause", 0, doubtOf(1, 1), []string{"inflow 30m0s", "balance 30m0s"}},
		{"in the pause, all", 0, doubtOf(1, 3), []string{"inflow 30m0s", "outflow 30m0s", "level 30m0s", "balance 30m0s"}},
		{"while another exchange takes its time", 3, doubtOf(1, 1), []string{"inflow 10s", "balance 20s"}},
		{"of the exchange under way", 2, doubtOf(1, 2), []string{"inflow 10s", "outflow 20s", "balance 20s"}},
		{"of nothing read here", 0, link.Doubt{First: decode.ID{Source: 8, Number: 1}, Last: decode.ID{Source: 8, Number: 9}}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				asker := &scripted{clock: decode.NewClock(), station: station{framing: line.MBAP}}
				l := line.Single(line.Line{Medium: line.TCP, Framing: line.MBAP, Host: "h", Port: 502, Every: time.Hour}, load(t, text), 17)
				var got []string
				p := poll.New(poll.Config{Line: l, Link: asker, Clock: asker.clock, Sink: func(e decode.Event) {
					for _, r := range e.Readings {
						if r.Value.Quality() == regmap.Uncertain && r.Value.Cause() == regmap.LateDoubt {
							got = append(got, fmt.Sprint(r.Point.Name, " ", asker.clock().Steady))
						}
					}
				}})
				asker.before = func(number uint64) {
					if number == c.during {
						time.Sleep(10 * time.Second) // virtual
						p.Doubt(c.doubt)
						time.Sleep(10 * time.Second)
					}
				}
				go p.Run(ctx, 0)
				if c.during == 0 {
					time.Sleep(30 * time.Minute)
					p.Doubt(c.doubt)
				}
				time.Sleep(50*time.Minute - asker.clock().Steady)
				synctest.Wait()
				if !slices.Equal(got, c.want) {
					t.Errorf("turned uncertain %q, want %q", got, c.want)
				}
			})
		})
	}
}
