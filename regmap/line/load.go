package line

import (
	"crypto/sha256"
	"errors"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// Load reads a line file and the maps of its stations. Every fault and warning
// goes to the report, those of a map under the map's own name; the line is nil
// when there is any fault. The error is for a line file that cannot be read at
// all. Map paths are relative to the line file and stay inside its folder.
func Load(path string, rep *doc.Report, sections ...regmap.Section) (*Line, error) {
	text, err := doc.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, text, rep, sections...)
}

// Parse is Load for text that is already read; path says where it stands.
func Parse(path string, text []byte, rep *doc.Report, sections ...regmap.Section) (*Line, error) {
	before := rep.Count()
	root := doc.Parse(path, text, rep)
	if !root.Present() {
		return nil, nil
	}
	folder, err := os.OpenRoot(filepath.Dir(path))
	if err != nil {
		return nil, err
	}
	defer folder.Close()
	d := &draft{Line: Line{File: path, Digest: sha256.Sum256(text), Every: DefaultEvery, Timing: DefaultTiming},
		folder: folder, dir: filepath.Dir(path), maps: map[string]*regmap.Map{}, sections: sections}
	lineTable.Read(root, d)
	filled(root.Get("line"), "name", d.Name)
	d.settleMedium(root)
	d.readStations()
	if rep.Count() > before {
		return nil, nil
	}
	return &d.Line, nil
}

// IsLine says whether a file's text looks like a line file rather than a map:
// it has a top-level key that only line files have.
func IsLine(text []byte) bool {
	n := doc.Parse("", text, new(doc.Report))
	return n.Get("line").Present() || n.Get("stations").Present()
}

// draft is a line while its file is read.
type draft struct {
	Line
	media    []doc.Node
	stations doc.Node
	folder   *os.Root
	dir      string
	maps     map[string]*regmap.Map // by name; nil for one with faults
	sections []regmap.Section
}

var timingTable = doc.NewTable(
	doc.Duration("response", "request's last bit to the answer's first byte; on networks to the whole answer", func(t *Timing) *time.Duration { return &t.Response }),
	doc.Integer("retries", "repeats after the first try, reads only", 0, 20, func(t *Timing) *int { return &t.Retries }),
	doc.Duration("pause", "extra silence between exchanges", func(t *Timing) *time.Duration { return &t.Pause }),
	doc.Duration("turnaround", "wait after a broadcast", func(t *Timing) *time.Duration { return &t.Turnaround }),
	doc.Duration("latency", "assumed device time, for plans", func(t *Timing) *time.Duration { return &t.Latency }),
	doc.Duration("late", "how long an answer may still come", func(t *Timing) *time.Duration { return &t.Late }),
)

var serialTable = doc.NewTable(
	doc.Text("port", "the port's device, such as /dev/ttyUSB0", func(d *draft) *string { return &d.Serial.Port }).Must(),
	framingField,
	doc.Integer("baud", "bit/s", 50, 4_000_000, func(d *draft) *int { return &d.Serial.Baud }),
	doc.Choice("parity", "parity bit", []string{"even", "odd", "none"}, func(d *draft, i int) { d.Serial.Parity = Parity(i + 1) }),
	doc.Integer("stop", "stop bits", 1, 2, func(d *draft) *int { return &d.Serial.Stop }),
	doc.Choice("rs485", "what turns a two-wire adapter that does not turn by itself: the kernel's driver, or RTS, which is on (rts) or off (rts-inverted) while we talk",
		rs485Words, func(d *draft, i int) { d.Serial.RS485 = RS485(i + 1) }),
)

var framingField = doc.Choice("framing", "how frames are wrapped", []string{"mbap", "rtu", "ascii"}, func(d *draft, i int) { d.Framing = Framing(i + 1) })

var keysTable = doc.NewTable(
	doc.Text("ca", "certificate of the authority, PEM", func(k *Keys) *string { return &k.CA }).Must(),
	doc.Text("cert", "our certificate, PEM", func(k *Keys) *string { return &k.Cert }).Must(),
	doc.Text("key", "our key, PEM, readable by its owner alone", func(k *Keys) *string { return &k.Key }).Must(),
	doc.Text("crl", "the authority's list of withdrawn certificates, PEM; none: go without", func(k *Keys) *string { return &k.CRL }),
	doc.Text("name", "the name in the station's certificate, where it is not the host", func(k *Keys) *string { return &k.Name }),
)

var networkTable = doc.NewTable(
	doc.Text("host", "host name or address", func(d *draft) *string { return &d.Host }).Must(),
	doc.Integer("port", "port; 502 when left out, 802 with tls", 1, 65535, func(d *draft) *int { return &d.Port }),
	framingField,
	doc.Block("tls", "certificates, for Modbus/TCP Security", keysTable, func(d *draft, k *Keys, _ doc.Node) { d.Keys, d.Medium = *k, TLS }),
)

var lineTable = doc.NewTable(
	doc.Text("line", "the line's name", func(d *draft) *string { return &d.Name }).Must(),
	medium("serial", "a serial port", serialTable),
	medium("tcp", "a TCP connection", networkTable),
	medium("udp", "UDP datagrams", networkTable),
	doc.Custom("timing", "what a client waits for", timingTable.Shape(), func(d *draft, n doc.Node) { readTiming(n, &d.Timing) }),
	doc.Duration("every", "how often the points are read; 0s: without pause", func(d *draft) *time.Duration { return &d.Every }),
	doc.Custom("stations", "the stations by their unit numbers",
		doc.Shape{Kind: doc.KeyBlock, Rest: ptr(stationTable.Shape())}, func(d *draft, n doc.Node) { d.stations = n }).Must(),
)

