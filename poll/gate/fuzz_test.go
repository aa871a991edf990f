package gate

import (
	"testing"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/simdevice"
)

// FuzzMeans: whatever is typed is a value or is refused, and a value that may
// be written comes back from the registers as it was meant.
func FuzzMeans(f *testing.F) {
	for _, s := range []string{"1.65", "-0", "on", "off", "hand", "0x31", "1e3", "010", "NaN", "Inf", "1/3", "1,5", "", "1e999", "12.399999618530273", "WEST 2"} {
		f.Add(s)
	}
	rep := new(doc.Report)
	m := regmap.Load("bench.yaml", []byte(benchMap), rep, simdevice.Simulate())
	if m == nil {
		f.Fatal(rep.Err())
	}
	f.Fuzz(func(t *testing.T, text string) {
		for p := range m.Readings {
			v, err := p.Means(text)
			if err != nil || p.Derived() || p.Exponent != nil {
				continue
			}
			before := make([]uint16, p.Count)
			raw, words := encode(p, v, before)
			if (raw == nil) == (words == "") {
				t.Errorf("%s %q: %v, %q", p.Name, text, raw, words)
			}
			if raw == nil {
				continue
			}
			back := p.ValueOf(raw)
			if !kept(p, v, back) || !holds(p, v, back) {
				t.Errorf("%s %q would be written as %s, which means %s", p.Name, text, hex16(raw), back.Decimal())
			}
			if _, _, words := requestOf(p, raw, before); words != "" && p.Table.Writable() {
				t.Errorf("%s %q: %s", p.Name, text, words)
			}
		}
	})
}
