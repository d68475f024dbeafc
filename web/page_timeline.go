package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/schedule"
	"kitd/web/look"
	"kitd/web/when"
)

// The time line shows one, two or four weeks; so many rows and remedies are worked out for one page.
const (
	timelineDays    = 14
	mostTimeRows    = 40
	mostTimeNotes   = 26 // letters
	mostTimeRemedy  = 8
	timelineFurther = 400 // days from today that can be looked at
)

var timelineViews = []struct {
	days int
	word string
}{{7, "Week"}, {14, "Two weeks"}, {28, "Four weeks"}}

func (s *Server) timelinePage(c echo.Context) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	f := newForm(c.QueryParams())
	depot := f.id("depot")
	loc := at.zone(depot)
	today := s.today(loc)
	f.or("from", when.Full(today))
	first := f.day("from", today, when.Ahead, true)
	n := f.whole("days", 1, 28)
	if n == 0 {
		n = timelineDays
	}
	if f.ok() && (first.Before(today.AddDays(-timelineFurther)) || first.After(today.AddDays(timelineFurther))) {
		f.fail("from", "Choose a day within "+strconv.Itoa(timelineFurther)+" days of today.")
	}
	p := timelinePage{Frame: s.frame(c, "Time line", "desk"), Form: f, Depots: at.depotOptions("all"), Books: actor(c).Books(), Count: n}
	p.Place = at.names()
	if !f.ok() {
		p.Lead = "These days cannot be shown."
		return s.render(c, http.StatusUnprocessableEntity, timelineView(p))
	}
	span := fleet.Span{From: first.Start(loc), To: first.AddDays(n).Start(loc)}
	pool, err := s.Pool.AllUnits(ctx(c), actor(c), span)
	if err != nil {
		return err
	}
	bookings, err := s.allBookings(c, schedule.Query{Span: fleet.Span{From: span.From.AddDate(0, 0, -60), To: span.To}, States: standingStates})
	if err != nil {
		return err
	}
	p.turns(f, first, today, n)
	l := timeTeller{teller: teller{at, s.Now(), loc}, first: first, n: n, span: span, depot: depot, bookings: bookings}
	l.gather(pool)
	l.fill(&p)
	s.remedies(c, &p, l)
	return s.render(c, http.StatusOK, timelineView(p))
}

// turns makes the links to other days and widths.
func (p *timelinePage) turns(f *form, first, today civil.Date, n int) {
	href := func(from civil.Date, days int) string {
		v := url.Values{"from": {from.String()}, "days": {strconv.Itoa(days)}}
		if f.get("depot") != "" {
			v.Set("depot", f.get("depot"))
		}
		return "/desk/timeline?" + v.Encode()
	}
	p.Earlier, p.Today, p.Later = href(first.AddDays(-n), n), href(today, n), href(first.AddDays(n), n)
	for _, v := range timelineViews {
		p.Views = append(p.Views, look.Count{Word: v.word, Href: href(first, v.days), Chosen: v.days == n})
	}
	p.Span = when.Days(first, first.AddDays(n-1), today)
}

// fill puts everything on the page but the remedies.
func (l *timeTeller) fill(p *timelinePage) {
	p.Zone = l.now.In(l.loc).Format("MST")
	for i := range l.n {
		d := l.first.AddDays(i)
		day := d.Start(time.UTC)
		p.Days = append(p.Days, timeDay{Letter: day.Format("Mon"), Number: strconv.Itoa(d.Day), Name: when.Day(d, l.today()), Date: d.String(),
			Rest: day.Weekday() == time.Saturday || day.Weekday() == time.Sunday, Now: d == l.today()})
	}
	l.demand(p)
	rows := l.rows()
	if len(rows) > mostTimeRows {
		p.More = len(rows) - mostTimeRows
		rows = rows[:mostTimeRows]
	}
	p.Rows, p.Notes = rows, l.notes
	p.Lead, p.Rest = l.answer(p)
}

// demand counts dosimeters day by day: fit ones, promised ones, and what is left.
func (l *timeTeller) demand(p *timelinePage) {
	fit, asked := make([]int, l.n), make([]int, l.n)
	for _, u := range l.units {
		if u.d.Model.Kind != fleet.Dosimeter {
			continue
		}
		for i := range l.n {
			if u.usable[i] {
				fit[i]++
			}
			if u.promised(l.day(i)) {
				asked[i]++
			}
		}
	}
	for i := range l.n {
		left := fit[i] - asked[i]
		p.Days[i].Fit, p.Days[i].Asked, p.Days[i].Left = strconv.Itoa(fit[i]), strconv.Itoa(asked[i]), minus(strconv.Itoa(left))
		p.Days[i].Short = left < 0
		p.Days[i].left = left
	}
}

