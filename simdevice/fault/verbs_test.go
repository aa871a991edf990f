package fault

import (
	"bytes"
	"encoding/hex"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// sent is what the station writes in the tests of the verbs: three chunks, a
// second apart.
var sent = []string{"11031201", "1103ff02", "110400"}

// heard runs a script over sent and gives what the client reads, a line each:
// the time, then the bytes or how the link ended.
func heard(t *testing.T, text string) (lines []string) {
	t.Helper()
	s, err := Parse(text)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	synctest.Test(t, func(t *testing.T) {
		run, err := s.Start(rtuShaper{})
		if err != nil {
			t.Fatal(err)
		}
		client, station := Pipe()
		run.Between(client, station)
		start := time.Now()
		for i, chunk := range sent {
			b, _ := hex.DecodeString(chunk)
			time.AfterFunc(time.Duration(i)*time.Second, func() { station.Write(b) })
		}
		client.SetReadDeadline(start.Add(time.Hour))
		buf := make([]byte, 64)
		for {
			n, err := client.Read(buf)
			at := time.Since(start).String()
			switch {
			case errors.Is(err, io.EOF):
				lines = append(lines, at+" fin")
			case errors.Is(err, ErrReset):
				lines = append(lines, at+" rst")
			case err == nil:
				lines = append(lines, at+" "+hex.EncodeToString(buf[:n]))
				if len(lines) < 20 {
					continue
				}
			}
			client.Close()
			station.Close()
			return
		}
	})
	return lines
}

func TestVerbs(t *testing.T) {
	for _, c := range []struct{ script, want string }{
		{"", "0s 11031201; 1s 1103ff02; 2s 110400"},
		{"requests: drop", "0s 11031201; 1s 1103ff02; 2s 110400"},
		{"answers: deliver 2 bytes from 2", "0s 11031201; 1s 1103; 2s 1104"},
		{"answers: deliver 9 bytes once", "0s 11031201; 1s 1103ff02; 2s 110400"},
		{"answers: delay 230ms once", "230ms 11031201; 1s 1103ff02; 2s 110400"},
		{"answers: delay 1.5s once", "1.5s 11031201; 1.5s 1103ff02; 2s 110400"}, // order kept
		{"answers: delay 1.5s once overtake", "1s 1103ff02; 1.5s 11031201; 2s 110400"},
		{"answers: drop every 2", "0s 11031201; 2s 110400"},
		{"both: drop 2 bytes at 1 once", "0s 1101; 1s 1103ff02; 2s 110400"},
		{"answers: drop 1 bytes at start\nanswers: drop 1 bytes at end", "0s 0312; 1s 03ff; 2s 04"},
		{"answers: drop 9 bytes once", "1s 1103ff02; 2s 110400"},
		{"answers: duplicate once", "0s 11031201; 0s 11031201; 1s 1103ff02; 2s 110400"},
		{"answers: duplicate after 1.2s once", "0s 11031201; 1.2s 11031201; 1.2s 1103ff02; 2s 110400"},
		{"answers: duplicate after 1.2s once overtake", "0s 11031201; 1s 1103ff02; 1.2s 11031201; 2s 110400"},
		{"answers: reorder 1 once", "1s 1103ff02; 1s 11031201; 2s 110400"},
		{"answers: reorder 2 once", "1s 1103ff02; 2s 110400; 2s 11031201"},
		{"answers: split at 1 gap 20ms once", "0s 11; 20ms 031201; 1s 1103ff02; 2s 110400"},
		{"answers: split at 9", "0s 11031201; 1s 1103ff02; 2s 110400"},
		{"answers: split 4 once", "0s 11; 0s 03; 0s 12; 0s 01; 1s 1103ff02; 2s 110400"},
		{"answers: split 99 gap 1ms from 3", "0s 11031201; 1s 1103ff02; 2s 11; 2.001s 04; 2.002s 00"},
		{"answers: join 2", "1s 110312011103ff02"}, // the third waits for a fourth
		{"answers: join 3 once", "2s 110312011103ff02110400"},
		{"answers: flip at 9 once", "0s 11011201; 1s 1103ff02; 2s 110400"},
		{"answers: flip at start once", "0s 10031201; 1s 1103ff02; 2s 110400"},
		{"answers: flip at end to 1", "0s 11031281; 1s 1103ff02; 2s 110400"},
		{"answers: flip at 4095", "0s 11031201; 1s 1103ff02; 2s 110400"},
		{"answers: flip 4096 bits once", "0s eefcedfe; 1s 1103ff02; 2s 110400"},
		{"answers: insert 00ff at start once", "0s 00ff11031201; 1s 1103ff02; 2s 110400"},
		{"answers: insert 7f at end from 1.5s", "0s 11031201; 1s 1103ff02; 2s 1104007f"},
		{"answers: insert 7f at 3 to 1.5s", "0s 1103127f01; 1s 1103ff7f02; 2s 110400"},
		{"answers: insert 7f at 30 from 3", "0s 11031201; 1s 1103ff02; 2s 1104007f"},
		{"answers: stall for 5s once", "5s 11031201; 5s 1103ff02; 5s 110400"},
		{"answers: stall from 2", "0s 11031201"},
		{"answers: close fin from 2 once", "0s 11031201; 1s 1103ff02; 1s fin"},
		{"answers: close rst from 2 once", "0s 11031201; 1s 1103ff02; 1s rst"},
		{"answers: deliver 2 bytes from 2\nanswers: close rst from 2", "0s 11031201; 1s 1103; 1s rst"},
		{"answers: delay 10ms\nanswers: close fin from 2", "10ms 11031201; 1.01s 1103ff02; 1.01s fin"},
		{"answers: half-open from 2", "0s 11031201"},
		{"answers: drip each 150ms once", "0s 11; 150ms 03; 300ms 12; 450ms 01; 1s 1103ff02; 2s 110400"},
		{"answers: drip 3 bytes each 150ms once", "0s 110312; 150ms 01; 1s 1103ff02; 2s 110400"},
		{"answers: flood ff each 400ms for 1s once", "0s 11031201; 0s ff; 400ms ff; 800ms ff; 1s 1103ff02; 2s 110400"},
		{"answers: flood ff each 400ms to 2", "0s 11031201; 0s ff; 400ms ff; 800ms ff; 1s 1103ff02; 1s ff; 1.4s ff; 1.8s ff; 2s 110400; " +
			"2.2s ff; 2.6s ff; 3s ff; 3.4s ff; 3.8s ff; 4.2s ff; 4.6s ff; 5s ff; 5.4s ff; 5.8s ff; 6.2s ff"},
		{"answers of unit 18: drop", "0s 11031201; 1s 1103ff02; 2s 110400"},
		{"answers of unit 17: drop every 3", "0s 11031201; 1s 1103ff02"},
		{"answers: drop times 2", "2s 110400"},
		// Rules work one after another, each on what the one before has made.
		{"answers: duplicate once\nanswers: split at 2 once", "0s 1103; 0s 1201; 0s 1103; 0s 1201; 1s 1103ff02; 2s 110400"},
		{"answers: close fin\nanswers: drop", "0s fin"},
	} {
		if got := strings.Join(heard(t, c.script), "; "); got != c.want {
			t.Errorf("%q:\n got %s\nwant %s", c.script, got, c.want)
		}
	}
}

// TestRandomVerbs looks at what random choice may do, for many seeds.
func TestRandomVerbs(t *testing.T) {
	frame := []byte{0x11, 0x03, 0x02, 0x01, 0x02, 0x38, 0xD6}
	all := func(ds []Delivery) (b []byte) {
		for _, d := range ds {
			b = append(b, d.Bytes...)
		}
		return b
	}
	for _, c := range []struct {
		rule string
		good func(ds []Delivery) bool
	}{
		{"flip", func(ds []Delivery) bool { return distance(all(ds), frame) == 1 }},
		{"flip 3 bits", func(ds []Delivery) bool { return distance(all(ds), frame) == 3 }},
		{"flip 2..5 bits", func(ds []Delivery) bool { n := distance(all(ds), frame); return n >= 2 && n <= 5 }},
		{"drop 2 bytes", func(ds []Delivery) bool { return len(all(ds)) == 5 }},
		{"insert 00", func(ds []Delivery) bool { return len(all(ds)) == 8 && bytes.Contains(all(ds), []byte{0}) }},
		{"insert 2..4 bytes at start", func(ds []Delivery) bool {
			return bytes.HasSuffix(all(ds), frame) && len(all(ds)) >= 9 && len(all(ds)) <= 11
		}},
		{"split 1..7", func(ds []Delivery) bool {
			return bytes.Equal(all(ds), frame) && len(ds) <= 7 && !slices.ContainsFunc(ds, func(d Delivery) bool { return len(d.Bytes) == 0 })
		}},
		{"delay 20ms..80ms", func(ds []Delivery) bool {
			return ds[0].Delay >= 20*time.Millisecond && ds[0].Delay <= 80*time.Millisecond
		}},
		{"stall for 1s..2s", func(ds []Delivery) bool { return ds[0].For >= time.Second && ds[0].For <= 2*time.Second }},
	} {
		outcomes := map[string]bool{}
		for seed := range uint64(200) {
			s, err := Parse("answers: " + c.rule)
			if err != nil {
				t.Fatal(err)
			}
			s.Seed = seed + 1
			run, err := s.Start(nil)
			if err != nil {
				t.Fatal(err)
			}
			ds := run.Answers().Deliveries(frame)
			if !c.good(ds) {
				t.Fatalf("%s, seed %d: %+v", c.rule, s.Seed, ds)
			}
			var key strings.Builder
			for _, d := range ds {
				key.WriteString(hex.EncodeToString(d.Bytes) + d.Delay.String() + d.For.String() + " ")
			}
			outcomes[key.String()] = true
		}
		if len(outcomes) < 4 {
			t.Errorf("%s: only %d different outcomes of 200 seeds", c.rule, len(outcomes))
		}
	}
}

// distance counts the bits in which a and b differ.
func distance(a, b []byte) (n int) {
	if len(a) != len(b) {
		return -1
	}
	for i := range a {
		for x := a[i] ^ b[i]; x != 0; x &= x - 1 {
			n++
		}
	}
	return n
}
