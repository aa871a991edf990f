package poll

import (
	"testing"
	"testing/synctest"
	"time"

	"plumbline/regmap"
)

// TestSignsOfLife: a heartbeat and a value that must change turn bad when they
// stand still for longer than the map allows, and good again when they move.
func TestSignsOfLife(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := load(t, "device: test\npoints:\n  beat: {holding-register: 0, type: uint16, heartbeat: 3s}\n"+
			"  slow: {holding-register: 1, type: uint16, changes-within: 10s, heartbeat: 1h}\n  free: {holding-register: 2, type: uint16}\n")
		r := newRig(m, &device{}, time.Second)
		quality := func(name string) regmap.Quality { return r.last()[name].Value.Quality() }
		r.Run(t.Context(), 4) // at 0, 1, 2, 3 s: not longer than 3 s
		if quality("beat") != regmap.Good {
			t.Errorf("after 3 s: %s", r.last()["beat"].Reason)
		}
		time.Sleep(time.Second)
		r.Run(t.Context(), 1)
		if got := r.last()["beat"]; got.Value.Cause() != regmap.Unchanged || got.Reason != "has not changed for 4 s; at most 3 s is allowed" {
			t.Errorf("after 4 s: %s, %q", got.Value.Cause(), got.Reason)
		}
		if got := r.last()["beat"]; got.Last.Kind() != regmap.Uint {
			t.Error("the last value is gone")
		}
		time.Sleep(time.Second)
		r.Run(t.Context(), 7) // to 11 s
		if quality("slow") != regmap.Bad || quality("free") != regmap.Good {
			t.Errorf("after 11 s: slow %s, free %s", quality("slow"), quality("free"))
		}
		r.device.add = 1
		time.Sleep(time.Second)
		r.Run(t.Context(), 1)
		if quality("beat") != regmap.Good || quality("slow") != regmap.Good {
			t.Errorf("moved: beat %s, slow %s", quality("beat"), quality("slow"))
		}
	})
}
