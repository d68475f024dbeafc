package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/survey"
	"kitd/web/look"
	"kitd/web/when"
)

var ownerChoices = []look.Option{
	{Value: string(fleet.Owned), Text: "owned"},
	{Value: string(fleet.Rented), Text: "rented"},
	{Value: string(fleet.ClientOwned), Text: "client-owned"},
}

// unitLists are what the forms of units choose from.
type unitLists struct {
	places
	models  []fleet.Model
	clients []survey.Client
}

func (s *Server) unitLists(c echo.Context) (unitLists, error) {
	at, err := s.places(c)
	if err != nil {
		return unitLists{}, err
	}
	models, err := s.Stock.Models(ctx(c), actor(c))
	if err != nil {
		return unitLists{}, err
	}
	clients, err := s.Office.Clients(ctx(c), actor(c))
	return unitLists{at, models, clients}, err
}

func (l unitLists) modelOptions() []look.Option {
	return options("", l.models, func(m fleet.Model) look.Option {
		return look.Option{Value: m.ID.String(), Text: m.Name + ", " + string(m.Kind)}
	})
}

// missing says what has to be entered before units can be; nil when nothing has.
func (l unitLists) missing() (*look.Link, string) {
	switch {
	case len(l.depots) == 0:
		return &look.Link{Href: "/pool/depots/new", Text: "Enter a depot"}, "A unit has a home, and there is no depot yet."
	case len(l.models) == 0:
		return &look.Link{Href: "/pool/models/new", Text: "Enter a model"}, "A unit is of a model, and there is no model yet."
	}
	return nil, ""
}

// ownerFields ask whose a unit is.
func (l unitLists) ownerFields() fieldGroup {
	g := fieldGroup{Head: "Whose it is", Text: "Rented and client-owned units are not fit outside their hire dates.", Fields: []look.Field{
		{ID: "ownership", Label: "Ownership", Options: ownerChoices},
	}}
	if len(l.clients) > 0 {
		g.Fields = append(g.Fields, look.Field{ID: "client", Label: "Client", Rule: "For client-owned units: who owns it. Only accounts that see the client see it.",
			Options: options("–", l.clients, func(x survey.Client) look.Option { return look.Option{Value: x.ID.String(), Text: x.Name} })})
	}
	g.Fields = append(g.Fields, look.Field{ID: "from", Label: "Hired from", Class: "day", Rule: "Empty: without beginning."},
		look.Field{ID: "to", Label: "Last day of hire", Class: "day", Rule: "Included. Empty: without end."})
	return g
}

func (l unitLists) modelAndHome() []look.Field {
	return []look.Field{
		{ID: "model", Label: "Model", Options: l.modelOptions()},
		{ID: "depot", Label: "Home depot", Options: l.depotOptions("")},
	}
}

func (l unitLists) newEntry(f *form) entryPage {
	list := look.Field{ID: "units", Label: "Units", Required: true, Wide: true, Rows: 8, Max: 60000,
		Rule: "A line each: tag, serial, microphone serial, between commas, semicolons or tabs. Or a range of tags, such as D-001..D-010. All of them are entered, or none."}
	p := entryPage{Form: f, Head: "Enter units", Action: "/pool/units", Button: "Enter the units", Lead: "Units of one model, as many at once as there are.",
		Groups: []fieldGroup{{Fields: append(l.modelAndHome(), look.Field{ID: "firmware", Label: "Firmware", Rule: "Of all of them; a unit that differs is changed afterwards."})},
			{Fields: []look.Field{list}}, l.ownerFields()}}
	p.Missing, p.MissingWhy = l.missing()
	return p
}

func (l unitLists) editEntry(f *form, u fleet.Unit) entryPage {
	first := []look.Field{
		{ID: "tag", Label: "Tag", Required: true, Rule: "As on its label; no other unit may have it, whatever the case."},
		{ID: "serial", Label: "Serial"},
	}
	second := []look.Field{
		{ID: "microphone", Label: "Microphone, serial", Rule: "As entered at first. A new microphone is recorded on the unit’s page: it ends the certificate."},
		{ID: "firmware", Label: "Firmware", Rule: "As entered at first. New firmware is recorded on the unit’s page."},
	}
	p := entryPage{Form: f, Head: u.Tag, Lead: "What is written of the unit. What happens to it is recorded on its own page.", Action: "/pool/units/" + u.ID.String(),
		Button: "Change the unit", Version: true, Groups: []fieldGroup{{Fields: append(first, l.modelAndHome()...)}, {Fields: second}, l.ownerFields()}}
	p.Back, p.BackTo = "To the unit’s page", unitPath(u.Tag)
	return p
}

