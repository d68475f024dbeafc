package web

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
)

func kitEntry(f *form, at places) entryPage {
	return entryPage{Form: f, Groups: []fieldGroup{{Fields: []look.Field{
		{ID: "name", Label: "Name", Required: true, Class: "long"},
		{ID: "code", Label: "Code", Required: true, Class: "short", Rule: "Short; letters, digits, dots and dashes. It stands in addresses and calendars."},
		{ID: "depot", Label: "Depot", Options: at.depotOptions("")},
	}}}}
}

func newKitEntry(f *form, at places) entryPage {
	p := kitEntry(f, at)
	p.Head, p.Lead, p.Action, p.Button = "Enter a kit", "A case of units that go out together.", "/pool/kits", "Enter the kit"
	p.Groups = append(p.Groups, fieldGroup{Fields: []look.Field{{ID: "units", Label: "Units in it", Wide: true, Rows: 3, Max: 8000,
		Rule: "Tags or ranges of tags, such as D-001..D-004, C-001. A unit is in one kit at a time. Empty: packed later."}}})
	if len(at.depots) == 0 {
		p.Missing, p.MissingWhy = &look.Link{Href: "/pool/depots/new", Text: "Enter a depot"}, "A kit lives in a depot, and there is none yet."
	}
	return p
}

func readKit(f *form, k fleet.Kit) fleet.Kit {
	k.Name, k.Code, k.Depot = f.need("name", "Write a name."), f.need("code", "Write a code."), f.id("depot")
	return k
}

func fillKit(f *form, k fleet.Kit) {
	f.set("name", k.Name)
	f.set("code", k.Code)
	f.set("depot", k.Depot.String())
	f.set("version", itoa(k.Version))
}

func (s *Server) newKitPage(c echo.Context) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	return s.showEntry(c, http.StatusOK, newKitEntry(newForm(nil), at))
}

func (s *Server) addKit(c echo.Context) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	f := posted(c)
	k := readKit(f, fleet.Kit{})
	units, err := s.tagged(c, f, "units")
	if err != nil {
		return err
	}
	if !f.ok() {
		return s.showEntry(c, again, newKitEntry(f, at))
	}
	k, err = s.Stock.AddPackedKit(ctx(c), actor(c), k, idsOf(units))
	if fault.Is(err, fault.UnitInTwoKits) {
		f.fail("units", s.elsewhere(c, units))
	}
	if err != nil {
		return s.entryFailed(c, newKitEntry(f, at), err, nil, nil)
	}
	if len(units) == 0 {
		return s.done(c, "The kit "+k.Code+" is entered; nothing is in it yet.")
	}
	return s.done(c, "The kit "+k.Code+" is entered with "+count(len(units), "unit", "units")+".")
}

// elsewhere says which of the units are in another kit.
func (s *Server) elsewhere(c echo.Context, units []fleet.Unit) string {
	var all []string
	for _, u := range units {
		v, err := s.Pool.Unit(ctx(c), actor(c), u.Tag, moment(s.Now()), s.Now())
		if err == nil && v.Dossier.KitCode != "" {
			all = append(all, u.Tag+" is in the kit "+v.Dossier.KitCode+".")
		}
	}
	if len(all) == 0 {
		return "One of these units is in another kit."
	}
	return firstFew(all)
}

func (s *Server) editedKit(c echo.Context) (fleet.Kit, places, error) {
	at, err := s.places(c)
	k, err := oneOf(c, at.kits, err, func(k fleet.Kit) ident.ID { return k.ID }, "kit")
	return k, at, err
}

func editKitEntry(f *form, at places, k fleet.Kit) entryPage {
	p := kitEntry(f, at)
	p.Head, p.Action, p.Button, p.Version = k.Code, "/pool/kits/"+k.ID.String(), "Change the kit", true
	p.Lead = "What is in the kit is changed on its own page, with its date. A new code is a new address for its calendar."
	p.Back, p.BackTo = "To the kit’s page", kitPath(k.Code)
	return p
}

func (s *Server) kitEditPage(c echo.Context) error {
	k, at, err := s.editedKit(c)
	if err != nil {
		return err
	}
	f := newForm(nil)
	fillKit(f, k)
	return s.showEntry(c, http.StatusOK, editKitEntry(f, at, k))
}

func (s *Server) changeKit(c echo.Context) error {
	now, at, err := s.editedKit(c)
	if err != nil {
		return err
	}
	f := posted(c)
	k := readKit(f, now)
	k.Version = f.version()
	if !f.ok() {
		return s.showEntry(c, again, editKitEntry(f, at, now))
	}
	if k.Version == 0 {
		err = fault.New(fault.Changed, "noun", "kit")
	} else {
		k, err = s.Stock.ChangeKit(ctx(c), actor(c), k)
	}
	if err != nil {
		return s.entryFailed(c, editKitEntry(f, at, now), err, nil, func(f *form) error { fillKit(f, now); return nil })
	}
	return s.done(c, "The kit "+k.Code+" is changed.")
}
