package gate

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/simdevice"
	"plumbline/simdevice/fault"
)

// presses are the 05 requests of a coil that the station saw, with their times.
func (r *rig) presses(a regmap.Address) (values []uint16, at []time.Duration) {
	for _, s := range r.changes() {
		if s.q.Function == frame.WriteSingleCoil && s.q.Address == a {
			values, at = append(values, s.q.Value), append(at, s.at)
		}
	}
	return values, at
}

// TestK10Pulse: pressed, held, released, read back.
func TestK10Pulse(t *testing.T) {
	for _, place := range []string{onTCP, onRTU} {
		bench(t, place, func(r *rig) {
			r.ends(r.set("reset", "on"), Done, 0, "reset of cistern reads off")
			values, at := r.presses(4)
			if !slices.Equal(values, []uint16{0xFF00, 0}) || at[1]-at[0] < 500*time.Millisecond || at[1]-at[0] > 600*time.Millisecond {
				r.Errorf("%s: pressed %x at %v", place, values, at)
			}
			if l := r.log.last("sending"); l["release"] != "0500040000" || l["hold_seconds"] != 0.5 {
				r.Errorf("the log's line does not say how it is released: %v", l)
			}
			if s := r.shown[0][0]; s.Hold != 500*time.Millisecond || len(s.Release) == 0 {
				r.Errorf("shown %+v", s)
			}
		})
	}
	bench(t, onTCP, func(r *rig) { // a button with feedback
		time.AfterFunc(time.Second, func() { r.publish("running", "on") })
		r.ends(r.set("start", "on"), Done, 0, "running of cistern reads on")
	})
	bench(t, onTCP, func(r *rig) { // a number that is given for a moment, then what stood there
		r.publish("code", "7")
		r.ends(r.set("code", "42"), Done, 0, "code of cistern reads 7")
		if c := r.changes(); len(c) != 2 || c[0].q.Value != 42 || c[1].q.Value != 7 {
			r.Errorf("%+v", c)
		}
	})
	bench(t, onTCP, func(r *rig) { // nothing to go back to
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if pdu[0] == 3 && pdu[2] == 31 {
				return append(dst, 3, 2, 0xFF, 0xFF)
			}
			return next(dst, u, pdu)
		}
		r.ends(r.set("rest", "5"), Refused, Pulse, "what it would go back to is not known")
	})
	bench(t, onTCP, func(r *rig) { // stuck, or another presses it
		r.publish("reset", "on")
		r.ends(r.set("reset", "on"), Refused, Pulse, "stands at on already")
		r.ends2(r.set("reset", "off"), Done)
		if values, _ := r.presses(4); !slices.Equal(values, []uint16{0}) {
			r.Errorf("pressed %x", values)
		}
	})
}

func (r *rig) ends2(rep Report, outcome Outcome) {
	r.Helper()
	if rep.Results[0].Outcome != outcome {
		r.Errorf("%s: %s", rep.Results[0].Outcome, rep.Results[0].Words)
	}
}

// TestK10TheReleaseIsNotForgotten: whatever becomes of the press, of the log and
// of the first releases.
func TestK10TheReleaseIsNotForgotten(t *testing.T) {
	lose := func(r *rig, which func(press bool, n int) bool) {
		n, lost := map[bool]int{}, false
		r.filter = func(request bool, chunk []byte) []fault.Delivery {
			if request && r.isWrite(chunk) {
				press := slices.Contains(chunk, 0xFF)
				n[press]++
				lost = which(press, n[press])
			} else if !request && lost {
				lost = false
				return nil
			}
			return whole(chunk, len(chunk))
		}
	}
	for _, place := range []string{onTCP, onRTU} {
		bench(t, place, func(r *rig) { // the press's answer is lost
			lose(r, func(press bool, _ int) bool { return press })
			r.ends(r.set("reset", "on"), Unknown, Sent, "not known")
			if values, _ := r.presses(4); !slices.Equal(values, []uint16{0xFF00, 0}) || r.holds("reset") != "off" {
				r.Errorf("%s: pressed %x, %s", place, values, r.holds("reset"))
			}
		})
		bench(t, place, func(r *rig) { // the answers to the first three releases are lost
			lose(r, func(press bool, n int) bool { return !press && n <= 3 })
			r.ends(r.set("reset", "on"), Done, 0, "")
			if values, _ := r.presses(4); !slices.Equal(values, []uint16{0xFF00, 0, 0, 0, 0}) {
				r.Errorf("%s: pressed %x", place, values)
			}
		})
	}
	bench(t, onTCP, func(r *rig) { // the log is full once it was pressed
		r.log.failAt = 4
		rep := r.set("reset", "on")
		if r.holds("reset") != "off" || rep.OK() || rep.LogError == nil {
			r.Errorf("%s, %+v", r.holds("reset"), rep)
		}
	})
}

