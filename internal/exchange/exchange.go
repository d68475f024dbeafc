// Package exchange takes tables in and gives them out: the fleet, certificates, bookings and field checks, as CSV (RFC 4180, UTF-8)
// or as workbooks. Headings are the words of the trade; days are ISO 8601 dates, figures have a decimal point, and nothing is
// guessed: what can be read in two ways is a fault that names row and column.
package exchange

import (
	"fmt"
	"slices"
	"strings"

	"kitd/internal/fault"
)

// Noun is what a table is about.
type Noun string

// The nouns.
const (
	Fleet        Noun = "fleet"
	Certificates Noun = "certificates"
	Bookings     Noun = "bookings"
	Checks       Noun = "checks"
)

// Nouns lists what can be given out.
func Nouns() []Noun { return []Noun{Fleet, Certificates, Bookings, Checks} }

// TakenIn reports whether tables of the noun can be taken in. Bookings and checks are entered at the desk and in the field, where
// their rules are.
func (n Noun) TakenIn() bool { return n == Fleet || n == Certificates }

// Column is one column of a table.
type Column struct {
	Name   string // heading
	Field  string // name of the field in faults of the domain
	Needed bool   // a table that is taken in must have it
	Figure bool   // cells are decimal numbers
	Day    bool   // cells are days
	Help   string
}

// Columns lists the columns of a noun in their order.
func (n Noun) Columns() []Column {
	switch n {
	case Fleet:
		return fleetColumns
	case Certificates:
		return certificateColumns
	case Bookings:
		return bookingColumns
	case Checks:
		return checkColumns
	}
	return nil
}

var fleetColumns = []Column{
	{Name: "tag", Field: "tag", Needed: true, Help: "as on the label; finds the unit, whatever the case"},
	{Name: "kind", Field: "kind", Help: "dosimeter, calibrator, sound level meter, charger or data link; that of the model"},
	{Name: "make", Field: "maker", Help: "maker of the model"},
	{Name: "model", Field: "model", Help: "name of a model on record; needed for new units"},
	{Name: "serial number", Field: "serial", Help: "of the body"},
	{Name: "microphone serial number", Field: "microphone", Help: "when the unit was entered; later ones are records of the unit"},
	{Name: "firmware", Field: "firmware", Help: "when the unit was entered"},
	{Name: "home depot", Field: "depot", Help: "code of a depot on record; needed for new units"},
	{Name: "kit", Field: "kit", Help: "code of the kit it is in now; empty: in none"},
	{Name: "ownership", Field: "ownership", Help: "owned, rented or client-owned; empty: owned"},
	{Name: "client", Field: "client", Help: "code of the owner, for client-owned units"},
	{Name: "hire from", Field: "hire_from", Day: true, Help: "first day of the hire"},
	{Name: "hire to", Field: "hire_to", Day: true, Help: "last day of the hire, included"},
}

var certificateColumns = []Column{
	{Name: "certificate number", Field: "number", Needed: true, Help: "rows of one number, laboratory and calibration date are one certificate"},
	{Name: "laboratory", Field: "laboratory", Needed: true, Help: "name of a laboratory on record"},
	{Name: "calibration date", Field: "calibrated", Day: true, Needed: true, Help: "the day due dates count from"},
	{Name: "issue date", Field: "issued", Day: true},
	{Name: "tag", Field: "tag", Needed: true, Help: "of a unit on record"},
	{Name: "verdict", Field: "verdict", Needed: true, Help: "pass, fail or not stated"},
	{Name: "as found dB", Field: "as_found_db", Figure: true, Help: "deviation; empty: not stated"},
	{Name: "as left dB", Field: "as_left_db", Figure: true, Help: "deviation; empty: not stated"},
	{Name: "certified level dB", Field: "level_db", Figure: true, Help: "of calibrators"},
	{Name: "expanded uncertainty dB", Field: "expanded_u_db", Figure: true},
	{Name: "coverage factor", Field: "coverage_k", Figure: true, Help: "empty: 2"},
	{Name: "microphone serial number", Field: "microphone", Help: "calibrated with this microphone"},
	{Name: "last covered day", Field: "due", Day: true, Help: "empty: counted by the laboratory's rule and the model's interval"},
	{Name: "note", Field: "note"},
}

var bookingColumns = []Column{
	{Name: "booking"}, {Name: "title"}, {Name: "state"}, {Name: "for"}, {Name: "client", Help: "code"},
	{Name: "asked for", Help: "kit and its code, unit and its tag, or a number of dosimeters"},
	{Name: "from depot", Help: "code"}, {Name: "back to depot", Help: "code"},
	{Name: "starts", Help: "RFC 3339, in the zone of the visit"}, {Name: "ends", Help: "RFC 3339"}, {Name: "time zone"},
	{Name: "lead hours", Figure: true}, {Name: "lag hours", Figure: true}, {Name: "units", Help: "tags, with semicolons between them"},
}

