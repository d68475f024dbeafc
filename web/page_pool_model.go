package web

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/web/look"
)

// What the trade commonly does where a manual says nothing; the pages mark each as without a source.
const (
	commonCharge = 150 // minutes of a full charge
	commonTopUp  = 28  // days from one full charge to the next
	commonReady  = 3   // days that "full" counts off the charger
	commonMonths = 12  // between laboratory calibrations
)

const noSource = " is common practice, no source."

// classExamples says for each kind how class and standard are printed on it.
var classExamples = map[fleet.Kind]string{fleet.Dosimeter: "IEC 61252", fleet.Calibrator: "IEC 60942 class 1", fleet.Meter: "IEC 61672-1 class 1"}

// modelEntry is the form of a kind: it asks for the rules that matter for it and no others.
func modelEntry(f *form, kind fleet.Kind) entryPage {
	first := fieldGroup{Head: "The model", Fields: []look.Field{
		{ID: "name", Label: "Name of the model", Required: true, Rule: "As printed on it."},
		{ID: "maker", Label: "Maker"},
	}}
	if example := classExamples[kind]; example != "" {
		first.Fields = append(first.Fields, look.Field{ID: "class", Label: "Class and standard", Rule: "As printed on it, such as " + example + "."})
	}
	groups := []fieldGroup{first}
	if charges(kind) {
		groups = append(groups, chargeFields())
	}
	if needsCertificate(kind) {
		groups = append(groups, fieldGroup{Head: "Laboratory calibration", Fields: []look.Field{
			{ID: "months", Label: "Months between calibrations", Class: "short", Mode: "numeric",
				Rule: "The owner’s decision; 12" + noSource + " Some schemes take 24 for dosimeters. 0: needs no certificate."},
		}})
	}
	if kind == fleet.Dosimeter {
		groups = append(groups, fieldGroup{Head: "Memory", Fields: []look.Field{
			{ID: "holds", Label: "After a wear it", Options: []look.Option{{Value: "yes", Text: "holds data until they are read"}, {Value: "no", Text: "holds no data"}},
				Rule: "A unit with unread data is not cleared without a reason."},
			{ID: "runs", Label: "Runs the memory holds", Class: "short", Mode: "numeric", Rule: "From the manual; 1 where it must be cleared before each wear."},
		}})
	}
	if kind == fleet.Charger {
		groups = append(groups, fieldGroup{Head: "Charging", Fields: []look.Field{
			{ID: "positions", Label: "Places", Class: "short", Mode: "numeric", Required: true, Rule: "How many units it charges at a time."},
			{ID: "power", Label: "Hours a look at its power counts", Class: "short", Mode: "numeric", Rule: "0: until somebody looks again."},
		}})
	}
	return entryPage{Form: f, Groups: groups}
}

func chargeFields() fieldGroup {
	return fieldGroup{Head: "Charge", Text: "What the manual says comes first.", Fields: []look.Field{
		{ID: "charge", Label: "Minutes for a full charge", Class: "short", Mode: "numeric", Rule: "From the manual; 150" + noSource + " 0: kitd keeps no charge of it."},
		{ID: "topup", Label: "Days to the next full charge", Class: "short", Mode: "numeric", Rule: "The longest it may lie idle; 28" + noSource + " 0: no such rule."},
		{ID: "ready", Label: "Days “full” counts", Class: "short", Mode: "numeric", Rule: "Off the charger, before a survey; 3" + noSource + " 0: no limit by days."},
		{ID: "run", Label: "Run time, hours", Class: "short", Mode: "decimal", Rule: "On a full charge, from the data sheet. Empty: not known."},
	}}
}

func charges(k fleet.Kind) bool { return k == fleet.Dosimeter || k == fleet.Meter }

func needsCertificate(k fleet.Kind) bool {
	return k == fleet.Dosimeter || k == fleet.Calibrator || k == fleet.Meter
}

// readModel reads what the form of the kind asks for; the rest stays as it was.
func readModel(f *form, m fleet.Model) fleet.Model {
	m.Name, m.Maker, m.ClassStd = f.need("name", "Write the name of the model."), f.get("maker"), f.get("class")
	if charges(m.Kind) {
		m.ChargeMinutes, m.TopUpDays, m.ReadyDays = f.whole("charge", 0, 7*24*60), f.whole("topup", 0, 3650), f.whole("ready", 0, 3650)
		m.RunMinutes = f.hours("run")
	}
	if needsCertificate(m.Kind) {
		m.CalibrationMonths = f.whole("months", 0, 240)
	}
	if m.Kind == fleet.Dosimeter {
		m.HoldsData, m.MemoryRuns = f.get("holds") == "yes", f.whole("runs", 0, 100000)
	}
	if m.Kind == fleet.Charger {
		m.Positions, m.PowerHours = f.whole("positions", 1, 1000), f.whole("power", 0, 24*366)
		if m.Positions == 0 {
			f.fail("positions", "Say how many places it has, from 1.")
		}
	}
	return m
}

// hours reads a number of hours into whole minutes; an empty field gives 0.
func (f *form) hours(name string) int {
	v := f.decimal(name)
	if v == nil {
		return 0
	}
	if *v < 0 || *v > 365*24 {
		f.fail(name, "A number of hours from 0 to 8760 is wanted here.")
		return 0
	}
	return int(math.Round(*v * 60))
}

