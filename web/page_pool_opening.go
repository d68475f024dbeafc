package web

import (
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
	"kitd/web/when"
)

// What an opening statement can say.
const (
	saysFull  = "full"
	saysEmpty = "not full"
	saysPower = "power"
)

func openingEntry(f *form) entryPage {
	return entryPage{Form: f, Head: "State the charge", Action: "/pool/opening", Button: "Record the statement",
		Lead: "For the day kitd takes over: one dated statement under your name says what is known of many units. From then on kitd counts.",
		Groups: []fieldGroup{
			{Fields: []look.Field{
				{ID: "units", Label: "Units", Required: true, Wide: true, Rows: 3, Max: 8000, Rule: "Tags or ranges of tags, such as D-001..D-010, C-004. It is recorded for all of them, or for none."},
				{ID: "says", Label: "They were", Options: []look.Option{{Value: saysFull, Text: "full"}, {Value: saysEmpty, Text: "not full"}, {Value: saysPower, Text: "chargers, with power"}}},
			}},
			{Fields: []look.Field{
				{ID: "day", Label: "On", Class: "day", Required: true},
				{ID: "clock", Label: "At", Class: "short", Required: true, Rule: "In the zone of each unit’s depot."},
				{ID: "statement", Label: "What is known, and from whom", Required: true, Wide: true, Max: fleet.MaxReason, Rule: "It stays with each unit, with your name and the time."},
			}},
		}}
}

func (s *Server) openingPage(c echo.Context) error {
	h, err := s.holdings(c)
	if err != nil {
		return err
	}
	loc := h.zone(ident.ID{})
	f := newForm(nil)
	f.set("units", ranges(h.uncharged()))
	f.set("day", when.Full(civil.Of(s.Now().In(loc))))
	f.set("clock", when.Clock(s.Now(), loc))
	return s.showEntry(c, http.StatusOK, openingEntry(f))
}

func (s *Server) recordOpening(c echo.Context) error {
	f := posted(c)
	units, err := s.tagged(c, f, "units")
	if err != nil {
		return err
	}
	if len(units) == 0 {
		f.fail("units", "Name the units.")
	}
	at, err := s.places(c)
	if err != nil {
		return err
	}
	occurred := map[ident.ID]time.Time{}
	for _, u := range units {
		if _, read := occurred[u.Depot]; !read {
			occurred[u.Depot] = f.moment("day", "clock", s.Now(), at.zone(u.Depot), when.Behind, true)
		}
	}
	statement := f.need("statement", "State what is known, and from whom.")
	if err := s.suitStatement(c, f, units); err != nil {
		return err
	}
	if !f.ok() {
		return s.showEntry(c, again, openingEntry(f))
	}
	facts := make([]fleet.Fact, len(units))
	for i, u := range units {
		facts[i] = fleet.Fact{Unit: u.ID, Occurred: occurred[u.Depot], Body: fleet.Opening{Full: f.get("says") == saysFull, Statement: statement}}
		if f.get("says") == saysPower {
			facts[i].Body, facts[i].Note = fleet.PowerSeen{Good: true}, statement
		}
	}
	if _, err := s.Pool.Record(ctx(c), actor(c), facts...); err != nil {
		onFacts(f, err)
		return s.entryFailed(c, openingEntry(f), err, map[string]string{"occurred": "clock"}, nil)
	}
	return s.done(c, "The statement is recorded for "+tagList(sortedTags(units))+".")
}

// onFacts puts what is wrong with the moment or the words, which all facts share, beside their fields once.
func onFacts(f *form, err error) {
	e := fault.Of(err)
	for _, at := range e.Fields {
		var i int
		var field string
		if n, _ := fmt.Sscanf(at.Path, "facts/%d/%s", &i, &field); n == 2 {
			f.fail(mapped(map[string]string{"occurred": "clock", "note": "statement"}, field), ended(at.Text))
		}
	}
}

// suitStatement notes units of which the statement says nothing that matters.
func (s *Server) suitStatement(c echo.Context, f *form, units []fleet.Unit) error {
	models, err := s.modelsOf(c, units)
	if err != nil {
		return err
	}
	if !slices.Contains([]string{saysFull, saysEmpty, saysPower}, f.get("says")) {
		f.fail("says", "Choose what they were.")
		return nil
	}
	power := f.get("says") == saysPower
	var odd []string
	for i, m := range models {
		if power && m.Kind != fleet.Charger || !power && m.ChargeMinutes == 0 {
			odd = append(odd, units[i].Tag)
		}
	}
	if len(odd) > 0 {
		what := " need no charge by kitd’s rules; leave them out."
		if power {
			what = " are no chargers; leave them out."
		}
		f.fail("units", capital(tagList(odd))+what)
	}
	return nil
}
