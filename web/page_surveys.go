package web

import (
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/exposure"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/survey"
	"kitd/web/look"
	"kitd/web/when"
)

func surveyPath(id ident.ID) string { return "/surveys/" + id.String() }
func wearPath(id ident.ID) string   { return "/wears/" + id.String() }

func queryEscape(s string) string { return url.QueryEscape(s) }

func (s *Server) surveysPage(c echo.Context) error {
	f := newForm(c.QueryParams())
	list, err := s.Office.Surveys(ctx(c), actor(c), survey.SurveyQuery{Before: f.whole("before", 1, 1<<30), Limit: pageRows})
	if err != nil {
		return err
	}
	who, err := s.namesOfClients(c)
	if err != nil {
		return err
	}
	p := surveysPage{Frame: s.frame(c, "Surveys", "surveys"), Books: actor(c).Books()}
	p.Lead, p.Rest = capital(count(len(list), "survey", "surveys"))+".", "Newest first."
	sites, err := s.namesOfSites(c, list)
	if err != nil {
		return err
	}
	for _, v := range list {
		p.Rows = append(p.Rows, surveyRow{
			Number: v.Label(), Href: surveyPath(v.ID), Title: v.Title, Client: who[v.Client], Site: sites[v.Site],
			Days: surveyDays(v, s.today(zoneNamed(v.Zone))), Profiles: strings.Join(v.Profiles, ", "),
		})
	}
	if len(list) == pageRows {
		p.Next = "/surveys?before=" + strconv.Itoa(list[len(list)-1].Number)
	}
	return s.render(c, http.StatusOK, surveysView(p))
}

func (s *Server) namesOfClients(c echo.Context) (map[ident.ID]string, error) {
	list, err := s.Office.Clients(ctx(c), actor(c))
	names := make(map[ident.ID]string, len(list))
	for _, k := range list {
		names[k.ID] = k.Name
	}
	return names, err
}

// namesOfSites names the sites of the clients whose surveys are listed.
func (s *Server) namesOfSites(c echo.Context, list []survey.Survey) (map[ident.ID]string, error) {
	names, asked := map[ident.ID]string{}, map[ident.ID]bool{}
	for _, v := range list {
		if asked[v.Client] {
			continue
		}
		asked[v.Client] = true
		sites, err := s.Office.Sites(ctx(c), actor(c), v.Client)
		if err != nil {
			return nil, err
		}
		for _, x := range sites {
			names[x.ID] = x.Name
		}
	}
	return names, nil
}

func surveyDays(v survey.Survey, today civil.Date) string {
	if len(v.Days) == 0 {
		return "no day yet"
	}
	return when.Days(v.Days[0], v.Days[len(v.Days)-1], today)
}

func (s *Server) newSurveyPage(c echo.Context) error {
	f := newForm(c.QueryParams())
	f.or("from", "")
	return s.showSurveyForm(c, f, nil, http.StatusOK)
}

// showSurveyForm shows the form of a new survey; act is a site or client that was sent back with faults.
func (s *Server) showSurveyForm(c echo.Context, f, act *form, status int) error {
	p := surveyForm{Frame: s.frame(c, "A new survey", "surveys"), Token: s.formToken(c), Form: f, Act: act, Keeps: actor(c).Keeps()}
	p.Clients, p.Sites = []look.Option{{Text: "choose"}}, []look.Option{{Text: "choose"}}
	clients, err := s.Office.Clients(ctx(c), actor(c))
	if err != nil {
		return err
	}
	for _, k := range clients {
		p.Clients = append(p.Clients, look.Option{Value: k.ID.String(), Text: k.Name})
		sites, err := s.Office.Sites(ctx(c), actor(c), k.ID)
		if err != nil {
			return err
		}
		for _, x := range sites {
			p.Sites = append(p.Sites, look.Option{Value: x.ID.String(), Text: x.Name + ", " + k.Name})
		}
	}
	chosen := f.values["profiles"]
	for _, x := range exposure.Profiles() {
		p.Profiles = append(p.Profiles, profileTick{x.ID, x.Name, slices.Contains(chosen, x.ID)})
	}
	return s.render(c, status, surveyFormView(p))
}

