package web

import (
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
)

// apiMoment is one end of a visit: an instant, a wall-clock time in a zone, or both, which then must agree.
type apiMoment struct {
	At    time.Time `json:"at,omitzero"`
	Local string    `json:"local,omitzero"` // 2026-03-02T08:00:00
	Zone  string    `json:"zone,omitzero"`  // IANA name
	Later bool      `json:"later,omitzero"` // of a time that a clock change repeats: the second one
}

type apiVisit struct {
	From apiMoment `json:"from"`
	To   apiMoment `json:"to"`
}

// apiWish is a booking as asked for.
type apiWish struct {
	Title       *string       `json:"title"`
	For         *ident.ID     `json:"for"`
	Client      *ident.ID     `json:"client"`
	Survey      *ident.ID     `json:"survey"`
	Ask         *schedule.Ask `json:"ask"`
	StartDepot  *ident.ID     `json:"start_depot"`
	EndDepot    *ident.ID     `json:"end_depot"`
	LeadMinutes *int          `json:"lead_minutes"`
	LagMinutes  *int          `json:"lag_minutes"`
	Visits      []apiVisit    `json:"visits"`
}

// apply puts what was sent into a wish; what was left out stays.
func (a apiWish) apply(w *schedule.Wish) {
	put(&w.Title, a.Title)
	put(&w.For, a.For)
	put(&w.Client, a.Client)
	put(&w.Survey, a.Survey)
	put(&w.Ask, a.Ask)
	put(&w.StartDepot, a.StartDepot)
	put(&w.EndDepot, a.EndDepot)
	if a.LeadMinutes != nil {
		w.Lead = minutes(*a.LeadMinutes)
	}
	if a.LagMinutes != nil {
		w.Lag = minutes(*a.LagMinutes)
	}
	if a.Visits == nil {
		return
	}
	w.Occurrences = nil
	for _, v := range a.Visits {
		w.Occurrences = append(w.Occurrences, schedule.Occurrence{
			Span: fleet.Span{From: v.From.At, To: v.To.At}, FromCivil: v.From.civil(), ToCivil: v.To.civil()})
	}
}

func put[T any](into *T, sent *T) {
	if sent != nil {
		*into = *sent
	}
}

func minutes(n int) *time.Duration {
	d := time.Duration(n) * time.Minute
	return &d
}

func (m apiMoment) civil() schedule.Civil {
	return schedule.Civil{Local: m.Local, Zone: m.Zone, Later: m.Later}
}

// wishOf is the wish that asks for a booking as it stands.
func wishOf(b schedule.Booking) schedule.Wish {
	lead, lag := b.Lead, b.Lag
	return schedule.Wish{Title: b.Title, For: b.Owner, Client: b.Client, Survey: b.Survey, Ask: b.Ask, StartDepot: b.StartDepot,
		EndDepot: b.EndDepot, Lead: &lead, Lag: &lag, Occurrences: b.Occurrences, Calendar: schedule.Calendar{UID: b.Calendar.UID, Name: b.Calendar.Name}}
}

// apiAsk is what a booking asks for, without what it does not.
type apiAsk struct {
	Kit        ident.ID `json:"kit,omitzero"`
	Unit       ident.ID `json:"unit,omitzero"`
	Dosimeters int      `json:"dosimeters,omitzero"`
	Calibrator bool     `json:"calibrator,omitzero"`
}

// apiBooking is a booking as programs see it.
type apiBooking struct {
	ID          ident.ID       `json:"id"`
	Number      string         `json:"number"`
	Version     int            `json:"version"`
	Title       string         `json:"title"`
	Owner       ident.ID       `json:"owner"`
	OwnerName   string         `json:"owner_name"`
	Client      ident.ID       `json:"client,omitzero"`
	Survey      ident.ID       `json:"survey,omitzero"`
	Ask         apiAsk         `json:"ask"`
	StartDepot  ident.ID       `json:"start_depot"`
	EndDepot    ident.ID       `json:"end_depot"`
	LeadMinutes int            `json:"lead_minutes"`
	LagMinutes  int            `json:"lag_minutes"`
	Visits      []apiVisit     `json:"visits"`
	State       schedule.State `json:"state"`
	Units       []apiPlaced    `json:"units"`
	Risk        []apiReasons   `json:"risk,omitzero"`
	CalendarUID string         `json:"calendar_uid"`
	Entered     time.Time      `json:"entered"`
	Changed     time.Time      `json:"changed"`
}

