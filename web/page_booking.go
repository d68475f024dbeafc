package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/web/when"
)

func (s *Server) bookingPage(c echo.Context) error {
	id, err := idParam(c, "id", "booking")
	if err != nil {
		return err
	}
	return s.showBooking(c, id, bookingPage{}, http.StatusOK)
}

// showBooking shows a booking as it stands; p carries what a step that was not taken left to say.
func (s *Server) showBooking(c echo.Context, id ident.ID, p bookingPage, status int) error {
	b, err := s.Desk.Get(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	at, err := s.places(c)
	if err != nil {
		return err
	}
	loc, now := at.zone(b.StartDepot), s.Now()
	p.Frame, p.Token = s.frame(c, b.Label(), "desk"), s.formToken(c)
	p.Place = at.depot(b.StartDepot).Name
	p.Number, p.Path, p.Title, p.State, p.Version = b.Label(), bookingPath(id), b.Label()+" "+b.Title, string(b.State), strconv.Itoa(b.Version)
	p.Lead, p.Rest = askedFor(b, at)+",", visits(b, loc, now)+", for "+b.OwnerName+"."
	p.Properties = bookingProperties(b, at, teller{at, now, loc})
	p.Depots = at.depotOptions("")
	p.Today, p.Clock, p.Actor = when.Full(s.today(loc)), when.Clock(now, loc), account(c).Display
	mine := schedule.MayChange(actor(c), b)
	out := b.State == schedule.OutNow
	p.CanMove = mine && b.Live()
	p.CanCancel = mine && b.Live() && !out
	p.CanHandOut = mine && b.Live() && anyUnit(b, false)
	p.CanCheckIn = mine && anyUnit(b, true)
	if p.Units, err = s.bookingUnits(c, b); err != nil {
		return err
	}
	return s.render(c, status, bookingView(p))
}

// anyUnit reports whether a unit of the booking is out (or is not).
func anyUnit(b schedule.Booking, out bool) bool {
	for _, u := range b.Units {
		if u.IsOut() == out {
			return true
		}
	}
	return false
}

func bookingProperties(b schedule.Booking, at places, t teller) []pair {
	out := []pair{{Key: "For", Value: b.OwnerName}, {Key: "Asked for", Value: askedFor(b, at)}, {Key: "From", Value: at.depot(b.StartDepot).Name}}
	if b.EndDepot != b.StartDepot {
		out = append(out, pair{Key: "Back to", Value: at.depot(b.EndDepot).Name})
	}
	for i, o := range b.Occurrences {
		key := ""
		if i == 0 {
			key = "When"
		}
		out = append(out, pair{Key: key, Value: when.Span(o.Span.From, o.Span.To, t.now, t.loc)})
	}
	out = append(out, pair{Key: "Promised", Value: "with " + lasting(b.Lead) + " before and " + lasting(b.Lag) + " after"})
	if !b.Survey.IsZero() {
		out = append(out, pair{Key: "Survey", Value: "its page", Href: surveyPath(b.Survey)})
	}
	return append(out, pair{Key: "Entered", Value: t.moment(b.Entered)}, pair{Key: "Changed", Value: t.moment(b.Changed) + ", version " + strconv.Itoa(b.Version)})
}

// bookingUnits judges each unit for the days of the booking, its own promise left aside.
func (s *Server) bookingUnits(c echo.Context, b schedule.Booking) ([]deskUnit, error) {
	span := b.Whole()
	if now := s.Now(); span.From.Before(now) && now.Before(span.To) {
		span.From = now
	}
	out := placedUnits(b.Units)
	for i, u := range b.Units {
		switch {
		case u.IsOut():
			out[i].State = string(schedule.OutNow)
			continue
		case !b.Live():
			continue
		}
		d, err := s.dossier(c, u.Tag)
		if isMissing(err) {
			continue // taken out of the pool since, or behind a wall
		}
		if err != nil {
			return nil, err
		}
		d.For = b.ID
		v := fleet.Assess(d, span, s.Now())
		out[i].State, out[i].Why = string(v.State), reasonTexts(v.Reasons)
	}
	return out, nil
}

func reasonTexts(reasons []fleet.Reason) string {
	texts := make([]string, len(reasons))
	for i, r := range reasons {
		texts[i] = r.Text()
	}
	return strings.Join(texts, " ")
}

// bookingStep reads what every step on a booking carries.
func (s *Server) bookingStep(c echo.Context) (schedule.Booking, places, *form, error) {
	f := newForm(c.Request().PostForm)
	id, err := idParam(c, "id", "booking")
	if err != nil {
		return schedule.Booking{}, places{}, f, err
	}
	b, err := s.Desk.Get(ctx(c), actor(c), id)
	if err != nil {
		return b, places{}, f, err
	}
	at, err := s.places(c)
	return b, at, f, err
}

// stepDone sends on after a step, or shows the booking as it stands now with why the step was not taken.
func (s *Server) stepDone(c echo.Context, b schedule.Booking, f *form, err error, told string) error {
	if err == nil {
		return s.see(c, bookingPath(b.ID), told)
	}
	p := bookingPage{Act: f}
	e := fault.Of(err)
	var no *schedule.Refusal
	switch {
	case errors.As(err, &no):
		for _, u := range no.Reasons {
			p.Guards = append(p.Guards, whyNot(u))
		}
	case e.Code == fault.Changed:
		p.Changed, p.Act = e.Sentence(), nil
	case e.Kind() == fault.Invalid || e.Kind() == fault.Conflict:
		f.take(err, map[string]string{"/at": "clock"})
	default:
		return err
	}
	return s.showBooking(c, b.ID, p, statusOf(e))
}

func (s *Server) handOut(c echo.Context) error {
	b, at, f, err := s.bookingStep(c)
	if err != nil {
		return err
	}
	h := schedule.HandOut{At: f.moment("day", "clock", s.Now(), at.zone(b.StartDepot), when.Behind, false), Override: f.get("override")}
	if !f.ok() {
		return s.showBooking(c, b.ID, bookingPage{Act: f}, http.StatusUnprocessableEntity)
	}
	out, err := s.Desk.HandOut(ctx(c), actor(c), b.ID, h)
	return s.stepDone(c, b, f, err, out.Label()+" is handed out.")
}

func (s *Server) checkIn(c echo.Context) error {
	b, at, f, err := s.bookingStep(c)
	if err != nil {
		return err
	}
	in := schedule.CheckIn{At: f.moment("day", "clock", s.Now(), at.zone(b.EndDepot), when.Behind, false), Depot: f.id("depot")}
	for _, u := range b.Units {
		for _, tag := range f.values["units"] {
			if tag == u.Tag {
				in.Units = append(in.Units, u.Unit)
			}
		}
	}
	if len(in.Units) == 0 {
		f.stop = "Choose what came back."
	}
	if !f.ok() {
		return s.showBooking(c, b.ID, bookingPage{Act: f}, http.StatusUnprocessableEntity)
	}
	_, err = s.Desk.CheckIn(ctx(c), actor(c), b.ID, in)
	return s.stepDone(c, b, f, err, count(len(in.Units), "unit is", "units are")+" checked in.")
}

func (s *Server) cancelBooking(c echo.Context) error {
	b, _, f, err := s.bookingStep(c)
	if err != nil {
		return err
	}
	_, err = s.Desk.Cancel(ctx(c), actor(c), b.ID, f.whole("version", 1, 1<<30), f.get("reason"))
	return s.stepDone(c, b, f, err, b.Label()+" is cancelled; its units are free.")
}

// movePage opens the form with the booking as it stands.
func (s *Server) movePage(c echo.Context) error {
	b, at, _, err := s.bookingStep(c)
	if err != nil {
		return err
	}
	f := newForm(wishQuery(wishOf(b), at, unitTag(b)))
	p, err := s.moveForm(c, b, f)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, wishView(p))
}

