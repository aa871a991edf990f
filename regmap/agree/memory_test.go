package agree

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/paper"
)

// everyUse is a map with each use that an address can have.
const everyUse = `device: d
limits: {gap: 4}
holes: {holding-register: [20-23, 41, 1030-1099]}
points:
  state: {holding-register: 0, type: bits, bits: {0: ready}}
  running: {holding-register: 1, type: bool, bit: 0}
  remote: {holding-register: 1, type: bool, bit: 1}
  level: {holding-register: 2, type: int16, scale: {exponent: {holding-register: 3}}}
  flow: {holding-register: 4, type: float32}
  flow-high-word: {holding-register: 4, type: uint16, overlay: true}
  name: {holding-register: 15, type: string, length: 10}
  energy: {holding-register: 28, type: uint64}
  last: {holding-register: 65535, type: uint16}
  run: {coil: 3}
`

// TestMemory: every address of every table has one use, the same in the list
// of runs and in the picture's characters, and it is what the map says.
func TestMemory(t *testing.T) {
	m := loadText(t, everyUse)
	want := map[regmap.Table]map[string]string{
		regmap.Coil:            {"3": "used"},
		regmap.HoldingRegister: {"0-3": "used", "4": "overlaid", "5": "used", "15-19": "used", "20-23": "hole", "28-31": "used", "41": "hole", "1030-1099": "hole", "65535": "used"},
	}
	for _, table := range regmap.Tables {
		use := map[int]string{}
		for span, u := range want[table] {
			first, last := 0, 0
			if n, _ := fmt.Sscanf(span, "%d-%d", &first, &last); n == 1 {
				last = first
			}
			for a := first; a <= last; a++ {
				use[a] = u
			}
		}
		blocks := blocksOf(m, table)
		got := map[int]string{}
		for _, b := range blocks {
			for a := int(b.First); a < b.End(); a++ {
				if got[a] != "" {
					t.Errorf("%s %d is in two blocks", table, a)
				}
				got[a] = useNames[b.use]
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(use) {
			t.Errorf("%s: %v, want %v", table, got, use)
		}
	}
	rows := map[string]string{}
	for _, r := range runs(m).Rows {
		rows[r[0].Text+" "+r[3].Text] = r[5].Text
	}
	for place, words := range map[string]string{"holding-register 0-3": "used", "holding-register 4": "overlaid: flow / flow-high-word", "holding-register 6-14": "free",
		"holding-register 20-23": "hole, never read over", "holding-register 24-27": "free", "holding-register 1100-65534": "free", "coil 3": "used"} {
		if rows[place] != words {
			t.Errorf("%s: %q, want %q", place, rows[place], words)
		}
	}
	if n := len(rows); n != 15 {
		t.Errorf("%d runs: %v", n, rows)
	}
}

// TestMemoryBridges: free addresses that a read may run over are told apart:
// not those beside a hole, nor more than the gap.
func TestMemoryBridges(t *testing.T) {
	m := loadText(t, "device: d\nlimits: {gap: 2}\nholes: {holding-register: [9]}\npoints:\n"+
		"  a: {holding-register: 0, type: int16}\n  b: {holding-register: 3, type: int16}\n  c: {holding-register: 7, type: int16}\n  d: {holding-register: 10, type: int16}\n")
	var got []string
	for _, r := range runs(m).Rows {
		got = append(got, r[3].Text+" "+r[5].Text)
	}
	const want = "0 used|1-2 free, a read may bridge it|3 used|4-6 free|7 used|8 free|9 hole, never read over|10 used"
	if strings.Join(got, "|") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, "|"), want)
	}
}

// TestMemoryPicture: the picture has a shape a block with its name, the words
// stand beside it, and no label runs over its block.
func TestMemoryPicture(t *testing.T) {
	m := loadText(t, everyUse)
	ps := pictures(regmap.HoldingRegister, blocksOf(m, regmap.HoldingRegister))
	if len(ps) != 1 {
		t.Fatalf("%d pictures", len(ps))
	}
	p := ps[0]
	if want := "Holding registers, 40001-465536 (address 0-65535); 10 addresses a row"; p.Title != want {
		t.Errorf("%q, want %q", p.Title, want)
	}
	for _, f := range p.Facts {
		if want := map[string]string{"Used": "15", "Overlaid": "1", "Holes": "75", "Free between": "65445"}[f.Name]; f.Value != want {
			t.Errorf("%s: %s, want %s", f.Name, f.Value, want)
		}
	}
	const plain = "40001      0  ####%#....|40011     10  .....#####|40021     20  xxxx....##|40031     30  ##........|40041     40  .x........" +
		"|              50-1029 free|41031   1030  xxxxxxxxxx|              1040-1089 hole|41091   1090  xxxxxxxxxx|              1100-65529 free|465531  65530  .....#"
	if got := strings.NewReplacer(" \n", "|", "\n", "|").Replace(p.Plain); !strings.HasPrefix(got, plain) {
		t.Errorf("%s", p.Plain)
	}
	var svg bytes.Buffer
	if err := paper.WriteSVG(&svg, p); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{">state<", ">2 bits<", ">exponent<", ">flow / flow", ">energy<", ">last<", ">50-1029 free<", ">hole, never read over<", ">overlaid<"} {
		if !strings.Contains(svg.String(), want) {
			t.Errorf("%q is not in the picture", want)
		}
	}
	if strings.Contains(svg.String(), "NaN") {
		t.Error("a place that is no number")
	}
	if got := pictures(regmap.DiscreteInput, nil); got != nil {
		t.Errorf("a picture of nothing: %v", got)
	}
}

// TestMemoryOfManyPoints: a long table has more addresses a row, and is drawn
// in parts that fit on a page, with every address once.
func TestMemoryOfManyPoints(t *testing.T) {
	var b strings.Builder
	b.WriteString("device: d\npoints:\n")
	for i := range 9000 {
		fmt.Fprintf(&b, "  p-%d: {holding-register: %d, type: uint16}\n", i, i)
	}
	m := loadText(t, b.String())
	ps := pictures(regmap.HoldingRegister, blocksOf(m, regmap.HoldingRegister))
	if len(ps) < 2 || !strings.Contains(ps[1].Title, "part 2 of "+fmt.Sprint(len(ps))) {
		t.Fatalf("%d pictures", len(ps))
	}
	marks := 0
	for _, p := range ps {
		marks += strings.Count(p.Plain, "#")
		if p.Height > tallest {
			t.Errorf("%q is %v high", p.Title, p.Height)
		}
	}
	if marks != 9000+1 { // one in the legend
		t.Errorf("%d addresses are drawn, want 9000", marks)
	}
}
