package poll

import (
	"testing"
	"testing/synctest"
	"time"

	"plumbline/regmap/alarm"
)

// TestAlarms: the active limit stands in the reading, raised after its delay
// and over behind its deadband; changes are events. Registers hold address +
// 1000 + add.
func TestAlarms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := load(t, `device: test
points:
  level: {holding-register: 0, type: uint16, alarm: {high: 1010, high-high: 1020, deadband: 3, delay: 2s}}
  state: {holding-register: 8, type: bits, bits: {0: ready, 3: {name: fault, alarm: true}}}
  twice: {derive: 'p("level") * 2', alarm: {high: 2030}}
`)
		d := &device{}
		r := newRig(m, d, time.Second)
		step := func(add int, level, fault, twice string) {
			t.Helper()
			d.add = add
			r.Run(t.Context(), 1)
			time.Sleep(time.Second)
			last := r.last()
			if last["level"].Alarm != level || last["state.fault"].Alarm != fault || last["twice"].Alarm != twice {
				t.Errorf("add %d: %q %q %q, want %q %q %q", add, last["level"].Alarm, last["state.fault"].Alarm, last["twice"].Alarm, level, fault, twice)
			}
		}
		step(0, "", "", "")          // 1000; the word 1008 is 0x3F0: bit 3 is 0
		step(11, "", "bit", "")      // 1011 begins its delay; 1019 is 0x3FB
		step(11, "", "bit", "")      // one second
		step(11, "high", "bit", "")  // two
		step(21, "high", "", "high") // 1021 begins the next; 1029 is 0x405
		step(21, "high", "", "high")
		step(21, "high-high", "", "high")
		step(9, "high", "bit", "") // 1009: below the limit, not behind the deadband of the lower; 1017 is 0x3F9
		step(6, "", "", "")        // 1006
		var events []string
		for _, e := range r.events {
			if e.Alarm != nil {
				events = append(events, e.Alarm.Reading.Point.Name+" "+e.Alarm.Change.Kind.String()+" "+e.Alarm.Change.Event.String())
			}
		}
		if len(events) < 8 || events[0] != "state.fault "+alarm.Bit.String()+" raised" {
			t.Errorf("events %q", events)
		}
	})
}
