package traffic

import (
	"testing"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

const points = `  level: {input-register: 0, type: uint16, scale: {raw: [4000, 20000], value: [0, 3.00]}, signal: 4-20mA, units: m, decimals: 2}
  flow: {input-register: 1, type: float32, units: m3/h}
  total: {input-register: 3, type: uint32, counter: true}
  speed: {input-register: 5, type: uint16}
  lead-start: {holding-register: 32, type: int16, scale: {times: 0.001}, units: m, write: {min: 0.50, max: 2.50}}
  serial-no: {holding-register: 48, type: uint32}
  pump-enable: {coil: 0, type: bool, write: {}}
`

// heardWith is a line heard from between with a map for unit 17.
func heardWith(t *testing.T, points string) (*State, *stream) {
	c := serial(line.Station{Unit: 17, Name: "cistern", Map: loadMap(t, points)})
	c.Seen = Between
	return start(t, c)
}

func TestOutsideMap(t *testing.T) {
	s, g := heardWith(t, points)
	g.read(17, regmap.InputRegister, 0, 6, ms(20))
	none(t, s, "outside-map")
	g.read(17, regmap.InputRegister, 0, 8, ms(20))
	f := one(t, s, "outside-map")
	says(t, f, "30007-30008 (address 6-7) is in no point", "asked to read input registers 30001-30008 (address 0-7), 1 time")
	if f.Claim != decode.Settled || !f.Trouble() || f.Exchanges[0].ID.Number != 2 {
		t.Errorf("%+v", f)
	}
	// Writes: what the map lets be written, and what it does not.
	s, g = heardWith(t, points)
	g.answer(17, frame.WriteRegister(32, 1800), ms(20), 6, 0, 32, 7, 8)
	g.answer(17, frame.WriteCoil(0, true), ms(20), 5, 0, 0, 0xFF, 0)
	none(t, s, "outside-map")
	g.answer(17, frame.WriteRegisters(48, 1, 2), ms(20), 16, 0, 48, 0, 2)
	says(t, one(t, s, "outside-map"), "told to write multiple registers 40049-40050", "does not let that be written")
}

func TestNeverAsked(t *testing.T) {
	s, g := heardWith(t, points)
	for range 25 {
		g.read(17, regmap.InputRegister, 0, 6, ms(20))
	}
	says(t, one(t, s, "never-asked"), "3 points of the map of unit 17 (cistern) were never read: lead-start, serial-no, pump-enable")
	own, g := start(t, serial(line.Station{Unit: 17, Map: loadMap(t, points)}))
	for range 25 {
		g.read(17, regmap.InputRegister, 0, 6, ms(20))
	}
	none(t, own, "never-asked")
}

// TestShifted: a whole pattern that fits when it is moved.
func TestShifted(t *testing.T) {
	in, holding := regmap.InputRegister, regmap.HoldingRegister
	for name, v := range map[string]struct {
		spans []regmap.Span
		code  string
		words string
	}{
		"right":      {[]regmap.Span{{Table: in, First: 0, Count: 6}, {Table: holding, First: 32, Count: 1}, {Table: holding, First: 48, Count: 2}}, "", ""},
		"too high":   {[]regmap.Span{{Table: in, First: 1, Count: 6}, {Table: holding, First: 33, Count: 1}, {Table: holding, First: 49, Count: 2}}, "off-by-one", "one address too high"},
		"too low":    {[]regmap.Span{{Table: holding, First: 31, Count: 1}, {Table: holding, First: 47, Count: 2}}, "off-by-one", "one address too low"},
		"table":      {[]regmap.Span{{Table: holding, First: 0, Count: 6}}, "wrong-table", "the table is the other one"},
		"references": {[]regmap.Span{{Table: holding, First: 40033, Count: 1}, {Table: holding, First: 40049, Count: 2}}, "reference-as-address", "reference numbers"},
		"one alone":  {[]regmap.Span{{Table: holding, First: 33, Count: 1}}, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			s, g := heardWith(t, points)
			for _, span := range v.spans {
				g.silent(17, frame.Read(span.Table, span.First, span.Count), ms(300))
			}
			if v.code == "" {
				none(t, s, "off-by-one", "wrong-table", "reference-as-address")
				return
			}
			f := one(t, s, v.code)
			says(t, f, v.words)
			if f.Claim != decode.Likely || f.Rank != Wrong || len(f.Exchanges) == 0 {
				t.Errorf("%+v", f)
			}
		})
	}
}

