package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/schedule"
	"kitd/web/when"
)

// mostBenchUnits bounds how many units one line of a bench can name.
const mostBenchUnits = 500

// benchStep is one press of a button on the bench.
type benchStep struct {
	task    schedule.Task
	depot   fleet.Depot
	at      time.Time // when it happened; zero: now
	units   []fleet.Dossier
	booking ident.ID
	form    *form
}

// doBench records what a line of the bench says was done.
func (s *Server) doBench(c echo.Context) error {
	f := newForm(c.Request().PostForm)
	step, err := s.readBenchStep(c, f)
	if err != nil {
		return err
	}
	if !f.ok() {
		return s.showBench(c, f, &benchStop{Head: "This was not recorded.", Text: f.reason()}, http.StatusUnprocessableEntity)
	}
	if err := s.take(c, step); err != nil {
		return s.benchRefused(c, step, err)
	}
	return s.see(c, benchHref(step.depot.Code, f), step.told())
}

// reason is what is wrong with a form as one text.
func (f *form) reason() string {
	text := f.stop
	for _, name := range []string{"day", "clock"} {
		if f.errs[name] != "" {
			text = strings.TrimSpace(text + " " + f.errs[name])
		}
	}
	if text == "" {
		text = "Open the bench again; this line has changed."
	}
	return text
}

func (s *Server) readBenchStep(c echo.Context, f *form) (benchStep, error) {
	at, err := s.places(c)
	if err != nil {
		return benchStep{}, err
	}
	if len(at.depots) == 0 {
		return benchStep{}, fault.New(fault.NotThere, "noun", "depot")
	}
	step := benchStep{task: schedule.Task(f.get("do")), depot: at.depotCoded(f.get("depot")), booking: f.id("booking"), form: f}
	if _, known := benchVerbs[step.task]; !known || step.task == schedule.TaskRead {
		f.stop = "Say what was done: use the buttons of the bench."
		return step, nil
	}
	step.at = f.moment("day", "clock", s.Now(), step.depot.Location(), when.Behind, false)
	tags := f.values["units"]
	if len(tags) == 0 || len(tags) > mostBenchUnits {
		f.stop = "Say with which units it was done: use the buttons of the bench."
		return step, nil
	}
	for _, tag := range tags {
		d, err := s.dossier(c, tag)
		if err != nil {
			return step, err
		}
		step.units = append(step.units, d)
	}
	return step, nil
}

// take does what the step says: intentions go through the guards of the desk and the fleet, what happened is recorded.
func (s *Server) take(c echo.Context, x benchStep) error {
	ids := make([]ident.ID, len(x.units))
	for i, d := range x.units {
		ids[i] = d.Unit.ID
	}
	back := x.task == schedule.TaskCheckIn || x.task == schedule.TaskChase
	switch {
	case x.task == schedule.TaskHandOut:
		_, err := s.Desk.HandOut(ctx(c), actor(c), x.booking, schedule.HandOut{At: x.at, Units: ids, Override: x.form.get("override")})
		return err
	case back && !x.booking.IsZero():
		_, err := s.Desk.CheckIn(ctx(c), actor(c), x.booking, schedule.CheckIn{At: x.at, Units: ids, Depot: x.depot.ID})
		return err
	case x.task == schedule.TaskClear:
		_, err := s.Pool.IntendClear(ctx(c), actor(c), ids[0], x.at, x.form.get("override"))
		return err
	}
	facts, err := x.facts()
	if err != nil {
		return err
	}
	_, err = s.Pool.Record(ctx(c), actor(c), facts...)
	return err
}

// facts are what happened to the units.
func (x benchStep) facts() ([]fleet.Fact, error) {
	facts := make([]fleet.Fact, len(x.units))
	for i, d := range x.units {
		f := fleet.Fact{Unit: d.Unit.ID, Occurred: x.at}
		switch x.task {
		case schedule.TaskTakeOff:
			f.Body = fleet.ChargeOff{}
		case schedule.TaskPutOn:
			on, ok := x.place(i)
			if !ok {
				return nil, fault.New(fault.BadInput, "what", "the place of "+d.Unit.Tag).At("places", "must name a charger and a place for each unit")
			}
			f.Body = on
		case schedule.TaskSend:
			f.Body = fleet.Custody{State: fleet.AtLaboratory, Depot: x.depot.ID, Holder: x.form.get("holder")}
		case schedule.TaskLook:
			f.Body = fleet.PowerSeen{Good: true}
		default:
			f.Body = fleet.Custody{State: fleet.InDepot, Depot: x.depot.ID}
		}
		facts[i] = f
	}
	return facts, nil
}