// readOwner reads what all units of a form share.
func (s *Server) readOwner(f *form, l unitLists, u fleet.Unit) fleet.Unit {
	u.Model, u.Depot, u.Ownership, u.Client, u.Firmware = f.id("model"), f.id("depot"), fleet.Ownership(f.get("ownership")), f.id("client"), f.get("firmware")
	today := s.today(l.zone(u.Depot))
	u.HireFrom, u.HireTo = f.day("from", today, when.Ahead, false), f.day("to", today, when.Ahead, false)
	return u
}

var unitFields = map[string]string{"hire_from": "from", "hire_to": "to"}

func (s *Server) newUnitsPage(c echo.Context) error {
	l, err := s.unitLists(c)
	if err != nil {
		return err
	}
	return s.showEntry(c, http.StatusOK, l.newEntry(newForm(nil)))
}

func (s *Server) addUnits(c echo.Context) error {
	l, err := s.unitLists(c)
	if err != nil {
		return err
	}
	f := posted(c)
	base := s.readOwner(f, l, fleet.Unit{})
	typed, faults := readUnitLines(f.values.Get("units"))
	switch {
	case len(faults) > 0:
		f.fail("units", firstFew(faults))
	case len(typed) == 0:
		f.fail("units", "Write at least one tag.")
	}
	if !f.ok() {
		return s.showEntry(c, again, l.newEntry(f))
	}
	units := make([]fleet.Unit, len(typed))
	for i, x := range typed {
		units[i] = base
		units[i].Tag, units[i].Serial, units[i].Microphone = x.tag, x.serial, x.microphone
	}
	units, err = s.Stock.AddUnits(ctx(c), actor(c), units)
	if err != nil {
		onLines(f, err, typed)
		return s.entryFailed(c, l.newEntry(f), err, unitFields, nil)
	}
	return s.done(c, told(units))
}

func told(units []fleet.Unit) string {
	if len(units) == 1 {
		return "The unit " + units[0].Tag + " is entered."
	}
	return capital(count(len(units), "unit", "units")) + " are entered, " + units[0].Tag + " to " + units[len(units)-1].Tag + "."
}

// onLines puts what the domain says of single units beside the list, by their lines, and of all of them beside their fields.
func onLines(f *form, err error, typed []typedUnit) {
	e := fault.Of(err)
	var lines, rest []string
	seen := map[string]bool{}
	for _, at := range e.Fields {
		var i int
		var field string
		if n, err := fmt.Sscanf(at.Path, "units/%d/%s", &i, &field); n != 2 || err != nil || i >= len(typed) {
			rest = append(rest, ended(at.Text))
			continue
		}
		switch field {
		case "tag", "serial", "microphone":
			lines = append(lines, fmt.Sprintf("Line %d, %s of %s: %s", typed[i].line, field, clipped(typed[i].tag, 60), lower(ended(at.Text))))
		default: // the same for all units
			if !seen[field] {
				f.fail(mapped(unitFields, field), ended(at.Text))
			}
			seen[field] = true
		}
	}
	if all := append(lines, rest...); len(all) > 0 {
		f.fail("units", firstFew(all))
	}
}

func mapped(names map[string]string, name string) string {
	if to, known := names[name]; known {
		return to
	}
	return name
}

func fillUnit(f *form, u fleet.Unit) {
	for name, value := range map[string]string{"tag": u.Tag, "serial": u.Serial, "microphone": u.Microphone, "firmware": u.Firmware, "model": u.Model.String(),
		"depot": u.Depot.String(), "ownership": string(u.Ownership), "from": when.Full(u.HireFrom), "to": when.Full(u.HireTo), "version": itoa(u.Version)} {
		f.set(name, value)
	}
	if f.set("client", ""); !u.Client.IsZero() {
		f.set("client", u.Client.String())
	}
}

