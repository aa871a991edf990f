package process

import (
	"time"

	"plumbline/regmap/doc"
)

// perHour turns m3/h into m3/s.
const perHour = 1.0 / 3600

// mostFlow is more than any flow that is meant, m3/h.
const mostFlow = 1e6

// A profile is a flow over time, the sum of its parts. The zero profile is no
// flow.
type profile struct {
	constant float64  // m3/h
	daily    []corner // seconds of the day, m3/h
	storms   []storm
	series   []corner // seconds, m3/h
	repeat   bool     // the series begins again
}

// A storm rises straight to its peak and falls straight from it.
type storm struct {
	peak              float64 // m3/h
	begin, rise, fall time.Duration
	every             time.Duration // 0: once
}

const day = 24 * time.Hour

// at is the flow in m3/s at a time; clock is the time of day at the beginning.
func (p *profile) at(now, clock time.Duration) float64 {
	q := p.constant
	if p.daily != nil {
		q += p.ofDay(((now + clock) % day).Seconds())
	}
	for i := range p.storms {
		q += p.storms[i].at(now)
	}
	if p.series != nil {
		t, last := now.Seconds(), p.series[len(p.series)-1].x
		if p.repeat && t > last {
			t -= last * float64(int64(t/last))
		}
		q += between(p.series, t)
	}
	return q * perHour
}

// ofDay is the daily curve, straight over midnight too.
func (p *profile) ofDay(t float64) float64 {
	first, last := p.daily[0], p.daily[len(p.daily)-1]
	if t >= first.x && t <= last.x {
		return between(p.daily, t)
	}
	if t < first.x {
		t += day.Seconds()
	}
	return between([]corner{last, {first.x + day.Seconds(), first.y}}, t)
}

func (s *storm) at(now time.Duration) float64 {
	t := now - s.begin
	if s.every > 0 && t > 0 {
		t %= s.every
	}
	switch {
	case t <= 0 || t >= s.rise+s.fall:
		return 0
	case t < s.rise:
		return s.peak * t.Seconds() / s.rise.Seconds()
	}
	return s.peak * (s.rise + s.fall - t).Seconds() / s.fall.Seconds()
}

var stormTable = doc.NewTable(
	quantity("peak", "how much it brings at its height, beside the rest", "m3/h", 0, mostFlow, func(s *storm) *float64 { return &s.peak }).Must(),
	doc.Duration("begin", "when it begins", func(s *storm) *time.Duration { return &s.begin }),
	doc.Duration("rise", "how long it rises", func(s *storm) *time.Duration { return &s.rise }).Must(),
	doc.Duration("fall", "how long it falls", func(s *storm) *time.Duration { return &s.fall }).Must(),
	doc.Duration("every", "after how long it comes again; left out, never", func(s *storm) *time.Duration { return &s.every }),
)

var profileTable = doc.NewTable(
	quantity("constant", "a flow that does not change", "m3/h", 0, mostFlow, func(p *profile) *float64 { return &p.constant }),
	doc.Custom("daily", "a daily curve: pairs of time of day and m3/h, straight between them", cornersShape(doc.TimeSpan), readDaily),
	doc.Custom("storm", "a storm: a peak that comes and goes", stormTable.Shape(), func(p *profile, n doc.Node) {
		var s storm
		stormTable.Read(n, &s)
		if s.every > 0 && s.every < s.rise+s.fall {
			n.Fault("it comes again every %s, but lasts %s", s.every, s.rise+s.fall)
		}
		p.storms = append(p.storms, s)
	}),
	doc.Custom("series", "a recorded series: pairs of time and m3/h, straight between them", cornersShape(doc.TimeSpan), func(p *profile, n doc.Node) {
		if t, ok := corners(n, seconds, "m3/h", 0, mostFlow); ok {
			if p.series = t; t[0].x != 0 {
				n.Fault("a series begins at 0s")
			}
		}
	}),
	doc.Choice("then", "what comes after the series: hold keeps its last flow, repeat begins again; left out, hold", thenWords,
		func(p *profile, i int) { p.repeat = thenWords[i] == "repeat" }),
)

var thenWords = []string{"hold", "repeat"}

func readDaily(p *profile, n doc.Node) {
	t, ok := corners(n, seconds, "m3/h", 0, mostFlow)
	if !ok {
		return
	}
	if p.daily = t; t[0].x < 0 || t[len(t)-1].x >= day.Seconds() {
		n.Fault("times of day run from 0h to less than 24h")
	}
}

// profileField is a flow over time: what its parts bring is added up.
func profileField[T any](key, about string, at func(*T) *profile) doc.Field[T] {
	return doc.Custom(key, about+": constant, daily, storm and series are added up, m3/h", profileTable.Shape(), func(t *T, n doc.Node) {
		profileTable.Read(n, at(t))
	})
}
