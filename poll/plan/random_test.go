package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
)

// The judge of the plan: random maps, and what their requests may be and cost,
// worked out without the plan's code.

// A want is addresses that one request must fetch whole: from first to below end.
type want struct {
	first, end int
	every      time.Duration
	alone      bool
	points     []string
}

// A task is one table of one station on a line, as text for the loader and as
// plain numbers for the judge.
type task struct {
	seed       uint64
	text       string
	wants      []want
	mapped     map[int]bool
	shut       map[int]bool // never read over: holes, points that are refused or change by being read
	cuts       map[int]bool
	limit, gap int
	bits       bool
	on         line.Line
	timing     line.Timing
}

// draw makes a task of least to most points. limits are small, so that they
// bind.
func draw(seed uint64, least, most int, periods []time.Duration) *task {
	r := rand.New(rand.NewPCG(seed, 1))
	k := &task{seed: seed, mapped: map[int]bool{}, shut: map[int]bool{}, cuts: map[int]bool{}, gap: r.IntN(9), bits: r.IntN(4) == 0}
	k.limit = 4 + r.IntN(40)
	if r.IntN(4) == 0 {
		k.limit = 125
	}
	k.timing = line.Timing{Response: time.Second, Latency: time.Duration(r.IntN(3)) * 5 * time.Millisecond, Pause: time.Duration(r.IntN(2)) * time.Millisecond}
	k.on = line.Line{Medium: line.SerialPort, Framing: line.RTU, Every: time.Second, Timing: k.timing}
	k.on.Serial = line.Serial{Port: "p", Baud: []int{1200, 9600, 19200, 38400, 115200}[r.IntN(5)], Parity: line.Even, Stop: 1}
	switch r.IntN(6) {
	case 0:
		k.on.Framing = line.ASCII
	case 1:
		k.on.Medium, k.on.Framing, k.on.Host, k.on.Port = line.TCP, line.MBAP, "h", 502
	case 2:
		k.on.Serial.Parity, k.on.Serial.Stop = line.None, 1
	}
	k.points(r, least+r.IntN(most-least+1), periods)
	return k
}

// points draws the points of a task: gaps, holes, wide points, and what kind
// says of each.
func (k *task) points(r *rand.Rand, n int, periods []time.Duration) {
	table, limit := "input-register", "registers"
	if k.bits {
		table, limit = "coil", "coils"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "limits: {%s: %d, gap: %d}\npoints:\n", limit, k.limit, k.gap)
	var holes []string
	groups := map[string]int{}
	at := r.IntN(20)
	for i := range n {
		over := !k.bits && len(k.wants) > 0 && r.IntN(6) == 0 // a second view of what is there already
		gap := r.IntN(4) * r.IntN(5)
		w, keys := k.place(r, at+gap, over, table)
		switch {
		case over:
		case gap > 2 && r.IntN(4) == 0:
			holes = append(holes, fmt.Sprint(at+1))
			k.shut[at+1] = true
			fallthrough
		default:
			at = w.end
		}
		w.points, w.every = []string{fmt.Sprintf("p%d", i)}, time.Second
		if len(periods) > 0 {
			w.every = periods[r.IntN(len(periods))]
		}
		keys += k.kind(r, &w, over, table, fmt.Sprintf("g%d", i/5*2+r.IntN(2)), groups)
		at = max(at, w.end)
		if len(periods) > 0 {
			keys += fmt.Sprintf(", every: %s", w.every)
		}
		fmt.Fprintf(&b, "  p%d: {%s}\n", i, keys)
	}
	if len(holes) > 0 {
		fmt.Fprintf(&b, "holes: {%s: [%s]}\n", table, strings.Join(holes, ", "))
	}
	k.text = b.String()
}

// place puts a point of some type at an address, or over another.
func (k *task) place(r *rand.Rand, first int, over bool, table string) (w want, keys string) {
	types := []struct {
		keys  string
		width int
	}{{"uint16", 1}, {"float32", 2}, {"float64", 4}, {"string, length: 14", 7}}
	switch kind := types[r.IntN(len(types))]; {
	case k.bits:
		w, keys = want{first: first, end: first + 1}, fmt.Sprintf("coil: %d", first)
	case over:
		o := k.wants[r.IntN(len(k.wants))]
		at := o.first + r.IntN(o.end-o.first)
		w, keys = want{first: at, end: at + 1}, fmt.Sprintf("%s: %d, type: int16, overlay: true", table, at)
	case kind.width > k.limit:
		kind = types[0]
		fallthrough
	default:
		w, keys = want{first: first, end: first + kind.width}, fmt.Sprintf("%s: %d, type: %s", table, first, kind.keys)
	}
	for a := w.first; a < w.end; a++ {
		k.mapped[a] = true
	}
	return w, keys
}

