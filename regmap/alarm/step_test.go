package alarm

import (
	"math"
	"math/big"
	"testing"
	"time"
)

func rat(text string) *big.Rat {
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		panic("no number: " + text)
	}
	return r
}

// The limits of the cistern: 2.60 m high, 0.30 m low, 0.05 m deadband.
var (
	high    = Limit{Kind: High, Value: rat("2.60")}
	low     = Limit{Kind: Low, Value: rat("0.30")}
	healthy = Limit{Kind: Bit}
)

func with(l Limit, change func(*Limit)) Limit {
	change(&l)
	return l
}

func deadband(text string) func(*Limit) { return func(l *Limit) { l.Deadband = rat(text) } }

// step is one line of a script: at a second something is read or done.
type step struct {
	second float64
	do     string // a number, "on", "off", "bad", "ack", "reset"
	want   Condition
	event  Event
}

const (
	opc     = "OPC 10000-9, annex B.1.5"
	isa     = "ISA-18.2-2016, alarm states (from memory)"
	common  = "common practice"
	project = "the standards are silent; as the package says"
)

var scripts = []struct {
	src, rule string
	limit     Limit
	steps     []step
}{
	{project, "a value at a high limit is inside, one above is beyond", high, []step{
		{0, "2.60", Normal, NoEvent},
		{1, "2.600000000000000000000000000001", ActiveNotAcknowledged, Raised},
		{2, "2.60", ReturnedNotAcknowledged, Returned},
	}},
	{project, "a value at a low limit is inside, one below is beyond", low, []step{
		{0, "0.30", Normal, NoEvent},
		{1, "0.299999999999999999999999999999", ActiveNotAcknowledged, Raised},
		{2, "0.30", ReturnedNotAcknowledged, Returned},
	}},
	{isa, "acknowledged while active, it is normal on return", high, []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "ack", ActiveAcknowledged, Acknowledged},
		{2, "2.7", ActiveAcknowledged, NoEvent},
		{3, "ack", ActiveAcknowledged, NoEvent},
		{4, "2.0", Normal, Returned},
		{5, "ack", Normal, NoEvent},
	}},
	{isa, "returned first, it waits for its acknowledgement", high, []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.0", ReturnedNotAcknowledged, Returned},
		{2, "2.0", ReturnedNotAcknowledged, NoEvent},
		{3, "ack", Normal, Acknowledged},
	}},
	{isa, "raised again before the acknowledgement, it is active again", high, []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.0", ReturnedNotAcknowledged, Returned},
		{2, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{opc, "a deadband keeps it active until the value is back inside by it; high", with(high, deadband("0.05")), []step{
		{0, "2.61", ActiveNotAcknowledged, Raised},
		{1, "2.59", ActiveNotAcknowledged, NoEvent},
		{2, "2.550000000000000000000000000001", ActiveNotAcknowledged, NoEvent},
		{3, "2.55", ReturnedNotAcknowledged, Returned},
	}},
	{opc, "a deadband keeps it active until the value is back inside by it; low", with(low, deadband("0.05")), []step{
		{0, "0.29", ActiveNotAcknowledged, Raised},
		{1, "0.31", ActiveNotAcknowledged, NoEvent},
		{2, "0.349999999999999999999999999999", ActiveNotAcknowledged, NoEvent},
		{3, "0.35", ReturnedNotAcknowledged, Returned},
	}},
	{common, "a deadband plays no part before the alarm", with(high, deadband("0.05")), []step{
		{0, "2.58", Normal, NoEvent},
		{1, "2.60", Normal, NoEvent},
	}},
	{opc, "an on-delay holds the alarm back until the condition has lasted", with(high, func(l *Limit) { l.OnDelay = 5 * time.Second }), []step{
		{10, "2.7", Normal, NoEvent},
		{12, "2.7", Normal, NoEvent},
		{14.999999999, "2.7", Normal, NoEvent},
		{15, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{opc, "a condition that ends begins its on-delay anew", with(high, func(l *Limit) { l.OnDelay = 5 * time.Second }), []step{
		{0, "2.7", Normal, NoEvent},
		{4, "2.7", Normal, NoEvent},
		{4.5, "2.60", Normal, NoEvent},
		{5, "2.7", Normal, NoEvent},
		{9.9, "2.7", Normal, NoEvent},
		{10, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{common, "inside the deadband is not beyond: the on-delay begins anew", with(with(high, deadband("0.05")), func(l *Limit) { l.OnDelay = 5 * time.Second }), []step{
		{0, "2.7", Normal, NoEvent},
		{4, "2.58", Normal, NoEvent},
		{5, "2.7", Normal, NoEvent},
		{10, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{opc, "an off-delay keeps it active for a while after the return", with(high, func(l *Limit) { l.OffDelay = 3 * time.Second }), []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.0", ActiveNotAcknowledged, NoEvent},
		{3.999999999, "2.0", ActiveNotAcknowledged, NoEvent},
		{4, "2.0", ReturnedNotAcknowledged, Returned},
	}},
	{opc, "beyond again within the off-delay is no new alarm", with(high, func(l *Limit) { l.OffDelay = 3 * time.Second }), []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.0", ActiveNotAcknowledged, NoEvent},
		{2, "2.7", ActiveNotAcknowledged, NoEvent},
		{3, "2.0", ActiveNotAcknowledged, NoEvent},
		{5, "2.0", ActiveNotAcknowledged, NoEvent},
		{6, "2.0", ReturnedNotAcknowledged, Returned},
	}},
	{common, "inside the deadband is not back: the off-delay begins anew", with(with(high, deadband("0.05")), func(l *Limit) { l.OffDelay = 3 * time.Second }), []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.5", ActiveNotAcknowledged, NoEvent},
		{3, "2.58", ActiveNotAcknowledged, NoEvent},
		{4, "2.5", ActiveNotAcknowledged, NoEvent},
		{7, "2.5", ReturnedNotAcknowledged, Returned},
	}},
	{common, "acknowledging does not disturb a running off-delay", with(high, func(l *Limit) { l.OffDelay = 3 * time.Second }), []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.0", ActiveNotAcknowledged, NoEvent},
		{2, "ack", ActiveAcknowledged, Acknowledged},
		{3.9, "2.0", ActiveAcknowledged, NoEvent},
		{4, "2.0", Normal, Returned},
	}},
	{common, "acknowledging a return does not disturb the on-delay of the next alarm", with(high, func(l *Limit) { l.OnDelay = 5 * time.Second }), []step{
		{0, "2.7", Normal, NoEvent},
		{5, "2.7", ActiveNotAcknowledged, Raised},
		{6, "2.0", ReturnedNotAcknowledged, Returned},
		{7, "2.7", ReturnedNotAcknowledged, NoEvent},
		{8, "ack", Normal, Acknowledged},
		{11.9, "2.7", Normal, NoEvent},
		{12, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{isa, "a latch stays after return until it is acknowledged", with(high, func(l *Limit) { l.Latch = true }), []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.0", Latched, Returned},
		{2, "2.0", Latched, NoEvent},
		{3, "ack", Normal, Acknowledged},
	}},
	{isa, "an acknowledgement before the return does not open the latch", with(high, func(l *Limit) { l.Latch = true }), []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "ack", ActiveAcknowledged, Acknowledged},
		{2, "2.0", Latched, Returned},
		{3, "2.7", ActiveNotAcknowledged, Raised},
		{4, "2.0", Latched, Returned},
		{5, "reset", Normal, Reset},
		{6, "reset", Normal, NoEvent},
	}},
	{common, "a reset leaves what is active alone", high, []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "reset", ActiveNotAcknowledged, NoEvent},
		{2, "ack", ActiveAcknowledged, Acknowledged},
		{3, "reset", ActiveAcknowledged, NoEvent},
		{4, "2.0", Normal, Returned},
		{5, "2.7", ActiveNotAcknowledged, Raised},
		{6, "2.0", ReturnedNotAcknowledged, Returned},
		{7, "reset", Normal, Reset},
	}},
	{project, "a bad reading holds the condition", high, []step{
		{0, "bad", Normal, NoEvent},
		{1, "2.7", ActiveNotAcknowledged, Raised},
		{2, "bad", ActiveNotAcknowledged, NoEvent},
		{1000, "bad", ActiveNotAcknowledged, NoEvent},
		{1001, "2.7", ActiveNotAcknowledged, NoEvent},
		{1002, "2.0", ReturnedNotAcknowledged, Returned},
		{1003, "bad", ReturnedNotAcknowledged, NoEvent},
	}},
	{project, "a bad reading stops the on-delay; it goes on at the next good one", with(high, func(l *Limit) { l.OnDelay = 5 * time.Second }), []step{
		{0, "2.7", Normal, NoEvent},
		{3, "2.7", Normal, NoEvent}, // 3 s seen
		{4, "bad", Normal, NoEvent},
		{100, "bad", Normal, NoEvent},
		{200, "2.7", Normal, NoEvent},
		{201.9, "2.7", Normal, NoEvent},
		{202, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{project, "a bad reading stops the off-delay", with(high, func(l *Limit) { l.OffDelay = 5 * time.Second }), []step{
		{0, "2.7", ActiveNotAcknowledged, Raised},
		{1, "2.0", ActiveNotAcknowledged, NoEvent},
		{2, "bad", ActiveNotAcknowledged, NoEvent},
		{100, "2.0", ActiveNotAcknowledged, NoEvent},
		{104.9, "2.0", ActiveNotAcknowledged, NoEvent},
		{105, "2.0", ReturnedNotAcknowledged, Returned},
	}},
	{project, "good readings between bad ones add up", with(high, func(l *Limit) { l.OnDelay = 2 * time.Second }), []step{
		{0, "2.7", Normal, NoEvent},
		{1, "2.7", Normal, NoEvent},
		{2, "bad", Normal, NoEvent},
		{3, "2.7", Normal, NoEvent},
		{4, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{project, "a clock that goes back counts as no time", with(high, func(l *Limit) { l.OnDelay = 5 * time.Second }), []step{
		{10, "2.7", Normal, NoEvent},
		{2, "2.7", Normal, NoEvent},
		{11, "2.7", Normal, NoEvent}, // 1 s, not 9
		{14.9, "2.7", Normal, NoEvent},
		{15, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{project, "a clock may begin anywhere", with(high, func(l *Limit) { l.OnDelay = 5 * time.Second }), []step{
		{-100, "2.7", Normal, NoEvent},
		{-95.1, "2.7", Normal, NoEvent},
		{-95, "2.7", ActiveNotAcknowledged, Raised},
	}},
	{common, "a bit is an alarm while it is active", healthy, []step{
		{0, "off", Normal, NoEvent},
		{1, "on", ActiveNotAcknowledged, Raised},
		{2, "bad", ActiveNotAcknowledged, NoEvent},
		{3, "off", ReturnedNotAcknowledged, Returned},
		{4, "ack", Normal, Acknowledged},
	}},
	{opc, "a bit waits for its delays too", Limit{Kind: Bit, OnDelay: 2 * time.Second, OffDelay: time.Second, Latch: true}, []step{
		{0, "on", Normal, NoEvent},
		{1, "off", Normal, NoEvent},
		{2, "on", Normal, NoEvent},
		{4, "on", ActiveNotAcknowledged, Raised},
		{5, "off", ActiveNotAcknowledged, NoEvent},
		{6, "off", Latched, Returned},
		{7, "reset", Normal, Reset},
	}},
	{project, "a number tells a bit nothing", healthy, []step{{0, "1", Normal, NoEvent}}},
	{project, "a bit tells a number nothing", low, []step{{0, "off", Normal, NoEvent}}},
	{project, "the zero limit is never raised", Limit{}, []step{{0, "1", Normal, NoEvent}, {1, "on", Normal, NoEvent}}},
}

// input is what a step of a script reads.
func input(do string) Input {
	switch do {
	case "on", "off":
		return OnOff(do == "on")
	case "bad":
		return Input{}
	}
	return Number(rat(do))
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

func TestScripts(t *testing.T) {
	for _, script := range scripts {
		var s State
		for _, step := range script.steps {
			before := s
			var c Change
			switch step.do {
			case "ack":
				s, c = script.limit.Acknowledge(s)
			case "reset":
				s, c = script.limit.Reset(s)
			default:
				s, c = script.limit.Step(s, input(step.do), seconds(step.second))
			}
			if s.Condition != step.want || c.Event != step.event {
				t.Errorf("%s (%s), %v s, %s: %s, %s; want %s, %s", script.rule, script.src, step.second, step.do, s.Condition, c.Event, step.want, step.event)
				break
			}
			want := Change{}
			if step.event != NoEvent {
				want = Change{Kind: script.limit.Kind, Event: step.event, From: before.Condition, To: step.want}
			}
			if c != want {
				t.Errorf("%s, %v s: change %+v, want %+v", script.rule, step.second, c, want)
			}
		}
	}
}

// TestScriptsMirrored: what holds for a high limit holds for a low one with
// every number negated.
func TestScriptsMirrored(t *testing.T) {
	ran := 0
	for _, script := range scripts {
		if script.limit.Kind != High {
			continue
		}
		mirror := with(script.limit, func(l *Limit) { l.Kind, l.Value = Low, new(big.Rat).Neg(l.Value) })
		var s State
		for _, step := range script.steps {
			switch step.do {
			case "ack":
				s, _ = mirror.Acknowledge(s)
			case "reset":
				s, _ = mirror.Reset(s)
			default:
				in := input(step.do)
				if in.Value != nil {
					in.Value = new(big.Rat).Neg(in.Value)
				}
				s, _ = mirror.Step(s, in, seconds(step.second))
			}
			if s.Condition != step.want {
				t.Errorf("%s, mirrored, %v s: %s, want %s", script.rule, step.second, s.Condition, step.want)
			}
		}
		ran++
	}
	if ran < 15 {
		t.Errorf("only %d scripts were mirrored", ran)
	}
}

// TestFloat: a float64 is compared as the binary fraction that it is. Source:
// IEEE 754-2008, 3.4 (from memory): the nearest binary64 to 0.1 is
// 0.1000000000000000055511151231257827...
func TestFloat(t *testing.T) {
	above := Limit{Kind: High, Value: rat("0.1")}
	if s, _ := above.Step(State{}, Float(0.1), 0); s.Condition != ActiveNotAcknowledged {
		t.Errorf("the float64 0.1 above the decimal 0.1: %s", s.Condition)
	}
	if s, _ := above.Step(State{}, Float(math.Nextafter(0.1, 0)), 0); s.Condition != Normal {
		t.Errorf("the float64 before 0.1: %s", s.Condition)
	}
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if in := Float(f); in.Good || in.Value != nil {
			t.Errorf("%v is taken as %+v", f, in)
		}
	}
}

// TestWholeClock: the difference between the two ends of the clock does not fit
// a Duration; it still counts as time.
func TestWholeClock(t *testing.T) {
	l := with(high, func(l *Limit) { l.OnDelay = math.MaxInt64 })
	s, _ := l.Step(State{}, input("2.7"), math.MinInt64)
	s, _ = l.Step(s, input("2.7"), math.MaxInt64)
	if s.Condition != ActiveNotAcknowledged {
		t.Errorf("after the whole clock: %+v", s)
	}
}

func TestCheck(t *testing.T) {
	for _, v := range []struct {
		limit Limit
		want  string
	}{
		{high, ""},
		{healthy, ""},
		{with(low, deadband("0")), ""},
		{Limit{}, "alarm limit: none is none of high-high, high, low, low-low, bit"},
		{Limit{Kind: 9, Value: rat("1")}, "alarm limit: kind(9) is none of high-high, high, low, low-low, bit"},
		{Limit{Kind: Low}, "alarm limit: low has no value"},
		{Limit{Kind: Bit, Value: rat("1")}, "alarm limit: the alarm of a bit has neither value nor deadband"},
		{Limit{Kind: Bit, Deadband: rat("1")}, "alarm limit: the alarm of a bit has neither value nor deadband"},
		{with(high, deadband("-0.5")), "alarm limit: high has the deadband -0.5; it is 0 or more"},
		{with(high, deadband("-1/3")), "alarm limit: high has the deadband -1/3; it is 0 or more"},
		{with(high, func(l *Limit) { l.OnDelay = -1 }), "alarm limit: high has the delay -1ns; it is 0 or more"},
		{with(high, func(l *Limit) { l.OffDelay = -1 }), "alarm limit: high has the off-delay -1ns; it is 0 or more"},
	} {
		got := ""
		if err := v.limit.Check(); err != nil {
			got = err.Error()
		}
		if got != v.want {
			t.Errorf("%+v: %q, want %q", v.limit, got, v.want)
		}
	}
}
