package sheet

import (
	"bytes"
	"os"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/agree"
	"plumbline/regmap/doc"
	"plumbline/regmap/paper"
)

// everyWord is a map with every key that a register list can say.
const everyWord = `device: "Skid; of \"two\" pumps"
about: Invented
revision: C
date: "2026-11-02"
author: Workshop
agreed: [{who: A; B, for: panel, date: "2026-11-04"}, {who: C, for: device, date: "2026-11-05"}]
limits: {registers: 100, coils: 800, write-registers: 50, write-coils: 60, gap: 6}
holes: {holding-register: [90-93, 95], coil: [7]}
points:
  a: {holding-register: 0, type: int16, scale: {exponent: {holding-register: 1}}, together: one, units: widgets}
  b: {holding-register: 2, type: bcd32, order: CDAB, counter: true, heartbeat: 5s, changes-within: 10m30s}
  c: {holding-register: 4, type: decimal-pair, tag: FQ-1, about: "=1+1", terminal: "X1; 3", owner: panel "side"}
  d: {holding-register: 6, type: signmag16, absent: [0x8000, 0x7FFF]}
  e: {holding-register: 7, type: bits, size: 32, bits: {0: {name: x, active: 0}, 1: {name: z, alarm: true, about: "said, so"}, 4-7: {name: y, values: {0: none, 3: "some; more"}}}}
  f: {holding-register: 9, type: bool, bit: 3, alarm: true}
  f2: {holding-register: 9, type: bool, bit: 4, active: 0}
  g: {reference: 30001, type: uint16, scale: {table: [[0, 0], [100, 1.5], [200, -7]], clamp: true}, units: m, decimals: 3}
  h: {input-register: 1, type: uint16, scale: {root: {raw: [0, 4000], value: [0, 120], cutoff: 2}}, range: [-5, 130]}
  i: {derive: 'p("g") - p("h")', units: m, tag: LDT-1, about: difference, alarm: {high: 2, off-delay: 1m}}
  j: {holding-register: 20, type: uint64, order: GHEFCDAB, absent: [0xFFFFFFFFFFFFFFFF, 9007199254740993]}
  k: {holding-register: 24, type: string, length: 8, order: BA, write: {}}
  k4: {holding-register: 28, type: string, length: 8}
  l: {coil: 5, write: {hold: 500ms}, active: 0}
  m: {holding-register: 40, type: int16, order: BA, scale: {times: -0.01, plus: 4}, write: {min: 0.5, max: 2.5, step: 0.5, function: 6, only-when: {n: remote, l: "true"}, read-back: g, outside: refuse}}
  n: {holding-register: 41, type: uint16, values: {0: "local, or off", 1: remote}, write: {max: 1, outside: ignore}}
  o: {input-register: 50, type: uint16, signal: 4-20mA, scale: {raw: [4000, 20000], value: [0, 3]}, alarm: {high-high: 2.85, high: 2.60, low: 0.30, low-low: 0.1, deadband: 0.05, delay: 5s, latch: true}}
  q: {holding-register: 60, type: uint16, changes-on-read: true, every: 1h}
  r: {holding-register: 40, type: uint16, overlay: true}
  s: {holding-register: 9998, type: float32}
  t: {holding-register: 65534, type: float32}
  a-name-of-more-than-forty-letters-in-a-map-stays-whole: {holding-register: 61, type: float64}
groups:
  pumps:
    name: pump-{n}
    count: 2
    stride: 10
    points:
      hours: {holding-register: 100, type: uint32, about: "Hours of pump {n}", scale: {exponent: {holding-register: 102}}}
`