// kind makes some points belong together, change by being read, or have an
// exponent register, and takes the want in.
func (k *task) kind(r *rand.Rand, w *want, over bool, table, name string, groups map[string]int) (keys string) {
	switch kind := r.IntN(10); {
	case kind < 3:
		g, known := groups[name]
		if !known {
			groups[name] = len(k.wants)
			break
		}
		o := &k.wants[g]
		first, end := min(o.first, w.first), max(o.end, w.end)
		if !k.possible(first, end) {
			name = ""
			break
		}
		o.first, o.end, o.points, w.every = first, end, append(o.points, w.points...), o.every
		return ", together: " + name
	case kind == 3 && !over:
		w.alone, keys = true, ", changes-on-read: true"
		for a := w.first; a < w.end; a++ {
			k.shut[a] = true
		}
	case kind == 4 && !over && !k.bits && w.end-w.first == 1 && k.gap+3 <= k.limit:
		w.end += 1 + r.IntN(k.gap+1)
		k.mapped[w.end-1] = true
		keys = fmt.Sprintf(", scale: {exponent: {%s: %d}}", table, w.end-1)
	}
	if g, known := groups[name]; known && g == len(k.wants) {
		keys = ", together: " + name
	}
	k.wants = append(k.wants, *w)
	return keys
}

// load gives the task's line; nil where the loader refuses the map.
func (k *task) load(t testing.TB) *line.Line {
	rep := new(doc.Report)
	m := regmap.Load("test.yaml", []byte("device: test\n"+k.text), rep)
	if m == nil {
		return nil
	}
	return line.Single(k.on, m, 17)
}

// farthest is the end of the longest read from an address that a station with
// this map answers, by looking at every address. Source: design of the map file,
// limits, gap and holes.
func (k *task) farthest(first int) int {
	run, a := 0, first
	for ; a < first+k.limit; a++ {
		if run++; k.mapped[a] {
			run = 0
		}
		if run > k.gap || k.shut[a] || a > first && k.cuts[a] {
			break
		}
	}
	return a
}

func (k *task) possible(first, end int) bool { return end <= k.farthest(first) }

// seconds is what one read of n items costs. Source: serial guide V1.02, 2.5.1
// and 2.5.2 (characters, silences), V1.1b3, 6.1 to 6.4 (lengths), TCP guide
// V1.0b, 3.1.3 (header).
func (k *task) seconds(n int) float64 {
	data := 2 * n
	if k.bits {
		data = (n + 7) / 8
	}
	rest := (k.timing.Latency + k.timing.Pause).Seconds()
	if k.on.Medium == line.TCP {
		rest = k.timing.Latency.Seconds()
		if rest == 0 {
			rest = 1e-3
		}
		return rest + 8*float64(12+9+data)/100e6
	}
	bits := 10.0
	if k.on.Serial.Parity == line.Even {
		bits = 11
	}
	character := bits / float64(k.on.Serial.Baud)
	if k.on.Framing == line.ASCII {
		character = (bits - 1) / float64(k.on.Serial.Baud)
		return float64(17+11+2*data)*character + rest
	}
	silence := 3.5 * character
	if k.on.Serial.Baud > 19200 {
		silence = 1.75e-3
	}
	return float64(8+5+data)*character + 2*silence + rest
}

// exhaustive is the least cost of reads in which every want lies whole in one:
// every possible read of every length at every address, and of these every set.
// Wants that no read may fetch are read by themselves. weight is what a second
// of a read counts that is made with a period; a read of a period serves the
// wants of that period and slower ones.
func (k *task) exhaustive(wants []want, weight func(time.Duration) float64) (sum float64) {
	var shared []want
	low, high := math.MaxInt, 0
	for _, w := range wants {
		if w.alone || !k.possible(w.first, w.end) {
			sum += k.seconds(w.end-w.first) * weight(w.every)
			continue
		}
		shared = append(shared, w)
		low, high = min(low, w.first), max(high, w.end)
	}
	reads := map[uint]float64{} // the wants that a read serves, and the cheapest read that serves just these
	for first := low; first < high; first++ {
		for end, last := first+1, min(high, k.farthest(first)); end <= last; end++ {
			for _, by := range shared {
				set := uint(0)
				for i, w := range shared {
					if first <= w.first && w.end <= end && w.every >= by.every {
						set |= 1 << i
					}
				}
				cost := k.seconds(end-first) * weight(by.every)
				if known, ok := reads[set]; set != 0 && (!ok || cost < known) {
					reads[set] = cost
				}
			}
		}
	}
	all := uint(1)<<len(shared) - 1
	least := make([]float64, all+1) // by what is served already
	for set := int(all) - 1; set >= 0; set-- {
		least[set] = math.Inf(1)
		open := ^uint(set) & all
		open &= -open // a want not served yet: some read must serve it
		for serves, cost := range reads {
			if serves&open != 0 {
				least[set] = min(least[set], cost+least[uint(set)|serves])
			}
		}
	}
	return sum + least[0]
}