// TestK10StuckIsShouted: no release is taken; a person is told at once.
func TestK10StuckIsShouted(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if pdu[0] == 5 && pdu[3] == 0 {
				return append(dst, 0x85, 4)
			}
			return next(dst, u, pdu)
		}
		rep := r.set("reset", "on")
		r.ends(rep, Failed, ReadBackStep, "reset of cistern may still be on")
		if len(r.shouts) != 1 || rep.Results[0].Held == "" || r.log.last("held") == nil || rep.OK() {
			r.Errorf("shouts %q, %+v", r.shouts, rep.Results[0])
		}
		if values, _ := r.presses(4); len(values) < 10 {
			r.Errorf("the release was tried %d times", len(values)-1)
		}
	})
	bench(t, onTCP, func(r *rig) { // refused outright: nothing is pressed, nothing to release
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if pdu[0] == 5 {
				return append(dst, 0x85, 2)
			}
			return next(dst, u, pdu)
		}
		r.ends(r.set("reset", "on"), Failed, Sent, "exception 02")
		if values, _ := r.presses(4); len(values) != 1 {
			r.Errorf("pressed %x", values)
		}
	})
}

// TestK11Several: all are checked before the first is sent, the order is kept,
// the first failure stops the rest, and the report says what was done.
func TestK11Several(t *testing.T) {
	bench(t, onTCP, func(r *rig) {
		rep := r.set("mode", "1", "dose", "3", "lead-start", "2.55")
		if got := rep.Results; got[0].Outcome != NotTried || got[1].Outcome != NotTried || got[2].Outcome != Refused || got[2].Step != RightValue {
			r.Errorf("%+v", rep)
		}
		if len(r.changes()) != 0 || len(r.asked) != 0 {
			r.Errorf("%d changes, %d questions", len(r.changes()), len(r.asked))
		}
		r.ends(r.set("mode", "1", "mode", "0"), Refused, Several, "named twice")
		r.ends(r.gate.Write(r.Context(), Job{Wants: []Want{r.want("dose", "3"), r.want("dose", "3")}}), Refused, Several, "named twice")
	})
	bench(t, onTCP, func(r *rig) {
		r.answer = func(dst []byte, u regmap.Unit, pdu []byte, next simdevice.Answerer) []byte {
			if pdu[0] == 16 {
				return append(dst, 0x90, 4)
			}
			return next(dst, u, pdu)
		}
		rep := r.set("mode", "1", "dose", "3", "lead-start", "1.65")
		if got := rep.Results; got[0].Outcome != Done || got[1].Outcome != Failed || got[2].Outcome != NotTried || rep.OK() {
			r.Errorf("%+v", rep)
		}
		if r.holds("mode") != "off" || r.holds("lead-start") != "1.600" {
			r.Errorf("mode %s, lead-start %s: no undo, and nothing behind the failure", r.holds("mode"), r.holds("lead-start"))
		}
	})
	bench(t, onTCP, func(r *rig) { // one that would be is refused by what an earlier one did
		rep := r.set("remote", "off", "lead-start", "1.65")
		if got := rep.Results; got[0].Outcome != Done || got[1].Outcome != Refused || got[1].Step != Moment {
			r.Errorf("%+v", rep)
		}
	})
	bench(t, onTCP, func(r *rig) {
		r.ends2(r.set("mode", "1", "dose", "3", "word.first", "on"), Done)
		var functions []frame.Function
		for _, c := range r.changes() {
			functions = append(functions, c.q.Function)
		}
		if !slices.Equal(functions, []frame.Function{6, 16, 22}) {
			r.Errorf("sent %v", functions)
		}
		if rep := r.gate.Write(r.Context(), Job{}); rep.OK() {
			r.Error("nothing is to be written, and that went well")
		}
	})
}

const twoStations = "identity: {point: serial-no, value: 4711}}\n  18: {name: garden, map: MAP, write: true}"

