package main

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbline/decode"
	"plumbline/decode/frame"
	"plumbline/poll/link"
	"plumbline/poll/port"
	"plumbline/regmap"
	"plumbline/regmap/doc"
	"plumbline/regmap/line"
	"plumbline/simdevice"
)

//go:embed example/cistern.yaml
var exampleMap []byte

//go:embed example/faulty.yaml
var faultyMap []byte

// demoUnit is the station's number in the demo.
const demoUnit = 17

// demoLimit ends the demo whatever happens.
const demoLimit = 18 * time.Second

// newDemoCommand builds "demo".
func newDemoCommand(s *streams) *cobra.Command {
	return &cobra.Command{
		Use:   "demo",
		Short: "The whole job in a minute, nothing to set up",
		Long: "Starts a simulated cistern station on this machine, over TCP and on a pseudo-terminal, polls\n" +
			"both, and shows a value's way from bytes to number, a frame explained, and a faulty map\n" +
			"refused. Nothing outside this machine is touched; it ends by itself.\n\n" +
			"Exit code: 0 everything came out right; 1 something did not.",
		Example: "  plumbline demo",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), demoLimit)
			defer cancel()
			return runDemo(ctx, s.out)
		},
	}
}

// runDemo walks the steps, each under its own heading.
func runDemo(ctx context.Context, out io.Writer) error {
	fmt.Fprintln(out, "The cistern transfer station of an invented plant nursery, simulated on this machine.")
	rep := new(doc.Report)
	m := regmap.Load("cistern.yaml", exampleMap, rep, sections()...)
	if m == nil {
		return verdict{exitWrong, rep.Err()}
	}
	d := &demo{out: out, device: m}
	bank, err := simdevice.NewBank(m)
	if err != nil {
		return verdict{exitWrong, err}
	}
	if d.station, err = simdevice.New(map[regmap.Unit]*simdevice.Bank{demoUnit: bank}, simdevice.Options{}); err != nil {
		return verdict{exitWrong, err}
	}
	for _, step := range []func(context.Context) error{d.overTCP, d.overRTU, d.chain, d.refusal, d.faulty} {
		if err := step(ctx); err != nil {
			return verdict{exitWrong, fmt.Errorf("the demo went wrong: %w", err)}
		}
	}
	d.heading("Where next")
	fmt.Fprint(out, "plumbline check MAP        every fault of a register map, with its place\n"+
		"plumbline simulate MAP     this station, to test a panel against\n"+
		"plumbline poll LINE        a real station, read only\n"+
		"plumbline help             everything\n")
	return nil
}

// demo is what one step leaves for the next.
type demo struct {
	out     io.Writer
	device  *regmap.Map
	station *simdevice.Station
	steps   int
	flow    decode.Reading // over RTU
	tcp     map[string]regmap.Value
}

func (d *demo) heading(words string) {
	d.steps++
	title := fmt.Sprintf("%d. %s", d.steps, words)
	fmt.Fprintf(d.out, "\n%s\n%s\n\n", title, strings.Repeat("-", len(title)))
}

// overTCP polls the station over loopback TCP and shows the table.
func (d *demo) overTCP(ctx context.Context) error {
	d.heading("The station polled over TCP, as the panel would")
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	address := listener.Addr().(*net.TCPAddr)
	l := line.Single(line.Line{Medium: line.TCP, Framing: line.MBAP, Host: "127.0.0.1", Port: address.Port}, d.device, demoUnit)
	serve := func(ctx context.Context) error { return d.station.ServeListener(ctx, listener, line.MBAP) }
	readings, err := d.pollOnce(ctx, l, serve, d.out)
	if err != nil {
		return err
	}
	d.tcp = map[string]regmap.Value{}
	for _, r := range readings {
		d.tcp[r.Point.Name] = r.Value
	}
	return nil
}