// answer says where it is short and what will not stand.
func (l *timeTeller) answer(p *timelinePage) (lead, rest string) {
	least := p.Days[0]
	for _, d := range p.Days {
		if d.left < least.left {
			least = d
		}
	}
	refs := make([]string, len(l.notes))
	for i, n := range l.notes {
		refs[i] = n.Ref
	}
	stands := "Everything promised for these days stands."
	if n := len(refs); n > 0 {
		stands = capital(count(n, "promise", "promises")) + " will not stand unless somebody acts: note " + strings.Join(refs, ", ") + "."
	}
	switch {
	case len(p.Rows) == 0:
		return "There is no kit yet, and nothing is promised.", ""
	case least.left < 0:
		return capital(count(-least.left, "dosimeter", "dosimeters")) + " short on " + least.Name + ".", stands
	}
	return stands, capital(count(least.left, "dosimeter is", "dosimeters are")) + " left on the fullest day, " + least.Name + "."
}

// remedies asks the desk what could be had instead of what will not stand.
func (s *Server) remedies(c echo.Context, p *timelinePage, l timeTeller) {
	for i := range p.Notes[:min(len(p.Notes), mostTimeRemedy)] {
		n := &p.Notes[i]
		if n.booking == nil || n.booking.State != schedule.AtRisk || !schedule.MayChange(actor(c), *n.booking) {
			continue
		}
		a, err := s.Desk.AnswerMove(ctx(c), actor(c), n.booking.ID, wishOf(*n.booking))
		if err != nil {
			if fault.KindOf(err) == fault.Internal {
				s.Log.Error("no remedy could be worked out", "booking", n.booking.Label(), "err", err)
			}
			continue
		}
		n.MoveHref = bookingPath(n.booking.ID) + "/move"
		switch {
		case a.Refusal == nil && len(a.Serve) > 0:
			n.Remedy = "It would stand with " + unitList(a.Serve) + "."
		case a.Refusal != nil && len(a.Refusal.Alternatives) > 0:
			n.Remedy = "Nearest: " + a.Refusal.Alternatives[0].Text + "."
			n.Remedy = strings.ReplaceAll(n.Remedy, "..", ".")
		default:
			n.Remedy = "Nothing near to it can be promised: ask for fewer units or another week."
		}
	}
}

// rows are the kits by code, then the units in no kit on which something stands.
func (l *timeTeller) rows() []timeRow {
	var rows []timeRow
	kits := slices.Clone(l.at.kits)
	slices.SortFunc(kits, func(a, b fleet.Kit) int { return fleet.CompareTags(a.Code, b.Code) })
	for _, k := range kits {
		if !l.depot.IsZero() && k.Depot != l.depot {
			continue
		}
		var in []*timeUnit
		for _, u := range l.units {
			if u.d.Kit == k.ID {
				in = append(in, u)
			}
		}
		r := timeRow{Code: k.Code, Href: kitPath(k.Code), Kit: k.ID.String(), Where: l.at.depot(k.Depot).Name, What: contents(in)}
		rows = append(rows, l.row(r, in))
	}
	for _, u := range l.units {
		if !u.d.Kit.IsZero() || len(u.d.Promises) == 0 || u.d.Model.Kind == fleet.Charger {
			continue
		}
		r := timeRow{Code: u.d.Unit.Tag, Href: unitPath(u.d.Unit.Tag), Unit: u.d.Unit.Tag, Where: u.d.Depot.Name, What: string(u.d.Model.Kind)}
		if r = l.row(r, []*timeUnit{u}); len(r.Blocks) > 0 {
			rows = append(rows, r)
		}
	}
	return rows
}

// contents says what is in a kit: "4 + C-001".
func contents(in []*timeUnit) string {
	n := 0
	text := ""
	for _, u := range in {
		switch u.d.Model.Kind {
		case fleet.Dosimeter:
			n++
		case fleet.Calibrator:
			text += " + " + u.d.Unit.Tag
		}
	}
	return strconv.Itoa(n) + text
}
