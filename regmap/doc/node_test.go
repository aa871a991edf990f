package doc

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"
)

// parse reads a text that has nothing wrong.
func parse(t *testing.T, text string) (Node, *Report) {
	t.Helper()
	rep := new(Report)
	n := Parse("f.yaml", []byte(text), rep)
	if rep.Bad() {
		t.Fatal(rep.Err())
	}
	return n, rep
}

func TestPlacesAndPaths(t *testing.T) {
	n, rep := parse(t, "a:\n  bü: [x, {c: 1}]\n  d: 2\n")
	c := n.Get("a").Get("bü")
	for _, item := range c.Items() {
		c = item
	}
	c = c.Get("c")
	for _, v := range []struct {
		n          Node
		pos, path  string
		key        string
		name       string
		is         string
		length     int
		keyPresent bool
	}{
		{n, "f.yaml:1:1", "", "f.yaml:1:1", "", "block", 1, false},
		{n.Get("a"), "f.yaml:2:3", "a", "f.yaml:1:1", "a", "block", 2, true},
		{n.Get("a").Get("bü"), "f.yaml:2:7", "a.bü", "f.yaml:2:3", "bü", "list", 2, true},
		{c, "f.yaml:2:15", "a.bü[1].c", "f.yaml:2:12", "c", "scalar", 0, true},
		{c.KeyNode(), "f.yaml:2:12", "a.bü[1].c", "f.yaml:2:12", "c", "scalar", 0, true},
		{n.Get("a").Get("e"), "f.yaml:2:3", "a.e", "f.yaml:2:3", "e", "absent", 0, false},
		{n.Get("a").Get("e").KeyNode(), "f.yaml:2:3", "a.e", "f.yaml:2:3", "e", "absent", 0, false},
		{c.Get("deeper"), "f.yaml:2:15", "a.bü[1].c.deeper", "f.yaml:2:15", "deeper", "absent", 0, false},
		{Node{}, "", "", "", "", "absent", 0, false},
		{Node{}.Get("x"), "", "x", "", "x", "absent", 0, false},
	} {
		is := map[bool]string{true: "absent"}[!v.n.Present()] + map[bool]string{true: "block"}[v.n.IsMapping()] +
			map[bool]string{true: "list"}[v.n.IsList()] + map[bool]string{true: "scalar"}[v.n.IsScalar()]
		if v.n.Pos().String() != v.pos || v.n.Path() != v.path || v.n.KeyPos().String() != v.key || v.n.Name() != v.name || is != v.is || v.n.Len() != v.length {
			t.Errorf("got  %v %q %v %q %s %d\nwant %v", v.n.Pos(), v.n.Path(), v.n.KeyPos(), v.n.Name(), is, v.n.Len(), v)
		}
	}
	if n.Get("a").Report() != rep || (Node{}).Report().Bad() {
		t.Error("the report is another")
	}
	Node{}.Fault("lost") // no report to go to, and no panic
	n.Get("a").Warn("%s is doubtful", "this")
	if w := rep.Warnings(); len(w) != 1 || w[0].Error() != "f.yaml:2:3: a: this is doubtful" || rep.Bad() {
		t.Errorf("warnings %v, faults %v", w, rep.Err())
	}
}

