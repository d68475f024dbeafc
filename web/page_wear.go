package web

import (
	"net/http"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/survey"
	"kitd/web/look"
	"kitd/web/when"
)

func (s *Server) wearPage(c echo.Context) error {
	id, err := idParam(c, "id", "wear")
	if err != nil {
		return err
	}
	return s.showWear(c, id, nil, http.StatusOK)
}

// showWear shows a wear; act is a form that was sent back with faults.
func (s *Server) showWear(c echo.Context, id ident.ID, act *form, status int) error {
	v, err := s.Office.WearOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	calibrators, err := s.calibrators(c)
	if err != nil {
		return err
	}
	loc, now := zoneNamed(v.Survey.Zone), s.Now()
	p := wearPage{
		Frame: s.frame(c, v.Wear.UnitTag+" on "+v.Worker.Pseudonym, "surveys"), Token: s.formToken(c), Head: v.Wear.UnitTag + " on " + v.Worker.Pseudonym,
		Path: wearPath(id), Act: act, Books: actor(c).Books(), Calibrators: calibrators, Today: when.Full(s.today(loc)), Clock: when.Clock(now, loc),
		Contra: v.Contra, Tag: v.Wear.UnitTag, DayVersion: strconv.Itoa(v.Day.Version), Hours: hoursText(v.Day.ShiftMinutes), Gap: gapOf(v.Day),
	}
	p.Place = v.Survey.Label() + " · " + v.Survey.Title
	p.Properties = wearProperties(v, now, loc)
	p.Steps, p.Open = wearSteps(v)
	p.Lead, p.Rest = wearAnswer(v, now, loc)
	p.Checks = checkRows(v, calibrators, now, loc)
	p.Drift, p.DriftLimits = driftWords(v.Drift)
	for _, f := range v.Drift.Flags {
		p.Flags = append(p.Flags, f.Text)
	}
	if v.Return != nil {
		p.Return = &pair{Key: capital(v.Return.Label()), Value: string(v.Return.State), Href: returnPath(v.Return.ID)}
	}
	if v.Current != nil {
		p.Result = &pair{Key: survey.ResultLabel(v.Current.Number), Href: resultPath(v.Current.ID)}
	}
	return s.render(c, status, wearView(p))
}

func hoursText(minutes int) string {
	if minutes == 0 {
		return ""
	}
	return strconv.FormatFloat(float64(minutes)/60, 'f', -1, 64)
}

func gapOf(d survey.WorkerDay) string {
	for _, p := range d.Parts {
		if p.Kind == survey.PartGap {
			return string(p.Gap)
		}
	}
	return ""
}

func wearProperties(v survey.WearView, now time.Time, loc *time.Location) []pair {
	out := []pair{
		{Key: "Survey", Value: v.Survey.Label() + " " + v.Survey.Title, Href: surveyPath(v.Survey.ID)}, {Key: "Worker", Value: v.Worker.Pseudonym},
		{Key: "Dosimeter", Value: v.Wear.UnitTag, Href: unitPath(v.Wear.UnitTag)}, {Key: "Shoulder", Value: string(v.Wear.Side)},
		{Key: "Hung on", Value: when.Moment(v.Wear.Start, now, loc)},
	}
	if !v.Wear.Stop.IsZero() {
		out = append(out, pair{Key: "Taken off", Value: when.Moment(v.Wear.Stop, now, loc)}, pair{Key: "Ended as", Value: string(v.Wear.Outcome)})
	}
	if v.Day.ShiftMinutes > 0 {
		out = append(out, pair{Key: "Shift", Value: lasting(time.Duration(v.Day.ShiftMinutes) * time.Minute)})
	}
	for _, f := range v.Wear.Facts {
		if f.Override != "" {
			out = append(out, pair{Key: "Worn all the same", Value: f.Override + " (" + f.By + ")"})
		}
		if f.Note != "" {
			out = append(out, pair{Key: "Note", Value: f.Note})
		}
	}
	return out
}

// wearSteps tells how far a wear has come, and which step is next.
func wearSteps(v survey.WearView) (steps []step, next string) {
	has := func(w survey.When) bool {
		for _, k := range v.Checks {
			if k.When == w {
				return true
			}
		}
		return false
	}
	done := []struct {
		name, form string
		is         bool
	}{
		{"before check", "before", has(survey.Before)}, {"worn", "stop", !v.Wear.Stop.IsZero()}, {"after check", "after", has(survey.After)},
		{"return", "return", v.Return != nil}, {"result", "", v.Current != nil},
	}
	for _, d := range done {
		now := next == "" && !d.is
		if now {
			next = d.form
			if next == "" {
				next = "none"
			}
		}
		steps = append(steps, step{Name: d.name, Past: d.is, Now: now})
	}
	return steps, next
}

func wearAnswer(v survey.WearView, now time.Time, loc *time.Location) (lead, rest string) {
	worn := lasting(v.Wear.Span(now).To.Sub(v.Wear.Start))
	if v.Wear.Stop.IsZero() {
		return "Being worn for " + worn + ".", "Since " + when.Moment(v.Wear.Start, now, loc) + ", " + string(v.Wear.Side) + " shoulder."
	}
	lead = "Worn for " + worn + ", " + string(v.Wear.Outcome) + "."
	switch {
	case v.Current != nil:
		rest = "Its result is computed."
	case v.Return != nil:
		rest = capital(v.Return.Label()) + " is " + string(v.Return.State) + "."
	case v.Wear.Outcome.HoldsData():
		rest = "The unit holds its data until the return is read and accepted; do not clear it."
	}
	return lead, rest
}