type apiPlaced struct {
	Unit   ident.ID   `json:"unit"`
	Tag    string     `json:"tag"`
	Kind   fleet.Kind `json:"kind"`
	Pinned bool       `json:"pinned"`
	Out    time.Time  `json:"out,omitzero"`
	In     time.Time  `json:"in,omitzero"`
}

type apiReasons struct {
	Unit    ident.ID    `json:"unit"`
	Tag     string      `json:"tag"`
	Reasons []apiReason `json:"reasons"`
}

// apiReason is one cause of "not fit" with its sentence.
type apiReason struct {
	Kind     fleet.ReasonKind `json:"kind"`
	Code     fleet.ReasonCode `json:"code"`
	Text     string           `json:"text"`
	Clears   time.Time        `json:"clears,omitzero"`
	Evidence []fleet.Evidence `json:"evidence"`
}

func apiReasonsOf(reasons []fleet.Reason) []apiReason {
	out := make([]apiReason, 0, len(reasons))
	for _, r := range reasons {
		out = append(out, apiReason{r.Kind, r.Code, r.Text(), r.Clears, append([]fleet.Evidence{}, r.Evidence...)})
	}
	return out
}

func apiUnitReasons(all []schedule.UnitReasons) []apiReasons {
	var out []apiReasons
	for _, u := range all {
		out = append(out, apiReasons{u.Unit, u.Tag, apiReasonsOf(u.Reasons)})
	}
	return out
}

func apiBookingOf(b schedule.Booking) apiBooking {
	out := apiBooking{ID: b.ID, Number: b.Label(), Version: b.Version, Title: b.Title, Owner: b.Owner, OwnerName: b.OwnerName, Client: b.Client,
		Survey: b.Survey, Ask: apiAsk(b.Ask), StartDepot: b.StartDepot, EndDepot: b.EndDepot, LeadMinutes: int(b.Lead / time.Minute),
		LagMinutes: int(b.Lag / time.Minute), State: b.State, Risk: apiUnitReasons(b.Risk), CalendarUID: b.Calendar.UID, Entered: b.Entered, Changed: b.Changed,
		Visits: []apiVisit{}, Units: []apiPlaced{}}
	for _, o := range b.Occurrences {
		out.Visits = append(out.Visits, apiVisit{momentOf(o.Span.From, o.FromCivil), momentOf(o.Span.To, o.ToCivil)})
	}
	for _, u := range b.Units {
		out.Units = append(out.Units, apiPlaced(u))
	}
	return out
}

func momentOf(at time.Time, c schedule.Civil) apiMoment {
	return apiMoment{At: at, Local: c.Local, Zone: c.Zone, Later: c.Later}
}

// apiOutcome is what a call at the desk led to.
type apiOutcome struct {
	Booking   apiBooking   `json:"booking"`
	Unchanged bool         `json:"unchanged"`      // it was asked for what stands already
	Moved     []apiMoved   `json:"moved,omitzero"` // other bookings that got other units to make room
	Notes     []apiReasons `json:"notes,omitzero"` // what is not known of the promised units: somebody should look
}

type apiMoved struct {
	Booking ident.ID `json:"booking"`
	Number  string   `json:"number"`
	From    string   `json:"from"` // tag
	To      string   `json:"to"`   // tag
}