// overRTU polls the same station over a serial line, a pseudo-terminal here,
// and compares what came with what came over TCP.
func (d *demo) overRTU(ctx context.Context) error {
	d.heading("The same station over a serial line (RTU)")
	pair, err := port.OpenPair()
	if err != nil {
		fmt.Fprintf(d.out, "This system makes no pseudo-terminal (%v); left out.\n", err)
		return nil
	}
	l := line.Single(line.Line{Medium: line.SerialPort, Framing: line.RTU, Serial: line.DefaultSerial(pair.Path())}, d.device, demoUnit)
	serve := func(ctx context.Context) error { return d.station.ServeStream(ctx, pair, line.RTU) }
	readings, err := d.pollOnce(ctx, l, serve, io.Discard)
	if err != nil {
		return err
	}
	same := 0
	for _, r := range readings {
		if r.Point.Name == "flow" {
			d.flow = r
		}
		if r.Value.Same(d.tcp[r.Point.Name]) {
			same++
			continue
		}
		fmt.Fprintf(d.out, "%s over RTU is %s, over TCP %s\n", r.Point.Name, r.Point.Shown(r.Value), r.Point.Shown(d.tcp[r.Point.Name]))
	}
	fmt.Fprintf(d.out, "%s: %d of %d readings are the same as over TCP.\n", l.Where(), same, len(readings))
	if same != len(readings) {
		return fmt.Errorf("%d readings differ", len(readings)-same)
	}
	return nil
}

// pollOnce serves the station at a place, polls it for one cycle, and gives the
// readings; all must be good.
func (d *demo) pollOnce(ctx context.Context, l *line.Line, serve func(context.Context) error, out io.Writer) ([]decode.Reading, error) {
	ctx, cancel := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() { served <- serve(ctx) }()
	defer func() { cancel(); <-served }()
	show := newPollPrinter(out, []*line.Line{l}, pollFlags{once: true}, new(display))
	var readings []decode.Reading
	err := pollLines(ctx, []*line.Line{l}, 1, func(e decode.Event) {
		readings = append(readings, e.Readings...)
		show.event(e)
	})
	if err == nil {
		err = show.finish()
	}
	if err == nil && len(readings) == 0 {
		err = fmt.Errorf("no readings came")
	}
	return readings, err
}

// chain shows one value's way from bytes to number.
func (d *demo) chain(context.Context) error {
	if d.flow.Point == nil {
		return nil // no pseudo-terminal, no RTU bytes to show
	}
	d.heading("One value's way from bytes to number")
	var b bytes.Buffer
	printChain(&b, d.flow)
	fmt.Fprintln(d.out, strings.TrimRight(b.String(), "\n"))
	return nil
}

// refusal asks for a register that the station does not have and explains the
// answer byte by byte.
func (d *demo) refusal(ctx context.Context) error {
	d.heading("A frame explained: a register that the station does not have")
	near, far := net.Pipe()
	served := make(chan error, 1)
	go func() { served <- d.station.ServeStream(ctx, far, line.MBAP) }()
	k, err := link.New(link.Config{Framing: line.MBAP, Dial: func(context.Context) (link.Stream, error) { return near, nil }})
	if err != nil {
		return err
	}
	x, err := k.Ask(ctx, demoUnit, frame.Read(regmap.HoldingRegister, 100, 2))
	k.Close()
	<-served
	if err != nil {
		return err
	}
	if x.Cause != regmap.Excepted {
		return fmt.Errorf("an exception was expected, %q came", decode.Why(x))
	}
	adu, err := frame.AppendADU(nil, frame.ADU{Framing: line.RTU, Unit: x.Unit, PDU: x.Received[7:]})
	if err != nil {
		return err
	}
	s := &streams{in: strings.NewReader(""), out: d.out, err: io.Discard}
	return runDecode(s, []string{fmt.Sprintf("% X", adu)}, decodeFlags{})
}

// faulty shows how a faulty map is refused.
func (d *demo) faulty(context.Context) error {
	d.heading("A faulty map refused")
	fmt.Fprintf(d.out, "%s\n", indent(string(faultyMap)))
	rep := new(doc.Report)
	if m := regmap.Load("faulty.yaml", faultyMap, rep, sections()...); m != nil || !rep.Bad() {
		return fmt.Errorf("the faulty map was taken for right")
	}
	printFaults(d.out, rep, 1, false)
	return nil
}

// indent numbers the lines of a file's text.
func indent(s string) string {
	var b strings.Builder
	for i, text := range strings.Split(strings.TrimRight(s, "\n"), "\n") {
		fmt.Fprintf(&b, "%4d  %s\n", i+1, text)
	}
	return b.String()
}