func (s *Server) addSurvey(c echo.Context) error {
	f := newForm(c.Request().PostForm)
	v := s.readSurvey(f)
	if !f.ok() {
		return s.showSurveyForm(c, f, nil, http.StatusUnprocessableEntity)
	}
	v, err := s.Office.AddSurvey(ctx(c), actor(c), v)
	if e := fault.Of(err); err != nil && (e.Kind() == fault.Invalid || e.Kind() == fault.Conflict) {
		f.take(err, map[string]string{"days": "from", "groups": "group"})
		return s.showSurveyForm(c, f, nil, statusOf(e))
	}
	if err != nil {
		return err
	}
	return s.see(c, surveyPath(v.ID), v.Label()+" is entered.")
}

// mostDays is how long one visit may last in the form.
const mostDays = 60

func (s *Server) readSurvey(f *form) survey.Survey {
	today := s.today(time.UTC)
	v := survey.Survey{Title: f.need("title", "Give it a title."), Site: f.id("site"), Profiles: f.values["profiles"]}
	if v.Site.IsZero() {
		f.fail("site", "Choose the site; a new one is added below.")
	}
	if len(v.Profiles) == 0 {
		f.fail("profiles", "Choose at least one profile.")
	}
	first := f.day("from", today, when.Ahead, true)
	last := f.day("to", today, when.Ahead, false)
	if last.IsZero() {
		last = first
	}
	switch n := first.DaysUntil(last); {
	case first.IsZero():
	case n < 0:
		f.fail("to", "The last day lies before the first; choose a later one.")
	case n >= mostDays:
		f.fail("to", "A visit lasts at most "+strconv.Itoa(mostDays)+" days; enter the rest as another survey.")
	default:
		for d := first; !d.After(last); d = d.AddDays(1) {
			v.Days = append(v.Days, d)
		}
	}
	if name := f.get("group"); name != "" {
		v.Groups = []survey.Group{{Name: name, Size: f.whole("size", 0, 100000)}}
	}
	return v
}

func (s *Server) addClient(c echo.Context) error {
	f := newForm(c.Request().PostForm)
	k := survey.Client{Name: f.need("name", "Give the client a name."), Code: f.need("code", "Give the client a short code.")}
	if f.ok() {
		_, err := s.Office.AddClient(ctx(c), actor(c), k)
		if err == nil {
			return s.see(c, "/surveys/new", "The client is added; now add its site.")
		}
		if kind := fault.KindOf(err); kind != fault.Invalid && kind != fault.Conflict && kind != fault.Forbidden {
			return err
		}
		f.take(err, nil)
	}
	return s.showSurveyForm(c, newForm(nil), f, http.StatusUnprocessableEntity)
}

func (s *Server) addSite(c echo.Context) error {
	f := newForm(c.Request().PostForm)
	x := survey.Site{Name: f.need("name", "Give the site a name."), Client: f.id("client"), Zone: f.need("zone", "Name the time zone, such as Europe/London.")}
	if x.Client.IsZero() {
		f.fail("client", "Choose the client; a new one is added below.")
	}
	if f.ok() {
		var err error
		if x, err = s.Office.AddSite(ctx(c), actor(c), x); err == nil {
			return s.see(c, "/surveys/new?site="+x.ID.String(), "The site is added.")
		} else if kind := fault.KindOf(err); kind != fault.Invalid && kind != fault.Conflict {
			return err
		}
		f.take(err, nil)
	}
	return s.showSurveyForm(c, newForm(nil), f, http.StatusUnprocessableEntity)
}

func (s *Server) surveyPage(c echo.Context) error {
	id, err := idParam(c, "id", "survey")
	if err != nil {
		return err
	}
	return s.showSurvey(c, id, nil, http.StatusOK)
}

