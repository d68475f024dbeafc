package web

import (
	"context"
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
)

// Stock is what the pages need to enter and change the pool; *fleet.Keeper says what each does.
type Stock interface {
	Models(ctx context.Context, who access.Actor) ([]fleet.Model, error)
	AddModel(ctx context.Context, who access.Actor, m fleet.Model) (fleet.Model, error)
	ChangeModel(ctx context.Context, who access.Actor, m fleet.Model) (fleet.Model, error)
	AddDepot(ctx context.Context, who access.Actor, d fleet.Depot) (fleet.Depot, error)
	ChangeDepot(ctx context.Context, who access.Actor, d fleet.Depot) (fleet.Depot, error)
	AddLaboratory(ctx context.Context, who access.Actor, l fleet.Laboratory) (fleet.Laboratory, error)
	ChangeLaboratory(ctx context.Context, who access.Actor, l fleet.Laboratory) (fleet.Laboratory, error)
	AddUnits(ctx context.Context, who access.Actor, units []fleet.Unit) ([]fleet.Unit, error)
	ChangeUnit(ctx context.Context, who access.Actor, u fleet.Unit) (fleet.Unit, error)
	UnitOf(ctx context.Context, who access.Actor, id ident.ID) (fleet.Unit, error)
	Tagged(ctx context.Context, who access.Actor, tags []string) ([]fleet.Unit, error)
	AddPackedKit(ctx context.Context, who access.Actor, kit fleet.Kit, units []ident.ID) (fleet.Kit, error)
	ChangeKit(ctx context.Context, who access.Actor, kit fleet.Kit) (fleet.Kit, error)
	Certificate(ctx context.Context, who access.Actor, id ident.ID) (fleet.Certificate, error)
}

var _ Stock = (*fleet.Keeper)(nil)

// poolRoutes enter and change what the pool is made of.
func poolRoutes() []Route {
	const need = FromCoordinator
	return []Route{
		{Method: "GET", Path: "/pool", Need: need, Handle: (*Server).poolPage, Screen: "Pool"},
		{Method: "GET", Path: "/pool/depots/new", Need: need, Handle: (*Server).newDepotPage},
		{Method: "POST", Path: "/pool/depots", Need: need, Handle: (*Server).addDepot},
		{Method: "GET", Path: "/pool/depots/:id", Need: need, Handle: (*Server).depotEditPage},
		{Method: "POST", Path: "/pool/depots/:id", Need: need, Handle: (*Server).changeDepot},
		{Method: "GET", Path: "/pool/models/new", Need: need, Handle: (*Server).newModelPage},
		{Method: "POST", Path: "/pool/models", Need: need, Handle: (*Server).addModel},
		{Method: "GET", Path: "/pool/models/:id", Need: need, Handle: (*Server).modelEditPage},
		{Method: "POST", Path: "/pool/models/:id", Need: need, Handle: (*Server).changeModel},
		{Method: "GET", Path: "/pool/laboratories/new", Need: need, Handle: (*Server).newLaboratoryPage},
		{Method: "POST", Path: "/pool/laboratories", Need: need, Handle: (*Server).addLaboratory},
		{Method: "GET", Path: "/pool/laboratories/:id", Need: need, Handle: (*Server).laboratoryEditPage},
		{Method: "POST", Path: "/pool/laboratories/:id", Need: need, Handle: (*Server).changeLaboratory},
		{Method: "GET", Path: "/pool/units", Need: need, Handle: (*Server).poolUnitsPage},
		{Method: "GET", Path: "/pool/units/new", Need: need, Handle: (*Server).newUnitsPage},
		{Method: "POST", Path: "/pool/units", Need: need, Handle: (*Server).addUnits},
		{Method: "GET", Path: "/pool/units/:id", Need: need, Handle: (*Server).unitEditPage},
		{Method: "POST", Path: "/pool/units/:id", Need: need, Handle: (*Server).changeUnit},
		{Method: "GET", Path: "/pool/certificates/new", Need: need, Handle: (*Server).newCertificatePage},
		{Method: "POST", Path: "/pool/certificates", Need: need, Handle: (*Server).addCertificate, Body: certificateBody, Wait: certificateWait},
		{Method: "GET", Path: "/certificates/:id", Need: AnyAccount, Handle: (*Server).certificatePage},
		{Method: "GET", Path: "/certificates/:id/original", Need: AnyAccount, Handle: (*Server).certificateOriginal, Wait: certificateWait},
		{Method: "GET", Path: "/pool/opening", Need: need, Handle: (*Server).openingPage},
		{Method: "POST", Path: "/pool/opening", Need: need, Handle: (*Server).recordOpening},
		{Method: "GET", Path: "/pool/kits/new", Need: need, Handle: (*Server).newKitPage},
		{Method: "POST", Path: "/pool/kits", Need: need, Handle: (*Server).addKit},
		{Method: "GET", Path: "/pool/kits/:id", Need: need, Handle: (*Server).kitEditPage},
		{Method: "POST", Path: "/pool/kits/:id", Need: need, Handle: (*Server).changeKit},
	}
}

