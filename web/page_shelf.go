package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
	"kitd/web/when"
)

// home sends to the first screen.
func (s *Server) home(c echo.Context) error { return c.Redirect(http.StatusSeeOther, "/shelf") }

// tagAddress is what the code on a label opens.
func (s *Server) tagAddress(c echo.Context) error {
	return c.Redirect(http.StatusSeeOther, unitPath(param(c, "tag")))
}

// asked is the interval a page speaks of, and as of when.
type asked struct {
	first, last civil.Date
	span        fleet.Span
	at          time.Time // zero: as known now
}

// readAsked reads "from", "to" and "known". Without an answer it is today and tomorrow, as known now. A day that has begun
// counts from now on: what was true in its small hours is of no use to anybody.
func (s *Server) readAsked(f *form, loc *time.Location) asked {
	today, now := s.today(loc), s.Now()
	if f.get("from") == "" {
		f.set("from", when.Full(today))
	}
	a := asked{first: f.day("from", today, when.Ahead, true)}
	if f.get("to") == "" && f.ok() {
		f.set("to", when.Full(a.first.AddDays(1)))
	}
	a.last = f.day("to", today, when.Ahead, true)
	if known := f.day("known", today, when.Behind, false); !known.IsZero() && known.Before(today) {
		a.at = known.End(loc)
	}
	if !f.ok() {
		return a
	}
	a.span = fleet.Span{From: a.first.Start(loc), To: a.last.End(loc)}
	if a.span.From.Before(now) && now.Before(a.span.To) && a.at.IsZero() {
		a.span.From = now.UTC().Truncate(time.Millisecond)
	}
	if !a.span.Valid() {
		f.fail("to", "The last day lies before the first; choose a later one.")
	}
	return a
}

func (a asked) days(today civil.Date) string { return when.Days(a.first, a.last, today) }

// query writes the interval into an address.
func (a asked) query() url.Values {
	return url.Values{"from": {a.first.String()}, "to": {a.last.String()}}
}

var shownKinds = []fleet.Kind{fleet.Dosimeter, fleet.Calibrator, fleet.Meter, fleet.Charger, fleet.DataLink}

func (s *Server) shelfPage(c echo.Context) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	f := newForm(c.QueryParams())
	depot := f.id("depot")
	t := teller{at, s.Now(), at.zone(depot)}
	a := s.readAsked(f, t.loc)
	p := shelfPage{Frame: s.frame(c, "Shelf", "shelf"), Form: f, Depots: at.depotOptions("all"), Kinds: kindOptions(), State: f.get("state")}
	p.Find, p.Place, p.Keeps = f.get("q"), at.names(), actor(c).Keeps()
	p.Filtered = f.get("q") != "" || f.get("state") != "" || f.get("kind") != "" || !depot.IsZero()
	p.Book = "/desk/new?" + a.query().Encode()
	if !f.ok() {
		p.Lead = "No interval to answer for."
		return s.render(c, http.StatusUnprocessableEntity, shelfView(p))
	}
	p.Days = a.days(t.today())
	q := fleet.ShelfQuery{Span: a.span, At: a.at, Depot: depot, Kit: f.id("kit"), Text: f.get("q"), After: f.get("after"), Limit: pageRows}
	if k := fleet.Kind(f.get("kind")); slices.Contains(shownKinds, k) {
		q.Kinds = []fleet.Kind{k}
	}
	if st := fleet.State(f.get("state")); st.Need() >= 0 {
		q.States = []fleet.State{st}
	}
	shelf, err := s.Pool.Shelf(ctx(c), actor(c), q)
	if err != nil {
		return err
	}
	p.fill(shelf, t, a)
	return s.render(c, http.StatusOK, shelfView(p))
}

func kindOptions() []look.Option {
	out := []look.Option{{Text: "all"}}
	for _, k := range shownKinds {
		out = append(out, look.Option{Value: string(k), Text: string(k)})
	}
	return out
}

// fill puts the answer of the pool into words and lines.
func (p *shelfPage) fill(shelf fleet.ShelfPage, t teller, a asked) {
	p.Head = look.Strip{First: a.first.Start(t.loc)}
	for _, r := range shelf.Rows {
		p.Rows = append(p.Rows, t.shelfRow(r, a.span.From))
	}
	p.First = p.Form.whole("first", 1, 1<<30)
	p.First, p.Total = max(p.First, 1), shelf.Total
	p.Lead, p.Rest = shelfAnswer(shelf, p.Days)
	p.Counts = append(p.Counts, look.Count{N: shelf.All, Word: "all", Counted: true, Chosen: p.State == "", Href: p.link("state", "")})
	for _, st := range shownStates {
		p.Counts = append(p.Counts, look.Count{
			N: shelf.Counts[st], Word: string(st), Mark: look.StateMark(string(st)), Counted: true, Chosen: p.State == string(st), Href: p.link("state", string(st)),
		})
	}
	if shelf.Next != "" {
		p.Next = p.link("after", shelf.Next) + "&first=" + itoa(p.First+len(p.Rows))
	}
}

// shownStates is the order of the tally.
var shownStates = []fleet.State{fleet.StateFit, fleet.StateDueSoon, fleet.StateNotFit, fleet.StateHeld, fleet.StateUnread, fleet.StateUnknown, fleet.StateOut}

// link is the address of this page with one filter changed; it begins at the first row again.
func (p *shelfPage) link(name, value string) string {
	v := url.Values{}
	for _, k := range []string{"from", "to", "depot", "kind", "kit", "q", "state"} {
		if p.Form.get(k) != "" {
			v.Set(k, p.Form.get(k))
		}
	}
	v.Set(name, value)
	if value == "" {
		v.Del(name)
	}
	return "/shelf?" + v.Encode()
}