// showSurvey shows a survey; act is a form that was sent back with faults.
func (s *Server) showSurvey(c echo.Context, id ident.ID, act *form, status int) error {
	v, err := s.Office.SurveyOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	results, err := s.Office.Results(ctx(c), actor(c), survey.ResultQuery{Survey: id, Current: true, Limit: 500})
	if err != nil {
		return err
	}
	loc := zoneNamed(v.Survey.Zone)
	today := s.today(loc)
	p := surveyPage{
		Frame: s.frame(c, v.Survey.Label(), "surveys"), Token: s.formToken(c), Title: v.Survey.Label() + " " + v.Survey.Title, Path: surveyPath(id),
		Act: act, Books: actor(c).Books(), Today: when.Full(today), Clock: when.Clock(s.Now(), loc), BookKit: surveyBooking(v.Survey),
		Properties: []pair{{Key: "Client", Value: v.Client.Name}, {Key: "Site", Value: v.Site.Name}, {Key: "Days", Value: surveyDays(v.Survey, today)},
			{Key: "Zone", Value: v.Survey.Zone}, {Key: "Judged by", Value: strings.Join(v.Survey.Profiles, ", ")}, {Key: "Entered", Value: when.Moment(v.Survey.Entered, s.Now(), loc) + " by " + v.Survey.By}},
	}
	p.Place = v.Client.Name + ", " + v.Site.Name
	p.Groups = []look.Option{{Text: "none"}}
	for _, g := range v.Survey.Groups {
		text := g.Name
		if g.Size > 0 {
			text += ", " + strconv.Itoa(g.Size) + " people"
		}
		p.Groups = append(p.Groups, look.Option{Value: g.ID.String(), Text: text})
	}
	p.Days = dayRows(v, results, s.Now(), loc)
	p.Lead, p.Rest = surveyAnswer(len(v.Wears), len(results))
	return s.render(c, status, surveyView(p))
}

func surveyAnswer(wears, results int) (lead, rest string) {
	if wears == 0 {
		return "Nobody wears a dosimeter yet.", ""
	}
	return capital(count(wears, "wear", "wears")) + ", " + count(results, "result", "results") + ".", ""
}

func surveyBooking(v survey.Survey) string {
	q := url.Values{"survey": {v.ID.String()}, "client": {v.Client.String()}, "title": {v.Title}}
	if n := len(v.Days); n > 0 {
		q.Set("from", v.Days[0].String())
		q.Set("to", v.Days[n-1].String())
	}
	return "/desk/new?" + q.Encode()
}

func dayRows(v survey.SurveyView, results []survey.Result, now time.Time, loc *time.Location) []workerDayRow {
	names, groups := map[ident.ID]string{}, map[ident.ID]string{}
	for _, w := range v.Workers {
		names[w.ID] = w.Pseudonym
	}
	for _, g := range v.Survey.Groups {
		groups[g.ID] = g.Name
	}
	var out []workerDayRow
	for _, d := range v.Days {
		row := workerDayRow{ID: d.ID.String(), Worker: names[d.Worker], Date: when.Day(d.Date, civil.Of(now.In(loc))), Group: groups[d.Group], Gaps: gapWords(d)}
		if d.ShiftMinutes > 0 {
			row.Shift = "Shift of " + lasting(time.Duration(d.ShiftMinutes)*time.Minute) + "."
		}
		for _, w := range v.Wears {
			if w.Day == d.ID {
				row.Wears = append(row.Wears, wearRowOf(w, results, now, loc))
			}
		}
		out = append(out, row)
	}
	return out
}

func gapWords(d survey.WorkerDay) string {
	for _, p := range d.Parts {
		if p.Kind == survey.PartGap {
			text := "Time not measured: " + string(p.Gap)
			if p.LevelDB != nil {
				text += " " + p.LevelDB.String() + " dB(A)"
			}
			return text + "."
		}
	}
	return ""
}

func wearRowOf(w survey.Wear, results []survey.Result, now time.Time, loc *time.Location) wearRow {
	row := wearRow{Href: wearPath(w.ID), Unit: w.UnitTag, When: when.Clock(w.Start, loc), State: "worn since " + when.Moment(w.Start, now, loc)}
	if !w.Stop.IsZero() {
		row.When, row.State = when.Span(w.Start, w.Stop, now, loc), string(w.Outcome)
	}
	for _, r := range results {
		if r.Wear == w.ID {
			row.Result, row.ResultHref = r.Label()+", "+number(r.Content.Day.LEX8hDB, 1)+" dB(A)", resultPath(r.ID)
		}
	}
	return row
}

