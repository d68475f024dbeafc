package web

import (
	"net/http"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/civil"
	"kitd/internal/exposure"
	"kitd/internal/ident"
	"kitd/internal/survey"
	"kitd/web/look"
	"kitd/web/when"
)

// pageRows is how many rows a list shows at once.
const pageRows = 50

func resultPath(id ident.ID) string { return "/results/" + id.String() }

func (s *Server) resultsPage(c echo.Context) error {
	f := newForm(c.QueryParams())
	q := survey.ResultQuery{Survey: f.id("survey"), Before: f.whole("before", 1, 1<<30), Limit: pageRows}
	list, err := s.Office.Results(ctx(c), actor(c), q)
	if err != nil {
		return err
	}
	p := resultsPage{Frame: s.frame(c, "Results", "results")}
	now := s.Now()
	for _, r := range list {
		p.Rows = append(p.Rows, resultRowOf(r, now))
	}
	p.Lead, p.Rest = capital(count(len(list), "result", "results"))+".", "Newest first; a correction gets its own number and names what it replaces."
	if len(list) == pageRows {
		p.Next = "/results?before=" + strconv.Itoa(list[len(list)-1].Number)
	}
	return s.render(c, http.StatusOK, resultsView(p))
}

func resultRowOf(r survey.Result, now time.Time) resultRow {
	c := r.Content
	loc := zoneNamed(c.Subject.Zone)
	row := resultRow{
		Number: r.Label(), Href: resultPath(r.ID), Who: subjectName(c.Subject), Day: when.Day(c.Subject.Date, civil.Of(now.In(loc))),
		LEX: number(c.Day.LEX8hDB, 1), Peak: number(c.Day.PeakDB, 1), Computed: when.Day(civil.Of(r.Computed.In(loc)), civil.Of(now.In(loc))),
	}
	v, reached := highest(c)
	switch {
	case !anyAssessable(c):
		row.Verdict = "not assessable"
	case reached:
		row.Mark, row.Verdict = "reached", comparisonWords(v.Comparison)+" "+strconv.FormatFloat(v.Limit, 'f', -1, 64)+" "+unitWords(v, c.Day.PeakWeighting)
	default:
		row.Mark, row.Verdict = "below", "no limit reached"
	}
	return row
}

func subjectName(s survey.Subject) string {
	text := s.Worker
	if s.Group != "" {
		text += ", " + s.Group
	}
	return text + ", " + s.Site
}

// zoneNamed loads a zone; one that is not known any more counts as UTC.
func zoneNamed(name string) *time.Location {
	if loc, err := time.LoadLocation(name); err == nil {
		return loc
	}
	return time.UTC
}

func (s *Server) resultPage(c echo.Context) error {
	id, err := idParam(c, "id", "result")
	if err != nil {
		return err
	}
	v, err := s.Office.ResultOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	p := resultPageOf(v, s.Now())
	frame := s.frame(c, v.Result.Label(), "results")
	frame.Place = v.Result.Label() + " · " + v.Result.Content.Subject.Survey + " · " + v.Result.Content.Subject.Site
	p.Frame, p.Token = frame, s.formToken(c)
	p.Compute = v.Moved && v.Replaced.Number == 0 && !v.Withdrew && actor(c).Books()
	return s.render(c, http.StatusOK, resultView(p))
}

// resultPageOf puts a result into words and drawings; only the frame is missing.
func resultPageOf(v survey.ResultView, now time.Time) resultPage {
	r, c := v.Result, v.Result.Content
	loc := zoneNamed(c.Subject.Zone)
	p := resultPage{
		Head: subjectName(c.Subject), Figures: resultFigures(c), Profiles: verdictTables(c), Flags: resultFlagWords(c), Doses: doseRows(c),
		Values: resultValues(c), Chain: chainOf(v, when.Moment(r.Computed, now, loc)), Hash: r.Hash, Stands: stands(c),
		ReturnPath: returnPath(r.Return),
	}
	p.Lead, p.Rest = resultAnswer(c)
	p.Budget, p.BudgetFoot, p.BudgetNote = budgetOf(c.Uncertainty)
	p.Replaces = replacing(v)
	if v.Moved {
		p.Warning = "What this result rests on was changed since. It stays as it was; computed again, it gets a new number."
	}
	if v.Withdrew {
		p.Warning = "Its return was rejected since. The result stays as it was, but do not rely on it."
	}
	if v.Replaced.Number > 0 {
		p.Warning, p.NewerHref = "A later result replaces this one.", resultPath(v.Replaced.ID)
		p.Newer = survey.ResultLabel(v.Replaced.Number)
	}
	h := history{
		start: c.Inputs.Start, length: seconds(float64(c.Inputs.Count) * c.Inputs.StepSeconds), stretches: v.History,
		exclusions: c.Inputs.Exclusions, quantity: c.Inputs.Quantity,
	}
	if len(v.History) > 0 {
		plot := resultPlotOf(h, c, loc)
		p.Plot = &plot
		p.PlotHead = "Measured " + when.Span(h.start, h.start.Add(h.length), now, loc)
		p.Exclusions = h.notes(reviewer(c), loc)
	}
	return p
}

func resultPlotOf(h history, c survey.Content, loc *time.Location) look.Plot {
	plot := h.plot(loc)
	plot.Title = "Levels and sound energy, " + c.Subject.Worker + ", " + when.Full(c.Subject.Date)
	if c.Measured.LAeqDB != nil {
		plot.LAeq = *c.Measured.LAeqDB
		plot.LevelName += "; heavy line: LAeq of the whole, " + number(c.Measured.LAeqDB, 1)
	}
	seen := map[float64]bool{}
	for _, pr := range c.Day.Profiles {
		for _, v := range pr.Verdicts {
			if v.Quantity == exposure.LEX8h && !seen[v.Limit] {
				seen[v.Limit] = true
				plot.Limits = append(plot.Limits, look.Limit{DB: v.Limit, Text: strconv.FormatFloat(v.Limit, 'f', -1, 64)})
			}
		}
	}
	plot.Words = plotWords(plot)
	return plot
}

// reviewer is who accepted the return.
func reviewer(c survey.Content) string {
	const lead = "Reviewed by "
	for _, e := range c.Evidence {
		if e.Noun == survey.NounReview && len(e.Label) > len(lead) {
			return e.Label[len(lead):]
		}
	}
	return ""
}

func replacing(v survey.ResultView) string {
	if v.Former.Number > 0 {
		return v.Result.Label() + " replaces " + survey.ResultLabel(v.Former.Number) + ", which stays as it was."
	}
	return v.Result.Label() + " replaces nothing. A later correction gets its own number and points here."
}