func shelfAnswer(shelf fleet.ShelfPage, days string) (lead, rest string) {
	if shelf.All == 0 {
		return "There is no unit to answer for.", ""
	}
	lead = itoa(shelf.Fit) + " of " + count(shelf.All, "unit is fit", "units are fit")
	if shelf.All == 1 {
		lead = map[int]string{0: "The one unit is not fit", 1: "The one unit is fit"}[shelf.Fit]
	}
	rest = "for " + days + "."
	needy := shelf.Counts[fleet.StateHeld] + shelf.Counts[fleet.StateUnread] + shelf.Counts[fleet.StateUnknown]
	if needy == 0 {
		return lead, rest + " Nothing needs a person."
	}
	var tags []string
	for _, r := range shelf.Rows {
		if st := r.Verdict.State; st == fleet.StateHeld || st == fleet.StateUnread || st == fleet.StateUnknown {
			tags = append(tags, r.Unit.Tag)
		}
	}
	rest += " " + capital(count(needy, "needs", "need")) + " a person"
	if n := len(tags); n > 0 && n <= 4 && n == needy {
		rest += ": " + strings.Join(tags, ", ")
	}
	return lead, rest + "."
}

// shelfRow puts one unit into a row.
func (t teller) shelfRow(r fleet.ShelfRow, first time.Time) shelfRow {
	row := shelfRow{
		Tag: r.Unit.Tag, Href: unitPath(r.Unit.Tag), Model: r.Model.Name, Kit: r.KitCode, Where: t.where(r.Place), State: string(r.Verdict.State),
		Ends: when.Short(r.Verdict.CertEnds), EndsLook: r.Verdict.State == fleet.StateDueSoon || hasReason(r.Verdict, fleet.ReasonCertificate),
		FullBy: t.fullBy(r), Strip: t.strip(first, r.Outlook, r.Promises, r.Verdict, r.Place),
	}
	if r.KitCode != "" {
		row.KitHref = kitPath(r.KitCode)
	}
	if r.Model.CalibrationMonths == 0 && r.Verdict.CertEnds.IsZero() {
		row.Ends = "none needed"
	}
	for _, reason := range r.Verdict.Reasons {
		row.Why = append(row.Why, reason.Text())
	}
	if len(row.Why) == 0 && r.Verdict.State == fleet.StateDueSoon {
		row.Why = []string{"Certificate ends " + when.Day(r.Verdict.CertEnds, t.today()) + "."}
	}
	return row
}

// oneLine reports whether a place is short enough to stay on one line of a table.
func oneLine(place string) bool { return utf8.RuneCountInString(place) <= 24 }

func hasReason(v fleet.Verdict, code fleet.ReasonCode) bool {
	return slices.ContainsFunc(v.Reasons, func(r fleet.Reason) bool { return r.Code == code })
}

func (t teller) fullBy(r fleet.ShelfRow) string {
	switch {
	case r.Model.ChargeMinutes == 0:
		return "–"
	case hasReason(r.Verdict, fleet.ReasonChargeRecord), hasReason(r.Verdict, fleet.ReasonPower):
		return "unknown"
	case r.Verdict.FullBy.IsZero() && hasReason(r.Verdict, fleet.ReasonCharge):
		return "now"
	case r.Verdict.FullBy.IsZero():
		return "kept full"
	}
	d := civil.Of(r.Verdict.FullBy.In(t.loc))
	switch {
	case d.Before(t.today()):
		return "now"
	case d == t.today():
		return "today"
	}
	return when.Short(d)
}

func kitPath(code string) string { return "/kits/" + url.PathEscape(code) }

// dossier gives what is known of one unit now.
func (s *Server) dossier(c echo.Context, tag string) (fleet.Dossier, error) {
	now := s.Now().UTC().Truncate(time.Millisecond)
	v, err := s.Pool.Unit(ctx(c), actor(c), tag, fleet.Span{From: now, To: now.Add(time.Minute)}, time.Time{})
	return v.Dossier, err
}

// mostUnits is how many units a list to choose from holds.
const mostUnits = 500

// rowsOf lists units for choosing, by tag.
func (s *Server) rowsOf(c echo.Context, q fleet.ShelfQuery) ([]fleet.ShelfRow, error) {
	now := s.Now().UTC().Truncate(time.Millisecond)
	q.Span, q.Limit = fleet.Span{From: now, To: now.Add(time.Minute)}, mostUnits
	shelf, err := s.Pool.Shelf(ctx(c), actor(c), q)
	slices.SortStableFunc(shelf.Rows, func(a, b fleet.ShelfRow) int { return fleet.CompareTags(a.Unit.Tag, b.Unit.Tag) })
	return shelf.Rows, err
}

func (s *Server) unitsOfKind(c echo.Context, kind fleet.Kind) ([]fleet.Unit, error) {
	rows, err := s.rowsOf(c, fleet.ShelfQuery{Kinds: []fleet.Kind{kind}})
	units := make([]fleet.Unit, len(rows))
	for i, r := range rows {
		units[i] = r.Unit
	}
	return units, err
}

// spareUnits are those of a depot that are in no kit.
func (s *Server) spareUnits(c echo.Context, depot ident.ID) ([]look.Option, error) {
	rows, err := s.rowsOf(c, fleet.ShelfQuery{Depot: depot})
	var out []look.Option
	for _, r := range rows {
		if r.Kit.IsZero() && r.Model.Kind != fleet.Charger {
			out = append(out, look.Option{Value: r.Unit.ID.String(), Text: r.Unit.Tag + ", " + r.Model.Name})
		}
	}
	return out, err
}
