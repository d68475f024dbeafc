package web

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/internal/survey"
	"kitd/web/look"
	"kitd/web/when"
)

// wishPaths joins the desk's paths with the fields of the form.
var wishPaths = map[string]string{
	"/title": "title", "/ask": "ask", "/ask/kit": "kit", "/ask/unit": "unit", "/ask/dosimeters": "dosimeters", "/ask/calibrator": "calibrator",
	"/occurrences": "from", "/occurrences/0/from": "from", "/occurrences/0/to": "to", "/start_depot": "start", "/end_depot": "end", "/client": "client", "/survey": "survey",
}

// usualFrom and usualTo are the times of day a booking opens with.
const (
	usualFrom = "08:00"
	usualTo   = "17:00"
)

// newWishPage opens the form, filled in by what the address says: days from the Shelf, a kit, an alternative.
func (s *Server) newWishPage(c echo.Context) error {
	p, at, err := s.wishPage(c, newForm(c.QueryParams()))
	if err != nil {
		return err
	}
	today := s.today(at.zone(ident.ID{}))
	p.Form.or("from", when.Full(today.AddDays(1)))
	p.Form.or("to", p.Form.get("from"))
	for _, name := range []string{"from", "to"} {
		p.Form.day(name, today, when.Ahead, true)
	}
	p.Form.or("from_clock", usualFrom)
	p.Form.or("to_clock", usualTo)
	switch {
	case p.Form.get("kit") != "":
		p.Form.or("ask", "kit")
	case p.Form.get("unit") != "":
		p.Form.or("ask", "unit")
	}
	p.Form.or("ask", "dosimeters")
	p.Form.errs = map[string]string{}
	return s.render(c, http.StatusOK, wishView(p))
}

func (s *Server) wishPage(c echo.Context, f *form) (wishPage, places, error) {
	at, err := s.places(c)
	if err != nil {
		return wishPage{}, at, err
	}
	p := wishPage{
		Frame: s.frame(c, "Ask for a kit", "desk"), Token: s.formToken(c), Head: "Ask for a kit", Action: "/desk/new", Button: "Book it", Form: f,
		Lead: "A kit, a unit or a number of dosimeters, from when to when. Lead and lag around it are added.",
		Kits: at.kitOptions("–"), Depots: at.depotOptions("–"),
	}
	p.Place = at.names()
	f.or("once", s.NewID().String())
	if len(at.depots) == 1 {
		p.Depots = at.depotOptions("")
	}
	p.Surveys, p.Clients, err = s.wishSubjects(c)
	return p, at, err
}

// wishSubjects lists the surveys and clients a booking can be for.
func (s *Server) wishSubjects(c echo.Context) (surveys, clients []look.Option, err error) {
	all, err := s.Office.Surveys(ctx(c), actor(c), survey.SurveyQuery{Limit: 100})
	if err != nil {
		return nil, nil, err
	}
	surveys = []look.Option{{Text: "none"}}
	for _, v := range all {
		surveys = append(surveys, look.Option{Value: v.ID.String(), Text: v.Label() + " " + v.Title})
	}
	known, err := s.Office.Clients(ctx(c), actor(c))
	clients = []look.Option{{Text: "none"}}
	for _, k := range known {
		clients = append(clients, look.Option{Value: k.ID.String(), Text: k.Name})
	}
	return surveys, clients, err
}

// book promises what the form asks for, or shows who could serve. The form carries the name of the calendar entry to be, so that
// sending it twice books once.
func (s *Server) book(c echo.Context) error {
	p, at, err := s.wishPage(c, newForm(c.Request().PostForm))
	if err != nil {
		return err
	}
	w, err := s.readWish(c, p.Form, at)
	if err != nil {
		return err
	}
	if !p.Form.ok() {
		return s.render(c, http.StatusUnprocessableEntity, wishView(p))
	}
	if p.Form.on("look") {
		return s.showAnswer(c, p, at, w)
	}
	if once := p.Form.id("once"); !once.IsZero() {
		w.Calendar = schedule.Calendar{UID: once.String() + "@kitd", Name: once.String() + ".ics"}
	}
	out, err := s.Desk.Book(ctx(c), actor(c), w)
	if fault.Is(err, fault.AlreadyUsed) {
		p.Form.set("once", s.NewID().String())
		p.Form.stop = "A booking was made from this form already; the desk shows it. If you want another one, book again."
		return s.render(c, http.StatusConflict, wishView(p))
	}
	if err != nil {
		return s.wishRefused(c, p, at, err)
	}
	return s.see(c, bookingPath(out.ID), promisedWords(out))
}

