package exchange

import (
	"regexp"
	"strconv"
	"strings"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// reading turns the cells of a table into values and collects what cannot be read.
type reading struct {
	t *Table
	f faults
}

func (r *reading) text(l Line, field string) fleet.Given[string] {
	return fleet.Given[string]{Value: r.t.Cell(l, field), Told: r.t.Has(field)}
}

// needed is the text of a cell that must not be empty.
func (r *reading) needed(l Line, field string) string {
	s := r.t.Cell(l, field)
	if s == "" {
		r.f.bad(place(l.Row, r.t.Noun.heading(field)), "is empty; every row needs it")
	}
	return s
}

// day reads an ISO date.
func (r *reading) day(l Line, field string) fleet.Given[civil.Date] {
	text := r.t.Cell(l, field)
	g := fleet.Given[civil.Date]{Told: r.t.Has(field)}
	if text == "" {
		return g
	}
	d, err := civil.Parse(text)
	if err != nil {
		r.f.bad(place(l.Row, r.t.Noun.heading(field)), "is %q; write the day as year-month-day, such as 2026-01-12", clip(text))
		return g
	}
	g.Value = d
	return g
}

var figureForm = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)

// figure reads a decimal number.
func (r *reading) figure(l Line, field string) fleet.Given[*float64] {
	text := r.t.Cell(l, field)
	g := fleet.Given[*float64]{Told: r.t.Has(field)}
	if text == "" {
		return g
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case err == nil && figureForm.MatchString(text):
		g.Value = &v
	case figureForm.MatchString(strings.Replace(text, ",", ".", 1)):
		r.f.bad(place(l.Row, r.t.Noun.heading(field)), "is %q; write a decimal point: %s", clip(text), strings.Replace(text, ",", ".", 1))
	default:
		r.f.bad(place(l.Row, r.t.Noun.heading(field)), "is %q; write a number such as 0.12 or -0.3", clip(text))
	}
	return g
}

// Units reads the rows of a table of the fleet. clients finds a client by its code, whatever the case.
func (t *Table) Units(clients func(code string) (ident.ID, bool)) ([]fleet.UnitRow, error) {
	r := reading{t: t}
	rows := make([]fleet.UnitRow, 0, len(t.Lines))
	for _, l := range t.Lines {
		u := fleet.UnitRow{Row: l.Row, Tag: r.needed(l, "tag"), Maker: r.text(l, "maker"), Model: r.text(l, "model"), Serial: r.text(l, "serial"),
			Microphone: r.text(l, "microphone"), Firmware: r.text(l, "firmware"), Depot: r.text(l, "depot"), Kit: r.text(l, "kit"),
			HireFrom: r.day(l, "hire_from"), HireTo: r.day(l, "hire_to")}
		u.Kind = fleet.Given[fleet.Kind]{Value: fleet.Kind(strings.ToLower(t.Cell(l, "kind"))), Told: t.Has("kind")}
		u.Ownership = fleet.Given[fleet.Ownership]{Value: fleet.Ownership(strings.ToLower(t.Cell(l, "ownership"))), Told: t.Has("ownership")}
		u.Client.Told = t.Has("client")
		if code := t.Cell(l, "client"); code != "" {
			id, known := clients(code)
			if !known {
				r.f.bad(place(l.Row, "client"), "is %q, and there is no client of that code here; enter the client first", clip(code))
			}
			u.Client.Value = id
		}
		rows = append(rows, u)
	}
	return rows, r.f.err()
}

// CertificateRows reads the rows of a table of certificates.
func (t *Table) CertificateRows() ([]fleet.CertificateRow, error) {
	r := reading{t: t}
	rows := make([]fleet.CertificateRow, 0, len(t.Lines))
	for _, l := range t.Lines {
		c := fleet.CertificateRow{Row: l.Row, Number: r.needed(l, "number"), Laboratory: r.needed(l, "laboratory"), Tag: r.needed(l, "tag"),
			Issued: r.day(l, "issued"), Verdict: fleet.LabVerdict(strings.ToLower(r.needed(l, "verdict"))), AsFoundDB: r.figure(l, "as_found_db"),
			AsLeftDB: r.figure(l, "as_left_db"), LevelDB: r.figure(l, "level_db"), ExpandedDB: r.figure(l, "expanded_u_db"),
			Microphone: r.text(l, "microphone"), Note: r.text(l, "note"), Due: r.day(l, "due")}
		r.needed(l, "calibrated")
		c.Calibrated = r.day(l, "calibrated").Value
		k := r.figure(l, "coverage_k")
		if c.CoverageK.Told = k.Told; k.Value != nil {
			c.CoverageK.Value = *k.Value
		}
		rows = append(rows, c)
	}
	return rows, r.f.err()
}