// holdings is everything the pool is made of.
type holdings struct {
	places
	models []fleet.Model
	labs   []fleet.Laboratory
	rows   []fleet.ShelfRow // up to mostUnits, those that need a person first
	total  int              // of units
}

func (s *Server) holdings(c echo.Context) (holdings, error) {
	at, err := s.places(c)
	if err != nil {
		return holdings{}, err
	}
	h := holdings{places: at}
	if h.models, err = s.Stock.Models(ctx(c), actor(c)); err != nil {
		return h, err
	}
	if h.labs, err = s.Pool.Laboratories(ctx(c), actor(c)); err != nil {
		return h, err
	}
	page, err := s.unitsNow(c, fleet.ShelfQuery{Limit: mostUnits})
	h.rows, h.total = page.Rows, page.Total
	return h, err
}

// tagsOf lists, in order, the tags of units to which one of the reasons applies.
func (h holdings) tagsOf(codes ...fleet.ReasonCode) []string {
	var tags []string
	for _, r := range h.rows {
		if slices.ContainsFunc(r.Verdict.Reasons, func(x fleet.Reason) bool { return slices.Contains(codes, x.Code) }) {
			tags = append(tags, r.Unit.Tag)
		}
	}
	slices.SortFunc(tags, fleet.CompareTags)
	return tags
}

// bare lists the units that need a certificate and never had one that covers them.
func (h holdings) bare() []string {
	var tags []string
	for _, r := range h.rows {
		if r.Model.CalibrationMonths > 0 && r.Verdict.CertEnds.IsZero() {
			tags = append(tags, r.Unit.Tag)
		}
	}
	slices.SortFunc(tags, fleet.CompareTags)
	return tags
}

// uncharged lists the units whose charge nobody knows, and chargers whose power nobody has seen.
func (h holdings) uncharged() []string { return h.tagsOf(fleet.ReasonChargeRecord) }

// poolStep is one step on the way to a pool that can be booked.
type poolStep struct {
	Done         bool
	Head, Text   string
	Action, Href string
}

// steps lists the way in its order.
func (h holdings) steps(admin bool) []poolStep {
	covered, charged := "Once there are units: what laboratories say of them, many with one form.", "Once there are units: one statement of what is known, for many at once."
	bare, dark := h.bare(), h.uncharged()
	if h.total > 0 {
		covered, charged = withTags("Every unit that needs a certificate has had one.", "Without a certificate", bare), withTags("The charge of every unit is on record.", "Nobody has stated the charge of", dark)
	}
	steps := []poolStep{
		{Head: "Depots", Text: "Where kits live: a time zone and opening hours. " + capital(count(len(h.depots), "depot", "depots")) + ".", Done: len(h.depots) > 0,
			Action: "Enter a depot", Href: "/pool/depots/new"},
		{Head: "Models", Text: "Makes and types, with the rules for charge, certificate and memory. " + capital(count(len(h.models), "model", "models")) + ".", Done: len(h.models) > 0,
			Action: "Enter a model", Href: "/pool/models/new"},
		{Head: "Units", Text: "Dosimeters, calibrators, meters, chargers, one tag each; many at once. " + capital(count(h.total, "unit", "units")) + ".", Done: h.total > 0,
			Action: "Enter units", Href: "/pool/units/new"},
		{Head: "Laboratories", Text: "Who calibrates, and how due dates are counted. " + capital(count(len(h.labs), "laboratory", "laboratories")) + ".", Done: len(h.labs) > 0,
			Action: "Enter a laboratory", Href: "/pool/laboratories/new"},
		{Head: "Certificates", Text: covered, Done: h.total > 0 && len(bare) == 0,
			Action: "Enter a certificate", Href: "/pool/certificates/new"},
		{Head: "Charge", Text: charged, Done: h.total > 0 && len(dark) == 0,
			Action: "State the charge", Href: "/pool/opening"},
		{Head: "Kits", Text: "Cases of units that go out together; each has a calendar of its own. " + capital(count(len(h.kits), "kit", "kits")) + ".", Done: len(h.kits) > 0,
			Action: "Enter a kit", Href: "/pool/kits/new"},
	}
	accounts := poolStep{Head: "Accounts", Text: "Surveyors book and measure, viewers read. An administrator makes their accounts."}
	if admin {
		accounts.Action, accounts.Href = "Make accounts", "/accounts"
	}
	return append(steps, accounts)
}

