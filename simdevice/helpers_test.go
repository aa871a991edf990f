package simdevice

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// testUnit is the unit of the worked vectors, 0x11.
const testUnit regmap.Unit = 17

// mapOf loads a map given as text; a fault ends the test.
func mapOf(t testing.TB, text string) *regmap.Map {
	t.Helper()
	var rep doc.Report
	m := regmap.Load("test.yaml", []byte(text), &rep, Simulate())
	if m == nil {
		t.Fatalf("the map has faults:\n%v", rep.Err())
	}
	return m
}

func bankOf(t testing.TB, text string) *Bank {
	t.Helper()
	b, err := NewBank(mapOf(t, text))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func stationOf(t testing.TB, text string, o Options) *Station {
	t.Helper()
	s, err := New(map[regmap.Unit]*Bank{testUnit: bankOf(t, text)}, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// cistern is a map of the invented nursery's cistern with a point of every
// kind that the tests write or drive.
const cistern = `
device: Cistern transfer station
revision: B
limits: {gap: 2}
points:
  level: {input-register: 0, type: uint16, scale: {times: 0.001}, units: m}
  flow: {input-register: 2, type: float32, units: m3/h}
  run: {discrete-input: 0}
  alarm: {discrete-input: 9}
  pump: {coil: 0, write: {}}
  valve: {coil: 1}
  state:
    holding-register: 16
    type: bits
    write: {}
    bits: {0: pump-1-running, 1: {name: healthy, active: 0}, 4-5: {name: duty, values: {0: pump-1-leads, 1: pump-2-leads}}}
  lead-start: {holding-register: 32, type: int16, scale: {times: 0.001}, units: m, write: {min: 0.50, max: 2.50}}
  lag-start: {holding-register: 33, type: int16, scale: {times: 0.001}, write: {min: 0.50, max: 2.50, outside: ignore}}
  high-stop: {holding-register: 34, type: int16, scale: {times: 0.001}, write: {min: -2.50, max: 2.50, outside: accept}}
  low-stop: {holding-register: 35, type: int16, scale: {times: 0.001}, write: {min: 0.50, max: 2.50, outside: refuse}}
  total: {holding-register: 36, type: uint32, order: CDAB, write: {max: 100000}}
  rate: {holding-register: 38, type: float32, write: {min: 0.1, max: 10.7}}
  code: {holding-register: 40, type: bcd16, write: {max: 1000}}
  tag: {holding-register: 41, type: string, length: 4, write: {}}
  ready: {holding-register: 44, type: bool, bit: 3, write: {}}
  fault: {holding-register: 44, type: bool, bit: 4}
  serial-no: {holding-register: 50, type: uint16}
`

// hundred is a device with 100 of each table from address 0, all of them
// writable where the protocol can.
func hundred(extra string) string {
	var b strings.Builder
	b.WriteString("device: Hundred\npoints:\n")
	for i := range 100 {
		fmt.Fprintf(&b, "  h%d: {holding-register: %d, type: uint16, write: {}}\n", i, i)
		fmt.Fprintf(&b, "  i%d: {input-register: %d, type: uint16}\n", i, i)
		fmt.Fprintf(&b, "  c%d: {coil: %d, write: {}}\n", i, i)
		fmt.Fprintf(&b, "  d%d: {discrete-input: %d}\n", i, i)
	}
	return b.String() + extra
}

// unhex reads hex text with blanks.
func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatalf("%q: %v", s, err)
	}
	return b
}

// ask is the station's answer as hex with blanks; "" is silence.
func ask(t testing.TB, s *Station, u regmap.Unit, pdu string) string {
	t.Helper()
	return spaced(s.Answer(nil, u, unhex(t, pdu)))
}

func spaced(b []byte) string { return fmt.Sprintf("% X", b) }

// wants compares an answer.
func wants(t testing.TB, s *Station, pdu, want string) {
	t.Helper()
	if got := ask(t, s, testUnit, pdu); got != want {
		t.Errorf("%s: answer %q, want %q", pdu, got, want)
	}
}

// image is everything a bank holds, for comparing before and after.
func image(b *Bank) []uint16 {
	s := b.Snapshot()
	var all []uint16
	for _, t := range regmap.Tables {
		all = append(all, s.tables[t].cells...)
	}
	return all
}

// vector is what these tests need of a row of testdata/spec/vectors.yaml, in
// which each row names document and clause.
type vector struct {
	ID, Kind, Clause string
	Request          struct{ PDU, RTU, TCP, ASCII string }
	Response         struct{ PDU, RTU, TCP, ASCII string }
	Exception        uint8 `yaml:"exception_code"`
}

type vectorFile struct {
	Vectors    []vector
	Exceptions struct{ Vectors []vector }
	Serial     struct {
		Link []struct{ ID, RTU, ASCII, Expect, Clause string } `yaml:"link_vectors"`
	}
	TCP struct {
		Two struct{ Bytes string } `yaml:"two_adus_in_one_segment"`
	}
}

func vectors(t testing.TB) vectorFile {
	t.Helper()
	text, err := os.ReadFile("../testdata/spec/vectors.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var f vectorFile
	if err := yaml.NewDecoder(bytes.NewReader(text)).Decode(&f); err != nil {
		t.Fatal(err)
	}
	if len(f.Vectors) < 30 || len(f.Exceptions.Vectors) < 20 || len(f.Serial.Link) < 5 {
		t.Fatalf("only %d vectors, %d exceptions and %d link rows were read", len(f.Vectors), len(f.Exceptions.Vectors), len(f.Serial.Link))
	}
	return f
}

// find is the row of one vector.
func (f vectorFile) find(t testing.TB, id string) vector {
	t.Helper()
	for _, v := range append(f.Vectors, f.Exceptions.Vectors...) {
		if v.ID == id {
			return v
		}
	}
	t.Fatalf("no vector %q", id)
	return vector{}
}
