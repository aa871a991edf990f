package derive

import (
	"errors"
	"math"
	"slices"
	"testing"
)

func TestFormulas(t *testing.T) {
	values := map[string]float64{"inflow": 12.5, "outflow": 10, "state.duty": 1, "zero": 0}
	for text, want := range map[string]float64{
		`p("inflow") - p("outflow")`:             2.5,
		`p('inflow') * 3.6`:                      45,
		`-(p("inflow") + p("outflow")) / 2`:      -11.25,
		`p("outflow") / 4`:                       2.5, // whole numbers are not divided as such
		`1 / p("zero")`:                          math.Inf(1),
		`p("state.duty") + 1`:                    2,
		`2 * (p("inflow") - 0.5) - p("outflow")`: 14,
	} {
		f, err := Parse(text)
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		got, err := f.Value(func(name string) float64 { return values[name] })
		if err != nil || got != want || f.String() != text {
			t.Errorf("%s = %v, %v; want %v", text, got, err, want)
		}
	}
	f, err := Parse(`p("a") + p("b") - p("a")`)
	if err != nil || !slices.Equal(f.Inputs(), []string{"a", "b"}) {
		t.Errorf("inputs %v, %v", f.Inputs(), err)
	}
}

// TestFormulasRefused: nothing but arithmetic of points.
func TestFormulasRefused(t *testing.T) {
	long := `p("a")`
	for range 150 {
		long += ` + 1`
	}
	for text, column := range map[string]int{
		``: 1, `1 + 2`: 0, `p("a") +`: 8, `q("a")`: 1, `p(a)`: 1, `p("a", "b")`: 1, `p("a") ** 2`: 8, `p("a") % 2`: 8, `p("a") > 2`: 8,
		`p("a") ? 1 : 2`: 1, `[p("a")]`: 1, `"x"`: 1, `now()`: 1, `len("x")`: 1, `map([1], {#})`: 1, `p`: 1, `true`: 1, `not p("a")`: 1,
		`let x = 1; x`: 1, `p("a") | abs()`: 1, `p("a")[0]`: 1, long: 0,
	} {
		f, err := Parse(text)
		var at *Error
		if f != nil || !errors.As(err, &at) {
			t.Errorf("%q was taken: %v", text, err)
			continue
		}
		if column > 1 && at.Column != column {
			t.Errorf("%q: %v, want column %d", text, err, column)
		}
	}
	huge := make([]byte, maxLength+1)
	if _, err := Parse(string(huge)); err == nil {
		t.Error("a formula of 1001 characters was taken")
	}
}

func FuzzFormula(f *testing.F) {
	for _, s := range []string{`p("a") - p("b")`, `1/p("a")`, `((((`, `p("a") + + - 1`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := Parse(s)
		if (got == nil) == (err == nil) {
			t.Fatalf("%q: %v, %v", s, got, err)
		}
		if err == nil {
			if _, err := got.Value(func(string) float64 { return 3 }); err != nil {
				t.Fatalf("%q: %v", s, err)
			}
		}
	})
}