func TestTorn(t *testing.T) {
	s, g := heardWith(t, points)
	g.read(17, regmap.InputRegister, 0, 4, ms(20)) // the first half of total
	none(t, s, "torn-value")
	g.read(17, regmap.InputRegister, 4, 2, ms(20))
	f := one(t, s, "torn-value")
	if f.Subject != "total" || f.Claim != decode.Settled || len(f.Exchanges) != 2 {
		t.Errorf("%+v", f)
	}
	says(t, f, "takes 30004-30005 (address 3-4) and is read in two requests, 30001-30004 (address 0-3) and 30005-30006 (address 4-5)")
	g.read(17, regmap.InputRegister, 3, 2, ms(20)) // someone reads it whole
	none(t, s, "torn-value", "adjacent-reads")

	bare, g := start(t, serial())
	for range 4 {
		g.read(17, regmap.HoldingRegister, 7, 1, ms(20))
		g.read(17, regmap.HoldingRegister, 8, 1, ms(20))
	}
	if f := one(t, bare, "adjacent-reads"); f.Claim != decode.Hint {
		t.Errorf("%+v", f)
	}
}

func TestSteadyBits(t *testing.T) {
	s, g := heardWith(t, points)
	for i := range 200 {
		// level moves in steps of 16, speed never shows bit 3.
		g.read(17, regmap.InputRegister, 0, 6, ms(20), uint16(4000+16*(i%100)), 0, 0, 0, 0, uint16(i*37)&^8)
	}
	all := find(s, "steady-bits")
	if len(all) != 2 {
		t.Fatalf("%+v", all)
	}
	says(t, all[0], "speed of unit 17 (cistern) changed 199 times, and bits 0000000000001000 of it never")
	says(t, all[1], "level of unit 17 (cistern) changed 199 times, and its lowest 4 bits never: it moves in steps of 16")

	bare, g := start(t, serial())
	for i := range 300 {
		g.read(17, regmap.HoldingRegister, 0, 2, ms(20), uint16(i*37)&^8, uint16(i%2)) // the second is a status word
	}
	says(t, one(t, bare, "steady-bits"), "40001 (address 0)")
}

func TestFrozen(t *testing.T) {
	s, g := heardWith(t, points)
	for i := range 700 {
		g.read(17, regmap.InputRegister, 0, 6, ms(20), 12000, 0, 0, 0, 0, uint16(i))
		g.wait(ms(1000))
		if i == 90 {
			none(t, s, "frozen-value")
		}
	}
	f := one(t, s, "frozen-value")
	says(t, f, "level of unit 17 (cistern) did not change by a single count in", "(2EE0)")
	g.read(17, regmap.InputRegister, 0, 6, ms(20), 12001)
	none(t, s, "frozen-value")
}

// TestWrites: who wrote what, when, from what to what.
func TestWrites(t *testing.T) {
	s, g := heardWith(t, points)
	g.read(17, regmap.HoldingRegister, 32, 1, ms(20), 1600)
	g.answer(17, frame.WriteRegister(32, 1800), ms(20), 6, 0, 32, 7, 8)
	g.read(17, regmap.Coil, 0, 1, ms(20))
	g.answer(17, frame.WriteCoil(0, true), ms(20), 5, 0, 0, 0xFF, 0)
	g.answer(17, frame.WriteRegisters(60, 1, 2), ms(20), 0x90, 2)
	g.silent(0, frame.WriteCoil(0, false), 0)
	g.answer(17, frame.MaskWrite(32, 0xFFF0, 3), ms(20), 0x16, 0, 32, 0xFF, 0xF0, 0, 3)
	want := []string{"lead-start 1.600 m -> 1.800 m", "pump-enable off -> on", "40061-40062 (address 60-61) -> 0001 0002", "00001 (address 0) -> 0", "40033 (address 32) 0640 -> AND FFF0 OR 0003"}
	got := s.Writes()
	if len(got) != len(want) {
		t.Fatalf("%+v", got)
	}
	for i, w := range got {
		if w.words() != want[i] {
			t.Errorf("%q, want %q", w.words(), want[i])
		}
	}
	if got[2].Taken || got[2].How != "exception 02, illegal data address" || got[3].Taken || !got[0].Taken || s.broadcasts != 1 || s.units[0] != nil {
		t.Errorf("%+v", got)
	}
	all := find(s, "writes")
	if len(all) != 2 || all[0].Subject != "unit 17" || all[0].Trouble() {
		t.Fatalf("%+v", all)
	}
	says(t, all[0], "4 writes of unit 17 (cistern)", "1 of them were not confirmed")

	for i := range 200 {
		g.answer(17, frame.WriteRegister(32, uint16(i)), ms(20), 6, 0, 32, 0, byte(i))
	}
	list := s.Writes()
	if len(list) != firstWrites+latestWrites || list[0].words() != want[0] || list[len(list)-1].To != "0.199 m" || list[firstWrites].To != "0.152 m" {
		t.Errorf("%d kept, the first %q, then %q, the last %q", len(list), list[0].words(), list[firstWrites].To, list[len(list)-1].To)
	}
}
