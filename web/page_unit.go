package web

import (
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
	"kitd/web/when"
)

func certificatePath(id ident.ID) string { return "/certificates/" + id.String() }

func (s *Server) unitPage(c echo.Context) error {
	return s.showUnit(c, param(c, "tag"), newForm(c.QueryParams()), nil, http.StatusOK)
}

// showUnit shows a unit; act is a form that was sent back with faults.
func (s *Server) showUnit(c echo.Context, tag string, f, act *form, status int) error {
	at, err := s.places(c)
	if err != nil {
		return err
	}
	d, err := s.dossier(c, tag)
	if err != nil {
		return err
	}
	t := teller{at, s.Now(), d.Depot.Location()}
	a := s.readAsked(f, t.loc)
	if !f.ok() {
		a, status = s.readAsked(newForm(nil), t.loc), http.StatusUnprocessableEntity
	}
	v, err := s.Pool.Unit(ctx(c), actor(c), tag, a.span, a.at)
	if err != nil {
		return err
	}
	p := t.unitPage(v, a)
	p.Frame, p.Token, p.Form, p.Act = s.frame(c, v.Dossier.Unit.Tag, "shelf"), s.formToken(c), f, act
	p.Place = v.Dossier.Depot.Name + " · " + v.Dossier.Model.Name
	p.Books, p.Keeps = actor(c).Books(), actor(c).Keeps()
	if p.Books {
		err = s.unitChoices(c, &p, v)
	}
	if err != nil {
		return err
	}
	return s.render(c, status, unitView(p))
}

// unitPage puts what is known of a unit into words; frame and forms are missing.
func (t teller) unitPage(v fleet.UnitView, a asked) unitPage {
	d := v.Dossier
	q := a.query()
	q.Set("ask", "unit")
	q.Set("unit", d.Unit.Tag)
	p := unitPage{
		Tag: d.Unit.Tag, Path: unitPath(d.Unit.Tag), State: string(v.Verdict.State), Days: a.days(t.today()), Book: "/desk/new?" + q.Encode(),
		Guards: t.guards(d, v.Verdict), Contra: v.Verdict.Contra, Strip: t.strip(a.span.From, v.Outlook, d.Promises, v.Verdict, v.Place),
		Properties: t.properties(d, v.Place), Certificates: t.certificates(d, v.Verdict), Records: t.records(d, v.Gone), Promises: t.promises(d),
		NeedsCertificate: d.Model.CalibrationMonths > 0, LevelWanted: d.Model.Kind == fleet.Calibrator, IsCharger: d.Model.Kind == fleet.Charger,
		Chargeable: d.Model.ChargeMinutes > 0, HoldsData: d.Model.HoldsData,
		Edit: "/pool/units/" + d.Unit.ID.String(), Unread: hasReason(v.Verdict, fleet.ReasonUnread), Today: when.Full(t.today()), Clock: when.Clock(t.now, t.loc), Past: !a.at.IsZero(),
	}
	p.Lead = "for " + p.Days + "."
	if p.Past {
		p.Lead = "for " + p.Days + ", as known " + t.moment(a.at) + "."
	}
	if n := len(v.Verdict.Reasons); n > 0 {
		p.Rest = v.Verdict.Reasons[0].Text()
	}
	for _, m := range v.Memberships {
		p.Kits = append(p.Kits, t.stay(m))
	}
	return p
}

func (t teller) stay(m fleet.Membership) promise {
	k := t.at.kit(m.Kit)
	text := "since " + when.Day(civil.Of(m.From.In(t.loc)), t.today())
	if !m.To.IsZero() {
		text = when.Day(civil.Of(m.From.In(t.loc)), t.today()) + " to " + when.Day(civil.Of(m.To.In(t.loc)), t.today())
	}
	return promise{Span: text, Label: k.Code, Href: kitPath(k.Code)}
}

// unitChoices fills the lists of the forms.
func (s *Server) unitChoices(c echo.Context, p *unitPage, v fleet.UnitView) error {
	t := teller{now: s.Now(), loc: v.Dossier.Depot.Location()}
	p.Holds, p.Wrong = t.holds(v.Dossier, v.Gone), t.retractable(v.Dossier, v.Gone)
	at, err := s.places(c)
	if err != nil {
		return err
	}
	p.Depots = at.depotOptions("–")
	if p.Chargeable {
		chargers, err := s.unitsOfKind(c, fleet.Charger)
		if err != nil {
			return err
		}
		for _, u := range chargers {
			p.Chargers = append(p.Chargers, look.Option{Value: u.ID.String(), Text: u.Tag})
		}
	}
	if !p.Keeps || !p.NeedsCertificate {
		return nil
	}
	labs, err := s.Pool.Laboratories(ctx(c), actor(c))
	for _, l := range labs {
		p.Laboratories = append(p.Laboratories, look.Option{Value: l.ID.String(), Text: l.Name})
	}
	return err
}

