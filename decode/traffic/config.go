package traffic

import (
	"fmt"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/line"
)

// Side is the place from which the exchanges are seen. The zero Side is the
// client's.
type Side uint8

// The sides.
const (
	Client  Side = iota // this program asked
	Between             // heard on the line or taken from a capture
	Station             // this program answered
)

// A Config is what is known of a line beforehand. Only what is known need be
// set; findings that need more than is known are not made.
type Config struct {
	Name     string
	Where    string // medium and settings, for people; may be empty
	Framing  line.Framing
	Serial   line.Serial // zero: the speed is not known
	Timing   line.Timing // the client's; a Response of 0 is not known
	Every    time.Duration
	Stations []line.Station // of each at most the unit is needed; a map lets requests be compared with it
	Seen     Side
}

// ConfigOf is what a line file says.
func ConfigOf(l *line.Line, seen Side) Config {
	return Config{
		Name: l.Name, Where: l.Where(), Framing: l.Framing, Serial: l.Serial, Timing: l.Timing, Every: l.Every,
		Stations: l.Stations, Seen: seen,
	}
}

// station is what is known of a unit; nil for nothing.
func (c *Config) station(u regmap.Unit) *line.Station {
	for i := range c.Stations {
		if c.Stations[i].Unit == u {
			return &c.Stations[i]
		}
	}
	return nil
}

// deviceMap is a unit's map; nil where none is known.
func (c *Config) deviceMap(u regmap.Unit) *regmap.Map {
	if s := c.station(u); s != nil {
		return s.Map
	}
	return nil
}

// timing is what the client waits for at a unit; a Response of 0 is not known.
func (c *Config) timing(u regmap.Unit) line.Timing {
	if s := c.station(u); s != nil && s.Timing.Response > 0 {
		return s.Timing
	}
	return c.Timing
}

// name is a unit for people: "unit 17", the station's name behind it.
func (c *Config) name(u regmap.Unit) string {
	if s := c.station(u); s != nil && s.Name != "" {
		return fmt.Sprintf("unit %d (%s)", u, s.Name)
	}
	return subjectOf(u)
}

// subjectOf is a unit as the subject of a finding.
func subjectOf(u regmap.Unit) string { return fmt.Sprintf("unit %d", u) }

// lineName is the line as the subject of a finding.
func (c *Config) lineName() string {
	if c.Name == "" {
		return "line"
	}
	return "line " + c.Name
}

// paced says whether line times are known: a serial line whose speed is given.
func (c *Config) paced() bool { return c.Serial.Baud > 0 }

// framingOnWire is the framing that line times are reckoned in: a station
// tried out on a network keeps the line time of the serial line that it is for.
func (c *Config) framingOnWire() line.Framing {
	if c.Framing == line.ASCII {
		return line.ASCII
	}
	return line.RTU
}