// promisedWords says what a promise led to.
func promisedWords(out schedule.Outcome) string {
	text := out.Label() + " is promised: " + unitList(out.Units) + "."
	if n := len(out.Moved); n > 0 {
		text += " To make room, " + count(n, "unit", "units") + " of other bookings changed places."
	}
	if n := len(out.Notes); n > 0 {
		text += " Somebody should look at " + count(n, "unit", "units") + " first."
	}
	return text
}

func (s *Server) showAnswer(c echo.Context, p wishPage, at places, w schedule.Wish) error {
	a, err := s.Desk.Answer(ctx(c), actor(c), w)
	if err != nil {
		return s.wishRefused(c, p, at, err)
	}
	if a.Refusal != nil {
		return s.wishRefused(c, p, at, a.Refusal)
	}
	p.Served = &served{Text: "These units would go; nothing is booked yet.", Units: placedUnits(a.Serve)}
	for _, m := range a.Moved {
		p.Served.Moved = append(p.Served.Moved, "To make room, "+m.Booking.Label()+" would get "+m.To.Tag+" instead of "+m.From.Tag+".")
	}
	for _, n := range a.Notes {
		p.Served.Notes = append(p.Served.Notes, whyNot(n))
	}
	return s.render(c, http.StatusOK, wishView(p))
}

func placedUnits(units []schedule.Placed) []deskUnit {
	out := make([]deskUnit, len(units))
	for i, u := range units {
		out[i] = deskUnit{Tag: u.Tag, Href: unitPath(u.Tag), Kind: string(u.Kind)}
	}
	return out
}

func unitPath(tag string) string { return "/units/" + url.PathEscape(tag) }

// wishRefused shows the form again with why it cannot stand.
func (s *Server) wishRefused(c echo.Context, p wishPage, at places, err error) error {
	e := fault.Of(err)
	var no *schedule.Refusal
	switch {
	case errors.As(err, &no):
		p.Frame.Told = ""
		p.Refused = refusedWords(no, at, p.Form.get("unit"))
	case e.Kind() == fault.Invalid || e.Kind() == fault.Conflict:
		p.Form.take(err, wishPaths)
	default:
		return err
	}
	return s.render(c, statusOf(e), wishView(p))
}

func refusedWords(no *schedule.Refusal, at places, tag string) *refused {
	r := &refused{Text: capital(no.Asked) + " cannot be promised for these days."}
	if no.Wanted > 0 {
		r.Text += " " + capital(count(no.Free, "dosimeter", "dosimeters")) + " of " + strconv.Itoa(no.Wanted) + " can be had."
	}
	for _, u := range no.Reasons {
		r.Reasons = append(r.Reasons, whyNot(u))
	}
	for _, a := range no.Alternatives {
		r.Ways = append(r.Ways, look.Link{Href: "/desk/new?" + wishQuery(a.Wish, at, tag).Encode(), Text: capital(a.Text)})
	}
	if len(r.Ways) == 0 {
		r.Text += " Nothing near to it can be promised either; ask for fewer units or another week."
	}
	return r
}

func whyNot(u schedule.UnitReasons) unitWhy {
	out := unitWhy{Tag: u.Tag, Href: unitPath(u.Tag)}
	for _, r := range u.Reasons {
		out.Reasons = append(out.Reasons, r.Text())
	}
	return out
}

