package line

import (
	"fmt"
	"net"
	"strconv"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// Medium is what carries the bytes. The zero Medium is not valid.
type Medium uint8

// The media.
const (
	SerialPort Medium = iota + 1
	TCP
	TLS
	UDP
)

// String is the medium's name: "serial", "tcp", "tls", "udp".
func (m Medium) String() string {
	switch m {
	case SerialPort:
		return "serial"
	case TCP:
		return "tcp"
	case TLS:
		return "tls"
	case UDP:
		return "udp"
	}
	return fmt.Sprintf("medium(%d)", uint8(m))
}

// Ports of the standards: 502 (TCP guide V1.0b, 4.1) and 802 for Modbus/TCP
// Security (MB-TCP-Security v36, clause 5).
const (
	DefaultPort    = 502
	DefaultPortTLS = 802
)

// Timing is what a client waits for. Unset durations are the defaults.
type Timing struct {
	Response   time.Duration // request's last bit to the answer's first byte; on networks to the whole frame
	Retries    int           // repeats after the first try, reads only
	Pause      time.Duration // extra silence between exchanges
	Turnaround time.Duration // wait after a broadcast
	Latency    time.Duration // assumed device time, for plans
	Late       time.Duration // how long an answer may still come; 0: three times Response and the answer's line time
}

// lateLimits is how many response times an answer may be late: with three of
// them an answer twice as late as allowed is still known for what it is.
const lateLimits = 3

// LateHorizon is how long an answer may still come, counted from the request's
// last bit: Late, or where it is left out three times Response and the
// answer's own line time.
func (t Timing) LateHorizon(answer time.Duration) time.Duration {
	if t.Late > 0 {
		return t.Late
	}
	return lateLimits*t.Response + answer
}

// DefaultTiming holds where a line file says nothing.
var DefaultTiming = Timing{Response: 500 * time.Millisecond, Retries: 2, Turnaround: 100 * time.Millisecond}

// A Line is one physical or network link, its settings and the stations on
// it. It does not change after loading.
type Line struct {
	Name     string
	File     string
	Medium   Medium
	Framing  Framing
	Serial   Serial // SerialPort only
	Host     string // the networks
	Port     int
	Keys     Keys // TLS only
	Every    time.Duration
	Timing   Timing
	Stations []Station
	Digest   regmap.Digest
}

// Keys are the files of a TLS line, relative to the line file.
type Keys struct {
	CA, Cert, Key string
	CRL           string // "": none is given, and no connection is made; NoCRL: go without
	Name          string // in the station's certificate; "": the line's host
}

// NoCRL in place of a file's name says that withdrawn certificates are not
// looked for.
const NoCRL = "none"

// ServerName is the name that the station's certificate must carry.
func (l *Line) ServerName() string {
	if l.Keys.Name != "" {
		return l.Keys.Name
	}
	return l.Host
}

// DefaultEvery is the polling period where nothing names one.
const DefaultEvery = time.Second

// A Station is a device that answers on a line.
type Station struct {
	Unit     regmap.Unit
	Name     string
	MapFile  string
	Map      *regmap.Map
	Write    bool // the line file allows writing to it
	Identity Identity
	Every    time.Duration // the line's where the station names none; 0: without pause
	Timing   Timing        // the line's, with the station's own changes
	Pos      doc.Pos
}

// Identity is what proves that the right device answers: a point or an object
// of its device identification (V1.1b3, 6.21) and the value it must have. The
// zero Identity is none.
type Identity struct {
	Point  string
	Object int // -1: a point is used
	Value  string
}

// IsZero says whether no identity is given.
func (i Identity) IsZero() bool { return i == Identity{} }

// Address is host and port of a network line.
func (l *Line) Address() string { return net.JoinHostPort(l.Host, strconv.Itoa(l.Port)) }

// Where is the medium with its settings, for people: "serial /dev/ttyUSB0 rtu
// 19200 8E1", "tcp 192.0.2.10:502 mbap".
func (l *Line) Where() string {
	if l.Medium == SerialPort {
		return fmt.Sprintf("serial %s %s %s", l.Serial.Port, l.Framing, l.Serial)
	}
	return fmt.Sprintf("%s %s %s", l.Medium, l.Address(), l.Framing)
}

// Station finds a station by its unit; nil when there is none.
func (l *Line) Station(u regmap.Unit) *Station {
	for i := range l.Stations {
		if l.Stations[i].Unit == u {
			return &l.Stations[i]
		}
	}
	return nil
}
