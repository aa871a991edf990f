package frame

import (
	"math"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

func serial(baud int) line.Serial { return line.Serial{Baud: baud, Parity: line.Even, Stop: 1} }

func near(got time.Duration, microseconds float64) bool {
	return math.Abs(float64(got)/float64(time.Microsecond)-microseconds) <= 1e-3
}

// Source: serial guide 2.5.1 and 2.5.1.1; the arithmetic of vectors.yaml.
func TestSilences(t *testing.T) {
	for _, row := range loadVectors(t).Serial.Silence {
		s := serial(row.Baud)
		if got := CharTime(s, line.RTU); !near(got, row.Char) {
			t.Errorf("%d: character %v, want %v us", row.Baud, got, row.Char)
		}
		if got := Gap15(s); !near(got, row.T15) {
			t.Errorf("%d: 1.5 characters %v, want %v us", row.Baud, got, row.T15)
		}
		if got := Gap35(s); !near(got, row.T35) {
			t.Errorf("%d: 3.5 characters %v, want %v us", row.Baud, got, row.T35)
		}
	}
}

// Start, data, parity or a second stop bit, stop: 11 bits in RTU, 10 in ASCII;
// 8N1, which the guide does not have, takes 10. Source: serial guide 2.5.1, 2.5.2.
func TestCharacters(t *testing.T) {
	for _, c := range []struct {
		s            line.Serial
		f            line.Framing
		microseconds float64
	}{
		{line.Serial{Baud: 9600, Parity: line.Even, Stop: 1}, line.RTU, 11 * 104.1667},
		{line.Serial{Baud: 9600, Parity: line.Odd, Stop: 1}, line.RTU, 11 * 104.1667},
		{line.Serial{Baud: 9600, Parity: line.None, Stop: 2}, line.RTU, 11 * 104.1667},
		{line.Serial{Baud: 9600, Parity: line.None, Stop: 1}, line.RTU, 10 * 104.1667},
		{line.Serial{Baud: 9600, Parity: line.Even, Stop: 1}, line.ASCII, 10 * 104.1667},
		{line.Serial{Baud: 9600, Parity: line.None, Stop: 2}, line.ASCII, 10 * 104.1667},
		{line.Serial{Baud: 9600, Parity: line.Even, Stop: 1}, line.MBAP, 0},
		{line.Serial{Parity: line.Even, Stop: 1}, line.RTU, 0},
		{line.Serial{Baud: -1, Parity: line.Even, Stop: 1}, line.RTU, 0},
	} {
		if got := CharTime(c.s, c.f); !near(got, c.microseconds) {
			t.Errorf("%v %v: %v, want %v us", c.s, c.f, got, c.microseconds)
		}
	}
	if Gap15(line.Serial{}) != 0 || Gap35(line.Serial{Baud: -9600}) != 0 {
		t.Error("a gap without a speed")
	}
}

// Request 8 characters, answer 5 + 2n, two silences of 3.5 characters, in
// milliseconds. Source: serial guide 2.5.1.1; the table was computed apart from
// this code.
func TestLineTime(t *testing.T) {
	for _, c := range []struct {
		baud     int
		ten, all float64
	}{
		{1200, 366.7, 2475.0}, {2400, 183.3, 1237.5}, {4800, 91.7, 618.8}, {9600, 45.8, 309.4},
		{19200, 22.9, 154.7}, {38400, 13.0, 78.8}, {57600, 9.8, 53.7}, {115200, 6.7, 28.6},
	} {
		for n, want := range map[int]float64{10: c.ten, 125: c.all} {
			got := LineTime(Read(regmap.HoldingRegister, 0, n), serial(c.baud), line.RTU)
			if ms := float64(got) / float64(time.Millisecond); math.Abs(ms-want) > 0.0501 {
				t.Errorf("%d bit/s, %d registers: %.3f ms, want %.1f", c.baud, n, ms, want)
			}
		}
	}
	// ASCII: 17 and 11 + 2 x 20 characters of 10 bits, no silence.
	if got := LineTime(Read(regmap.HoldingRegister, 0, 10), serial(9600), line.ASCII); !near(got/100, 68*10*1e4/9600) {
		t.Errorf("ASCII %v", got)
	}
	// 08/4 is never answered: 8 characters and a silence.
	if got := LineTime(Diagnose(ForceListenOnlyMode, 0), serial(9600), line.RTU); !near(got/100, 11.5*11*1e4/9600) {
		t.Errorf("listen only %v", got)
	}
	if LineTime(Read(regmap.Coil, 0, 1), serial(9600), line.MBAP) != 0 || LineTime(Request{}, serial(9600), line.RTU) != 0 {
		t.Error("line time of nothing")
	}
}

func TestAnswerLengths(t *testing.T) {
	for _, c := range []struct {
		q     Request
		n     int
		exact bool
	}{
		{Request{Function: 9}, MaxPDU, false},
		{Read(regmap.Coil, 0, 2000), 252, true},
		{Read(regmap.Coil, 0, 9), 4, true},
		{ReadWrite(0, 125, 0, 1), 252, true},
		{WriteCoils(0, true), 5, true},
		{MaskWrite(0, 1, 2), 7, true},
		{Diagnose(ReturnQueryData, 1, 2, 3), 9, true},
		{Diagnose(ReturnBusMessageCount, 0), 5, true},
		{Diagnose(ForceListenOnlyMode, 0), 0, true},
		{Request{Function: GetCommEventLog}, 72, false},
		{Request{Function: ReadFIFOQueue}, 67, false},
		{Request{Function: ReportServerID}, MaxPDU, false},
		{ReadDeviceID(DeviceIDBasic, 0), MaxPDU, false},
		{Request{Function: GetCommEventCounter}, 5, true},
		{Request{Function: ReadExceptionStatus}, 2, true},
	} {
		if n, exact := AnswerLength(c.q); n != c.n || exact != c.exact {
			t.Errorf("%v: %d, %v, want %d, %v", c.q.Function, n, exact, c.n, c.exact)
		}
	}
}