// listed writes the register list of a map and reads it back as a map.
func listed(t *testing.T, m *regmap.Map, f paper.Format) *Result {
	t.Helper()
	var b bytes.Buffer
	if err := paper.Write(&b, agree.List(m, time.Date(2026, 11, 24, 0, 0, 0, 0, time.UTC)), f); err != nil {
		t.Fatal(err)
	}
	rows, err := Rows(File{"list" + string(f), b.Bytes()}, "")
	if err != nil {
		t.Fatal(err)
	}
	r, err := List("list"+string(f), rows, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestListRoundTrip: map, register list in CSV or XLSX, the same map: no
// difference of any weight, no question, nothing left out that matters.
func TestListRoundTrip(t *testing.T) {
	texts := exampleMaps(t)
	texts["words.yaml"] = []byte(everyWord)
	for file, text := range texts {
		rep := new(doc.Report)
		m := regmap.Load(file, text, rep, stationBlock())
		if m == nil {
			t.Fatalf("%s: %v", file, rep.Err())
		}
		for _, f := range []paper.Format{paper.CSV, paper.XLSX} {
			r := listed(t, m, f)
			if len(r.Questions) > 0 || r.Incomplete() || r.Map == nil {
				t.Errorf("%s%s: %s", file, f, words(r))
				continue
			}
			back := loads(t, r.Map)
			for _, d := range agree.Compare(m, back) {
				t.Errorf("%s%s: %s", file, f, d)
			}
			if a, b := len(m.Points), len(back.Points); a != b {
				t.Errorf("%s%s: %d points, %d came back", file, f, a, b)
			}
			if len(back.Agreed) != len(m.Agreed) {
				t.Errorf("%s%s: %v, %v", file, f, m.Agreed, back.Agreed)
			}
			if a, b := m.Layout().Limits(), back.Layout().Limits(); a != b {
				t.Errorf("%s%s: limits %+v, %+v", file, f, a, b)
			}
			hole := regmap.Span{Table: regmap.HoldingRegister, First: 95, Count: 1}
			if m.Layout().InHole(hole) != back.Layout().InHole(hole) {
				t.Errorf("%s%s: a hole is lost", file, f)
			}
		}
	}
}

// ownSeed is a short list of ours, with one row of each of its tables.
const ownSeed = "Coils\r\nReference,Address,Name,Type,Scale,Limits,Access,Asked for with,Also\r\n" +
	"40001,0,a,\"uint16, counter\",times 0.1,range from 0 to 9,\"read, write\",03,step 1; only-when b is on\r\n40002,1,w,bits,,,read,03,\r\n\r\n" +
	"Reference,Bits,Name,Means,About\r\n40002,0-1,w.x,a number of 2 bits,\r\n\r\nName,Number,Means\r\nw.x,0,idle\r\n\r\n" +
	"Name,Tag,Worked out of,Units,Limits,About\r\nd,,\"p(\"\"a\"\")\",m,alarm: high 2,\r\n\r\nKey of the map,Value\r\nagreed,A; B; C\r\nlimits.gap,4\r\nholes.coil,1-2\r\n"

// TestListSentBack: a list of ours that the other side has written in: their
// words are read as those of any list, and what is not understood is said.
func TestListSentBack(t *testing.T) {
	rep := new(doc.Report)
	m := regmap.Load("m.yaml", []byte("device: d\npoints:\n  a: {holding-register: 0, type: int16, decimals: 1}\n  w: {holding-register: 1, type: bits, bits: {0: x}}\n"), rep)
	var b bytes.Buffer
	if err := paper.Write(&b, agree.List(m, time.Time{}), paper.CSV); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	for old, with := range map[string]string{
		"40001,0,a,int16,read,03 00 00 00 01,decimals 1\r\n":     "40001,0,a,INT,read,03 00 00 00 01,decimals 1; please check\r\n40010,9,Pump 3 speed,REAL (low word first),R/W,,\r\n",
		"40002,0,w.x,active when 1,":                             "40002,0,w.x,perhaps,\r\n40002,1,v.x,active when 1,",
		"Key of the map,Value\r\n":                               "Key of the map,Value\r\ncolour,red\r\n",
		"holding-register,40001,40002,0-1,2,used\r\n":            "holding-register,40001,40002,0-1,2,used\r\n\r\nName,Number,Means\r\na,1\r\nq,1,on\r\n",
		"Reference,Address,Name,Type,Access,Asked for with,Also": "Reference,Address,Name,Type,Access,Asked for with,Also",
	} {
		if !strings.Contains(text, old) {
			t.Fatalf("the list has no %q:\n%s", old, text)
		}
		text = strings.Replace(text, old, with, 1)
	}
	rows, err := Rows(File{"list.csv", []byte(text)}, "")
	if err != nil {
		t.Fatal(err)
	}
	r, err := List("list.csv", rows, Options{})
	if err != nil {
		t.Fatal(err)
	}
	back := loads(t, r.Map)
	if p := back.Point("pump-3-speed"); p == nil || p.Address != 9 || !p.Writable() || p.Order.Letters(2) != "CDAB" {
		t.Errorf("%+v\n%s", p, r.Map)
	}
	if p := back.Point("a"); p == nil || p.Decimals != 1 || !strings.Contains(string(r.Map), "# not understood: please check") {
		t.Errorf("%s", r.Map)
	}
	got := words(r)
	for _, want := range []string{`"w.x" `, "what the bit means is not understood", "no bits of a word", "no key that a list says", "no number with its name", "not in the list"} {
		if !strings.Contains(strings.ReplaceAll(got, "w.x |", `"w.x" `), want) {
			t.Errorf("nothing says %q in\n%s", want, got)
		}
	}
}

// TestSeveralWorksheets: all worksheets of a book are read, each under the
// table that its name says; one that is no list is said.
func TestSeveralWorksheets(t *testing.T) {
	text, err := os.ReadFile("../../testdata/sheets/worksheets.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	for worksheet, want := range map[string]string{
		"":                  "input-register 30001 (address 0), input-register 30003-30004 (address 2-3), holding-register 40033 (address 32), coil 00001 (address 0)",
		"Holding registers": "holding-register 40033 (address 32)",
	} {
		rows, err := Rows(File{"book.xlsx", text}, worksheet)
		if err != nil {
			t.Fatal(err)
		}
		o := Options{CountFrom: CountFromZero}
		if worksheet != "" {
			o.Columns = map[string]string{"table": "holding-register"}
		}
		r, err := List("book.xlsx", rows, o)
		if err != nil {
			t.Fatal(err)
		}
		var places []string
		for _, p := range loads(t, r.Map).Points {
			places = append(places, p.Table.String()+" "+p.Span().String())
		}
		if got := strings.Join(places, ", "); got != want {
			t.Errorf("%q: %s, want %s\n%s", worksheet, got, want, words(r))
		}
		if says := strings.Contains(words(r), `the worksheet "Cover" has no heading`); says != (worksheet == "") {
			t.Errorf("%q: %s", worksheet, words(r))
		}
	}
}