func apiOutcomeOf(o schedule.Outcome) apiOutcome {
	out := apiOutcome{Booking: apiBookingOf(o.Booking), Unchanged: o.Unchanged, Notes: apiUnitReasons(o.Notes)}
	for _, m := range o.Moved {
		out.Moved = append(out.Moved, apiMoved{m.Booking.ID, m.Booking.Label(), m.From.Tag, m.To.Tag})
	}
	return out
}

// apiRefusal is the desk's no under "details" of a problem document.
type apiRefusal struct {
	Free         int              `json:"free"`
	Wanted       int              `json:"wanted"`
	Reasons      []apiReasons     `json:"reasons"`
	Alternatives []apiAlternative `json:"alternatives"`
}

type apiAlternative struct {
	Text       string    `json:"text"`
	From       time.Time `json:"from"`
	To         time.Time `json:"to"`
	Depot      ident.ID  `json:"depot"`
	Kit        ident.ID  `json:"kit,omitzero"`
	Unit       ident.ID  `json:"unit,omitzero"`
	Dosimeters int       `json:"dosimeters,omitzero"`
}

func apiRefusalOf(r *schedule.Refusal) apiRefusal {
	out := apiRefusal{Free: r.Free, Wanted: r.Wanted, Reasons: append([]apiReasons{}, apiUnitReasons(r.Reasons)...), Alternatives: []apiAlternative{}}
	for _, a := range r.Alternatives {
		out.Alternatives = append(out.Alternatives, apiAlternative{a.Text, a.From, a.To, a.Depot, a.Kit, a.Unit, a.Dosimeters})
	}
	return out
}

var bookingStates = []schedule.State{schedule.Promised, schedule.OutNow, schedule.Back, schedule.AtRisk, schedule.Cancelled}

func (s *Server) apiBookings(c echo.Context) error {
	q, err := bookingQuery(c)
	if err != nil {
		return err
	}
	page, err := s.Desk.List(ctx(c), actor(c), q)
	if err != nil {
		return err
	}
	out := pageOf[apiBooking]{Items: []apiBooking{}, Next: page.Next}
	for _, b := range page.Bookings {
		out.Items = append(out.Items, apiBookingOf(b))
	}
	return answerJSON(c, http.StatusOK, out)
}

func bookingQuery(c echo.Context) (q schedule.Query, err error) {
	if err = knownQuery(c, "from", "to", "kit", "unit", "owner", "client", "survey", "depot", "state", "after", "limit"); err != nil {
		return q, err
	}
	if q.Span, err = spanQuery(c); err != nil {
		return q, err
	}
	for key, into := range map[string]*ident.ID{"kit": &q.Kit, "unit": &q.Unit, "owner": &q.Owner, "client": &q.Client, "survey": &q.Survey, "depot": &q.Depot} {
		if *into, err = idQuery(c, key); err != nil {
			return q, err
		}
	}
	if text := c.QueryParam("state"); text != "" {
		for _, name := range strings.Split(text, ",") {
			if !slices.Contains(bookingStates, schedule.State(name)) {
				return q, badQuery("state", "Write one or several of promised, out, back, at risk, cancelled, with commas between.")
			}
			q.States = append(q.States, schedule.State(name))
		}
	}
	q.After = c.QueryParam("after")
	q.Limit, err = listLimit(c)
	return q, err
}

// spanQuery reads "from" and "to": both or neither, the end after the start.
func spanQuery(c echo.Context) (span fleet.Span, err error) {
	if span.From, err = momentQuery(c, "from"); err != nil {
		return span, err
	}
	if span.To, err = momentQuery(c, "to"); err != nil {
		return span, err
	}
	switch {
	case span.From.IsZero() != span.To.IsZero():
		return span, badQuery("to", "Give from and to together, or neither.")
	case !span.From.IsZero() && !span.To.After(span.From):
		return span, badQuery("to", "The end is not after the start; choose a later end.")
	}
	return span, nil
}

// present reads the booking of the path.
func (s *Server) present(c echo.Context) (schedule.Booking, error) {
	id, err := idParam(c, "id", "booking")
	if err != nil {
		return schedule.Booking{}, err
	}
	return s.Desk.Get(ctx(c), actor(c), id)
}

