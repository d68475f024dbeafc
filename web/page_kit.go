package web

import (
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/web/look"
	"kitd/web/when"
)

func (s *Server) kitPage(c echo.Context) error {
	return s.showKit(c, param(c, "code"), newForm(c.QueryParams()), nil, http.StatusOK)
}

// showKit shows a kit; act is a form that was sent back with faults.
func (s *Server) showKit(c echo.Context, code string, f, act *form, status int) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	loc := at.zone(ident.ID{})
	for _, k := range at.kits {
		if fleet.FoldTag(k.Code) == fleet.FoldTag(code) {
			loc = at.zone(k.Depot)
		}
	}
	t := teller{at, s.Now(), loc}
	a := s.readAsked(f, loc)
	if !f.ok() {
		a, status = s.readAsked(newForm(nil), loc), http.StatusUnprocessableEntity
	}
	v, err := s.Pool.Kit(ctx(c), actor(c), code, a.span, a.at)
	if err != nil {
		return err
	}
	p := t.kitPage(v, a)
	p.Frame, p.Token, p.Form, p.Act = s.frame(c, p.Code, "shelf"), s.formToken(c), f, act
	p.Place = v.Depot.Name
	p.Keeps = actor(c).Keeps()
	p.CalendarURL = s.absolute(c.Request(), calendarOf(v.Verdict.Kit))
	if p.Keeps {
		if p.Spare, err = s.spareUnits(c, v.Depot.ID); err != nil {
			return err
		}
	}
	if p.Bookings, err = s.kitBookings(c, v.Verdict.Kit.ID, t); err != nil {
		return err
	}
	if err := s.nameMembers(c, &p, v, t); err != nil {
		return err
	}
	return s.render(c, status, kitView(p))
}

// kitPage puts a kit into words; frame, bookings and former members are missing.
func (t teller) kitPage(v fleet.KitView, a asked) kitPage {
	k := v.Verdict.Kit
	q := a.query()
	q.Set("ask", "kit")
	q.Set("kit", k.ID.String())
	p := kitPage{
		Code: k.Code, Path: kitPath(k.Code), State: string(v.Verdict.State), Days: a.days(t.today()), Book: "/desk/new?" + q.Encode(),
		Edit: "/pool/kits/" + k.ID.String(), Head: look.Strip{First: a.first.Start(t.loc)}, Today: when.Full(t.today()), Clock: when.Clock(t.now, t.loc),
		Properties: []pair{{Key: "Name", Value: k.Name}, {Key: "Code", Value: k.Code}, {Key: "Depot", Value: v.Depot.Name}},
	}
	p.Lead = "for " + p.Days + "."
	for _, r := range v.Verdict.Reasons {
		p.Rest += r.Text() + " "
	}
	for _, r := range v.Rows {
		p.Rows = append(p.Rows, t.shelfRow(r, a.span.From))
		p.Present = append(p.Present, look.Option{Value: r.Unit.ID.String(), Text: r.Unit.Tag})
		if p.Rest == "" && r.Verdict.State == v.Verdict.State && len(r.Verdict.Reasons) > 0 {
			p.Rest = r.Unit.Tag + ": " + r.Verdict.Reasons[0].Text()
		}
	}
	for _, x := range v.Verdict.Changes {
		p.Rest += " Its units change " + t.moment(x) + "."
	}
	return p
}

// kitBookings lists what the kit is promised to.
func (s *Server) kitBookings(c echo.Context, kit ident.ID, t teller) ([]promise, error) {
	span := fleet.Span{From: t.now, To: t.now.AddDate(0, 0, look.StripDays)}
	page, err := s.Desk.List(ctx(c), actor(c), schedule.Query{Kit: kit, Span: span, States: standingStates, Limit: 20})
	var out []promise
	for _, b := range page.Bookings {
		out = append(out, promise{Span: visits(b, t.loc, t.now), Label: b.Label() + " " + b.Title, Href: bookingPath(b.ID)})
	}
	return out, err
}

// nameMembers lists the units that were in the kit before.
func (s *Server) nameMembers(c echo.Context, p *kitPage, v fleet.KitView, t teller) error {
	past := slices.DeleteFunc(slices.Clone(v.Memberships), func(m fleet.Membership) bool { return m.To.IsZero() })
	if len(past) == 0 {
		return nil
	}
	rows, err := s.rowsOf(c, fleet.ShelfQuery{})
	tags := map[ident.ID]string{}
	for _, r := range rows {
		tags[r.Unit.ID] = r.Unit.Tag
	}
	day := func(x time.Time) string { return when.Short(civil.Of(x.In(t.loc))) }
	for _, m := range slices.Backward(past) {
		if tag := tags[m.Unit]; tag != "" {
			p.Past = append(p.Past, member{Tag: tag, Href: unitPath(tag), From: day(m.From), To: day(m.To)})
		}
	}
	return err
}

// packKit puts a unit into a kit or takes one out, from a moment on.
func (s *Server) packKit(c echo.Context) error {
	code := param(c, "code")
	f := newForm(c.Request().PostForm)
	now := s.Now().UTC().Truncate(time.Millisecond)
	v, err := s.Pool.Kit(ctx(c), actor(c), code, fleet.Span{From: now, To: now.Add(time.Minute)}, time.Time{})
	if err != nil {
		return err
	}
	unit := f.id("unit")
	from := f.moment("day", "clock", s.Now(), v.Depot.Location(), when.Ahead, false)
	if unit.IsZero() {
		f.fail("unit", "Choose the unit.")
	}
	var units []ident.ID
	for _, m := range v.Memberships {
		if m.To.IsZero() && m.Unit != unit {
			units = append(units, m.Unit)
		}
	}
	if f.get("what") == "put" {
		units = append(units, unit)
	}
	if !f.ok() {
		return s.showKit(c, code, newForm(nil), f, http.StatusUnprocessableEntity)
	}
	err = s.Pool.SetKit(ctx(c), actor(c), v.Verdict.Kit.ID, units, from)
	if err == nil {
		return s.see(c, kitPath(v.Verdict.Kit.Code), "The kit is packed anew.")
	}
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict {
		return err
	}
	f.take(err, map[string]string{"from": "clock"})
	return s.showKit(c, code, newForm(nil), f, statusOf(e))
}

// calendarOf is the path of a kit's calendar collection.
func calendarOf(k fleet.Kit) string { return "/caldav/kits/" + url.PathEscape(k.Code) + "/" }