func ptr[T any](v T) *T { return &v }

// medium is a field for one of the media; they are read once it is known that
// there is only one.
func medium(key, about string, table *doc.Table[draft]) doc.Field[draft] {
	return doc.Custom(key, about, table.Shape(), func(d *draft, n doc.Node) { d.media = append(d.media, n) })
}

func readTiming(n doc.Node, t *Timing) {
	timingTable.Read(n, t)
	if t.Response == 0 && n.Get("response").Present() {
		n.Get("response").Fault("a response time of 0 waits for nothing").Hint = "such as 500ms"
	}
}

// settleMedium reads the one medium and its defaults.
func (d *draft) settleMedium(root doc.Node) {
	switch {
	case len(d.media) == 0 && root.IsMapping():
		root.Fault("nothing says where the line is").Hint = "give one of serial, tcp or udp"
		return
	case len(d.media) == 0:
		return
	case len(d.media) > 1:
		d.media[1].KeyFault("%s is given beside %s", d.media[1].Name(), d.media[0].Name()).Hint = "one line has one medium"
		return
	}
	n := d.media[0]
	switch n.Name() {
	case "serial":
		d.settleSerial(n)
	case "tcp":
		d.Medium, d.Framing, d.Port = TCP, MBAP, 0
		networkTable.Read(n, d)
	case "udp":
		d.Medium, d.Framing, d.Port = UDP, MBAP, 0
		networkTable.Read(n, d)
		if tls := n.Get("tls"); tls.Present() {
			tls.KeyFault("tls goes over tcp, not udp")
		}
	}
	if d.Medium != SerialPort && d.Port == 0 {
		d.Port = DefaultPort
		if d.Medium == TLS {
			d.Port = DefaultPortTLS
		}
	}
	if d.Medium != SerialPort {
		checkHost(n.Get("host"), d.Host)
		d.checkKeys(n.Get("tls"))
	}
}

// filled reports a text that is there and empty.
func filled(n doc.Node, what, text string) bool {
	if n.IsScalar() && strings.TrimSpace(text) == "" {
		n.Fault("the %s is empty", what)
		return false
	}
	return text != ""
}

// checkHost looks for what belongs beside a host, not inside it. Colons are
// part of an address of IP version 6 only.
func checkHost(n doc.Node, host string) {
	if !filled(n, "host", host) {
		return
	}
	if _, err := netip.ParseAddr(host); err == nil {
		return
	}
	if strings.ContainsAny(host, ":/@[]() \t\n") {
		n.Fault("%q is no host name and no address", host).Hint = "the name or address alone; the port has a key of its own"
	}
}

// checkKeys looks where the files of a TLS line are. One that is not there yet
// is a warning: settings are often written on another machine.
func (d *draft) checkKeys(n doc.Node) {
	filled(n.Get("name"), "name", d.Keys.Name)
	if n.IsMapping() && !n.Get("crl").Present() {
		n.Warn("crl is missing: without the authority's list of withdrawn certificates no connection is made").Hint = "give crl: FILE, or crl: none to go without"
	}
	for key, name := range map[string]*string{"ca": &d.Keys.CA, "cert": &d.Keys.Cert, "key": &d.Keys.Key, "crl": &d.Keys.CRL} {
		at := n.Get(key)
		if !filled(at, "file name", *name) || key == "crl" && *name == NoCRL {
			continue
		}
		*name = filepath.Clean(*name)
		switch _, err := d.folder.Stat(*name); {
		case err == nil:
		case errors.Is(err, fs.ErrNotExist):
			at.Warn("file %q: there is no such file", *name)
		default:
			at.Fault("file %q: %s", *name, fileError(err)).Hint = "certificates and keys stand in the line file's folder or below it"
		}
	}
}

// settleSerial reads serial settings. Without parity the standard has a second
// stop bit (serial guide V1.02, 2.5.1); one is met in the field.
func (d *draft) settleSerial(n doc.Node) {
	d.Medium, d.Framing, d.Serial = SerialPort, RTU, DefaultSerial("")
	d.Serial.Stop = 0
	serialTable.Read(n, d)
	if d.Framing == MBAP {
		n.Get("framing").Fault("mbap is the framing of networks").Hint = "rtu or ascii on a serial port"
	}
	filled(n.Get("port"), "port", d.Serial.Port)
	switch {
	case d.Serial.Stop == 0 && d.Serial.Parity == None:
		d.Serial.Stop = 2
	case d.Serial.Stop == 0:
		d.Serial.Stop = 1
	case d.Serial.Stop == 1 && d.Serial.Parity == None:
		n.Get("stop").Warn("8N1 has one bit less than the standard's character (serial guide V1.02, 2.5.1)").Hint = "many devices use it; both sides must agree"
	}
}

// fileError is why a file that a line file names could not be read.
func fileError(err error) string {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "there is no such file"
	case errors.Is(err, fs.ErrPermission):
		return "no permission to read it"
	case errors.Is(err, doc.ErrNotRegular):
		return doc.ErrNotRegular.Error()
	case errors.Is(err, doc.ErrTooLarge):
		return doc.ErrTooLarge.Error()
	}
	return "it does not stay inside the line file's folder"
}
