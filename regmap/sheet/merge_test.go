package sheet

import (
	"errors"
	"strings"
	"testing"

	"plumbline/regmap/doc"
)

const mergeMap = `# The workshop's own remarks stay.
device: Cistern
points:
  # measured at the flange
  level:                        # see drawing 7
    tag: LT-101
    about: Liquid level
    input-register: 0           # first register
    type: uint16
    scale: {times: 0.001}
    units: m
    alarm: {high: 2.60, low: 0.30}
  flow: {tag: FT-101, about: Flow, reference: 30003, type: float32, units: m3/h}
  name: {about: "Name given on site", holding-register: '50', type: string, length: 12}
  old-one:
    holding-register: 90
    type: uint16
  state:
    holding-register: 16
    type: bits
    bits: {0: run}
  sum: {derive: 'p("flow") * 2'}

# of the station
simulate:
  points: {level: {start: 1.2}}
`

const mergeHead = "Register|Tag|Name|Type|Scale|Unit|R/W|Order"

// merge imports rows into mergeMap.
func merge(t *testing.T, text string, rows ...string) (string, []Change) {
	t.Helper()
	r, err := List("reissue.csv", rowsFrom(append([]string{mergeHead}, rows...)...), Options{})
	if err != nil || r.Map == nil {
		t.Fatalf("%+v, %v", r, err)
	}
	out, changes, err := r.Into("cistern.yaml", []byte(text), stationBlock())
	if err != nil {
		t.Fatal(err)
	}
	return string(out), changes
}

func kinds(changes []Change) string {
	var b strings.Builder
	for _, c := range changes {
		b.WriteString(c.Kind + " " + c.Point + "; ")
	}
	return b.String()
}

var unchanged = []string{
	"30001|LT-101|Level|UINT|0.001|m|R|", "30003|FT-101|Flow|REAL||m3/h|R|", "40051||Name|STRING[12]|||R|", "40091||Old one|UINT|||R|", "40017||State|WORD|||R|",
}

// TestMergeNothing: the same list changes no byte of the map.
func TestMergeNothing(t *testing.T) {
	out, changes := merge(t, mergeMap, unchanged...)
	if out != mergeMap || len(changes) != 0 {
		t.Errorf("%s\n%s", kinds(changes), out)
	}
}

// TestMergeInPlace: what moved and changed its type is spliced in; every other
// byte stays.
func TestMergeInPlace(t *testing.T) {
	out, changes := merge(t, mergeMap,
		"30101|LT-101|Tank level|INT|0.01|m|R|", // renamed, moved, retyped, scale differs
		"30103|FT-101|Flow|REAL||m3/h|R|CDAB",   // moved by reference, order
		"40061||Name|STRING[20]|||R|",           // moved, longer
		"40017||State|WORD|||R|",
		"40200||New one|REAL||bar|R|CDAB")
	want := strings.NewReplacer(
		"input-register: 0  ", "input-register: 100  ", "type: uint16\n    scale", "type: int16\n    scale",
		"reference: 30003, type: float32", "reference: 30103, order: CDAB, type: float32",
		"holding-register: '50', type: string, length: 12", "holding-register: 60, type: string, length: 20",
		"  sum: {derive: 'p(\"flow\") * 2'}\n", "  sum: {derive: 'p(\"flow\") * 2'}\n  # row 6: 40200 | New one | REAL | bar | R | CDAB\n"+
			"  new-one:\n    about: New one\n    reference: 40200\n    type: float32\n    order: CDAB\n    units: bar\n").Replace(mergeMap)
	if out != want {
		t.Errorf("got\n%s\nwant\n%s", out, want)
	}
	const all = "renamed level; moved level; retyped level; moved flow; retyped flow; moved name; retyped name; removed old-one; added new-one; differs level; "
	if got := kinds(changes); got != all {
		t.Errorf("got  %s\nwant %s\n%v", got, all, changes)
	}
	for _, c := range changes {
		if c.Kind == "removed" && !strings.Contains(c.Words, "stays in the map (line 15)") || c.Kind == "differs" && !strings.Contains(c.Words, "times 0.01, the map keeps times 0.001") {
			t.Errorf("%+v", c)
		}
	}
}

