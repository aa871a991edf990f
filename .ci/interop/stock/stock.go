package main

import (
	"context"
	"encoding/binary"
	"fmt"

	"github.com/goburrow/modbus"
)

// stockTCP reads with the library's TCP transport.
func stockTCP(ctx context.Context, seed uint64) (count, error) {
	address, end, err := overTCP(seed)
	if err != nil {
		return count{}, err
	}
	defer end()
	h := modbus.NewTCPClientHandler(address)
	h.Timeout, h.SlaveId = limit, unit
	defer h.Close()
	return stock(ctx, "library, TCP", modbus.NewClient(h)), nil
}

// stockRTU reads with the library's RTU transport.
func stockRTU(ctx context.Context, seed uint64) (count, error) {
	path, end, err := overRTU(seed)
	if err != nil {
		return count{}, err
	}
	h := modbus.NewRTUClientHandler(path)
	h.Timeout, h.SlaveId = limit, unit
	h.BaudRate, h.DataBits, h.Parity, h.StopBits = 19200, 8, "E", 1
	c := stock(ctx, "library, RTU", modbus.NewClient(h))
	h.Close() // before the terminal goes: its reader never ends on a hang-up
	return c, end()
}

// stock makes the reads one after another, going on after errors, as its
// documentation shows. A call cannot be ended from outside, so at the deadline
// one that hangs is left behind.
func stock(ctx context.Context, name string, client modbus.Client) count {
	c := count{name: name}
	type result struct {
		data []byte
		err  error
	}
	for i := range exchanges {
		done := make(chan result, 1)
		go func() {
			data, err := client.ReadHoldingRegisters(address(i), words)
			done <- result{data, err}
		}()
		select {
		case r := <-done:
			c.judge(address(i), r.data, r.err)
		case <-ctx.Done():
			c.note = fmt.Sprintf("stopped at read %d by the deadline of %v", i+1, deadline)
			return c
		}
	}
	return c
}

// judge counts one answer.
func (c *count) judge(at uint16, data []byte, err error) {
	var got []uint16
	for i := 0; i+1 < len(data); i += 2 {
		got = append(got, binary.BigEndian.Uint16(data[i:]))
	}
	switch {
	case err != nil:
		c.missing++
	case isTrue(at, got):
		c.right++
	default:
		c.wrong++
	}
}
