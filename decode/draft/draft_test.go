package draft

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// answered is an exchange that read registers or bits whose contents are their
// addresses, or wrote.
func answered(u regmap.Unit, q frame.Request) *decode.Exchange {
	x := &decode.Exchange{Unit: u, Request: q, Cause: regmap.NoCause, Response: frame.Response{Function: q.Function}}
	if span, ok := q.Reads(); ok {
		for i := range span.Count {
			a := int(span.First) + i
			if span.Table.Bits() {
				if i%8 == 0 {
					x.Response.Data = append(x.Response.Data, byte(a))
				}
				continue
			}
			x.Response.Data = append(x.Response.Data, byte(a>>8), byte(a))
		}
	}
	return x
}

// loaded is a unit's map, which must load without a fault.
func loaded(t *testing.T, d *Draft, u regmap.Unit) *regmap.Map {
	t.Helper()
	text, rep := d.Map(u, "a test"), new(doc.Report)
	m := regmap.Load("draft.yaml", text, rep)
	if m == nil || rep.Bad() {
		t.Fatalf("%v\n%s", rep.Err(), text)
	}
	return m
}

// Any traffic makes maps that load without a fault, that have a point for each
// item that was read or written with success, and none for others.
func TestAnyTrafficLoads(t *testing.T) {
	made := 0
	for seed := range uint64(150) {
		dice := rand.New(rand.NewPCG(seed, 1))
		d, seen := New(), map[string]bool{}
		for range 1 + dice.IntN(40) {
			table := regmap.Table(1 + dice.IntN(4))
			first, count := dice.IntN(60), 1+dice.IntN(12)
			if dice.IntN(10) == 0 {
				first = 65536 - count
			}
			q := frame.Read(table, regmap.Address(first), count)
			if dice.IntN(3) == 0 {
				q = frame.Request{Function: frame.WriteMultipleRegisters, Address: regmap.Address(first), Quantity: count, Data: make([]byte, 2*count)}
				table = regmap.HoldingRegister
			}
			x := answered(17, q)
			if dice.IntN(5) == 0 {
				x.Cause, x.Response = regmap.Excepted, frame.Except(q.Function, frame.IllegalDataAddress)
			}
			d.Add(x)
			for i := range count {
				if x.Answered() {
					seen[fmt.Sprint(table, first+i)] = true
				}
			}
		}
		if len(d.Units()) == 0 {
			continue
		}
		made++
		m, covered := loaded(t, d, 17), map[string]bool{}
		for i := range m.Points {
			p := &m.Points[i]
			for n := range p.Count {
				covered[fmt.Sprint(p.Table, int(p.Address)+n)] = true
			}
		}
		if len(covered) != len(seen) {
			t.Fatalf("seed %d: %d items in the map, %d were seen\n%s", seed, len(covered), len(seen), d.Map(17, ""))
		}
		for key := range seen {
			if !covered[key] {
				t.Errorf("seed %d: %s is not in the map", seed, key)
			}
		}
	}
	if made < 140 {
		t.Errorf("%d maps were made", made)
	}
}

// Two registers are one point where a request was for these two and none began
// or ended between them.
func TestPairs(t *testing.T) {
	d := New()
	read := func(first, count int) {
		d.Add(answered(1, frame.Read(regmap.HoldingRegister, regmap.Address(first), count)))
	}
	read(0, 10)
	read(2, 2)
	read(6, 2)
	read(7, 1) // parts 6 and 7
	m := loaded(t, d, 1)
	if p := m.Point("holding-register-2"); p.Count != 2 || m.Point("holding-register-3") != nil {
		t.Errorf("%+v", p)
	}
	for _, name := range []string{"holding-register-0", "holding-register-6", "holding-register-7"} {
		if p := m.Point(name); p == nil || p.Count != 1 {
			t.Errorf("%s: %+v", name, p)
		}
	}
}

// What comes without end is kept within bounds, and what is not kept is told.
func TestBounds(t *testing.T) {
	d := New()
	for u := range 250 {
		for first := 0; first < 65536; first += 640 { // pages far from each other
			d.Add(answered(regmap.Unit(u), frame.Read(regmap.InputRegister, regmap.Address(first), 1)))
			d.Add(answered(regmap.Unit(u), frame.Read(regmap.Coil, regmap.Address(first), 1)))
		}
	}
	if d.cells > mostCells || d.beyond == 0 {
		t.Errorf("%d cells, %d beyond", d.cells, d.beyond)
	}
	for first := range 400 {
		d.Add(answered(3, frame.Read(regmap.InputRegister, regmap.Address(first), 1)))
	}
	if n := len(d.units[3].ranges); n != mostRanges {
		t.Errorf("%d ranges", n)
	}
	if text := d.Map(3, "x\ny"); !bytes.Contains(text, []byte("and more ranges")) || !bytes.Contains(text, []byte("than are kept here")) || bytes.Contains(text, []byte("\ny")) {
		t.Errorf("%s", text[:600])
	}
	loaded(t, d, 3)
	if d.Map(251, "") != nil {
		t.Error("a map of a unit that was never seen")
	}
}

// What was refused or lost says nothing of what a station holds; a mask leaves
// its result open; an odd answer is no reason to fail.
func TestUnclear(t *testing.T) {
	d := New()
	silent := answered(5, frame.Read(regmap.Coil, 0, 8))
	silent.Cause = regmap.Silent
	d.Add(silent)
	d.Add(&decode.Exchange{Unit: 6, Request: frame.Read(regmap.Coil, 0, 8), Cause: regmap.Excepted, Response: frame.Except(1, 2)})
	if u := d.Units(); len(u) != 0 {
		t.Errorf("units %v", u)
	}
	d.Add(&decode.Exchange{Unit: 7, Cause: regmap.NoCause, Request: frame.Request{Function: frame.MaskWriteRegister, Address: 4, And: 1}})
	d.Add(&decode.Exchange{Unit: 7, Cause: regmap.NoCause, Request: frame.Request{Function: frame.WriteSingleCoil, Address: 9, Value: 0xFF00}})
	d.Add(&decode.Exchange{Unit: 7, Cause: regmap.NoCause, Request: frame.Read(regmap.InputRegister, 65535, 4)}) // beyond the last address
	text := d.Map(7, "")
	if m := loaded(t, d, 7); len(m.Points) != 2 || m.Point("coil-9").Write == nil || !bytes.Contains(text, []byte("by a mask")) {
		t.Errorf("%s", text)
	}
}

// Line files of each place load, with their maps left aside.
func TestLine(t *testing.T) {
	files := map[regmap.Unit]string{17: "a.yaml", 3: "b/c.yaml"}
	for _, c := range []struct {
		place Place
		want  string
	}{
		{Place{Host: "192.0.2.10", Port: 502, Framing: line.MBAP}, "tcp: {host: \"192.0.2.10\", port: 502}"},
		{Place{Host: "2001:db8::1", Port: 1502, Framing: line.RTU}, "tcp: {host: \"2001:db8::1\", port: 1502, framing: rtu}"},
		{Place{Framing: line.RTU}, "serial: {port: /dev/ttyUSB0}"},
		{Place{Framing: line.ASCII}, "serial: {port: /dev/ttyUSB0, framing: ascii}"},
	} {
		text := Line(c.place, files)
		if !bytes.Contains(text, []byte(c.want)) || bytes.Index(text, []byte("  3: {")) > bytes.Index(text, []byte("  17: {")) {
			t.Errorf("%q is not in\n%s", c.want, text)
		}
	}
}