// all is the same point of every station.
func (r *rig) all(point, text string) (wants []Want) {
	for i := range r.line.Stations {
		wants = append(wants, r.wantOf(&r.line.Stations[i], point, text))
	}
	return wants
}

// TestK12Broadcast: by its own flag, every station named, each read afterwards.
func TestK12Broadcast(t *testing.T) {
	const one = "identity: {point: serial-no, value: 4711}}"
	same := []string{one, strings.Replace(twoStations, "MAP", "bench.yaml", 1)}
	bench(t, onRTU, func(r *rig) {
		rep := r.gate.Write(r.Context(), Job{Wants: r.all("lag-start", "2.25"), Broadcast: true})
		r.ends(rep, Done, 0, "lag-start of cistern reads 2.250 m, lag-start of garden reads 2.250 m")
		if c := r.changes(); len(c) != 1 || c[0].unit != 0 {
			r.Errorf("%+v", c)
		}
		notes := strings.Join(r.shown[0][0].Notes, "\n")
		if len(r.shown[0][0].Targets) != 2 || !strings.Contains(notes, "cistern (unit 17), garden (unit 18)") {
			r.Errorf("shown %+v", r.shown[0][0])
		}
		if len(r.asked) != 2 || r.asked[1].Wants != "garden" { // garden has no identity
			r.Errorf("%+v", r.asked)
		}
		if l := r.log.last("sending"); l["unit"] != 0.0 || len(l["stations"].([]any)) != 2 {
			r.Errorf("%v", l)
		}
	}, same...)
	bench(t, onRTU, func(r *rig) { // one of them does not keep it
		garden := simdevice.Set{Point: r.line.Stations[1].Map.Point("lag-start"), Value: regmap.IntValue(1)}
		r.filter = func(request bool, chunk []byte) []fault.Delivery {
			if request && r.isWrite(chunk) {
				time.AfterFunc(20*time.Millisecond, func() { r.station.Bank(18).Publish(garden) })
			}
			return whole(chunk, len(chunk))
		}
		rep := r.gate.Write(r.Context(), Job{Wants: r.all("lag-start", "2.25"), Broadcast: true})
		r.ends(rep, Failed, ReadBackStep, "lag-start of cistern reads 2.250 m, lag-start of garden reads 1.000 m")
	}, same...)
	bench(t, onRTU, func(r *rig) {
		rep := r.gate.Write(r.Context(), Job{Wants: r.all("lag-start", "2.25")[:1], Broadcast: true})
		r.ends(rep, Refused, Broadcast, "garden (unit 18) is not among those")
		rep = r.gate.Write(r.Context(), Job{Wants: r.all("reset", "on"), Broadcast: true})
		r.ends(rep, Refused, Broadcast, "is a pulse")
		rep = r.gate.Write(r.Context(), Job{Wants: r.all("mode", "1")}) // two writes, no broadcast
		r.ends(rep, Done, 0, "")
		if got := []string{r.asked[0].Wants, r.asked[1].Wants}; !slices.Equal(got, []string{"cistern/mode", "garden/mode"}) {
			r.Errorf("asked for %q, which both stations have", got)
		}
		if c := r.changes(); len(c) != 2 || c[0].unit != 17 || c[1].unit != 18 {
			r.Errorf("%+v", c)
		}
	}, same...)
	bench(t, onRTU, func(r *rig) {
		rep := r.gate.Write(r.Context(), Job{Wants: r.all("lag-start", "2.25"), Broadcast: true})
		r.ends(rep, Refused, Broadcast, "one request cannot mean the same to all")
	}, one, strings.Replace(twoStations, "MAP", "other.yaml", 1))
	bench(t, onRTU, func(r *rig) {
		rep := r.gate.Write(r.Context(), Job{Wants: r.all("lag-start", "2.25"), Broadcast: true})
		r.ends(rep, Refused, May, "garden: station garden may not be written")
	}, one, strings.Replace(strings.Replace(twoStations, "MAP", "bench.yaml", 1), "bench.yaml, write: true", "bench.yaml", 1))
	bench(t, onTCP, func(r *rig) {
		rep := r.gate.Write(r.Context(), Job{Wants: r.all("lag-start", "2.25"), Broadcast: true})
		r.ends(rep, Refused, Broadcast, "a broadcast is for serial lines")
	})
}