func fillModel(f *form, m fleet.Model) {
	f.set("name", m.Name)
	f.set("maker", m.Maker)
	f.set("class", m.ClassStd)
	f.set("version", itoa(m.Version))
	if charges(m.Kind) {
		f.set("charge", itoa(m.ChargeMinutes))
		f.set("topup", itoa(m.TopUpDays))
		f.set("ready", itoa(m.ReadyDays))
		if m.RunMinutes > 0 {
			f.set("run", hoursOf(m.RunMinutes))
		}
	}
	if needsCertificate(m.Kind) {
		f.set("months", itoa(m.CalibrationMonths))
	}
	if m.Kind == fleet.Dosimeter {
		f.set("holds", map[bool]string{true: "yes", false: "no"}[m.HoldsData])
		f.set("runs", itoa(m.MemoryRuns))
	}
	if m.Kind == fleet.Charger {
		f.set("positions", itoa(m.Positions))
		f.set("power", itoa(m.PowerHours))
	}
}

// hoursOf writes minutes as hours, no finer than they are.
func hoursOf(minutes int) string {
	return strconv.FormatFloat(math.Round(float64(minutes)/60*100)/100, 'f', -1, 64)
}

// rulesText says the rules of a model in a line.
func rulesText(m fleet.Model) string {
	var parts []string
	add := func(n int, form string) {
		if n > 0 {
			parts = append(parts, fmt.Sprintf(form, n))
		}
	}
	add(m.ChargeMinutes, "charged in %d min")
	add(m.TopUpDays, "again after %d days")
	add(m.ReadyDays, "full counts %d days")
	if m.RunMinutes > 0 {
		parts = append(parts, "runs "+hoursOf(m.RunMinutes)+" h")
	}
	add(m.CalibrationMonths, "certificate every %d months")
	if m.HoldsData {
		parts = append(parts, "memory of "+count(m.MemoryRuns, "run", "runs"))
	}
	add(m.Positions, "%d places")
	return capital(listed(parts))
}

var modelPaths = map[string]string{"class": "class", "charge_minutes": "charge", "top_up_days": "topup", "ready_days": "ready", "run_minutes": "run",
	"positions": "positions", "power_hours": "power", "calibration_months": "months", "memory_runs": "runs"}

// commonModel is what a form of the kind opens with.
func commonModel(kind fleet.Kind) fleet.Model {
	m := fleet.Model{Kind: kind}
	if needsCertificate(kind) {
		m.CalibrationMonths = commonMonths
	}
	if kind == fleet.Dosimeter {
		m.ChargeMinutes, m.TopUpDays, m.ReadyDays, m.MemoryRuns, m.HoldsData = commonCharge, commonTopUp, commonReady, 1, true
	}
	return m
}

func newModelEntry(f *form, kind fleet.Kind) entryPage {
	p := modelEntry(f, kind)
	p.Head, p.Lead, p.Action, p.Button = "Enter a model", "A make and type of "+string(kind)+", with the rules that hold for all of them.", "/pool/models", "Enter the model"
	for _, k := range shownKinds {
		p.Links = append(p.Links, look.Count{Word: string(k), Href: "/pool/models/new?kind=" + queryText(string(k)), Chosen: k == kind})
	}
	return p
}

// kindOf reads the kind of a form; a dosimeter when it names none.
func kindOf(f *form) fleet.Kind {
	if k := fleet.Kind(f.get("kind")); slices.Contains(shownKinds, k) {
		return k
	}
	return fleet.Dosimeter
}

func (s *Server) newModelPage(c echo.Context) error {
	kind := kindOf(newForm(c.QueryParams()))
	f := newForm(nil)
	fillModel(f, commonModel(kind))
	f.set("positions", "")
	f.set("kind", string(kind))
	return s.showEntry(c, http.StatusOK, newModelEntry(f, kind))
}

func (s *Server) addModel(c echo.Context) error {
	f := posted(c)
	kind := kindOf(f)
	m := readModel(f, fleet.Model{Kind: kind})
	if !f.ok() {
		return s.showEntry(c, again, newModelEntry(f, kind))
	}
	m, err := s.Stock.AddModel(ctx(c), actor(c), m)
	if err != nil {
		return s.entryFailed(c, newModelEntry(f, kind), err, modelPaths, nil)
	}
	return s.done(c, "The model "+m.Name+" is entered.")
}

func (s *Server) oneModel(c echo.Context) (fleet.Model, error) {
	all, err := s.Stock.Models(ctx(c), actor(c))
	return oneOf(c, all, err, func(m fleet.Model) ident.ID { return m.ID }, "model")
}

func editModelEntry(f *form, m fleet.Model) entryPage {
	p := modelEntry(f, m.Kind)
	p.Head, p.Action, p.Button, p.Version = m.Name, "/pool/models/"+m.ID.String(), "Change the model", true
	p.Lead = capital(string(m.Kind)) + ". Changed rules hold for all units of the model from now on; what was asked as known before stays."
	return p
}

func (s *Server) modelEditPage(c echo.Context) error {
	m, err := s.oneModel(c)
	if err != nil {
		return err
	}
	f := newForm(nil)
	fillModel(f, m)
	return s.showEntry(c, http.StatusOK, editModelEntry(f, m))
}

func (s *Server) changeModel(c echo.Context) error {
	now, err := s.oneModel(c)
	if err != nil {
		return err
	}
	f := posted(c)
	m := readModel(f, now)
	m.Version = f.version()
	if !f.ok() {
		return s.showEntry(c, again, editModelEntry(f, now))
	}
	if m.Version == 0 {
		err = fault.New(fault.Changed, "noun", "model")
	} else {
		m, err = s.Stock.ChangeModel(ctx(c), actor(c), m)
	}
	if err != nil {
		return s.entryFailed(c, editModelEntry(f, now), err, modelPaths, func(f *form) error { fillModel(f, now); return nil })
	}
	return s.done(c, "The model "+m.Name+" is changed.")
}