// TestMergeTable: a point that moved into another table, in both forms.
func TestMergeTable(t *testing.T) {
	out, changes := merge(t, mergeMap, "40301|LT-101|Level|UINT|0.001|m|R|", "40303|FT-101|Flow|REAL||m3/h|R|", unchanged[2], unchanged[3], unchanged[4])
	if !strings.Contains(out, "    holding-register: 300           # first register") || !strings.Contains(out, "reference: 40303") || kinds(changes) != "moved level; moved flow; " {
		t.Errorf("%s\n%s", kinds(changes), out)
	}
}

// TestMergeOrderBlock: an order that the map did not say, in a block.
func TestMergeOrderBlock(t *testing.T) {
	text := strings.Replace(mergeMap, "    type: uint16\n    scale", "    type: uint32\n    scale", 1)
	out, changes := merge(t, text, "30001|LT-101|Level|UDINT|0.001|m|R|low word first", unchanged[1], unchanged[2], unchanged[3], unchanged[4])
	if !strings.Contains(out, "    order: CDAB\n    type: uint32\n") || kinds(changes) != "retyped level; " {
		t.Errorf("%s\n%s", kinds(changes), out)
	}
	again, changes := merge(t, out, "30001|LT-101|Level|UDINT|0.001|m|R|byte swap", unchanged[1], unchanged[2], unchanged[3], unchanged[4])
	if !strings.Contains(again, "    order: BADC\n    type: uint32\n") || kinds(changes) != "retyped level; " {
		t.Errorf("%s\n%s", kinds(changes), again)
	}
}

// TestMergeRefused: a change that would put one point over another is left to
// a person, and the rest is done.
func TestMergeRefused(t *testing.T) {
	// over a point that the list no longer has
	out, changes := merge(t, mergeMap, "40091|LT-101|Level|UINT|0.001|m|R|", "40096||Extra|UINT|||R|", unchanged[1], unchanged[2], unchanged[4])
	if !strings.Contains(out, "input-register: 0 ") || !strings.Contains(kinds(changes), "by hand level") || !strings.Contains(kinds(changes), "added extra") {
		t.Errorf("%s\n%s", kinds(changes), out)
	}
	// a change of type that the point's other keys do not allow
	out, changes = merge(t, mergeMap, unchanged[0], unchanged[1], "40051||Name|UINT|||R|", unchanged[3], unchanged[4])
	if out != mergeMap || kinds(changes) != "by hand name; " {
		t.Errorf("%s\n%s", kinds(changes), out)
	}
}

// TestMergeFaulty: a map with faults is not touched.
func TestMergeFaulty(t *testing.T) {
	r, err := List("reissue.csv", rowsFrom(mergeHead, unchanged[0]), Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, changes, err := r.Into("x.yaml", []byte("device: x\n"))
	var faults doc.Faults
	if out != nil || changes != nil || !errors.As(err, &faults) {
		t.Errorf("%s, %v, %v", out, changes, err)
	}
}

// TestMergeGroups: points of a group have no place of their own to change.
func TestMergeGroups(t *testing.T) {
	text := "device: x\ngroups:\n  pumps:\n    name: pump-{n}\n    count: 2\n    stride: 10\n    points:\n      hours: {holding-register: 0, type: uint16}\npoints: {a: {coil: 0}}\n"
	r, err := List("x.csv", rowsFrom("Register|Name|Type", "40003|Pump 1 hours|UINT", "40011|Pump 2 hours|UINT", "00001|A|BOOL"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, changes, err := r.Into("x.yaml", []byte(text))
	if err != nil || string(out) != text || kinds(changes) != "by hand pump-1-hours; " {
		t.Errorf("%v\n%s\n%s", err, kinds(changes), out)
	}
}