// addDay enters a worker-day, with its worker when the pseudonym is new.
func (s *Server) addDay(c echo.Context) error {
	id, err := idParam(c, "id", "survey")
	if err != nil {
		return err
	}
	f := newForm(c.Request().PostForm)
	v, err := s.Office.SurveyOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	loc := zoneNamed(v.Survey.Zone)
	pseudonym := f.need("worker", "Give the worker a pseudonym.")
	d := survey.WorkerDay{Survey: id, Group: f.id("group"), Start: f.moment("day", "clock", s.Now(), loc, when.Ahead, true)}
	readShift(f, &d)
	if f.ok() {
		if d.Worker, err = s.workerNamed(c, v, pseudonym); err == nil {
			_, err = s.Office.AddDay(ctx(c), actor(c), d)
		}
		return s.surveyDone(c, id, f, err, pseudonym+"’s day is entered.")
	}
	return s.showSurvey(c, id, f, http.StatusUnprocessableEntity)
}

// readShift reads the working time and what was not measured of it.
func readShift(f *form, d *survey.WorkerDay) {
	hours := f.decimal("hours")
	if hours == nil || *hours <= 0 || *hours > 24 {
		f.fail("hours", "Say how many hours the shift has, above 0 and at most 24.")
	} else {
		d.ShiftMinutes = int(math.Round(*hours * 60))
	}
	d.Parts = slices.DeleteFunc(slices.Clone(d.Parts), func(p survey.Part) bool { return p.Kind == survey.PartGap })
	kind := survey.GapKind(f.get("gap"))
	if kind == "" {
		return
	}
	gap := survey.Part{Kind: survey.PartGap, Gap: kind}
	if kind == survey.GapLevel {
		gap.LevelDB = f.level("gap_level", "State the level of the time that was not measured.")
	}
	d.Parts = append(d.Parts, gap)
}

// level reads decibels exactly; why is said when there is nothing.
func (f *form) level(name, why string) *survey.DB {
	text := strings.ReplaceAll(strings.Replace(f.get(name), ",", ".", 1), "−", "-")
	if text == "" {
		if why != "" {
			f.fail(name, why)
		}
		return nil
	}
	db, err := survey.ParseDB(text)
	if err != nil {
		f.fail(name, sentence(err))
		return nil
	}
	return &db
}

func (s *Server) workerNamed(c echo.Context, v survey.SurveyView, pseudonym string) (ident.ID, error) {
	for _, w := range v.Workers {
		if fleet.FoldTag(w.Pseudonym) == fleet.FoldTag(pseudonym) {
			return w.ID, nil
		}
	}
	w, err := s.Office.AddWorker(ctx(c), actor(c), survey.Worker{Client: v.Survey.Client, Pseudonym: pseudonym})
	return w.ID, err
}

// surveyDone sends on after a step, or shows the survey again with why it was not taken.
func (s *Server) surveyDone(c echo.Context, id ident.ID, f *form, err error, told string) error {
	if err == nil {
		return s.see(c, surveyPath(id), told)
	}
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict {
		return err
	}
	f.guarded = e.Code == fault.UnitNotToBeWorn
	f.take(err, map[string]string{"unit": "tag", "at": "clock", "/shift_minutes": "hours", "/parts/0": "gap"})
	return s.showSurvey(c, id, f, statusOf(e))
}

// startWear hangs a dosimeter on a worker.
func (s *Server) startWear(c echo.Context) error {
	id, err := idParam(c, "id", "survey")
	if err != nil {
		return err
	}
	f := newForm(c.Request().PostForm)
	v, err := s.Office.SurveyOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	in := survey.Start{
		Survey: id, Day: f.id("worker_day"), UnitTag: f.need("tag", "Write the tag of the dosimeter."), Side: survey.Side(f.get("side")),
		At: f.moment("day", "clock", s.Now(), zoneNamed(v.Survey.Zone), when.Behind, true), Override: f.get("override"),
	}
	if !f.ok() {
		return s.showSurvey(c, id, f, http.StatusUnprocessableEntity)
	}
	w, err := s.Office.StartWear(ctx(c), actor(c), in)
	switch {
	case err == nil:
		return s.see(c, wearPath(w.ID), w.UnitTag+" is being worn.")
	case isMissing(err):
		f.fail("tag", "There is no unit with this tag; the Shelf lists all.")
		return s.showSurvey(c, id, f, http.StatusUnprocessableEntity)
	}
	return s.surveyDone(c, id, f, err, "")
}
