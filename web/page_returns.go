package web

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/survey"
	"kitd/web/look"
	"kitd/web/when"
)

func returnPath(id ident.ID) string { return "/returns/" + id.String() }

var returnStates = []survey.ReturnState{survey.NeedsLinking, survey.Linked, survey.Accepted, survey.Rejected}

func (s *Server) returnsPage(c echo.Context) error {
	p, err := s.returnsList(c, newForm(nil))
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, returnsView(p))
}

func (s *Server) returnsList(c echo.Context, upload *form) (returnsPage, error) {
	f := newForm(c.QueryParams())
	q := survey.ReturnQuery{Before: f.whole("before", 1, 1<<30), Limit: pageRows}
	if st := survey.ReturnState(f.get("state")); slices.Contains(returnStates, st) {
		q.State = st
	}
	list, err := s.Office.Returns(ctx(c), actor(c), q)
	if err != nil {
		return returnsPage{}, err
	}
	p := returnsPage{Frame: s.frame(c, "Returns", "returns"), Token: s.formToken(c), Form: upload, Books: actor(c).Books()}
	p.Counts = []look.Count{{Word: "all", Href: "/returns", Chosen: q.State == ""}}
	for _, st := range returnStates {
		p.Counts = append(p.Counts, look.Count{Word: string(st), Mark: look.StateMark(string(st)), Href: "/returns?state=" + queryEscape(string(st)), Chosen: q.State == st})
	}
	loc := account(c).Location()
	asking := 0
	for _, r := range list {
		p.Rows = append(p.Rows, returnRow{Number: strconv.Itoa(r.Number), Href: returnPath(r.ID), File: r.Name, Received: when.Moment(r.Received, s.Now(), loc) + " by " + r.By,
			Unit: r.UnitName, Measured: when.Span(r.Span().From, r.Span().To, s.Now(), loc), State: string(r.State)})
		if r.State == survey.NeedsLinking {
			asking++
		}
	}
	p.Lead, p.Rest = returnsAnswer(len(list), asking)
	if len(list) == pageRows {
		p.Next = "/returns?state=" + queryEscape(string(q.State)) + "&before=" + strconv.Itoa(list[len(list)-1].Number)
	}
	return p, nil
}

func returnsAnswer(n, asking int) (lead, rest string) {
	switch {
	case n == 0:
		return "Nothing came back yet.", ""
	case asking == 0:
		return "Every return here has its wear.", ""
	case asking == 1:
		return "One return asks which wear it belongs to.", ""
	}
	return strconv.Itoa(asking) + " returns ask which wear they belong to.", ""
}

// receiveReturn takes an uploaded file.
func (s *Server) receiveReturn(c echo.Context) error {
	f := newForm(nil)
	f.set("what", "return")
	header, err := c.FormFile("file")
	if err != nil {
		f.fail("file", "Choose the file to read.")
		return s.returnRefused(c, f, http.StatusUnprocessableEntity)
	}
	body, err := header.Open()
	if err != nil {
		return err
	}
	defer func() { _ = body.Close() }() // the upload was read, or the fault of reading it is told
	r, err := s.Office.Receive(ctx(c), actor(c), survey.Upload{Name: header.Filename, Body: body})
	if e := fault.Of(err); err != nil && (e.Kind() == fault.Invalid || e.Kind() == fault.Conflict) {
		f.take(err, map[string]string{"": "file"})
		return s.returnRefused(c, f, statusOf(e))
	}
	if err != nil {
		return err
	}
	return s.see(c, returnPath(r.ID), capital(r.Label())+" was read: "+strconv.Itoa(r.History.Count)+" levels.")
}

func (s *Server) returnRefused(c echo.Context, f *form, status int) error {
	p, err := s.returnsList(c, f)
	if err != nil {
		return err
	}
	return s.render(c, status, returnsView(p))
}

func (s *Server) returnPage(c echo.Context) error {
	id, err := idParam(c, "id", "return")
	if err != nil {
		return err
	}
	return s.showReturn(c, id, nil, http.StatusOK)
}

// showReturn shows a return; act is a form that was sent back with faults, nil for none.
func (s *Server) showReturn(c echo.Context, id ident.ID, act *form, status int) error {
	r, err := s.Office.ReturnOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	loc, now := account(c).Location(), s.Now()
	p := returnPage{
		Frame: s.frame(c, r.Label(), "returns"), Token: s.formToken(c), Head: capital(r.Label()), Path: returnPath(r.ID), State: string(r.State),
		Version: strconv.Itoa(r.Version), Act: act, Actor: account(c).Display, Properties: returnProperties(r, now, loc),
	}
	books := actor(c).Books()
	p.Asks = books && r.State == survey.NeedsLinking
	p.CanDecide = books && r.State == survey.Linked
	p.CanCompute = books && r.State == survey.Accepted
	for _, k := range r.Candidates {
		p.Candidates = append(p.Candidates, candidateOf(k, now, loc))
	}
	if !r.Wear.IsZero() {
		if err := s.returnWear(c, &p, r); err != nil {
			return err
		}
	}
	p.Lead, p.Rest = returnAnswer(r)
	return s.render(c, status, returnView(p))
}

