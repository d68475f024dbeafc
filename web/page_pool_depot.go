package web

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
	"kitd/web/when"
)

// weekdays in the order in which people read them.
var weekdays = []time.Weekday{time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday, time.Saturday, time.Sunday}

func hoursField(d time.Weekday) string { return "hours-" + strings.ToLower(d.String()[:3]) }

func depotEntry(f *form) entryPage {
	days := fieldGroup{Head: "Opening hours", Text: "When somebody is there to put on charge, hand out and check in, in the depot’s zone. Write 08:00–17:00, or 08:00–12:00, 13:00–17:00 with a break; nothing means closed."}
	for _, d := range weekdays {
		days.Fields = append(days.Fields, look.Field{ID: hoursField(d), Label: d.String(), Class: "day", Max: 100})
	}
	return entryPage{Form: f, Groups: []fieldGroup{
		{Fields: []look.Field{
			{ID: "name", Label: "Name", Required: true, Class: "long", Rule: "As people call it."},
			{ID: "code", Label: "Code", Required: true, Class: "short", Rule: "Short; letters, digits, dots and dashes. It stands in addresses."},
			{ID: "zone", Label: "Time zone", Required: true, Rule: "A name of the IANA time zone database, such as Europe/Berlin. Days and certificates end by its midnight."},
		}}, days,
	}}
}

func readDepot(f *form, d fleet.Depot) (fleet.Depot, []string) {
	d.Name, d.Code, d.Zone, d.Hours = f.need("name", "Write a name."), f.need("code", "Write a code."), f.need("zone", "Name the time zone."), nil
	var fields []string // of each period
	for _, day := range weekdays {
		for part := range strings.FieldsFuncSeq(f.get(hoursField(day)), func(r rune) bool { return strings.ContainsRune(",;", r) }) {
			h, err := readHours(part)
			if err != nil {
				f.fail(hoursField(day), sentence(err))
				continue
			}
			h.Weekday = day
			d.Hours, fields = append(d.Hours, h), append(fields, hoursField(day))
		}
	}
	return d, fields
}

// readHours reads "08:00–17:00", with any dash or "to".
func readHours(text string) (fleet.Hours, error) {
	from, to, ok := strings.Cut(strings.NewReplacer("–", "-", "—", "-", "−", "-", " to ", "-").Replace(strings.TrimSpace(text)), "-")
	if !ok {
		return fleet.Hours{}, fmt.Errorf("%q is no period: write it as 08:00–17:00", clipped(strings.TrimSpace(text), 40))
	}
	first, err := when.ReadClock(from)
	if err != nil {
		return fleet.Hours{}, err
	}
	last, err := when.ReadClock(to)
	return fleet.Hours{From: first, To: last}, err
}

func clockText(minutes int) string { return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60) }

// dayHours writes the periods of a weekday as readHours reads them.
func dayHours(hours []fleet.Hours, day time.Weekday) string {
	var parts []string
	for _, h := range hours {
		if h.Weekday == day {
			parts = append(parts, clockText(h.From)+"–"+clockText(h.To))
		}
	}
	return strings.Join(parts, ", ")
}

// weekText writes a week: neighbours with the same hours together.
func weekText(hours []fleet.Hours) string {
	var parts []string
	for i := 0; i < len(weekdays); {
		text, j := dayHours(hours, weekdays[i]), i
		for j+1 < len(weekdays) && dayHours(hours, weekdays[j+1]) == text {
			j++
		}
		if days := weekdays[i].String()[:3]; text != "" {
			if j > i {
				days += " to " + weekdays[j].String()[:3]
			}
			parts = append(parts, days+" "+text)
		}
		i = j + 1
	}
	if len(parts) == 0 {
		return "no opening hours"
	}
	return strings.Join(parts, "; ")
}

func fillDepot(f *form, d fleet.Depot) {
	f.set("name", d.Name)
	f.set("code", d.Code)
	f.set("zone", d.Zone)
	f.set("version", itoa(d.Version))
	for _, day := range weekdays {
		f.set(hoursField(day), dayHours(d.Hours, day))
	}
}

// depotPaths joins the fleet's paths of periods with the fields of their weekdays.
func depotPaths(fields []string) map[string]string {
	paths := map[string]string{}
	for i, name := range fields {
		for _, tail := range []string{"", "/weekday", "/from", "/to"} {
			paths[fmt.Sprintf("hours/%d%s", i, tail)] = name
		}
	}
	return paths
}

func newDepotEntry(f *form) entryPage {
	p := depotEntry(f)
	p.Head, p.Lead, p.Action, p.Button = "Enter a depot", "A place where kits live.", "/pool/depots", "Enter the depot"
	return p
}

func (s *Server) newDepotPage(c echo.Context) error {
	f := newForm(nil)
	f.set("zone", account(c).Zone)
	for _, day := range weekdays[:5] {
		f.set(hoursField(day), "08:00–17:00")
	}
	return s.showEntry(c, http.StatusOK, newDepotEntry(f))
}

func (s *Server) addDepot(c echo.Context) error {
	f := posted(c)
	d, fields := readDepot(f, fleet.Depot{})
	if !f.ok() {
		return s.showEntry(c, again, newDepotEntry(f))
	}
	d, err := s.Stock.AddDepot(ctx(c), actor(c), d)
	if err != nil {
		return s.entryFailed(c, newDepotEntry(f), err, depotPaths(fields), nil)
	}
	return s.done(c, "The depot "+d.Name+" is entered.")
}

func (s *Server) oneDepot(c echo.Context) (fleet.Depot, error) {
	all, err := s.Pool.Depots(ctx(c), actor(c))
	return oneOf(c, all, err, func(d fleet.Depot) ident.ID { return d.ID }, "depot")
}

func editDepotEntry(f *form, d fleet.Depot) entryPage {
	p := depotEntry(f)
	p.Head, p.Action, p.Button, p.Version = d.Name, "/pool/depots/"+d.ID.String(), "Change the depot", true
	return p
}

func (s *Server) depotEditPage(c echo.Context) error {
	d, err := s.oneDepot(c)
	if err != nil {
		return err
	}
	f := newForm(nil)
	fillDepot(f, d)
	return s.showEntry(c, http.StatusOK, editDepotEntry(f, d))
}

func (s *Server) changeDepot(c echo.Context) error {
	now, err := s.oneDepot(c)
	if err != nil {
		return err
	}
	f := posted(c)
	d, fields := readDepot(f, now)
	d.Version = f.version()
	if !f.ok() {
		return s.showEntry(c, again, editDepotEntry(f, now))
	}
	if d.Version == 0 {
		err = fault.New(fault.Changed, "noun", "depot")
	} else {
		d, err = s.Stock.ChangeDepot(ctx(c), actor(c), d)
	}
	if err != nil {
		return s.entryFailed(c, editDepotEntry(f, now), err, depotPaths(fields), func(f *form) error { fillDepot(f, now); return nil })
	}
	return s.done(c, "The depot "+d.Name+" is changed.")
}
