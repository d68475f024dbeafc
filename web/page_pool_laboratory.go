package web

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
)

func dueText(r fleet.DueRule) string {
	if r == fleet.MonthEnd {
		return "to the end of the month"
	}
	return "to the day before the same day"
}

var dueChoices = []look.Option{
	{Value: string(fleet.Anniversary), Text: "to the day before the same day, months later"},
	{Value: string(fleet.MonthEnd), Text: "to the end of that month"},
}

func laboratoryEntry(f *form) entryPage {
	return entryPage{Form: f, Groups: []fieldGroup{{Fields: []look.Field{
		{ID: "name", Label: "Name", Required: true, Class: "long"},
		{ID: "accreditation", Label: "Accreditation", Rule: "Its number, for calibrations under ISO/IEC 17025. Empty: none."},
		{ID: "due", Label: "Its certificates cover", Options: dueChoices,
			Rule: "Counted from the day of calibration by the model’s months. The due date is the owner’s decision, not the certificate’s (ISO/IEC 17025:2017, 7.8.4.3). Both ways of counting are common practice, no source."},
	}}}}
}

func readLaboratory(f *form, l fleet.Laboratory) fleet.Laboratory {
	l.Name, l.Accreditation, l.DueRule = f.need("name", "Write the name of the laboratory."), f.get("accreditation"), fleet.DueRule(f.get("due"))
	return l
}

func fillLaboratory(f *form, l fleet.Laboratory) {
	f.set("name", l.Name)
	f.set("accreditation", l.Accreditation)
	f.set("due", string(l.DueRule))
	f.set("version", itoa(l.Version))
}

var laboratoryPaths = map[string]string{"due_rule": "due"}

func newLaboratoryEntry(f *form) entryPage {
	p := laboratoryEntry(f)
	p.Head, p.Lead, p.Action, p.Button = "Enter a laboratory", "Who calibrates units and issues their certificates.", "/pool/laboratories", "Enter the laboratory"
	return p
}

func (s *Server) newLaboratoryPage(c echo.Context) error {
	return s.showEntry(c, http.StatusOK, newLaboratoryEntry(newForm(nil)))
}

func (s *Server) addLaboratory(c echo.Context) error {
	f := posted(c)
	l := readLaboratory(f, fleet.Laboratory{})
	if !f.ok() {
		return s.showEntry(c, again, newLaboratoryEntry(f))
	}
	l, err := s.Stock.AddLaboratory(ctx(c), actor(c), l)
	if err != nil {
		return s.entryFailed(c, newLaboratoryEntry(f), err, laboratoryPaths, nil)
	}
	return s.done(c, "The laboratory "+l.Name+" is entered.")
}

func (s *Server) oneLaboratory(c echo.Context) (fleet.Laboratory, error) {
	all, err := s.Pool.Laboratories(ctx(c), actor(c))
	return oneOf(c, all, err, func(l fleet.Laboratory) ident.ID { return l.ID }, "laboratory")
}

func editLaboratoryEntry(f *form, l fleet.Laboratory) entryPage {
	p := laboratoryEntry(f)
	p.Head, p.Action, p.Button, p.Version = l.Name, "/pool/laboratories/"+l.ID.String(), "Change the laboratory", true
	p.Lead = "Due dates that were counted already stay as they are."
	return p
}

func (s *Server) laboratoryEditPage(c echo.Context) error {
	l, err := s.oneLaboratory(c)
	if err != nil {
		return err
	}
	f := newForm(nil)
	fillLaboratory(f, l)
	return s.showEntry(c, http.StatusOK, editLaboratoryEntry(f, l))
}

func (s *Server) changeLaboratory(c echo.Context) error {
	now, err := s.oneLaboratory(c)
	if err != nil {
		return err
	}
	f := posted(c)
	l := readLaboratory(f, now)
	l.Version = f.version()
	if !f.ok() {
		return s.showEntry(c, again, editLaboratoryEntry(f, now))
	}
	if l.Version == 0 {
		err = fault.New(fault.Changed, "noun", "laboratory")
	} else {
		l, err = s.Stock.ChangeLaboratory(ctx(c), actor(c), l)
	}
	if err != nil {
		return s.entryFailed(c, editLaboratoryEntry(f, now), err, laboratoryPaths, func(f *form) error { fillLaboratory(f, now); return nil })
	}
	return s.done(c, "The laboratory "+l.Name+" is changed.")
}