// withTags says that nothing is missing, or of which units something is.
func withTags(none, some string, tags []string) string {
	switch n := len(tags); {
	case n == 0:
		return none
	case n <= 6:
		return some + ": " + listed(tags) + "."
	default:
		return some + ": " + listed(tags[:5]) + " and " + itoa(n-5) + " more."
	}
}

func listed(words []string) string {
	text := ""
	for i, w := range words {
		if i > 0 {
			text += ", "
		}
		text += w
	}
	return text
}

func (s *Server) poolPage(c echo.Context) error {
	h, err := s.holdings(c)
	if err != nil {
		return err
	}
	p := poolPage{Frame: s.frame(c, "Pool", "pool"), Steps: h.steps(actor(c).Role == access.Administrator), Units: h.total}
	p.Place = h.names()
	p.Lead, p.Rest, p.Next = "Everything is entered.", capital(count(h.total, "unit", "units"))+" in "+count(len(h.depots), "depot", "depots")+".", -1
	for i, step := range p.Steps[:len(p.Steps)-1] {
		if !step.Done {
			p.Lead, p.Rest, p.Next = "Next: "+lower(step.Action)+".", "What is below stands in the order in which it is needed.", i
			break
		}
	}
	for _, d := range h.depots {
		p.Depots = append(p.Depots, poolRow{Href: "/pool/depots/" + d.ID.String(), Name: d.Name, Code: d.Code, More: d.Zone, Text: weekText(d.Hours)})
	}
	for _, m := range h.models {
		p.Models = append(p.Models, poolRow{Href: "/pool/models/" + m.ID.String(), Name: joined(m.Name, m.Maker), Code: string(m.Kind), More: m.ClassStd, Text: rulesText(m)})
	}
	for _, l := range h.labs {
		p.Labs = append(p.Labs, poolRow{Href: "/pool/laboratories/" + l.ID.String(), Name: l.Name, Code: l.Accreditation, More: dueText(l.DueRule)})
	}
	for _, k := range h.kits[:min(len(h.kits), mostKits)] {
		p.Kits = append(p.Kits, poolRow{Href: "/pool/kits/" + k.ID.String(), Name: k.Name, Code: k.Code, More: h.depot(k.Depot).Name, Open: kitPath(k.Code)})
	}
	return s.render(c, http.StatusOK, poolView(p))
}

// mostKits is how many kits the page lists.
const mostKits = 300

// oneOf finds the thing of an identifier in a list, or answers that there is none.
func oneOf[T any](c echo.Context, all []T, err error, id func(T) ident.ID, noun string) (T, error) {
	var none T
	if err != nil {
		return none, err
	}
	want, err := idParam(c, "id", noun)
	if err != nil {
		return none, err
	}
	if i := slices.IndexFunc(all, func(x T) bool { return id(x) == want }); i >= 0 {
		return all[i], nil
	}
	return none, fault.New(fault.NotThere, "noun", noun)
}

// options lists things to choose from; first is the choice that names none, left out when it is empty.
func options[T any](first string, all []T, one func(T) look.Option) []look.Option {
	var out []look.Option
	if first != "" {
		out = append(out, look.Option{Text: first})
	}
	for _, x := range all {
		out = append(out, one(x))
	}
	return out
}