// TestWalkingWhatIsNone: items of a block and entries of a list are faults.
func TestWalkingWhatIsNone(t *testing.T) {
	n, rep := parse(t, "a: [1]\nb: {c: 1}\nd: 5\n")
	for range n.Get("a").Entries() {
		t.Error("a list has entries")
	}
	for range n.Get("b").Items() {
		t.Error("a block has items")
	}
	for range n.Get("none").Items() {
		t.Error("nothing has items")
	}
	for range n.Entries() {
		break // leaving early is allowed
	}
	for range n.Get("a").Items() {
		break
	}
	want := `f.yaml:1:1: none: a list is wanted here, this is nothing
f.yaml:1:4: a: a block of keys is wanted here, this is a list
f.yaml:2:4: b: a list is wanted here, this is a block of keys`
	if got := fmt.Sprint(rep.Err()); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// TestNames: one grammar for keys and values.
func TestNames(t *testing.T) {
	for name, want := range map[string]bool{"a": true, "pump-1-running": true, "a1": true, "": false, "1a": false, "-a": false, "a-": false,
		"a--b": false, "A": false, "a_b": false, "a.b": false, "ä": false, "a b": false, "\u0430": false, "a\n": false} {
		if IsName(name) != want {
			t.Errorf("%q is a name: %v", name, !want)
		}
	}
	n, rep := parse(t, "good: 1\nBad: 2\n")
	if s, ok := n.Get("good").KeyName(); s != "good" || !ok {
		t.Errorf("%q %v", s, ok)
	}
	if s, ok := n.Get("Bad").KeyName(); s != "" || ok || rep.Faults()[0].Pos.Line != 2 {
		t.Errorf("%q %v %v", s, ok, rep.Err())
	}
}

// TestNumbers: decimal and hex, their exact values and the places written.
func TestNumbers(t *testing.T) {
	for _, v := range []struct {
		text, want string
		places     int
	}{
		{"3.00", "3", 2}, {"0.001", "1/1000", 3}, {"-0.50", "-1/2", 2}, {"1.5e-3", "3/2000", 4}, {"1.25E2", "125", 0},
		{"1e3", "1000", 0}, {"0", "0", 0}, {"0x1F", "31", 0}, {"-0x10", "-16", 0}, {"1e-999", "", 999},
	} {
		n, _ := parse(t, "a: "+v.text)
		r, ok := n.Get("a").Decimal()
		if !ok || v.want != "" && r.RatString() != v.want || n.Get("a").Places() != v.places {
			t.Errorf("%s: %v, %v, %d places", v.text, r, ok, n.Get("a").Places())
		}
	}
	n, _ := parse(t, "a: [1]\nb: word\n")
	if n.Get("a").Places() != 0 || n.Get("b").Places() != 0 {
		t.Error("places of what is no number")
	}
}

// TestWide: the ends of 64 bits, and what lies beyond.
func TestWide(t *testing.T) {
	const most = ^uint64(0)
	for text, want := range map[string]string{
		"18446744073709551615": "", "0xFFFFFFFFFFFFFFFF": "", "0xffffffffffffffff": "",
		"18446744073709551616":  "18446744073709551616 is outside 0 to 18446744073709551615",
		"-1":                    "-1 is outside 0 to 18446744073709551615",
		"[1]":                   "a whole number is wanted here, this is a list",
		"0x":                    `"0x" is no whole number`,
		"0X10":                  `"0X10" is no whole number`,
		"+1":                    `"+1" is no whole number`,
		strings.Repeat("9", 70): "a whole number of 70 characters is longer than any that is meant",
	} {
		n, rep := parse(t, "a: "+text)
		v, ok := n.Get("a").Unsigned(most)
		if ok != (want == "") || ok && v != most || !ok && (v != 0 || rep.Faults()[0].Message != want) {
			t.Errorf("%s: %d, %v, %v", text, v, ok, rep.Err())
		}
	}
}

// TestMoreFaultsOfValues: rows beside those of TestTraps.
func TestMoreFaultsOfValues(t *testing.T) {
	for _, v := range []struct{ give, want string }{
		{"number: -010", "f:1:9: number: -010 can be read as -10 or as -8; write -10"},
		{"number: 0" + strings.Repeat("7", 30), "f:1:9: number: 0777777777777777777777777777777 has a leading zero; write 777777777777777777777777777777"},
		{"decimal: 007.5", "f:1:10: decimal: 007.5 has a leading zero; write 7.5"},
		{"decimal: -00.5", "f:1:10: decimal: -00.5 has a leading zero; write -0.5"},
		{"decimal: 5.", `f:1:10: decimal: "5." is no number; write digits with a decimal point, such as 0.5`},
		{"decimal: 1" + strings.Repeat("0", 64), "f:1:10: decimal: a number of 65 characters is longer than any that is meant"},
		{"time: +5s", `f:1:7: time: "+5s" is no time; write a number and its unit, such as 500ms, 5s or 10m`},
		{"time: .5s", `f:1:7: time: ".5s" is no time; write a number and its unit, such as 500ms, 5s or 10m`},
		{"time: 1d", `f:1:7: time: "1d" is no time; write a number and its unit, such as 500ms, 5s or 10m`},
		{"time: 9999999h", "f:1:7: time: 9999999h is longer than 292 years"},
		{"time: -1h30m", "f:1:7: time: -1h30m is below zero"},
		{"time: [5s]", "f:1:7: time: a time with its unit is wanted here, this is a list"},
		{"choice: elsewhere", `f:1:9: choice: "elsewhere" is none of one, two, three`},
		{"choice: [one]", "f:1:9: choice: one of one, two, three is wanted here, this is a list"},
		{"choice: null", "f:1:9: choice: one of one, two, three is wanted here, this is nothing"},
		{"---", "f:1:4: a block of keys is wanted here, this is nothing; allowed here: number, flag, text, word, time, choice, nested, decimal"},
		{`choice: "two"`, ""}, {`text: "null"`, ""}, {"text: |\n  two\n  lines\n", ""},
		{"nested: [1, 2]", "f:1:9: nested: a block of keys is wanted here, this is a list; allowed here: number"},
	} {
		if _, got := read(v.give); got != v.want {
			t.Errorf("%q:\ngot  %s\nwant %s", v.give, got, v.want)
		}
	}
}

// TestRefusedOnce: what no table may see is reported once, and the rest of the
// file is still checked.
func TestRefusedOnce(t *testing.T) {
	for _, v := range []struct{ give, want string }{
		{"number: !!int 3\nflag: yes", `f:1:9: number: the tag "!!int" is not read; write the value without it | f:2:7: flag: true or false is wanted here, this is "yes"`},
		{"nested: &a {number: 70}\ntext: *a\nnumber: x", `f:1:9: nested: anchors and aliases are not read; write the value out where it is meant | ` +
			`f:2:7: text: anchors and aliases are not read; write the value out where it is meant | ` +
			`f:3:9: number: "x" is no whole number; write digits, or 0x and hex digits`},
		{"nested: {<<: {number: 70}, number: 71}\nnumber: 1.5", "f:1:10: nested.<<: a key must be a plain word | f:2:9: number: 1.5 is no whole number"},
		{"\"<<\": 1", `f:1:1: <<: "<<" is an unknown key; allowed here: number, flag, text, word, time, choice, nested, decimal`},
		{"nested: {&k number: 1}\nnumber: 1.5", "f:1:10: nested.number: anchors and aliases are not read; write the value out where it is meant | f:2:9: number: 1.5 is no whole number"},
		{"nested: {number: 1, number: yes}\nnumber: 1\nnumber: 2\nnumber: 3", `f:1:21: nested.number: "number" is given twice, first on line 1; keep one of them | ` +
			`f:3:1: number: "number" is given twice, first on line 2; keep one of them | f:4:1: number: "number" is given twice, first on line 2; keep one of them`},
		{"zeb\u200bra: 1\nnum\u2060ber: 1.5\ntext: a\u202eb\nflag: maybe", "f:1:4: the character U+200B cannot be seen; remove it | " +
			`f:1:1: zebra: "zebra" is an unknown key; allowed here: number, flag, text, word, time, choice, nested, decimal | ` +
			"f:2:4: the character U+2060 cannot be seen; remove it | f:2:10: number: 1.5 is no whole number | " +
			`f:3:8: the character U+202E cannot be seen; remove it | f:4:7: flag: true or false is wanted here, this is "maybe"`},
		{"text: caf\xe9\nflag: maybe", `f:1:10: byte E9 is not UTF-8 | f:2:7: flag: true or false is wanted here, this is "maybe"`},
		{"text: \uFFFF", "f:1:7: the character U+FFFF cannot be seen; remove it | f:1:6: text: a text is wanted here, this is nothing"},
		{"\uFEFFnumber: 3\n\uFEFFflag: true", "f:2:1: the character U+FEFF cannot be seen; remove it"},
	} {
		_, got := read(v.give)
		if a, b := strings.Split(got, " | "), strings.Split(v.want, " | "); !sameRows(a, b) {
			t.Errorf("%q:\ngot  %s\nwant %s", v.give, got, v.want)
		}
	}
}

// sameRows compares without order: places have a test of their own.
func sameRows(a, b []string) bool {
	count := map[string]int{}
	for _, s := range a {
		count[s]++
	}
	for _, s := range b {
		count[s]--
	}
	for _, n := range count {
		if n != 0 {
			return false
		}
	}
	return true
}

// TestHiddenByTheThousand: a file of nothing but control characters is named
// once for all, and so is one without end of values.
func TestHiddenByTheThousand(t *testing.T) {
	var rep Report
	if n := Parse("f", make([]byte, 1<<20), &rep); n.Present() || rep.Count() != mostHidden+1 {
		t.Errorf("%d faults", rep.Count())
	}
	if last := rep.Faults()[mostHidden]; last.Pos.Column != mostHidden+1 || !strings.Contains(last.Message, "no text") {
		t.Error(last)
	}
	for _, text := range []string{"a:\nä: [" + strings.Repeat("1,", maxNodes), strings.Repeat("\r", maxNodes+1)} {
		var rep Report
		if n := Parse("f", []byte(text), &rep); n.Present() || rep.Count() != 1 || rep.Faults()[0].Message != "more than 1000000 values in one file" {
			t.Errorf("%.10q...: %v", text, rep.Err())
		}
	}
	rep = Report{}
	Parse("f", []byte("a:\nä: ["+strings.Repeat("1,", maxNodes)), &rep)
	if p := rep.Faults()[0].Pos; p.Line != 2 || p.Column != 4+2*(maxNodes-4)+2 {
		t.Errorf("%v", p) // two colons, a line end and a bracket are counted before the commas
	}
}

// TestBudget: the walk ends when the budget is spent, wherever that is, says so
// once and gives nothing.
func TestBudget(t *testing.T) {
	text := "a: [1, [2, {b: 3}, {c: [4]}], 5]\nd: {e: {f: 6}}\n"
	full, err := decode(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	const values = 20 // keys included
	for left := range values + 1 {
		rep := new(Report)
		b := builder{src: &source{"f", rep}, at: placesOf([]byte(text), nil), left: left}
		v := b.build(full, nil, nil, 0)
		spent := left < values
		if (v.kind == refused) != spent || rep.Bad() != spent || rep.Count() > 1 {
			t.Errorf("budget %d: kind %d, %v", left, v.kind, rep.Err())
		}
	}
}

// TestReport: places are sorted however they come, lists given away
// do not change, and files keep the order in which they were read.
func TestReport(t *testing.T) {
	rep := new(Report)
	at := func(file string, line, column int) Fault {
		return Fault{Pos: Pos{file, line, column}, Message: "x"}
	}
	show := func(fs []*Fault) string {
		var out []string
		for _, f := range fs {
			out = append(out, f.Pos.String())
		}
		return strings.Join(out, " ")
	}
	rep.Add(at("b", 2, 1))
	rep.Add(at("b", 2, 3))
	first := rep.Faults()
	rep.Add(at("a", 9, 9))
	rep.Add(at("b", 2, 2))
	rep.Add(at("b", 1, 7))
	if got := show(rep.Faults()); got != "b:1:7 b:2:1 b:2:2 b:2:3 a:9:9" {
		t.Error(got)
	}
	if got := show(first); got != "b:2:1 b:2:3" {
		t.Errorf("a list given away became %s", got)
	}
	other := new(Report)
	other.Add(at("c", 1, 1))
	other.Warn(at("c", 2, 1))
	cause := errors.New("cause")
	other.Add(at("a", 1, 1)).Err = cause
	rep.Merge(other)
	if got := show(rep.Faults()); got != "b:1:7 b:2:1 b:2:2 b:2:3 a:1:1 a:9:9 c:1:1" || show(rep.Warnings()) != "c:2:1" || rep.Count() != 7 {
		t.Errorf("%s, warnings %s", got, show(rep.Warnings()))
	}
	var fault *Fault
	if err := rep.Err(); !errors.Is(err, cause) || !errors.As(err, &fault) || fault.Pos.Line != 1 {
		t.Errorf("%v", err)
	}
	if got := (Pos{File: "f"}).String(); got != "f" {
		t.Error(got)
	}
}

// TestManyFaults: asking for the faults after each of 50,000 does not sort
// them all each time. The count of comparisons is asserted, not time.
func TestManyFaults(t *testing.T) {
	const many = 50_000
	var l list
	compared := 0
	before := func(a, b *Fault) int { compared++; return a.Pos.Line - b.Pos.Line }
	for i := range many {
		l.add(&Fault{Pos: Pos{Line: i + 1}})
		if got := l.sorted(before); len(got) != i+1 {
			t.Fatal(len(got))
		}
	}
	if compared > 2*many {
		t.Errorf("%d comparisons for %d faults", compared, many)
	}
}

// TestLongTexts: a value of 128 KiB comes back short in what is said of it.
func TestLongTexts(t *testing.T) {
	long := strings.Repeat("ä", 1<<16)
	for _, text := range []string{"number: " + long, "? " + long + "\n: 1", "choice: " + long, "word: \"" + long + "\"", "text: !" + "a" + " [" + long + "]", "nested: {\"" + long + "\": 1}", "time: " + long, "nested: " + long} {
		_, got := read(text)
		if len(got) > 8*longestWords || got == "" {
			t.Errorf("%.12q: %d bytes of complaint", text, len(got))
		}
	}
	if got := clip("äöü", 2); got != "äö..." {
		t.Error(got)
	}
	if got := clip("äöü", 3); got != "äöü" {
		t.Error(got)
	}
}

// TestFields: required keys, decimals, and what a shape tells.
func TestFields(t *testing.T) {
	type pair struct{ low, high *big.Rat }
	table := NewTable(
		Decimal("low", "the lower end", func(p *pair) **big.Rat { return &p.low }).Must(),
		Decimal("high", "the upper end", func(p *pair) **big.Rat { return &p.high }).Must(),
	)
	for _, text := range []string{"low: 0.5\nhigh: 2", "high: 2\nlow: 0.5"} { // in any order
		n, rep := parse(t, text)
		var p pair
		table.Read(n, &p)
		if rep.Bad() || p.low.RatString() != "1/2" || p.high.RatString() != "2" {
			t.Errorf("%q: %v %v %v", text, p.low, p.high, rep.Err())
		}
	}
	n, rep := parse(t, "a: 1\nb: {low: [1]}")
	table.Read(n.Get("b"), new(pair))
	if got, want := fmt.Sprint(rep.Err()), "f.yaml:2:4: b: high is missing; the upper end\nf.yaml:2:10: b.low: a number is wanted here, this is a list"; got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	s := table.Shape()
	if s.Kind != KeyBlock || len(s.Keys) != 2 || s.Keys[1].Key != "high" || !s.Keys[1].Required || s.Keys[1].Shape.Kind != DecimalNumber || s.Keys[1].About != "the upper end" {
		t.Errorf("%+v", s)
	}
}

// TestManyUnknownKeys: the work for unknown keys grows with their number.
func TestManyUnknownKeys(t *testing.T) {
	work := func(keys int) float64 {
		text := manyKeys(keys)
		return testing.AllocsPerRun(1, func() {
			var rep Report
			table.Read(Parse("f", text, &rep), new(thing))
			if rep.Count() != keys {
				t.Fatal(rep.Count())
			}
		})
	}
	if few, many := work(2_000), work(40_000); many > 25*few {
		t.Errorf("%v allocations for 2,000 keys, %v for 40,000", few, many)
	}
}
