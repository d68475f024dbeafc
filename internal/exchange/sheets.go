package exchange

import (
	"strconv"
	"strings"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/survey"
)

// Names gives what people call things that records name by identifier; empty for what is not there.
type Names struct {
	Clients, Depots, Kits, Units, Labs map[ident.ID]string
}

// FleetSheet is the fleet as a table, in the order of the dossiers.
func FleetSheet(units []fleet.Dossier, n Names) Sheet {
	s := Sheet{Noun: Fleet}
	for _, d := range units {
		u := d.Unit
		s.Rows = append(s.Rows, []string{u.Tag, string(d.Model.Kind), d.Model.Maker, d.Model.Name, u.Serial, u.Microphone, u.Firmware, d.Depot.Code, d.KitCode,
			string(u.Ownership), n.Clients[u.Client], u.HireFrom.String(), u.HireTo.String()})
	}
	return s
}

// CertificateSheet is the certificates as a table, a row for each line.
func CertificateSheet(all []fleet.Certificate, n Names) Sheet {
	s := Sheet{Noun: Certificates}
	for _, x := range all {
		for _, l := range x.Lines {
			k := l.CoverageK
			s.Rows = append(s.Rows, []string{x.Number, n.Labs[x.Laboratory], x.Calibrated.String(), x.Issued.String(), n.Units[l.Unit], string(l.Verdict),
				decimal(l.AsFoundDB), decimal(l.AsLeftDB), decimal(l.LevelDB), decimal(l.ExpandedDB), decimal(&k), l.Microphone, l.Due.String(), x.Note})
		}
	}
	return s
}

func decimal(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

// BookingSheet is the bookings as a table, a row for each visit.
func BookingSheet(all []schedule.Booking, n Names) Sheet {
	s := Sheet{Noun: Bookings}
	for _, b := range all {
		var tags []string
		for _, u := range b.Units {
			tags = append(tags, u.Tag)
		}
		for _, o := range b.Occurrences {
			zone := o.FromCivil.Zone
			loc, err := time.LoadLocation(zone)
			if err != nil {
				zone, loc = "UTC", time.UTC
			}
			s.Rows = append(s.Rows, []string{b.Label(), b.Title, string(b.State), b.OwnerName, n.Clients[b.Client], asked(b.Ask, n), n.Depots[b.StartDepot],
				n.Depots[b.EndDepot], o.Span.From.In(loc).Format(time.RFC3339), o.Span.To.In(loc).Format(time.RFC3339), zone,
				strconv.FormatFloat(b.Lead.Hours(), 'f', -1, 64), strconv.FormatFloat(b.Lag.Hours(), 'f', -1, 64), strings.Join(tags, "; ")})
		}
	}
	return s
}

func asked(a schedule.Ask, n Names) string {
	switch {
	case !a.Kit.IsZero():
		return "kit " + n.Kits[a.Kit]
	case !a.Unit.IsZero():
		return "unit " + n.Units[a.Unit]
	}
	text := strconv.Itoa(a.Dosimeters) + " dosimeters"
	if a.Dosimeters == 1 {
		text = "1 dosimeter"
	}
	if a.Calibrator {
		text += " and a calibrator"
	}
	return text
}

// CheckSheet is the field checks as a table.
func CheckSheet(all []survey.Checked, n Names) Sheet {
	s := Sheet{Noun: Checks}
	for _, x := range all {
		c, adjusted, after := x.Check, "no", ""
		if c.Adjusted {
			adjusted = "yes"
		}
		if c.AdjustedDB != nil {
			after = c.AdjustedDB.String()
		}
		s.Rows = append(s.Rows, []string{x.Survey, x.Wear.Start.UTC().Format(time.RFC3339), x.Wear.UnitTag, n.Units[c.Calibrator], string(c.When),
			c.At.UTC().Format(time.RFC3339), c.IndicatedDB.String(), adjusted, after, decimal(c.TemperatureC), decimal(c.PressureHPa), c.Place, c.By})
	}
	return s
}