// recordFact records what happened to a unit.
func (s *Server) recordFact(c echo.Context) error {
	tag := param(c, "tag")
	f := newForm(c.Request().PostForm)
	d, err := s.dossier(c, tag)
	if err != nil {
		return err
	}
	loc := d.Depot.Location()
	fact := fleet.Fact{Unit: d.Unit.ID, Note: f.get("note"), Occurred: f.moment("day", "clock", s.Now(), loc, when.Behind, false)}
	fact.Body = s.readBody(f, loc)
	if fact.Body == nil && f.ok() {
		f.stop = "Say what happened."
	}
	if !f.ok() {
		return s.showUnit(c, tag, newForm(nil), f, http.StatusUnprocessableEntity)
	}
	if b, clearing := fact.Body.(fleet.Cleared); clearing {
		_, err = s.Pool.IntendClear(ctx(c), actor(c), d.Unit.ID, fact.Occurred, b.Reason)
	} else {
		_, err = s.Pool.Record(ctx(c), actor(c), fact)
	}
	return s.unitDone(c, d.Unit.Tag, f, err, "Recorded for "+d.Unit.Tag+".")
}

// unitDone sends on after a step, or shows the unit again with why it was not taken.
func (s *Server) unitDone(c echo.Context, tag string, f *form, err error, told string) error {
	if err == nil {
		return s.see(c, unitPath(tag), told)
	}
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict {
		return err
	}
	f.take(err, unitPaths)
	return s.showUnit(c, tag, newForm(nil), f, statusOf(e))
}

// unitPaths joins the fleet's paths with the fields of the forms.
var unitPaths = map[string]string{
	"occurred": "clock", "state": "custody", "lines/0/verdict": "verdict", "lines/0/as_found_db": "found", "lines/0/as_left_db": "left",
	"lines/0/level_db": "level", "lines/0/expanded_u_db": "expanded", "lines/0/coverage_k": "k", "lines/0/microphone": "microphone", "due": "calibrated",
}

// readBody reads what one of the forms says happened; nil for none it knows.
func (s *Server) readBody(f *form, loc *time.Location) fleet.Body {
	switch f.get("what") {
	case "charge-on":
		b := fleet.ChargeOn{Charger: f.id("charger"), Position: f.whole("position", 1, 1000)}
		if b.Position == 0 {
			f.fail("position", "Say on which place, from 1.")
		}
		return b
	case "charge-off":
		return fleet.ChargeOff{Full: yesNo(f.get("full"))}
	case "power":
		return fleet.PowerSeen{Good: f.get("good") == "yes"}
	case "custody":
		return s.readCustody(f, loc)
	case "held":
		return fleet.Held{Reason: f.need("reason", "Say why it is held back.")}
	case "signed-off":
		return fleet.SignedOff{Hold: f.id("hold"), Reason: f.need("reason", "Say why it may serve again.")}
	case "cleared":
		return fleet.Cleared{Reason: f.get("reason")}
	case "coverage-ended":
		return fleet.CoverageEnded{Cause: f.get("cause"), Microphone: f.get("microphone"), Firmware: f.get("firmware")}
	case "opening":
		return fleet.Opening{Full: f.get("full") == "yes", Statement: f.need("statement", "State what is known of its charge.")}
	case "retracted":
		return fleet.Retracted{Fact: f.id("fact"), Reason: f.need("reason", "Say what was wrong.")}
	}
	return nil
}

func yesNo(s string) *bool {
	if s == "" {
		return nil
	}
	yes := s == "yes"
	return &yes
}

func (s *Server) readCustody(f *form, loc *time.Location) fleet.Body {
	b := fleet.Custody{State: fleet.CustodyState(f.get("custody")), Depot: f.id("depot"), Holder: f.get("holder")}
	if due := f.day("due", s.today(loc), when.Ahead, false); !due.IsZero() {
		b.Due = due.End(loc)
	}
	return b
}

// enterCertificate enters a certificate with what it says of this unit.
func (s *Server) enterCertificate(c echo.Context) error {
	tag := param(c, "tag")
	f := newForm(c.Request().PostForm)
	d, err := s.dossier(c, tag)
	if err != nil {
		return err
	}
	today := s.today(d.Depot.Location())
	x := fleet.Certificate{
		Number: f.need("number", "Write the number of the certificate."), Laboratory: f.id("laboratory"), Calibrated: f.day("calibrated", today, when.Behind, true),
		Issued: f.day("issued", today, when.Behind, false), Lines: []fleet.Line{{
			Unit: d.Unit.ID, Verdict: fleet.LabVerdict(f.get("verdict")), AsFoundDB: f.decimal("found"), AsLeftDB: f.decimal("left"), LevelDB: f.decimal("level"),
			ExpandedDB: f.decimal("expanded"), Microphone: f.get("microphone"),
		}},
	}
	if k := f.decimal("k"); k != nil {
		x.Lines[0].CoverageK = *k
	}
	if !f.ok() {
		return s.showUnit(c, tag, newForm(nil), f, http.StatusUnprocessableEntity)
	}
	x, err = s.Pool.EnterCertificate(ctx(c), actor(c), x)
	told := "Certificate " + x.Number + " is entered."
	if err == nil && len(x.Lines) > 0 && !x.Lines[0].Due.IsZero() {
		told = "Certificate " + x.Number + " is entered; it covers " + d.Unit.Tag + " to " + when.Full(x.Lines[0].Due) + "."
	}
	return s.unitDone(c, d.Unit.Tag, f, err, told)
}

// retractable lists the records that could be taken back, newest first.
func (t teller) retractable(d fleet.Dossier, gone []ident.ID) []look.Option {
	var out []look.Option
	for _, r := range t.records(d, gone) {
		if !r.Retracted && len(out) < 100 {
			out = append(out, look.Option{Value: r.ID, Text: r.Occurred + ": " + clipped(r.What, 60)})
		}
	}
	return out
}

func clipped(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}