// editedUnit is the unit of the address with what its form chooses from.
func (s *Server) editedUnit(c echo.Context) (fleet.Unit, unitLists, error) {
	id, err := idParam(c, "id", "unit")
	if err != nil {
		return fleet.Unit{}, unitLists{}, err
	}
	u, err := s.Stock.UnitOf(ctx(c), actor(c), id)
	if err != nil {
		return fleet.Unit{}, unitLists{}, err
	}
	l, err := s.unitLists(c)
	return u, l, err
}

func (s *Server) unitEditPage(c echo.Context) error {
	u, l, err := s.editedUnit(c)
	if err != nil {
		return err
	}
	f := newForm(nil)
	fillUnit(f, u)
	return s.showEntry(c, http.StatusOK, l.editEntry(f, u))
}

func (s *Server) changeUnit(c echo.Context) error {
	now, l, err := s.editedUnit(c)
	if err != nil {
		return err
	}
	f := posted(c)
	u := s.readOwner(f, l, now)
	u.Tag, u.Serial, u.Microphone, u.Version = f.need("tag", "Write its tag."), f.get("serial"), f.get("microphone"), f.version()
	if !f.ok() {
		return s.showEntry(c, again, l.editEntry(f, now))
	}
	if u.Version == 0 {
		err = fault.New(fault.Changed, "noun", "unit")
	} else {
		u, err = s.Stock.ChangeUnit(ctx(c), actor(c), u)
	}
	if err != nil {
		return s.entryFailed(c, l.editEntry(f, now), err, unitFields, func(f *form) error { fillUnit(f, now); return nil })
	}
	return s.see(c, unitPath(u.Tag), "The unit "+u.Tag+" is changed.")
}

// poolUnitsPage lists units with the way to their forms.
func (s *Server) poolUnitsPage(c echo.Context) error {
	f := newForm(c.QueryParams())
	page, err := s.unitsNow(c, fleet.ShelfQuery{Text: f.get("q"), After: f.get("after"), Limit: pageRows})
	if err != nil {
		return err
	}
	p := unitsPage{Frame: s.frame(c, "Units", "pool"), Form: f, First: max(f.whole("first", 1, 1<<30), 1), Total: page.Total}
	for _, r := range page.Rows {
		p.Rows = append(p.Rows, unitsRow{Tag: r.Unit.Tag, Href: unitPath(r.Unit.Tag), Edit: "/pool/units/" + r.Unit.ID.String(), Serial: r.Unit.Serial,
			Model: r.Model.Name, Depot: r.Depot.Name, Kit: r.KitCode, Owner: ownerText(r.Unit)})
	}
	if page.Next != "" {
		q := url.Values{"after": {page.Next}, "first": {itoa(p.First + len(p.Rows))}}
		if f.get("q") != "" {
			q.Set("q", f.get("q"))
		}
		p.Next = "/pool/units?" + q.Encode()
	}
	return s.render(c, http.StatusOK, unitsView(p))
}

func ownerText(u fleet.Unit) string {
	text := string(u.Ownership)
	if !u.HireTo.IsZero() {
		text += " to " + when.Short(u.HireTo)
	}
	return text
}

func queryText(s string) string { return url.QueryEscape(s) }

// sortedTags are the tags of units as people count them.
func sortedTags(units []fleet.Unit) []string {
	tags := make([]string, len(units))
	for i, u := range units {
		tags[i] = u.Tag
	}
	slices.SortFunc(tags, fleet.CompareTags)
	return tags
}

// modelsOf gives the model of each unit.
func (s *Server) modelsOf(c echo.Context, units []fleet.Unit) ([]fleet.Model, error) {
	all, err := s.Stock.Models(ctx(c), actor(c))
	byID := map[ident.ID]fleet.Model{}
	for _, m := range all {
		byID[m.ID] = m
	}
	models := make([]fleet.Model, len(units))
	for i, u := range units {
		models[i] = byID[u.Model]
	}
	return models, err
}

// tagList writes tags into a sentence, at most six of them.
func tagList(tags []string) string {
	if len(tags) > 6 {
		return strings.Join(tags[:5], ", ") + " and " + itoa(len(tags)-5) + " more"
	}
	return strings.Join(tags, ", ")
}
