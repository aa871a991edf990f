package poll

import (
	"testing"
	"testing/synctest"
	"time"

	"plumbline/regmap"
)

// TestDerivedPoints: worked out of the readings of the cycle, also where the
// inputs come in different requests; the worst quality of the inputs holds.
func TestDerivedPoints(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := load(t, `device: test
points:
  inflow: {holding-register: 0, type: uint16}
  outflow: {holding-register: 500, type: uint16, scale: {times: 0.1}}
  balance: {derive: 'p("inflow") - p("outflow")', units: m3/h, decimals: 1}
  twice: {derive: 'p("balance") * 2'}
`)
		r := newRig(m, &device{}, time.Second)
		r.Run(t.Context(), 1)
		for name, want := range map[string]string{"balance": "850", "twice": "1700"} {
			got := r.last()[name]
			if got.Value.Decimal() != want || got.Value.Quality() != regmap.Good || got.From == nil || got.Cycle != 1 {
				t.Errorf("%s = %s %s, want %s", name, got.Value.Decimal(), got.Value.Quality(), want)
			}
		}
		if got := r.last()["balance"]; got.Point.Shown(got.Value) != "850.0" {
			t.Errorf("shown %s", got.Point.Shown(got.Value))
		}
		r.device.missing = map[int]bool{500: true}
		time.Sleep(time.Second)
		r.Run(t.Context(), 1)
		got := r.last()["twice"]
		if got.Value.Kind() != regmap.None || got.Value.Cause() != regmap.Excepted || got.Reason != "balance: outflow: exception 02, illegal data address" || got.Last.Decimal() != "1700" {
			t.Errorf("twice: %s, %q, last %s", got.Value.Cause(), got.Reason, got.Last.Decimal())
		}
	})
}
