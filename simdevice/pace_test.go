package simdevice

import (
	"io"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/simdevice/fault"
)

// pacedTimes asks for count registers several times in a row and gives how long
// each answer took from the request to its last byte.
func pacedTimes(t *testing.T, s *Station, f line.Framing, count, times int) (out []time.Duration) {
	t.Helper()
	near, far := fault.Pipe()
	go s.ServeStream(t.Context(), far, f)
	defer near.Close()
	pdu, err := frame.Read(regmap.HoldingRegister, 0, count).Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	adu, err := frame.AppendADU(nil, frame.ADU{Framing: f, Unit: testUnit, PDU: pdu})
	if err != nil {
		t.Fatal(err)
	}
	answer := make([]byte, frame.ADULength(f, 2+2*count))
	for range times {
		began := time.Now()
		near.Write(adu)
		if _, err := io.ReadFull(near, answer); err != nil {
			t.Fatal(err)
		}
		out = append(out, time.Since(began))
	}
	return out
}

// A paced station takes the line's own time. Source: Modbus over Serial Line
// V1.02, 2.5.1.1 (11 bits a character on RTU, 3.5 characters of silence), 2.5.2
// (10 bits on ASCII, two characters a byte); the sums are made here.
func TestPace(t *testing.T) {
	for _, v := range []struct {
		name     string
		framing  line.Framing
		baud     int
		count    int
		least, f float64 // ms: without the silence behind the answer, and whole
	}{
		// 8 + 25 characters of 11 bits; 3.5 of them twice.
		{"10 registers, 19200", line.RTU, 19200, 10, 33 * 11 / 19.2, 40 * 11 / 19.2},
		{"100 registers, 9600", line.RTU, 9600, 100, 213 * 11 / 9.6, 220 * 11 / 9.6},
		{"10 registers, 115200", line.RTU, 115200, 10, 33 * 11 / 115.2, 33*11/115.2 + 3.5},
		// 17 + 11 + 2 x 20 characters of 10 bits.
		{"10 registers, ASCII 19200", line.ASCII, 19200, 10, 68 * 10 / 19.2, 68 * 10 / 19.2},
		// A gateway's line carries RTU.
		{"10 registers, gateway", line.MBAP, 19200, 10, 40 * 11 / 19.2, 40 * 11 / 19.2},
	} {
		synctest.Test(t, func(t *testing.T) {
			pace := line.Serial{Port: "pipe", Baud: v.baud, Parity: line.Even, Stop: 1}
			s := stationOf(t, hundred(""), Options{Pace: pace, Gap: frame.Gap35(pace)})
			for _, took := range pacedTimes(t, s, v.framing, v.count, 3) {
				if ms := took.Seconds() * 1000; ms < v.least-0.01 || ms > v.f+0.01 {
					t.Errorf("%s: %.3f ms, want %.3f to %.3f", v.name, ms, v.least, v.f)
				}
			}
		})
	}
}

// A paced answer comes in pieces, so that its first byte is not as late as its
// last, and one that takes longer than a client may leave it untaken is sent.
func TestPaceOfASlowLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pace := line.Serial{Port: "pipe", Baud: 300, Parity: line.Even, Stop: 1}
		s := stationOf(t, hundred(""), Options{Pace: pace, Gap: frame.Gap35(pace)})
		took := pacedTimes(t, s, line.RTU, 100, 1)[0]
		if want := time.Duration(213) * 11 * time.Second / 300; took < want || took > want+time.Second {
			t.Errorf("100 registers at 300 bit/s took %v, want %v", took, want)
		}
	})
}

// Two connections share one line behind a gateway.
func TestPaceIsOneLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		pace := line.DefaultSerial("pipe")
		s := stationOf(t, hundred(""), Options{Pace: pace})
		done := make(chan time.Duration, 2)
		for range 2 {
			go func() { done <- pacedTimes(t, s, line.MBAP, 10, 1)[0] }()
		}
		first, second := <-done, <-done
		one := 40 * 11 * time.Second / 19200
		if (first-one).Abs() > time.Millisecond || (second-2*one).Abs() > time.Millisecond {
			t.Errorf("two at once took %v and %v; one takes %v", first, second, one)
		}
	})
}