func unitTag(b schedule.Booking) string {
	if b.Ask.Unit.IsZero() || len(b.Units) == 0 {
		return ""
	}
	return b.Units[0].Tag
}

func (s *Server) moveForm(c echo.Context, b schedule.Booking, f *form) (wishPage, error) {
	p, _, err := s.wishPage(c, f)
	p.Title, p.Head, p.Action, p.Button, p.Back = "Move "+b.Label(), "Move "+b.Label(), bookingPath(b.ID)+"/move", "Move it", bookingPath(b.ID)
	p.Frame.Title = "Move " + b.Label()
	p.Lead = "The units are kept where they still fit; nothing changes until the desk has promised the new days."
	p.Version = f.get("version")
	if p.Version == "" {
		p.Version = strconv.Itoa(b.Version)
	}
	if n := len(b.Occurrences); n > 1 {
		p.Lead = "This booking has " + strconv.Itoa(n) + " visits: only a calendar program can move those. Title, client and survey can be changed here."
		p.Series = true
	}
	return p, err
}

func (s *Server) moveBooking(c echo.Context) error {
	b, at, f, err := s.bookingStep(c)
	if err != nil {
		return err
	}
	p, err := s.moveForm(c, b, f)
	if err != nil {
		return err
	}
	w, err := s.readWish(c, f, at)
	if err != nil {
		return err
	}
	if !f.ok() {
		return s.render(c, http.StatusUnprocessableEntity, wishView(p))
	}
	w.For, w.Calendar = b.Owner, schedule.Calendar{UID: b.Calendar.UID, Name: b.Calendar.Name}
	w.Lead, w.Lag = &b.Lead, &b.Lag
	if p.Series {
		w.Ask, w.StartDepot, w.EndDepot, w.Occurrences = b.Ask, b.StartDepot, b.EndDepot, b.Occurrences
	}
	out, err := s.Desk.Move(ctx(c), actor(c), b.ID, f.whole("version", 1, 1<<30), w)
	switch {
	case err == nil && out.Unchanged:
		return s.see(c, bookingPath(b.ID), "Nothing was different; "+b.Label()+" stands as it was.")
	case err == nil:
		return s.see(c, bookingPath(b.ID), promisedWords(out))
	case fault.Is(err, fault.Changed):
		return s.stepDone(c, b, f, err, "")
	}
	return s.wishRefused(c, p, at, err)
}