func checkRows(v survey.WearView, calibrators []look.Option, now time.Time, loc *time.Location) []checkRow {
	tags := map[string]string{}
	for _, o := range calibrators {
		tags[o.Value] = o.Text
	}
	var out []checkRow
	for _, k := range v.Checks {
		row := checkRow{When: string(k.When), At: when.Moment(k.At, now, loc), Calibrator: tags[k.Calibrator.String()], Level: "–", Indicated: k.IndicatedDB.String(), Adjusted: "–", By: k.By}
		if k.AdjustedDB != nil {
			row.Adjusted = k.AdjustedDB.String()
		}
		if level := certified(v.Drift, k); level != nil {
			row.Level = level.String()
		}
		out = append(out, row)
	}
	return out
}

func certified(d survey.Drift, k survey.Check) *survey.DB {
	switch k.ID {
	case d.Before:
		return d.BeforeLevel
	case d.After:
		return d.AfterLevel
	}
	return nil
}

func driftWords(d survey.Drift) (string, []driftRow) {
	if d.ValueDB == nil {
		return "", nil
	}
	text := minus(d.ValueDB.String()) + " dB from before to after."
	if d.AsReceived != nil {
		text += " As received it was " + minus(d.AsReceived.String()) + " dB off the calibrator."
	}
	var rows []driftRow
	for _, l := range d.Limits {
		rows = append(rows, driftRow{Profile: l.Profile, Limit: l.LimitDB.String(), Source: l.Source, Passes: l.Passes})
	}
	return text, rows
}

// calibrators lists the acoustic calibrators to choose from.
func (s *Server) calibrators(c echo.Context) ([]look.Option, error) {
	units, err := s.unitsOfKind(c, fleet.Calibrator)
	out := []look.Option{{Text: "choose"}}
	for _, u := range units {
		out = append(out, look.Option{Value: u.ID.String(), Text: u.Tag})
	}
	return out, err
}

// wearForm reads what every form of a wear needs.
func (s *Server) wearForm(c echo.Context) (survey.WearView, *form, *time.Location, error) {
	id, err := idParam(c, "id", "wear")
	if err != nil {
		return survey.WearView{}, nil, nil, err
	}
	v, err := s.Office.WearOf(ctx(c), actor(c), id)
	return v, newForm(c.Request().PostForm), zoneNamed(v.Survey.Zone), err
}

// wearDone sends on after a step, or shows the wear again with why it was not taken.
func (s *Server) wearDone(c echo.Context, id ident.ID, f *form, err error, told string) error {
	if err == nil {
		return s.see(c, wearPath(id), told)
	}
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict {
		return err
	}
	f.take(err, map[string]string{"at": "clock", "indicated_db": "indicated", "adjusted_db": "adjusted", "pressure_hpa": "pressure", "/shift_minutes": "hours"})
	return s.showWear(c, id, f, statusOf(e))
}

func (s *Server) recordCheck(c echo.Context) error {
	v, f, loc, err := s.wearForm(c)
	if err != nil {
		return err
	}
	k := survey.Check{
		Wear: v.Wear.ID, Calibrator: f.id("calibrator"), When: survey.When(f.get("what")), PressureHPa: f.decimal("pressure"),
		At: f.moment("day", "clock", s.Now(), loc, when.Behind, true), AdjustedDB: f.level("adjusted", ""),
	}
	if k.Calibrator.IsZero() {
		f.fail("calibrator", "Choose the calibrator that was used.")
	}
	if db := f.level("indicated", "Write what the dosimeter showed."); db != nil {
		k.IndicatedDB = *db
	}
	k.Adjusted = k.AdjustedDB != nil
	if !f.ok() {
		return s.showWear(c, v.Wear.ID, f, http.StatusUnprocessableEntity)
	}
	_, err = s.Office.RecordCheck(ctx(c), actor(c), k)
	return s.wearDone(c, v.Wear.ID, f, err, "The "+string(k.When)+" check is recorded.")
}

func (s *Server) stopWear(c echo.Context) error {
	v, f, loc, err := s.wearForm(c)
	if err != nil {
		return err
	}
	in := survey.Stop{Wear: v.Wear.ID, At: f.moment("day", "clock", s.Now(), loc, when.Behind, true), Outcome: survey.Outcome(f.get("outcome")), Note: f.get("note")}
	if !f.ok() {
		return s.showWear(c, v.Wear.ID, f, http.StatusUnprocessableEntity)
	}
	_, err = s.Office.StopWear(ctx(c), actor(c), in)
	return s.wearDone(c, v.Wear.ID, f, err, "The wear is stopped.")
}

// declareDay changes what was declared of the wear's worker-day.
func (s *Server) declareDay(c echo.Context) error {
	v, f, _, err := s.wearForm(c)
	if err != nil {
		return err
	}
	d := v.Day
	d.Version = f.whole("version", 1, 1<<30)
	readShift(f, &d)
	if !f.ok() {
		return s.showWear(c, v.Wear.ID, f, http.StatusUnprocessableEntity)
	}
	_, err = s.Office.ChangeDay(ctx(c), actor(c), d)
	return s.wearDone(c, v.Wear.ID, f, err, "The shift is declared.")
}
