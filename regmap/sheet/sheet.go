package sheet

import (
	"errors"
	"fmt"

	"plumbline/regmap"
)

// CountFrom says from which number a list counts its registers. The zero
// CountFrom is not told.
type CountFrom uint8

// The two ways to count.
const (
	CountFromZero CountFrom = iota + 1 // protocol addresses, as on the wire
	CountFromOne                       // register numbers, references among them
)

// Options are what a person tells about a list that it does not say itself.
type Options struct {
	CountFrom CountFrom
	Columns   map[string]string // role, one of Roles, to the heading of its column; "table" also to a table's name
	Device    string            // the map's device; "": after the source
	Base      regmap.Address    // models: the address of the marker "SunS"
	Count     int               // models: how often a group repeats whose number the model leaves open; 0: once
}

// A Row is one row of a list; Number counts from 1 as the spreadsheet shows it.
type Row struct {
	Number int
	Cells  []string
	Sheet  string // the worksheet, where several are read; ""
}

// Surety is how sure a conclusion is.
type Surety string

// How sure a conclusion is, the surest first.
const (
	Settled Surety = "settled" // said in so many words, or by whoever imports
	Likely  Surety = "likely"  // by the usual meaning of a word, or by the contents
	Unused  Surety = ""        // nothing was concluded
)

// A Column says what one column of a list was taken for.
type Column struct {
	Letter  string // as spreadsheets name it: A, B ... AA
	Heading string
	Role    string // one of Roles; "" for a column that is not used
	Sure    Surety
	Why     string
	Under   string // where its heading stands, for headings further down a list: "row 12"; ""
}

// String names a column in messages.
func (c Column) String() string {
	if c.Under != "" {
		return fmt.Sprintf("column %s %q of %s", c.Letter, c.Heading, c.Under)
	}
	return fmt.Sprintf("column %s %q", c.Letter, c.Heading)
}

// A Taken row became a point.
type Taken struct {
	Point   string   // its name in the map
	Place   string   // where it stands in the source: "row 12"
	Assumed []string // what the source does not say
}

// A LeftOut is a part of the source that did not become a point.
type LeftOut struct {
	Place, Text, Reason string
	Harmless            bool // nothing is missing for it: a title, a reserved register
}

// A Result is what was made of a list.
type Result struct {
	Kind      string // "register list", "thing description" or "models"
	Own       bool   // a register list that this program wrote: it says all that a map says
	Map       []byte // the map's text; nil while there are questions
	Points    []Taken
	Columns   []Column
	LeftOut   []LeftOut
	Questions []string // what must be told before a map can be made
	Notes     []string // what was concluded, and what is lost

	items []*item
	head  header
}

// Incomplete says whether a part of the source that may matter was left out.
func (r *Result) Incomplete() bool {
	for _, l := range r.LeftOut {
		if !l.Harmless {
			return true
		}
	}
	return false
}

// ErrSource is wrapped by every error about a source that is no list of its
// kind.
var ErrSource = errors.New("not understood")

func sourceError(source, format string, args ...any) error {
	return fmt.Errorf("%s: %w: %s", source, ErrSource, fmt.Sprintf(format, args...))
}