func (s *Server) apiBooking(c echo.Context) error {
	b, err := s.present(c)
	if err != nil {
		return err
	}
	c.Response().Header().Set("ETag", etag(b.Version))
	if sameETag(c, b.Version) {
		return c.NoContent(http.StatusNotModified)
	}
	return answerJSON(c, http.StatusOK, apiBookingOf(b))
}

// apiBook promises. A repeat of a call that was never answered gets the booking as it stands.
func (s *Server) apiBook(c echo.Context) error {
	var sent apiWish
	doc, err := readJSON(c, &sent)
	if err != nil {
		return err
	}
	promised := func(out schedule.Outcome) (int, any, error) {
		c.Response().Header().Set("ETag", etag(out.Version))
		c.Response().Header().Set("Location", "/api/v1/bookings/"+out.ID.String())
		return http.StatusCreated, apiOutcomeOf(out), nil
	}
	return s.once(c, doc, func(who access.Actor) (int, any, error) {
		var w schedule.Wish
		sent.apply(&w)
		out, err := s.Desk.Book(ctx(c), who, w)
		if err != nil {
			return 0, nil, refusalOf(err)
		}
		return promised(out)
	}, func(before access.Done) (int, any, error) {
		b, err := s.Desk.Get(ctx(c), actor(c), before.ID)
		if before.Noun != "booking" || err != nil {
			return 0, nil, doneBefore(before)
		}
		return promised(schedule.Outcome{Booking: b, Unchanged: true})
	})
}

// apiMove changes what was sent and leaves the rest (RFC 7396 without null).
func (s *Server) apiMove(c echo.Context) error {
	var sent apiWish
	if _, err := readJSON(c, &sent); err != nil {
		return err
	}
	b, err := s.present(c)
	if err != nil {
		return err
	}
	if err := ifMatch(c, "booking", b.Version); err != nil {
		return err
	}
	w := wishOf(b)
	sent.apply(&w)
	out, err := s.Desk.Move(ctx(c), actor(c), b.ID, b.Version, w)
	if err != nil {
		return refusalOf(raced(err, "booking"))
	}
	c.Response().Header().Set("ETag", etag(out.Version))
	return answerJSON(c, http.StatusOK, apiOutcomeOf(out))
}

func (s *Server) apiCancel(c echo.Context) error {
	if err := knownQuery(c, "reason"); err != nil {
		return err
	}
	b, err := s.present(c)
	if err != nil {
		return err
	}
	if err := ifMatch(c, "booking", b.Version); err != nil {
		return err
	}
	out, err := s.Desk.Cancel(ctx(c), actor(c), b.ID, b.Version, c.QueryParam("reason"))
	if err != nil {
		return refusalOf(raced(err, "booking"))
	}
	c.Response().Header().Set("ETag", etag(out.Version))
	return answerJSON(c, http.StatusOK, apiOutcomeOf(out))
}

// deskRefusal carries the desk's reasons and ways out into the problem document.
type deskRefusal struct{ *schedule.Refusal }

// Details implements detailed.
func (r deskRefusal) Details() any { return apiRefusalOf(r.Refusal) }

func refusalOf(err error) error {
	var r *schedule.Refusal
	if errors.As(err, &r) {
		return deskRefusal{r}
	}
	return sentPlaces(err)
}

// sentPlaces turns the places that the desk names in a wish into pointers of the document that was sent.
func sentPlaces(err error) error {
	f := fault.Of(err)
	if len(f.Fields) == 0 {
		return err
	}
	moved := *f
	moved.Fields = nil
	for _, field := range f.Fields {
		at := field.Path
		switch rest, visits := strings.CutPrefix(at, "/occurrences"); {
		case visits:
			at = "/visits" + rest
		case at == "/lead" || at == "/lag":
			at += "_minutes"
		}
		moved.At(at, field.Text)
	}
	return &moved
}
