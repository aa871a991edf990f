package traffic

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"plumbline/decode"
)

// share is a part of a whole; 0 of nothing.
func share(part, whole uint64) float64 {
	if whole == 0 {
		return 0
	}
	return float64(part) / float64(whole)
}

// percent is a share for people: two digits that count.
func percent(v float64) string {
	v *= 100
	switch {
	case v == 0 || v >= 99.95:
		return fmt.Sprintf("%.0f %%", v)
	case v < 0.01:
		return "below 0.01 %"
	case v < 1:
		return strconv.FormatFloat(v, 'g', 2, 64) + " %"
	}
	return fmt.Sprintf("%.1f %%", v)
}

// span is a time for people: "23 ms", "1.5 s", "12 min", three digits at most.
func span(d time.Duration) string {
	digits := func(v float64) string {
		if v < 10 {
			return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
		}
		return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
	}
	switch {
	case d < time.Second:
		return digits(float64(d)/float64(time.Millisecond)) + " ms"
	case d < 2*time.Minute:
		return digits(d.Seconds()) + " s"
	case d < 2*time.Hour:
		return digits(d.Minutes()) + " min"
	}
	return digits(d.Hours()) + " h"
}

// moment is a time for people and files: RFC 3339, UTC, whole seconds.
func moment(s decode.Stamp) string {
	if s.Wall.IsZero() {
		return fmt.Sprintf("%.1f s after the start", s.Steady.Seconds())
	}
	return s.Wall.UTC().Format(time.RFC3339)
}

// count is a number with its noun.
func count(n uint64, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// roundUp is a time somebody would set: the next of two digits, the second a 0
// or a 5.
func roundUp(d time.Duration) time.Duration {
	step := time.Millisecond
	for step*100 <= d {
		step *= 10
	}
	if step*20 <= d { // two digits before the step
		step *= 5
	}
	return (d + step - 1) / step * step
}

// probit is the place below which a share p of a normal distribution lies, in
// standard deviations.
func probit(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// apart says how many standard errors two shares are from each other, the
// first above the second positive: the two-proportion test with the pooled
// share. Source: common practice of statistics.
func apart(a, b pauseBucket) float64 {
	if a.tries == 0 || b.tries == 0 {
		return 0
	}
	pooled := share(a.failed+b.failed, a.tries+b.tries)
	spread := math.Sqrt(pooled * (1 - pooled) * (1/float64(a.tries) + 1/float64(b.tries)))
	if spread == 0 {
		return 0
	}
	return (a.share() - b.share()) / spread
}
