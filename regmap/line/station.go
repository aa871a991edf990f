package line

import (
	"path/filepath"
	"time"

	"plumbline/regmap"
	"plumbline/regmap/doc"
)

// stationDraft is a station while its block is read.
type stationDraft struct {
	Station
	identity, timing, mapFile doc.Node
}

// identityDraft is an identity block while it is read.
type identityDraft struct {
	Identity
	object doc.Node
}

var identityTable = doc.NewTable(
	doc.Text("point", "a point that only the right device shows so", func(i *identityDraft) *string { return &i.Point }),
	doc.Custom("object", "an object of its device identification (V1.1b3, 6.21)", doc.Shape{Kind: doc.WholeNumber}, func(i *identityDraft, n doc.Node) { i.object = n }),
	doc.Text("value", "what it must show", func(i *identityDraft) *string { return &i.Value }).Must(),
)

var stationTable = doc.NewTable(
	doc.NameField("name", "the station's name", func(s *stationDraft) *string { return &s.Name }),
	doc.Custom("map", "its map file, beside or below the line file", doc.Shape{Kind: doc.AnyText}, func(s *stationDraft, n doc.Node) { s.mapFile = n }).Must(),
	doc.Flag("write", "true allows writing to it", func(s *stationDraft) *bool { return &s.Write }),
	doc.Custom("identity", "what proves that the right device answers", identityTable.Shape(), func(s *stationDraft, n doc.Node) { s.identity = n }),
	doc.Duration("every", "how often its points are read", func(s *stationDraft) *time.Duration { return &s.Every }),
	doc.Custom("timing", "what a client waits for, where it differs from the line", timingTable.Shape(), func(s *stationDraft, n doc.Node) { s.timing = n }),
)

// Highest unit numbers: 247 on a serial line, where 248 to 255 are reserved
// (serial guide V1.02, 2.2); 255 on networks (TCP guide V1.0b, 4.4.1.2).
const (
	lastSerialUnit  = 247
	lastNetworkUnit = 255
)

func (d *draft) readStations() {
	if !d.stations.Present() {
		return
	}
	if d.stations.IsMapping() && d.stations.Len() == 0 {
		d.stations.Fault("the line has no stations")
	}
	names, units := map[string]int{}, map[regmap.Unit]int{}
	for _, n := range d.stations.Entries() {
		s, ok := d.readStation(n)
		if s.Name != "" {
			if at, twice := names[s.Name]; twice {
				n.KeyFault("%q is the name of another station too (line %d)", s.Name, at).Hint = "give each station a name of its own"
			}
			names[s.Name] = s.Pos.Line
		}
		if !ok {
			continue
		}
		if at, twice := units[s.Unit]; twice { // 17 and 0x11; the same key twice is found before
			n.KeyFault("unit %d is given twice, first on line %d", s.Unit, at).Hint = "keep one of them"
		}
		units[s.Unit] = s.Pos.Line
		d.Stations = append(d.Stations, s)
	}
}

// readStation reads one station and its map; ok is false where its unit cannot
// be read. A line with a fault is never given away, so what else is missing of
// it does no harm.
func (d *draft) readStation(n doc.Node) (Station, bool) {
	s := stationDraft{}
	s.Timing, s.Every, s.Pos = d.Timing, d.Every, n.KeyPos()
	last := int64(lastNetworkUnit)
	first := int64(1)
	switch {
	case d.Medium == SerialPort:
		last = lastSerialUnit
	case d.Framing == MBAP:
		first = 0
	}
	unit, ok := n.KeyNode().Integer(first, last)
	if ok && unit == 0 {
		n.KeyNode().Warn("unit 0 is the device reached directly; behind a gateway it is the broadcast, which nobody answers (TCP guide V1.0b, 4.4.1.2)").Hint = "255 means the device itself and nothing else"
	}
	stationTable.Read(n, &s)
	if s.timing.Present() {
		readTiming(s.timing, &s.Timing)
	}
	if s.mapFile.Present() {
		s.Map = d.readMap(s.mapFile, &s)
	}
	s.Unit = regmap.Unit(unit)
	if s.Name == "" && s.MapFile != "" {
		s.Name = baseName(s.MapFile)
		if !doc.IsName(s.Name) && !n.Get("name").Present() {
			n.Fault("name is missing, and the map's file name %q cannot serve as one", s.Name).Hint = "give the station a name of lower-case letters, digits and hyphens"
		}
	}
	d.readIdentity(&s)
	return s.Station, ok
}

// baseName is a file's name without folder and ending.
func baseName(path string) string {
	base := filepath.Base(path)
	return base[:len(base)-len(filepath.Ext(base))]
}

// readMap loads a station's map, once for all stations that name it.
func (d *draft) readMap(n doc.Node, s *stationDraft) *regmap.Map {
	name, ok := n.Text()
	if !ok {
		return nil
	}
	s.MapFile = filepath.Clean(name)
	if m, seen := d.maps[s.MapFile]; seen {
		return m
	}
	text, err := doc.ReadIn(d.folder, s.MapFile)
	if err != nil {
		n.Fault("map %q: %s", name, fileError(err)).Hint = "maps stand in the line file's folder or below it"
		d.maps[s.MapFile] = nil
		return nil
	}
	m := regmap.Load(filepath.Join(d.dir, s.MapFile), text, n.Report(), d.sections...)
	d.maps[s.MapFile] = m
	return m
}

// readIdentity reads what proves a station to be the right one.
func (d *draft) readIdentity(s *stationDraft) {
	n := s.identity
	if !n.Present() {
		return
	}
	i := identityDraft{Identity: Identity{Object: -1}}
	identityTable.Read(n, &i)
	switch {
	case !n.IsMapping():
		return
	case (i.Point == "") == !i.object.Present():
		n.Fault("exactly one of point and object says what proves the device")
	case i.object.Present():
		v, _ := i.object.Integer(0, 255)
		i.Object = int(v)
	case s.Map != nil && s.Map.Point(i.Point) == nil:
		n.Get("point").Fault("the station's map has no point %q", i.Point)
	}
	s.Identity = i.Identity
}

// Single is a line with one station, for commands that are given a map and a
// place instead of a line file. The map must be loaded.
func Single(l Line, m *regmap.Map, u regmap.Unit) *Line {
	name := baseName(m.File)
	l.Name, l.File = name, m.File
	if l.Timing == (Timing{}) {
		l.Timing = DefaultTiming
	}
	if l.Every == 0 {
		l.Every = DefaultEvery
	}
	l.Stations = []Station{{Unit: u, Name: name, MapFile: m.File, Map: m, Every: l.Every, Timing: l.Timing}}
	return &l
}