// returnWear adds the wear of a return, and its result where there is one.
func (s *Server) returnWear(c echo.Context, p *returnPage, r survey.Return) error {
	v, err := s.Office.WearOf(ctx(c), actor(c), r.Wear)
	if err != nil {
		return err
	}
	p.Properties = append(p.Properties, pair{Key: "Wear", Value: v.Wear.UnitTag + " on " + v.Worker.Pseudonym, Href: wearPath(v.Wear.ID)})
	for _, f := range v.Drift.Flags {
		p.Flags = append(p.Flags, f.Text)
	}
	p.Flags = append(p.Flags, v.Contra...)
	if v.Current != nil {
		p.Results = append(p.Results, look.Link{Href: resultPath(v.Current.ID), Text: survey.ResultLabel(v.Current.Number)})
	}
	return nil
}

func returnAnswer(r survey.Return) (lead, rest string) {
	switch r.State {
	case survey.NeedsLinking:
		if len(r.Candidates) == 0 {
			return "No wear shares time with it.", "Its unit or its clock may be another than the wear record says."
		}
		return capital(count(len(r.Candidates), "wear shares", "wears share")) + " time with it.", "Which one is it?"
	case survey.Linked:
		return "It belongs to a wear.", "Somebody has to say whether it can be trusted; then its unit may be cleared and the result is computed."
	case survey.Rejected:
		if last, ok := r.Last(); ok {
			return "Rejected by " + last.By + ".", last.Reason
		}
	}
	return "Its data are read and trusted.", ""
}

func returnProperties(r survey.Return, now time.Time, loc *time.Location) []pair {
	out := []pair{
		{Key: "File", Value: r.Name}, {Key: "Received", Value: when.Moment(r.Received, now, loc) + " by " + r.By}, {Key: "Unit in the file", Value: r.UnitName},
		{Key: "Measured", Value: when.Span(r.Span().From, r.Span().To, now, loc)},
		{Key: "Levels", Value: strconv.Itoa(r.History.Count) + " of " + strconv.FormatFloat(r.History.StepSeconds, 'g', -1, 64) + " s, " + string(r.History.Quantity)},
	}
	if r.History.PeakWeighting != "" {
		out = append(out, pair{Key: "Peaks", Value: "weighted " + r.History.PeakWeighting})
	}
	if r.Clock.OffsetMS != 0 {
		out = append(out, pair{Key: "Clock", Value: lasting(time.Duration(r.Clock.OffsetMS)*time.Millisecond) + " ahead: " + r.Clock.Reason})
	}
	return append(out, pair{Key: "sha-256", Value: r.File})
}

func candidateOf(k survey.Candidate, now time.Time, loc *time.Location) candidateRow {
	row := candidateRow{Wear: k.Wear.String(), Href: wearPath(k.Wear), Tag: k.UnitTag, Shared: lasting(k.Overlap)}
	if k.Stop.IsZero() {
		row.When = "since " + when.Moment(k.Start, now, loc)
	} else {
		row.When = when.Span(k.Start, k.Stop, now, loc)
	}
	if !k.SameUnit {
		row.Note = "another unit than the file names"
	}
	if k.Taken {
		row.Note = joined("another return is linked to it", row.Note)
	}
	return row
}

// returnForm reads what every form of a return carries.
func (s *Server) returnForm(c echo.Context) (ident.ID, *form, error) {
	id, err := idParam(c, "id", "return")
	return id, newForm(c.Request().PostForm), err
}

// returnDone sends on after a step, or shows the return again with why it was not taken.
func (s *Server) returnDone(c echo.Context, id ident.ID, f *form, err error, told string) error {
	if err == nil {
		return s.see(c, returnPath(id), told)
	}
	e := fault.Of(err)
	if e.Kind() != fault.Invalid && e.Kind() != fault.Conflict {
		return err
	}
	f.take(err, nil)
	return s.showReturn(c, id, f, statusOf(e))
}

func (s *Server) linkReturn(c echo.Context) error {
	id, f, err := s.returnForm(c)
	if err != nil {
		return err
	}
	_, err = s.Office.Link(ctx(c), actor(c), id, f.id("wear"), f.whole("version", 1, 1<<30))
	return s.returnDone(c, id, f, err, "Linked.")
}

func (s *Server) acceptReturn(c echo.Context) error {
	id, f, err := s.returnForm(c)
	if err != nil {
		return err
	}
	a, err := s.Office.Accept(ctx(c), actor(c), survey.Judgement{Return: id, Version: f.whole("version", 1, 1<<30), Reason: f.get("reason")})
	switch {
	case err == nil && a.Result != nil:
		return s.see(c, resultPath(a.Result.ID), capital(a.Return.Label())+" is accepted and "+a.Result.Label()+" computed.")
	case err == nil && a.Pending != nil:
		return s.see(c, returnPath(id), "It is accepted. "+fault.Of(a.Pending).Sentence())
	}
	return s.returnDone(c, id, f, err, "It is accepted.")
}

func (s *Server) rejectReturn(c echo.Context) error {
	id, f, err := s.returnForm(c)
	if err != nil {
		return err
	}
	_, err = s.Office.Reject(ctx(c), actor(c), survey.Judgement{Return: id, Version: f.whole("version", 1, 1<<30), Reason: f.get("reason")})
	return s.returnDone(c, id, f, err, "It is rejected; no result is made from it.")
}

func (s *Server) computeResult(c echo.Context) error {
	id, f, err := s.returnForm(c)
	if err != nil {
		return err
	}
	r, err := s.Office.ReturnOf(ctx(c), actor(c), id)
	if err != nil {
		return err
	}
	res, err := s.Office.Compute(ctx(c), actor(c), r.Wear)
	if err == nil {
		return s.see(c, resultPath(res.ID), res.Label()+" is computed.")
	}
	return s.returnDone(c, id, f, err, "")
}
