package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// pollTCP reads with plumbline over TCP.
func pollTCP(ctx context.Context, seed uint64, program string) (count, error) {
	at, end, err := overTCP(seed)
	if err != nil {
		return count{}, err
	}
	defer end()
	host, port, err := net.SplitHostPort(at)
	if err != nil {
		return count{}, err
	}
	return poll(ctx, "plumbline, TCP", program, fmt.Sprintf("tcp: {host: %s, port: %s}", host, port))
}

// pollRTU reads with plumbline over RTU.
func pollRTU(ctx context.Context, seed uint64, program string) (count, error) {
	path, end, err := overRTU(seed)
	if err != nil {
		return count{}, err
	}
	defer end()
	return poll(ctx, "plumbline, RTU", program,
		fmt.Sprintf("serial: {port: %s, framing: rtu, baud: 19200, parity: even, stop: 1}", path))
}

// poll lets plumbline read every register once.
func poll(ctx context.Context, name, program, medium string) (count, error) {
	folder, err := os.MkdirTemp("", "stock-")
	if err != nil {
		return count{}, err
	}
	defer os.RemoveAll(folder)
	lineFile := filepath.Join(folder, "line.yaml")
	if err := errors.Join(
		os.WriteFile(filepath.Join(folder, "bank.yaml"), []byte(bankMap()), 0o600),
		os.WriteFile(lineFile, []byte(lineText(medium)), 0o600),
	); err != nil {
		return count{}, err
	}
	var out, stderr bytes.Buffer
	cmd := exec.CommandContext(ctx, program, "poll", lineFile, "--once", "--json")
	cmd.Stdout, cmd.Stderr, cmd.WaitDelay = &out, &stderr, time.Second
	err = cmd.Run()
	if code := cmd.ProcessState.ExitCode(); ctx.Err() == nil && code != 0 && code != 1 { // 1: a reading is bad
		return count{}, fmt.Errorf("%s: %v: %s", name, err, stderr.String())
	}
	c := count{name: name}
	if ctx.Err() != nil {
		c.note = fmt.Sprintf("stopped by the deadline of %v", deadline)
	}
	return c, c.judgeRows(out.Bytes())
}

// bankMap maps the registers, each read by itself: gap 0 bridges nothing.
func bankMap() string {
	var b strings.Builder
	fmt.Fprintf(&b, "device: Registers that say who they are\nlimits: {registers: %d, gap: 0}\npoints:\n", words)
	for i := range exchanges {
		fmt.Fprintf(&b, "  r%d: {holding-register: %d, type: uint32}\n", address(i), address(i))
	}
	return b.String()
}

func lineText(medium string) string {
	return fmt.Sprintf("line: Faulty line\n%s\ntiming: {response: %v}\nstations:\n  %d: {name: bank, map: bank.yaml}\n", medium, limit, unit)
}

// judgeRows counts plumbline's readings. Raw registers count as well as values:
// both must be true.
func (c *count) judgeRows(out []byte) error {
	for text := range bytes.Lines(out) {
		if !bytes.HasSuffix(text, []byte("\n")) {
			break // cut off by the deadline
		}
		var r struct {
			Address uint16   `json:"address"`
			Quality string   `json:"quality"`
			Raw     []uint16 `json:"raw"`
			Value   *uint32  `json:"value"`
		}
		if err := json.Unmarshal(text, &r); err != nil {
			return fmt.Errorf("%s: %w in %q", c.name, err, text)
		}
		whole := uint32(truth(r.Address))<<16 | uint32(truth(r.Address+1))
		switch {
		case r.Quality == "uncertain":
			c.uncertain++
		case r.Quality != "good":
			c.missing++
		case isTrue(r.Address, r.Raw) && r.Value != nil && *r.Value == whole:
			c.right++
		default:
			c.wrong++
		}
	}
	return nil
}