var checkColumns = []Column{
	{Name: "survey"}, {Name: "wear started", Help: "RFC 3339, UTC"}, {Name: "tag", Help: "of the dosimeter"}, {Name: "calibrator", Help: "tag"},
	{Name: "side of the wear", Help: "before or after"}, {Name: "checked", Help: "RFC 3339, UTC"}, {Name: "indicated dB", Figure: true},
	{Name: "adjusted", Help: "yes or no"}, {Name: "reading after adjustment dB", Figure: true}, {Name: "temperature °C", Figure: true},
	{Name: "static pressure hPa", Figure: true}, {Name: "place"}, {Name: "by"},
}

// Sheet is a table to be given out.
type Sheet struct {
	Noun Noun
	Rows [][]string // in the order of Noun.Columns
}

// Table is a table that was read.
type Table struct {
	Noun  Noun
	Lines []Line
	at    map[string]int // column by field
}

// Line is one row of a table with its number, as a spreadsheet counts: headings are row 1.
type Line struct {
	Row   int
	Cells []string
}

// Has reports whether the table has the column of the field.
func (t *Table) Has(field string) bool { _, ok := t.at[field]; return ok }

// Cell is the text of a row under the column of a field, empty where there is none.
func (t *Table) Cell(l Line, field string) string {
	if i, ok := t.at[field]; ok && i < len(l.Cells) {
		return l.Cells[i]
	}
	return ""
}

// Sheet gives the table back as one to be given out, all columns in their order; Told lists those that it has.
func (t *Table) Sheet() (s Sheet, told []string) {
	s.Noun = t.Noun
	for _, c := range t.Noun.Columns() {
		if t.Has(c.Field) {
			told = append(told, c.Name)
		}
	}
	for _, l := range t.Lines {
		row := make([]string, 0, len(told))
		for _, c := range t.Noun.Columns() {
			if t.Has(c.Field) {
				row = append(row, t.Cell(l, c.Field))
			}
		}
		s.Rows = append(s.Rows, row)
	}
	return s, told
}

// guarded lists the characters with which a cell begins that a spreadsheet would take for a formula (common practice, no source).
const guarded = "=+-@\t\r\n"

// Guard puts an apostrophe before a text that a spreadsheet would take for a formula, and before one that already looks guarded, so
// that Unguard gives every text back.
func Guard(s string) string {
	if rest := strings.TrimLeft(s, "'"); rest != "" && strings.ContainsRune(guarded, rune(rest[0])) {
		return "'" + s
	}
	return s
}

// Unguard takes the apostrophe of Guard away again.
func Unguard(s string) string {
	if strings.HasPrefix(s, "'") && Guard(s[1:]) == s {
		return s[1:]
	}
	return s
}

// faults collects what has to change in a table.
type faults struct{ fields []fault.Field }

// mostFaults is how many places are named at once.
const mostFaults = 100

func (f *faults) bad(place, format string, args ...any) {
	f.fields = append(f.fields, fault.Field{Path: place, Text: fmt.Sprintf(format, args...)})
}

func (f *faults) err() error {
	if len(f.fields) == 0 {
		return nil
	}
	all := f.fields
	if n := len(all); n > mostFaults {
		all = append(all[:mostFaults:mostFaults], fault.Field{Path: "further rows", Text: fmt.Sprintf("%d more places have to change; mend these first", n-mostFaults)})
	}
	e := fault.New(fault.BadInput, "what", "the table at "+all[0].Path+": "+all[0].Text)
	e.Fields = all
	return e
}

// place names a cell as people find it.
func place(row int, column string) string { return fmt.Sprintf("row %d, column %s", row, column) }

// Placed writes the places in a fault of the domain, "rows/7/serial", as people find them in a table of the noun.
func Placed(n Noun, err error) error {
	e := fault.Of(err)
	if e == nil || !slices.ContainsFunc(e.Fields, func(x fault.Field) bool { return strings.HasPrefix(x.Path, "rows") }) {
		return err
	}
	var f faults
	for _, x := range e.Fields {
		var row int
		var field string
		if k, _ := fmt.Sscanf(x.Path, "rows/%d/%s", &row, &field); k != 2 {
			f.bad("further rows", "%s", x.Text)
			continue
		}
		f.bad(place(row, n.heading(field)), "%s", x.Text)
	}
	return f.err()
}

// heading is the column of a field.
func (n Noun) heading(field string) string {
	for _, c := range n.Columns() {
		if c.Field == field {
			return c.Name
		}
	}
	return field
}
