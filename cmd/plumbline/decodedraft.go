package main

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"plumbline/decode"
	"plumbline/decode/capture"
	"plumbline/decode/draft"
	"plumbline/decode/segment"
	"plumbline/regmap"
	"plumbline/regmap/line"
	"plumbline/regmap/paper"
)

// mostServers is how many servers drafts are made of; ours.
const mostServers = 32

// runDraft writes first maps out of what was asked, one a unit.
func runDraft(out io.Writer, in *decodeInput) error {
	d := &drafter{names: in.args}
	err := in.each(d)
	if err != nil && in.fault == nil {
		return err
	}
	for _, h := range d.pairer.flush() {
		d.exchange(nil, &h)
	}
	maps := d.maps()
	if len(maps) == 0 {
		if err == nil {
			err = notUnderstood("nothing that was asked was answered, so there is nothing to make a map of")
		}
		return err
	}
	if wrote := d.write(out, maps, in.flags); wrote != nil {
		return wrote
	}
	return err
}

// A drafter gathers what was asked of each server. It is a hearer.
type drafter struct {
	names   []string
	pairer  hexPairer
	servers []*drafted
	beyond  bool
}

// drafted is what was asked of one server, or on a serial line.
type drafted struct {
	place draft.Place
	draft *draft.Draft
}

func (d *drafter) wants() capture.Settings { return capture.Settings{ExchangesOnly: true} }

func (d *drafter) message(m *decode.Message, _ int64) error {
	for _, h := range d.pairer.take(m) {
		d.exchange(nil, &h)
	}
	return nil
}

func (d *drafter) item(i capture.Item) error {
	if i.Heard != nil && i.Heard.Outcome == segment.Answered {
		d.exchange(i.Stream, i.Heard)
	}
	return nil
}

func (d *drafter) ends(string, *capture.Summary, error) error { return nil }

func (d *drafter) exchange(s *capture.Stream, h *segment.Heard) {
	place := draft.Place{Framing: h.Framing}
	if s != nil && s.Medium != line.SerialPort {
		place.Host, place.Port = s.Server.Addr().String(), int(s.Server.Port())
	}
	for _, one := range d.servers {
		if one.place == place {
			one.draft.Add(h.Exchange)
			return
		}
	}
	if len(d.servers) == mostServers {
		d.beyond = true
		return
	}
	one := &drafted{place, draft.New()}
	one.draft.Add(h.Exchange)
	d.servers = append(d.servers, one)
}

// A draftedMap is one map that was made.
type draftedMap struct {
	of   *drafted
	unit regmap.Unit
	text []byte
	file string
}

// maps are the maps of all servers.
func (d *drafter) maps() (out []draftedMap) {
	from := "standard input"
	if len(d.names) > 0 {
		from = strings.Join(d.names, ", ")
	}
	for _, one := range d.servers {
		where := paper.Text(from)
		if one.place.Host != "" {
			where += ", server " + one.place.Host
		}
		for _, u := range one.draft.Units() {
			out = append(out, draftedMap{of: one, unit: u, text: one.draft.Map(u, where)})
		}
	}
	return out
}

// write writes the maps to their files, or to standard output.
func (d *drafter) write(out io.Writer, maps []draftedMap, f decodeFlags) error {
	servers := map[*drafted]int{}
	for _, m := range maps {
		if servers[m.of] == 0 {
			servers[m.of] = len(servers) + 1
		}
	}
	if f.lineFile != "" && len(servers) > 1 {
		return notUnderstood("--line makes one line file, and %s were heard; leave it out", count(len(servers), "server"))
	}
	if f.output == "" {
		for i, m := range maps {
			if i > 0 {
				fmt.Fprintln(out)
			}
			if len(maps) > 1 {
				fmt.Fprintf(out, "# ---- map %d of %d, to a file of its own\n", i+1, len(maps))
			}
			out.Write(m.text)
		}
		return nil
	}
	files := map[regmap.Unit]string{}
	for i := range maps {
		m := &maps[i]
		m.file = draftFile(f.output, len(maps), len(servers), servers[m.of], m.unit)
		if err := writeFile(m.file, m.text); err != nil {
			return err
		}
		fmt.Fprintf(out, "%s: first map of unit %d, %s\n", paper.Text(m.file), m.unit, count(bytes.Count(m.text, []byte("    type: ")), "point"))
		files[m.unit] = m.file
	}
	if f.lineFile == "" {
		return nil
	}
	return writeDraftedLine(out, f.lineFile, maps[0].of.place, files)
}

// draftFile is the file of one map: the name given, with the server's place in
// the input and the unit behind it where there are several.
func draftFile(name string, maps, servers, server int, u regmap.Unit) string {
	if maps == 1 {
		return name
	}
	ending := filepath.Ext(name)
	bare := strings.TrimSuffix(name, ending)
	if servers > 1 {
		bare += fmt.Sprintf("-server-%d", server)
	}
	return fmt.Sprintf("%s-unit-%d%s", bare, u, ending)
}

// writeDraftedLine writes the line file of the maps, which must lie beside it or
// below.
func writeDraftedLine(out io.Writer, name string, place draft.Place, files map[regmap.Unit]string) error {
	for u, file := range files {
		inside, err := filepath.Rel(filepath.Dir(name), file)
		if err != nil || !filepath.IsLocal(inside) {
			return notUnderstood("a line file finds its maps in its own folder or below; %s is not there", file)
		}
		files[u] = filepath.ToSlash(inside)
	}
	if err := writeFile(name, draft.Line(place, files)); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s: a line file for %s\n", paper.Text(name), count(len(files), "station"))
	return nil
}
