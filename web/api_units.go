package web

import (
	"bytes"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// apiUnit is a unit with its fitness for an interval, as programs see it.
type apiUnit struct {
	ID        ident.ID    `json:"id"`
	Tag       string      `json:"tag"`
	Serial    string      `json:"serial"`
	Kind      fleet.Kind  `json:"kind"`
	Model     string      `json:"model"`
	Depot     ident.ID    `json:"depot"` // home
	Kit       ident.ID    `json:"kit,omitzero"`
	KitCode   string      `json:"kit_code,omitzero"`
	From      time.Time   `json:"from"`
	To        time.Time   `json:"to"`
	AsKnownAt time.Time   `json:"as_known_at"`
	Fit       bool        `json:"fit"`
	State     fleet.State `json:"state"`
	Reasons   []apiReason `json:"reasons"`
	CertEnds  civil.Date  `json:"certificate_ends,omitzero"` // last covered day
	FullBy    time.Time   `json:"full_by,omitzero"`
	Contra    []string    `json:"contradictions,omitzero"`
}

func apiUnitOf(u fleet.Unit, m fleet.Model, kit ident.ID, kitCode string, v fleet.Verdict) apiUnit {
	return apiUnit{ID: u.ID, Tag: u.Tag, Serial: u.Serial, Kind: m.Kind, Model: m.Name, Depot: u.Depot, Kit: kit, KitCode: kitCode, From: v.Span.From,
		To: v.Span.To, AsKnownAt: v.AsKnownAt, Fit: v.Fit, State: v.State, Reasons: apiReasonsOf(v.Reasons), CertEnds: v.CertEnds, FullBy: v.FullBy,
		Contra: v.Contra}
}

// shelfPage is one page of units with the counts of all.
type apiShelf struct {
	Items  []apiUnit           `json:"items"`
	Next   string              `json:"next,omitzero"`
	Total  int                 `json:"total"`
	Counts map[fleet.State]int `json:"counts"`
}

// asked reads the interval a verdict is for, and the moment of knowledge. Without an interval the verdict is for the next minute.
func (s *Server) asked(c echo.Context) (span fleet.Span, at time.Time, err error) {
	if span, err = spanQuery(c); err != nil {
		return span, at, err
	}
	if span.From.IsZero() {
		now := s.Now().UTC().Truncate(time.Second)
		span = fleet.Span{From: now, To: now.Add(time.Minute)}
	}
	at, err = momentQuery(c, "at")
	return span, at, err
}

func (s *Server) apiUnits(c echo.Context) error {
	if err := knownQuery(c, "from", "to", "at", "state", "kind", "depot", "kit", "q", "after", "limit"); err != nil {
		return err
	}
	q := fleet.ShelfQuery{Text: c.QueryParam("q"), After: c.QueryParam("after")}
	var err error
	if q.Span, q.At, err = s.asked(c); err != nil {
		return err
	}
	if q.Depot, err = idQuery(c, "depot"); err != nil {
		return err
	}
	if q.Kit, err = idQuery(c, "kit"); err != nil {
		return err
	}
	if q.Limit, err = listLimit(c); err != nil {
		return err
	}
	q.States, q.Kinds = listQuery[fleet.State](c, "state"), listQuery[fleet.Kind](c, "kind")
	for _, k := range q.Kinds {
		if !slices.Contains(unitKinds, k) {
			return badQuery("kind", "Write one or several of dosimeter, calibrator, sound level meter, charger, data link, with commas between.")
		}
	}
	page, err := s.Pool.Shelf(ctx(c), actor(c), q)
	if err != nil {
		return err
	}
	out := apiShelf{Items: []apiUnit{}, Next: page.Next, Total: page.Total, Counts: page.Counts}
	for _, r := range page.Rows {
		out.Items = append(out.Items, apiUnitOf(r.Unit, r.Model, r.Kit, r.KitCode, r.Verdict))
	}
	return answerJSON(c, http.StatusOK, out)
}

var unitKinds = []fleet.Kind{fleet.Dosimeter, fleet.Calibrator, fleet.Meter, fleet.Charger, fleet.DataLink}

func listQuery[T ~string](c echo.Context, key string) []T {
	var all []T
	for _, part := range strings.Split(c.QueryParam(key), ",") {
		if part = strings.TrimSpace(part); part != "" {
			all = append(all, T(part))
		}
	}
	return all
}

func (s *Server) apiUnit(c echo.Context) error {
	if err := knownQuery(c, "from", "to", "at"); err != nil {
		return err
	}
	span, at, err := s.asked(c)
	if err != nil {
		return err
	}
	v, err := s.Pool.Unit(ctx(c), actor(c), param(c, "tag"), span, at)
	if err != nil {
		return err
	}
	d := v.Dossier
	return answerJSON(c, http.StatusOK, apiUnitOf(d.Unit, d.Model, d.Kit, d.KitCode, v.Verdict))
}

// apiFacts is what happened to one unit.
type apiFacts struct {
	Facts []struct {
		Kind     string         `json:"kind"`
		Occurred time.Time      `json:"occurred"`
		Note     string         `json:"note"`
		Body     jsontext.Value `json:"body"`
	} `json:"facts"`
}

// maxFacts bounds one call.
const maxFacts = 100

// factBodies reads what each kind of fact says, strictly.
var factBodies = map[string]func(doc []byte, at string) (fleet.Body, error){
	"charge-on": strictly[fleet.ChargeOn], "charge-off": strictly[fleet.ChargeOff], "power-seen": strictly[fleet.PowerSeen],
	"opening": strictly[fleet.Opening], "custody": strictly[fleet.Custody], "held": strictly[fleet.Held], "signed-off": strictly[fleet.SignedOff],
	"worn": strictly[fleet.Worn], "return-accepted": strictly[fleet.ReturnAccepted], "cleared": strictly[fleet.Cleared],
	"coverage-ended": strictly[fleet.CoverageEnded], "extended": strictly[fleet.Extended], "retracted": strictly[fleet.Retracted],
}

func strictly[B fleet.Body](doc []byte, at string) (fleet.Body, error) {
	var b B
	if len(doc) == 0 {
		return b, nil
	}
	err := decodeJSON(doc, at, &b)
	return b, err
}

func (f apiFacts) read() ([]fleet.Fact, error) {
	if n := len(f.Facts); n < 1 || n > maxFacts {
		return nil, badJSON("/facts", "send 1 to 100 facts")
	}
	var facts []fleet.Fact
	for i, sent := range f.Facts {
		at := "/facts/" + strconv.Itoa(i)
		read, ok := factBodies[sent.Kind]
		if !ok {
			return nil, badJSON(at+"/kind", "there is no such kind of fact; the description at /api/openapi.json lists them")
		}
		body, err := read(sent.Body, at+"/body")
		if err != nil {
			return nil, err
		}
		facts = append(facts, fleet.Fact{Occurred: sent.Occurred.UTC().Truncate(time.Millisecond), Note: sent.Note, Body: body})
	}
	return facts, nil
}

type apiRecorded struct {
	Facts []apiFact `json:"facts"`
}

type apiFact struct {
	ID       ident.ID  `json:"id"`
	Kind     string    `json:"kind"`
	Occurred time.Time `json:"occurred"`
}

// apiRecord puts facts on record. A repeat of a call that was never answered gets the facts as they stand on record.
func (s *Server) apiRecord(c echo.Context) error {
	var sent apiFacts
	doc, err := readJSON(c, &sent)
	if err != nil {
		return err
	}
	facts, err := sent.read()
	if err != nil {
		return err
	}
	d, err := s.dossier(c, param(c, "tag"))
	if err != nil {
		return err
	}
	return s.once(c, doc, func(who access.Actor) (int, any, error) {
		for i := range facts {
			facts[i].Unit = d.Unit.ID
		}
		recorded, err := s.Pool.Record(ctx(c), who, facts...)
		if err != nil {
			return 0, nil, placed(err, len(facts))
		}
		return factsRecorded(recorded)
	}, func(before access.Done) (int, any, error) {
		d, err := s.dossier(c, param(c, "tag")) // again: the work may have been done since
		if err != nil {
			return 0, nil, err
		}
		var recorded []fleet.Fact
		for _, f := range facts {
			known, found := onRecord(d.Facts, f, actor(c).Name)
			if !found {
				return 0, nil, doneBefore(before)
			}
			recorded = append(recorded, known)
		}
		return factsRecorded(recorded)
	})
}

func factsRecorded(facts []fleet.Fact) (int, any, error) {
	out := apiRecorded{Facts: []apiFact{}}
	for _, f := range facts {
		out.Facts = append(out.Facts, apiFactOf(f))
	}
	return http.StatusCreated, out, nil
}

func apiFactOf(f fleet.Fact) apiFact { return apiFact{f.ID, f.Body.FactKind(), f.Occurred} }

// onRecord finds the newest fact that says the same: of the same account, kind and content, and of the same moment where one was
// given.
func onRecord(facts []fleet.Fact, f fleet.Fact, by string) (newest fleet.Fact, found bool) {
	want, err := fleet.EncodeBody(f.Body)
	if err != nil {
		return fleet.Fact{}, false
	}
	for _, known := range facts {
		moment := known.Occurred.Equal(f.Occurred) || f.Occurred.IsZero() && known.Occurred.Equal(known.Entered)
		if known.By != by || !moment || known.Body.FactKind() != f.Body.FactKind() || known.Note != f.Note || known.Entered.Before(newest.Entered) {
			continue
		}
		if got, err := fleet.EncodeBody(known.Body); err == nil && bytes.Equal(got, want) {
			newest, found = known, true
		}
	}
	return newest, found
}

// placed turns the places that the fleet names in a list of facts into pointers of the document.
func placed(err error, n int) error {
	f := fault.Of(err)
	if f.Kind() != fault.Invalid {
		return err
	}
	moved := *f
	moved.Fields = nil
	for _, field := range f.Fields {
		at := "/" + field.Path
		if n == 1 {
			at = "/facts/0/" + field.Path
		}
		moved.At(at, field.Text)
	}
	return &moved
}
