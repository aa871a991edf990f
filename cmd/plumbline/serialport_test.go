package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/line"
)

// replug makes a pseudo-terminal pair with the cistern's station on it, and
// lets name point to it, as the system does with an adapter's stable name.
func replug(t *testing.T, name string) *port.Pair {
	t.Helper()
	pair, err := port.OpenPair()
	if err != nil {
		t.Fatal(err)
	}
	os.Remove(name)
	if err := os.Symlink(pair.Path(), name); err != nil {
		t.Fatal(err)
	}
	return pair
}

// TestC9PortGoneAndBack: an adapter that is pulled ends the exchange that waits
// by itself, long before its limit of an hour, and is opened again under its
// stable name once it is back as another device.
func TestC9PortGoneAndBack(t *testing.T) {
	name := filepath.Join(t.TempDir(), "usb-Two-wire_adapter_A1-if00")
	pair := replug(t, name)
	dial, err := dialer(&line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial(name)})
	if err != nil {
		t.Fatal(err)
	}
	// What is owed by a station that was pulled is waited for only shortly.
	timing := line.Timing{Response: time.Hour, Late: time.Millisecond}
	k, err := link.New(link.Config{Dial: dial, Framing: line.RTU, Serial: line.DefaultSerial(name), Timing: timing})
	if err != nil {
		t.Fatal(err)
	}
	defer k.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	asked := make(chan *decode.Exchange, 1)
	go func() {
		x, err := k.Ask(ctx, 17, frame.Read(regmap.HoldingRegister, 32, 1))
		if err != nil {
			t.Error(err)
		}
		asked <- x
	}()
	if n, err := pair.Read(make([]byte, 64)); n == 0 || err != nil { // the request has left
		t.Fatal(n, err)
	}
	pair.Close()
	if x := <-asked; x == nil || x.Cause != regmap.PortGone {
		t.Fatalf("%+v, want %v", x, regmap.PortGone)
	}
	pair = replug(t, name)
	defer pair.Close()
	served := make(chan error, 1)
	serving, stop := context.WithCancel(t.Context())
	go func() { served <- cisternStation(t).ServeStream(serving, pair, line.RTU) }()
	for {
		x, err := k.Ask(ctx, 17, frame.Read(regmap.HoldingRegister, 32, 1))
		if err != nil || ctx.Err() != nil {
			t.Fatal(err, x)
		}
		if x.Cause == regmap.NoCause {
			break
		}
	}
	stop()
	<-served
}

// TestC10PortRefused: what cannot be opened is told with who or what, exit 3.
func TestC10PortRefused(t *testing.T) {
	plain := filepath.Join(t.TempDir(), "cistern.yaml")
	put(t, plain, []byte("device: cistern\n"), 0o600)
	pair, err := port.OpenPair()
	if err != nil {
		t.Fatal(err)
	}
	defer pair.Close()
	held, err := port.Open(line.DefaultSerial(pair.Path()), port.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	for path, want := range map[string]string{
		plain:                           "this is not a serial port: it is a plain file",
		filepath.Join(plain, "ttyUSB7"): "not a directory",
		"/dev/ttyUSB-none":              "there is no such port",
		pair.Path():                     "the port is held by another program; this program itself",
	} {
		code, out, errs := command(t, "poll", cistern, "--serial", path, "--unit", "17", "--once")
		if code != exitNoReply || !strings.Contains(out+errs, want) {
			t.Errorf("%s: %d, %s%s\nwant %q", path, code, out, errs, want)
		}
	}
}
