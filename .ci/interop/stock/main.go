// Command stock compares two ways of reading a station whose answers are late
// or lost: the protocol library's own transports, and plumbline's poll. The
// station is a bank of registers that say who they are, so that an answer that
// belongs to another request cannot pass for the right one.
//
// Four runs go side by side in real time, each against a station of its own
// with the same fault script: either way over loopback TCP and over RTU on a
// pseudo-terminal. One line is printed for each. It fails when plumbline showed
// a wrong value as good, or nothing good at all; how the library fares is
// printed and judged by nobody.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"sync"
	"text/tabwriter"
	"time"
)

// What both ways are given.
const (
	exchanges = 300                    // reads in one run, each of other registers
	limit     = 200 * time.Millisecond // time limit of a client
	deadline  = 90 * time.Second       // of everything
)

// A count is what one run brought.
type count struct {
	name               string
	right, wrong       int // values that came as good
	uncertain, missing int // values that came with a warning; reads that brought an error or nothing
	note               string
}

// total is how many reads were made.
func (c *count) total() int { return c.right + c.wrong + c.uncertain + c.missing }

func main() {
	seed := flag.Uint64("seed", 1, "of the fault script")
	program := flag.String("plumbline", "build/plumbline", "the program to compare")
	flag.Parse()
	fmt.Printf("seed %d; %d reads, limit %v, %v\n", *seed, exchanges, limit, describeScript())

	ctx, cancel := context.WithTimeout(context.Background(), deadline)
	counts, err := compare(ctx, *seed, *program)
	cancel()
	if err != nil {
		fmt.Fprintln(os.Stderr, "stock:", err)
		os.Exit(1)
	}
	print(counts)
	for _, c := range counts[:2] {
		if c.wrong > 0 || c.right == 0 {
			fmt.Fprintf(os.Stderr, "stock: %s showed %d wrong values as good and %d right ones\n", c.name, c.wrong, c.right)
			os.Exit(1)
		}
	}
}

// compare makes the four runs; plumbline's are the first two.
func compare(ctx context.Context, seed uint64, program string) ([]count, error) {
	runs := []func() (count, error){
		func() (count, error) { return pollTCP(ctx, seed, program) },
		func() (count, error) { return pollRTU(ctx, seed, program) },
		func() (count, error) { return stockTCP(ctx, seed) },
		func() (count, error) { return stockRTU(ctx, seed) },
	}
	counts, failures := make([]count, len(runs)), make([]error, len(runs))
	var running sync.WaitGroup
	for i, run := range runs {
		running.Go(func() { counts[i], failures[i] = run() })
	}
	running.Wait()
	for _, err := range failures {
		if err != nil {
			return nil, err
		}
	}
	return counts, nil
}

func print(counts []count) {
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "\treads\tright\tuncertain\tbad or error\tWRONG AS GOOD\t")
	for _, c := range counts {
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%d\t\n", c.name, c.total(), c.right, c.uncertain, c.missing, c.wrong)
	}
	w.Flush()
	for _, c := range counts {
		if c.note != "" {
			fmt.Printf("%s: %s\n", c.name, c.note)
		}
	}
}