// place reads the charger and place of the i-th unit.
func (x benchStep) place(i int) (fleet.ChargeOn, bool) {
	all := x.form.values["places"]
	if i >= len(all) {
		return fleet.ChargeOn{}, false
	}
	charger, position, _ := strings.Cut(all[i], "/")
	id, err := ident.Parse(charger)
	n, bad := strconv.Atoi(position)
	return fleet.ChargeOn{Charger: id, Position: n}, err == nil && bad == nil && n > 0
}

// told says what was recorded, for the next page.
func (x benchStep) told() string {
	tags := make([]deskUnit, len(x.units))
	for i, d := range x.units {
		tags[i].Tag = d.Unit.Tag
	}
	names, verb := joinTags(tags), " are "
	if len(tags) == 1 {
		verb = " is "
	}
	done := map[schedule.Task]string{schedule.TaskHandOut: "handed out", schedule.TaskTakeOff: "off the charger", schedule.TaskPutOn: "on charge",
		schedule.TaskCheckIn: "checked in", schedule.TaskChase: "back", schedule.TaskClear: "cleared", schedule.TaskSend: "sent to the laboratory",
		schedule.TaskBringBack: "here again", schedule.TaskLook: "seen with power"}[x.task]
	return names + verb + done + ". A slip? It can be undone below."
}

// benchRefused shows the bench with why a step was not taken, and for an intention the way to take it with a reason.
func (s *Server) benchRefused(c echo.Context, x benchStep, err error) error {
	e := fault.Of(err)
	var no *schedule.Refusal
	stop := &benchStop{Head: "This was not recorded.", Text: e.Sentence()}
	switch {
	case errors.As(err, &no):
		stop.Head = "Not handed out."
		stop.Text = "Something is open. Finish it first, or hand out all the same with a reason that stays on record."
		for _, u := range no.Reasons {
			stop.Reasons = append(stop.Reasons, whyNot(u))
		}
		stop.Act = overridden(x, "Hand out all the same")
	case fault.Is(err, fault.ClearOverUnread):
		stop.Head = x.units[0].Unit.Tag + " was not cleared."
		stop.Act = overridden(x, "Clear and lose the data")
	case e.Kind() == fault.Invalid:
		for _, at := range e.Fields {
			stop.Text += " " + ended(at.Text)
		}
	case e.Kind() == fault.Conflict:
	default:
		return err
	}
	return s.showBench(c, x.form, stop, statusOf(e))
}

// overridden is the same step again, with a reason.
func overridden(x benchStep, label string) *benchAct {
	a := &benchAct{Task: string(x.task), Label: label, Allowed: true}
	if !x.booking.IsZero() {
		a.Booking = x.booking.String()
	}
	for _, d := range x.units {
		a.Units = append(a.Units, d.Unit.Tag)
	}
	return a
}

// undoBench takes back what was just recorded: the records stay, marked.
func (s *Server) undoBench(c echo.Context) error {
	f := newForm(c.Request().PostForm)
	at, err := s.places(c)
	if err != nil {
		return err
	}
	code := ""
	if len(at.depots) > 0 {
		code = at.depotCoded(f.get("depot")).Code
	}
	const reason = "Taken back on the bench."
	if booking := f.id("booking"); !booking.IsZero() && f.ok() {
		then, bad := time.Parse(time.RFC3339Nano, f.get("at"))
		if bad != nil {
			return fault.New(fault.BadInput, "what", "the record to take back").At("at", "must be a moment")
		}
		_, err = s.Desk.TakeBack(ctx(c), actor(c), booking, then, reason)
	} else {
		err = s.retract(c, f, reason)
	}
	if e := fault.Of(err); err != nil && (e.Kind() == fault.Conflict || e.Kind() == fault.Invalid) {
		return s.showBench(c, f, &benchStop{Head: "This was not taken back.", Text: e.Sentence()}, statusOf(e))
	}
	if err != nil {
		return err
	}
	return s.see(c, benchHref(code, nil), "Taken back. Both records stay, the wrong one marked.")
}

func (s *Server) retract(c echo.Context, f *form, reason string) error {
	ids, ok := readIDs(f.values["facts"])
	tags := f.values["units"]
	if !ok || len(ids) == 0 || len(ids) != len(tags) || len(ids) > mostBenchUnits {
		return fault.New(fault.BadInput, "what", "the record to take back").At("facts", "must name the records and their units")
	}
	facts := make([]fleet.Fact, len(ids))
	for i, id := range ids {
		d, err := s.dossier(c, tags[i])
		if err != nil {
			return err
		}
		facts[i] = fleet.Fact{Unit: d.Unit.ID, Body: fleet.Retracted{Fact: id, Reason: reason}}
	}
	_, err := s.Pool.Record(ctx(c), actor(c), facts...)
	return err
}
