package simdevice

import (
	"testing"

	"plumbline/regmap"
)

func largeStation(t testing.TB) (*Station, []byte) {
	s := stationOf(t, "device: Large\npoints: {s: {holding-register: 0, type: string, length: 250}}\n", Options{})
	return s, pdu(3, 0, 125)
}

// A read makes no garbage.
func TestNoAllocs(t *testing.T) {
	s, request := largeStation(t)
	dst := make([]byte, 0, 260)
	if n := testing.AllocsPerRun(100, func() { dst = s.Answer(dst[:0], testUnit, request) }); n != 0 {
		t.Errorf("%v allocations a read of 125 registers", n)
	}
	if len(dst) != 252 {
		t.Errorf("%d bytes were answered", len(dst))
	}
	hooked := stationOf(t, hundred(""), Options{Hooks: Hooks{Bank: func(regmap.Unit, regmap.Span, []uint16, regmap.Contents) {}}})
	request = pdu(1, 0, 100)
	if n := testing.AllocsPerRun(100, func() { dst = hooked.Answer(dst[:0], testUnit, request) }); n != 0 {
		t.Errorf("%v allocations a read of 100 coils", n)
	}
}

func BenchmarkAnswer125Registers(b *testing.B) {
	s, request := largeStation(b)
	dst := make([]byte, 0, 260)
	b.ReportAllocs()
	for b.Loop() {
		dst = s.Answer(dst[:0], testUnit, request)
	}
}