// wishQuery writes a wish into an address, so that the form opens with it; tag names the unit it asks for.
func wishQuery(w schedule.Wish, at places, tag string) url.Values {
	v := url.Values{"title": {w.Title}}
	set := func(name string, id ident.ID) {
		if !id.IsZero() {
			v.Set(name, id.String())
		}
	}
	set("client", w.Client)
	set("survey", w.Survey)
	set("kit", w.Ask.Kit)
	set("start", w.StartDepot)
	set("end", w.EndDepot)
	switch {
	case !w.Ask.Kit.IsZero():
		v.Set("ask", "kit")
	case !w.Ask.Unit.IsZero():
		v.Set("ask", "unit")
		v.Set("unit", tag)
	default:
		v.Set("ask", "dosimeters")
		v.Set("dosimeters", strconv.Itoa(w.Ask.Dosimeters))
		if w.Ask.Calibrator {
			v.Set("calibrator", "yes")
		}
	}
	if len(w.Occurrences) > 0 {
		o := w.Occurrences[0]
		setCivil(v, "from", o.FromCivil, o.Span.From, at.zone(w.StartDepot))
		setCivil(v, "to", o.ToCivil, o.Span.To, at.zone(w.StartDepot))
	}
	return v
}

func setCivil(v url.Values, name string, wall schedule.Civil, instant time.Time, loc *time.Location) {
	t, err := time.Parse("2006-01-02T15:04:05", wall.Local)
	if err != nil {
		t = instant.In(loc)
	}
	v.Set(name, t.Format("Mon 2 Jan 2006"))
	v.Set(name+"_clock", t.Format("15:04"))
}

// readWish reads the form. What cannot be read is noted in it; an error is what forbids to look at all.
func (s *Server) readWish(c echo.Context, f *form, at places) (schedule.Wish, error) {
	w := schedule.Wish{Title: f.get("title"), Client: f.id("client"), Survey: f.id("survey"), StartDepot: f.id("start"), EndDepot: f.id("end")}
	if w.Title == "" {
		f.fail("title", "Say what it is for, in a few words.")
	}
	home, err := s.readAsk(c, f, at, &w.Ask)
	if err != nil {
		return w, err
	}
	if !w.StartDepot.IsZero() {
		home = w.StartDepot
	}
	loc := at.zone(home)
	from := f.moment("from", "from_clock", s.Now(), loc, when.Ahead, true)
	to := f.moment("to", "to_clock", s.Now(), loc, when.Ahead, true)
	if f.ok() && !from.Before(to) {
		f.fail("to", "The end is not after the start; choose a later end.")
	}
	w.Occurrences = []schedule.Occurrence{{FromCivil: wall(from, loc), ToCivil: wall(to, loc)}}
	return w, nil
}

func wall(t time.Time, loc *time.Location) schedule.Civil {
	return schedule.Civil{Local: t.In(loc).Format("2006-01-02T15:04:05"), Zone: loc.String()}
}

// readAsk reads what is asked for and gives the depot it lives in, zero for any dosimeters.
func (s *Server) readAsk(c echo.Context, f *form, at places, ask *schedule.Ask) (home ident.ID, err error) {
	switch f.get("ask") {
	case "kit":
		if ask.Kit = f.id("kit"); ask.Kit.IsZero() {
			f.fail("kit", "Choose the kit.")
		}
		return at.kit(ask.Kit).Depot, nil
	case "unit":
		tag := f.need("unit", "Write the tag of the unit.")
		if tag == "" {
			return home, nil
		}
		d, err := s.dossier(c, tag)
		if isMissing(err) {
			f.fail("unit", "There is no unit with this tag; the Shelf lists all.")
			return home, nil
		}
		ask.Unit = d.Unit.ID
		return d.Unit.Depot, err
	case "dosimeters":
		ask.Calibrator = f.on("calibrator")
		if ask.Dosimeters = f.whole("dosimeters", 1, 500); ask.Dosimeters == 0 {
			f.fail("dosimeters", "Say how many, from 1 to 500.")
		}
		return home, nil
	}
	f.fail("ask", "Choose what is asked for.")
	return home, nil
}
