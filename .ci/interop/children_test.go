package interop

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Where .ci/run puts the programs and the package that are tried here.
const (
	plumblineProgram = "build/plumbline"
	peerProgram      = "build/peer"
	nodePackage      = "node/node_modules/modbus-serial/package.json"
)

// childLimit ends a child that did not end by itself. Nothing here takes a
// tenth of it.
const childLimit = 60 * time.Second

// unit is the number of every station here.
const (
	unit       = "17"
	unitNumber = 17
)

// witnessesFile gets the table of what ran.
const witnessesFile = "build/witnesses.txt"

func TestMain(m *testing.M) {
	for _, needed := range []string{plumblineProgram, peerProgram, nodePackage} {
		if _, err := os.Stat(needed); err != nil {
			fmt.Fprintf(os.Stderr, "interop: %v; bash .ci/run builds it\n", err)
			os.Exit(1)
		}
	}
	code := m.Run()
	if err := writeWitnesses(witnessesFile); err != nil {
		fmt.Fprintf(os.Stderr, "interop: %v\n", err)
		code = 1
	}
	os.Exit(code)
}

// A child is a program that a test started. It is ended when the test ends or
// its limit has passed, by its own process.
type child struct {
	t      *testing.T
	cmd    *exec.Cmd
	ctx    context.Context
	in     io.WriteCloser
	lines  chan string // of its standard output; closed at the end
	seen   []string    // lines taken so far
	stderr bytes.Buffer
	ended  error // of Wait, once done is closed
	done   chan struct{}
}

// start starts a program. Its standard input stays open.
func start(t *testing.T, program string, args ...string) *child {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), childLimit)
	c := &child{t: t, ctx: ctx, lines: make(chan string, 4096), done: make(chan struct{})}
	path, err := filepath.Abs(program)
	if err != nil {
		t.Fatal(err)
	}
	c.cmd = exec.CommandContext(ctx, path, args...)
	c.cmd.WaitDelay = 5 * time.Second
	c.cmd.Stderr = &c.stderr
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if c.in, err = c.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			c.lines <- s.Text()
		}
		close(c.lines)
		c.ended = c.cmd.Wait()
		close(c.done)
	}()
	t.Cleanup(func() {
		cancel()
		<-c.done
	})
	return c
}

// say writes one line to the child.
func (c *child) say(line string) {
	c.t.Helper()
	if _, err := io.WriteString(c.in, line+"\n"); err != nil {
		c.t.Fatalf("%s takes no input: %v\n%s", c.name(), err, c.stderr.String())
	}
}

// next is the child's next line.
func (c *child) next() string {
	c.t.Helper()
	select {
	case line, ok := <-c.lines:
		if ok {
			c.seen = append(c.seen, line)
			return line
		}
		<-c.done
		c.t.Fatalf("%s ended: %v\n%s", c.name(), c.ended, c.stderr.String())
	case <-c.ctx.Done():
		c.t.Fatalf("%s said nothing more within %s", c.name(), childLimit)
	}
	return ""
}

// after is what stands behind a beginning on the child's next line.
func (c *child) after(beginning string) string {
	c.t.Helper()
	line := c.next()
	rest, ok := strings.CutPrefix(line, beginning)
	if !ok {
		c.t.Fatalf("%s said %q, want a line that begins with %q", c.name(), line, beginning)
	}
	return rest
}

// stop interrupts the child as a person would and gives its exit code; what it
// said until then is in seen.
func (c *child) stop() int {
	c.t.Helper()
	if err := c.cmd.Process.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
		c.t.Fatal(err)
	}
	for line := range c.lines {
		c.seen = append(c.seen, line)
	}
	<-c.done
	return c.cmd.ProcessState.ExitCode()
}

func (c *child) name() string {
	return filepath.Base(c.cmd.Path) + " " + strings.Join(c.cmd.Args[1:], " ")
}

// run runs a program to its end.
func run(t *testing.T, program string, args ...string) (stdout []byte, code int) {
	t.Helper()
	stdout, errs, code := runAll(t, program, args...)
	t.Logf("%s %s: exit %d\n%s", program, strings.Join(args, " "), code, errs)
	return stdout, code
}

// runAll runs a program to its end and gives all that it said.
func runAll(t *testing.T, program string, args ...string) (stdout []byte, stderr string, code int) {
	t.Helper()
	c := start(t, program, args...)
	c.in.Close()
	var out bytes.Buffer
	for line := range c.lines {
		fmt.Fprintln(&out, line)
	}
	<-c.done
	if c.ctx.Err() != nil {
		t.Fatalf("%s did not end within %s", c.name(), childLimit)
	}
	return out.Bytes(), c.stderr.String(), c.cmd.ProcessState.ExitCode()
}
