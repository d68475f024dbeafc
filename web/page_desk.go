package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/web/look"
	"kitd/web/when"
)

// deskDays is how many days the desk shows when nobody asks for others.
const deskDays = 28

// standing are the bookings that hold units or are out.
var standingStates = []schedule.State{schedule.Promised, schedule.OutNow, schedule.AtRisk}

func (s *Server) deskPage(c echo.Context) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	f := newForm(c.QueryParams())
	loc := at.zone(ident.ID{})
	today := s.today(loc)
	f.or("from", when.Full(today))
	first := f.day("from", today, when.Ahead, true)
	if f.get("to") == "" && !first.IsZero() {
		f.set("to", when.Full(first.AddDays(deskDays-1)))
	}
	last := f.day("to", today, when.Ahead, true)
	if f.ok() && last.Before(first) {
		f.fail("to", "The last day lies before the first; choose a later one.")
	}
	p := deskPage{Frame: s.frame(c, "Desk", "desk"), Form: f, Kits: at.kitOptions("all"), States: deskStates(), Books: actor(c).Books()}
	p.Place = at.names()
	p.Filtered = f.get("kit") != "" || f.get("state") != ""
	if !f.ok() {
		return s.render(c, http.StatusUnprocessableEntity, deskView(p))
	}
	p.Earlier, p.Later = deskHref(f, first.AddDays(-deskDays), last.AddDays(-deskDays)), deskHref(f, last.AddDays(1), last.AddDays(deskDays))
	if err := s.deskBookings(c, &p, at, first, last); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, deskView(p))
}

func (s *Server) deskBookings(c echo.Context, p *deskPage, at places, first, last civil.Date) error {
	loc := at.zone(ident.ID{})
	q := schedule.Query{
		Span: fleet.Span{From: first.Start(loc), To: last.End(loc)}, Kit: p.Form.id("kit"), States: statesAsked(p.Form.get("state")),
		After: p.Form.get("after"), Limit: 100,
	}
	page, err := s.Desk.List(ctx(c), actor(c), q)
	if err != nil {
		return err
	}
	now := s.Now()
	risky := 0
	for _, b := range page.Bookings {
		zone := at.zone(b.StartDepot)
		start := civil.Of(b.Occurrences[0].Span.From.In(zone))
		if n := len(p.Days); n == 0 || p.Days[n-1].Day != dayHead(start, s.today(zone)) {
			p.Days = append(p.Days, deskDay{Day: dayHead(start, s.today(zone))})
		}
		d := &p.Days[len(p.Days)-1]
		d.Bookings = append(d.Bookings, deskLineOf(b, at, now))
		if b.State == schedule.AtRisk {
			risky++
		}
	}
	p.Lead, p.Rest = deskAnswer(len(page.Bookings), risky, when.Days(first, last, s.today(loc)))
	if page.Next != "" {
		v := url.Values{}
		for _, k := range []string{"from", "to", "kit", "state"} {
			v.Set(k, p.Form.get(k))
		}
		v.Set("after", page.Next)
		p.Next = "/desk?" + v.Encode()
	}
	return nil
}

func deskAnswer(n, risky int, days string) (lead, rest string) {
	all := capital(count(n, "booking", "bookings")) + " from " + days + "."
	switch risky {
	case 0:
		return all, "None is at risk."
	case 1:
		return "One promise will not stand unless somebody acts.", all
	}
	return strconv.Itoa(risky) + " promises will not stand unless somebody acts.", all
}

func dayHead(d, today civil.Date) string {
	text := when.Day(d, today)
	if d == today {
		text += ", today"
	}
	return text
}

func deskLineOf(b schedule.Booking, at places, now time.Time) deskLine {
	return deskLine{
		Number: b.Label(), Href: bookingPath(b.ID), Title: b.Title, When: visits(b, at.zone(b.StartDepot), now), What: askedFor(b, at),
		Units: unitList(b.Units), For: b.OwnerName, State: string(b.State),
	}
}

func bookingPath(id ident.ID) string { return "/bookings/" + id.String() }

// visits says when a booking is: its first visit, and how many follow.
func visits(b schedule.Booking, loc *time.Location, now time.Time) string {
	o := b.Occurrences[0].Span
	text := when.Span(o.From, o.To, now, loc)
	if n := len(b.Occurrences) - 1; n > 0 {
		text += ", and " + count(n, "more visit", "more visits")
	}
	return text
}

// askedFor says what a booking asks for.
func askedFor(b schedule.Booking, at places) string {
	switch {
	case !b.Ask.Kit.IsZero():
		return "kit " + at.kit(b.Ask.Kit).Code
	case !b.Ask.Unit.IsZero() && len(b.Units) > 0:
		return "unit " + b.Units[0].Tag
	}
	text := count(b.Ask.Dosimeters, "dosimeter", "dosimeters")
	if b.Ask.Calibrator {
		text += " and a calibrator"
	}
	return text
}

func unitList(units []schedule.Placed) string {
	text := ""
	for i, u := range units {
		if i > 0 {
			text += ", "
		}
		text += u.Tag
	}
	return text
}

func deskStates() []look.Option {
	out := []look.Option{{Value: "", Text: "all that stand"}}
	for _, st := range []schedule.State{schedule.Promised, schedule.OutNow, schedule.AtRisk, schedule.Back, schedule.Cancelled} {
		out = append(out, look.Option{Value: string(st), Text: string(st)})
	}
	return out
}

func statesAsked(value string) []schedule.State {
	if i := slices.IndexFunc(deskStates()[1:], func(o look.Option) bool { return o.Value == value }); i >= 0 {
		return []schedule.State{schedule.State(value)}
	}
	return standingStates
}

func deskHref(f *form, from, to civil.Date) string {
	v := url.Values{"from": {from.String()}, "to": {to.String()}}
	for _, k := range []string{"kit", "state"} {
		if f.get(k) != "" {
			v.Set(k, f.get(k))
		}
	}
	return "/desk?" + v.Encode()
}
