package survey

import (
	"context"
	"slices"
	"strings"
	"time"

	"kitd/internal/access"
	"kitd/internal/civil"
	"kitd/internal/fault"
	"kitd/internal/fleet"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// AddDay enters a worker-day. Its date is that of its start at the site.
func (o *Office) AddDay(ctx context.Context, who access.Actor, d WorkerDay) (WorkerDay, error) {
	if err := mayRecord(who, "entering a worker-day needs a surveyor"); err != nil {
		return WorkerDay{}, err
	}
	err := o.Do(ctx, who, func(s Store) error { return o.addDay(s, who, &d) })
	return d, err
}

func (o *Office) addDay(s Store, who access.Actor, d *WorkerDay) error {
	v, err := s.SurveyByID(d.Survey)
	if err != nil {
		return err
	}
	if err := o.checkDay(s, v, d); err != nil {
		return err
	}
	d.ID, d.Client, d.Entered, d.By, d.Version = o.NewID(), v.Client, o.now(), who.Name, 1
	if err := s.InsertDay(*d); err != nil {
		return err
	}
	return s.Record(dayChange(*d, "add", nil))
}

// checkDay settles the date and refuses parts and people of somewhere else as if they were not there.
func (o *Office) checkDay(s Store, v Survey, d *WorkerDay) error {
	if err := d.Check(); err != nil {
		return err
	}
	w, err := s.WorkerByID(d.Worker)
	if err != nil {
		return err
	}
	if w.Client != v.Client {
		return fault.New(fault.NotThere, "noun", "worker")
	}
	if !d.Group.IsZero() && !slices.ContainsFunc(v.Groups, func(g Group) bool { return g.ID == d.Group }) {
		return fault.New(fault.NotThere, "noun", "group")
	}
	loc, err := place(v.Zone)
	if err != nil {
		return err
	}
	if d.Start.IsZero() {
		return bad("a worker-day has a start", "start", "say when the shift began")
	}
	d.Start = d.Start.UTC().Truncate(time.Millisecond)
	d.Date = civil.Of(d.Start.In(loc))
	return o.checkParts(s, *d)
}

func (o *Office) checkParts(s Store, d WorkerDay) error {
	for _, p := range d.Parts {
		if p.Kind != PartWear {
			continue
		}
		w, err := s.WearByID(p.Wear)
		if err != nil {
			return err
		}
		if w.Day != d.ID {
			return fault.New(fault.NotThere, "noun", "wear of this worker-day")
		}
	}
	return nil
}

// ChangeDay changes what was declared of a worker-day: start, shift, group, parts and note. Results keep what they were
// computed from; compute again to replace them.
func (o *Office) ChangeDay(ctx context.Context, who access.Actor, d WorkerDay) (WorkerDay, error) {
	if err := mayRecord(who, "changing a worker-day needs a surveyor"); err != nil {
		return WorkerDay{}, err
	}
	seen := d.Version // the work below may run again from the start
	err := o.Do(ctx, who, func(s Store) error {
		was, err := s.DayByID(d.ID)
		if err != nil {
			return err
		}
		if was.Version != seen {
			return fault.New(fault.Changed, "noun", "worker-day")
		}
		v, err := s.SurveyByID(was.Survey)
		if err != nil {
			return err
		}
		next := was
		next.Start, next.Group, next.ShiftMinutes, next.Parts, next.Note, next.Version = d.Start, d.Group, d.ShiftMinutes, d.Parts, d.Note, was.Version+1
		if err := o.checkDay(s, v, &next); err != nil {
			return err
		}
		if err := s.UpdateDay(next); err != nil {
			return err
		}
		d = next
		return s.Record(dayChange(next, "change", dayState(was)))
	})
	return d, err
}

func dayState(d WorkerDay) map[string]any {
	return map[string]any{"survey": d.Survey, "worker": d.Worker, "start": d.Start, "date": d.Date, "shift_minutes": d.ShiftMinutes,
		"group": d.Group, "parts": len(d.Parts)}
}

func dayChange(d WorkerDay, verb string, before any) trail.Change {
	return trail.Change{Noun: NounDay, ID: d.ID, Verb: verb, Client: d.Client, Occurred: d.Start, Before: before, After: dayState(d),
		Private: map[string]any{"parts": d.Parts, "note": d.Note}}
}

// Start says that a dosimeter was hung on a worker. With Day zero a worker-day of the survey begins with it. A start that lies
// back more than a quarter of an hour, or is entered with an Override, is a fact and recorded whatever the unit's state; a start
// made now is an intention: a unit that is held back, holds unread data or is not covered then needs the Override.
type Start struct {
	Survey       ident.ID
	Day          ident.ID
	Worker       ident.ID // when Day is zero
	Group        ident.ID // when Day is zero
	ShiftMinutes int      // when Day is zero; 0: declared later
	UnitTag      string
	Side         Side
	At           time.Time
	Note         string
	Override     string // why it is worn although it is not fit
}

// StartWear records the beginning of a wear.
func (o *Office) StartWear(ctx context.Context, who access.Actor, in Start) (Wear, error) {
	if err := mayRecord(who, "starting a wear needs a surveyor"); err != nil {
		return Wear{}, err
	}
	switch {
	case in.Side != Left && in.Side != Right:
		return Wear{}, bad("the microphone sits on the left or the right shoulder", "side", "left or right")
	case in.At.IsZero():
		return Wear{}, bad("a wear has a start", "at", "say when it was hung on")
	}
	if err := o.happened(in.At); err != nil {
		return Wear{}, err
	}
	in.At, in.Override = in.At.UTC().Truncate(time.Millisecond), strings.TrimSpace(in.Override)
	var w Wear
	err := o.Do(ctx, who, func(s Store) (err error) {
		w, err = o.startWear(s, who, in)
		return err
	})
	return w, err
}

// happened refuses what lies in the future: it cannot have happened.
func (o *Office) happened(at time.Time) error {
	if at.After(o.now().Add(fleet.Tolerance)) {
		return bad("what happened cannot lie in the future; enter it once it has happened", "at", "lies in the future")
	}
	return nil
}

func (o *Office) startWear(s Store, who access.Actor, in Start) (Wear, error) {
	unit, err := tagged(s, in.UnitTag)
	if err != nil {
		return Wear{}, err
	}
	notFit, err := o.guardStart(s, unit, in)
	if err != nil {
		return Wear{}, err
	}
	day, err := o.dayFor(s, who, in)
	if err != nil {
		return Wear{}, err
	}
	w := Wear{ID: o.NewID(), Client: day.Client, Survey: day.Survey, Day: day.ID, Worker: day.Worker, Unit: unit.ID, UnitTag: unit.Tag,
		Side: in.Side, Start: in.At, Entered: o.now(), By: who.Name, Version: 1}
	if err := s.InsertWear(w); err != nil {
		return Wear{}, err
	}
	f := WearFact{ID: o.NewID(), Wear: w.ID, Kind: WearStarted, Occurred: in.At, Entered: w.Entered, By: who.Name, Note: in.Note,
		Override: in.Override, NotFit: notFit}
	if err := s.AppendWearFact(w, f); err != nil {
		return Wear{}, err
	}
	w.Facts = []WearFact{f}
	before := dayState(day)
	day.Parts, day.Version = append(slices.Clone(day.Parts), Part{Kind: PartWear, Wear: w.ID}), day.Version+1
	if err := s.UpdateDay(day); err != nil {
		return Wear{}, err
	}
	if err := s.Record(dayChange(day, "change", before)); err != nil {
		return Wear{}, err
	}
	return w, s.Record(wearChange(w, f, "start", nil))
}

// tagged finds the unit with the tag, whatever the case.
func tagged(s Store, tag string) (fleet.Unit, error) {
	units, err := s.UnitsNamed(tag)
	if err != nil {
		return fleet.Unit{}, err
	}
	for _, u := range units {
		if fleet.FoldTag(u.Tag) == fleet.FoldTag(tag) {
			return u, nil
		}
	}
	return fleet.Unit{}, fault.New(fault.NotThere, "noun", "unit "+strings.TrimSpace(tag))
}

// dayFor finds the worker-day of the wear, or begins one.
func (o *Office) dayFor(s Store, who access.Actor, in Start) (WorkerDay, error) {
	if in.Day.IsZero() {
		d := WorkerDay{Survey: in.Survey, Worker: in.Worker, Group: in.Group, Start: in.At, ShiftMinutes: in.ShiftMinutes}
		err := o.addDay(s, who, &d)
		return d, err
	}
	d, err := s.DayByID(in.Day)
	if err == nil && !in.Survey.IsZero() && d.Survey != in.Survey {
		err = fault.New(fault.NotThere, "noun", NounDay)
	}
	return d, err
}

// guardStart gives the reasons against wearing the unit then, and refuses a start made now for them when nothing overrides it.
func (o *Office) guardStart(s Store, unit fleet.Unit, in Start) ([]string, error) {
	now := o.now()
	dossiers, err := s.Dossiers([]ident.ID{unit.ID}, now)
	if err != nil {
		return nil, err
	}
	var codes, texts []string
	for _, d := range dossiers {
		if d.Model.Kind != fleet.Dosimeter {
			return nil, bad(unit.Tag+" is not a dosimeter but a "+string(d.Model.Kind), "unit", "only dosimeters are worn")
		}
		v := fleet.Assess(d, fleet.Span{From: in.At, To: in.At.Add(time.Minute)}, now)
		for _, r := range v.Reasons {
			switch r.Code {
			case fleet.ReasonCertificate, fleet.ReasonHold, fleet.ReasonUnread, fleet.ReasonHire:
				codes, texts = append(codes, string(r.Code)), append(texts, r.Text())
			}
		}
	}
	worn, err := onSomebody(s, unit.ID, in.At)
	if err != nil {
		return nil, err
	}
	if worn {
		codes, texts = append(codes, AlreadyWorn), append(texts, "It hangs on somebody else; stop that wear first.")
	}
	if len(codes) > 0 && in.Override == "" && now.Sub(in.At) <= Late {
		return nil, fault.New(fault.UnitNotToBeWorn, "unit", unit.Tag, "reasons", strings.Join(texts, " "))
	}
	return codes, nil
}

// AlreadyWorn is the reason against a start while the same unit is in a wear that has not ended.
const AlreadyWorn = "already-worn"

// onSomebody reports whether the unit is in a wear that lasts beyond the moment, or that nobody has stopped.
func onSomebody(s Store, unit ident.ID, at time.Time) (bool, error) {
	wears, err := s.WearsDuring(fleet.Span{From: at, To: at.Add(time.Minute)})
	return slices.ContainsFunc(wears, func(w Wear) bool { return w.Unit == unit }), err
}

// Stop says how and when a wear ended.
type Stop struct {
	Wear    ident.ID
	At      time.Time
	Outcome Outcome
	Note    string
}

// StopWear records the end of a wear. A second stop is recorded as well: both stand, the later entry counts, and the wear
// says that they differ. The unit holds unread data from then on, unless the latest stop says that it did not run or was cleared.
func (o *Office) StopWear(ctx context.Context, who access.Actor, in Stop) (Wear, error) {
	if err := mayRecord(who, "stopping a wear needs a surveyor"); err != nil {
		return Wear{}, err
	}
	switch {
	case !in.Outcome.Valid():
		return Wear{}, bad("the outcome is one of complete, cut short, lost, cleared, refused, unattended, swapped", "outcome", "choose one")
	case in.At.IsZero():
		return Wear{}, bad("a stop has a time", "at", "say when it was taken off")
	}
	if err := o.happened(in.At); err != nil {
		return Wear{}, err
	}
	in.At = in.At.UTC().Truncate(time.Millisecond)
	var w Wear
	err := o.Do(ctx, who, func(s Store) (err error) {
		w, err = o.stopWear(s, who, in)
		return err
	})
	return w, err
}

func (o *Office) stopWear(s Store, who access.Actor, in Stop) (Wear, error) {
	w, err := s.WearByID(in.Wear)
	if err != nil {
		return Wear{}, err
	}
	if in.At.Before(w.Start) {
		return Wear{}, bad("the wear began at "+stamp(w.Start)+" and cannot end before", "at", "not before the start")
	}
	before := wearState(w)
	f := WearFact{ID: o.NewID(), Wear: w.ID, Kind: WearStopped, Occurred: in.At, Entered: o.now(), By: who.Name, Outcome: in.Outcome, Note: in.Note}
	w.Stop, w.Outcome, w.Version = in.At, in.Outcome, w.Version+1
	w.Facts = append(w.Facts, f)
	if err := s.UpdateWear(w); err != nil {
		return Wear{}, err
	}
	if err := s.AppendWearFact(w, f); err != nil {
		return Wear{}, err
	}
	if err := o.tellFleet(s, w, f); err != nil {
		return Wear{}, err
	}
	return w, s.Record(wearChange(w, f, "stop", before))
}

// ran reports whether the unit was on and logging.
func (o Outcome) ran() bool { return o != Refused && o != LostWear }

// tellFleet keeps what the fleet knows of the unit in step with the latest stop: what an earlier stop told is taken back where
// it differs.
func (o *Office) tellFleet(s Store, w Wear, f WearFact) error {
	dossiers, err := s.Dossiers([]ident.ID{w.Unit}, f.Entered)
	if err != nil {
		return err
	}
	var told, next []fleet.Fact
	for _, d := range dossiers {
		told = toldOf(w.ID, fleet.Standing(d, f.Entered))
	}
	if w.Outcome.ran() {
		next = o.wornFacts(w, f)
	}
	if slices.EqualFunc(told, next, func(a, b fleet.Fact) bool { return a.Occurred.Equal(b.Occurred) && a.Body == b.Body }) {
		return nil
	}
	var facts []fleet.Fact
	for _, t := range told {
		facts = append(facts, fleet.Fact{ID: o.NewID(), Unit: w.Unit, Occurred: f.Entered, Entered: f.Entered, By: f.By,
			Body: fleet.Retracted{Fact: t.ID, Reason: "the stop of the wear was entered anew"}})
	}
	for _, n := range next { // after the retractions, which reach only what was entered before them
		n.ID = o.NewID()
		facts = append(facts, n)
	}
	if len(facts) == 0 {
		return nil
	}
	return s.AppendFacts(facts)
}

// toldOf picks the facts that the stops of a wear told of its unit.
func toldOf(wear ident.ID, facts []fleet.Fact) []fleet.Fact {
	var told []fleet.Fact
	for _, f := range facts {
		if b, ok := f.Body.(fleet.Worn); ok && b.Wear == wear {
			told = append(told, f)
		}
	}
	n := len(told)
	for _, f := range facts {
		same := func(t fleet.Fact) bool { return t.Occurred.Equal(f.Occurred) && t.Entered.Equal(f.Entered) }
		if f.Body == fleet.Body(clearedAtStop) && slices.ContainsFunc(told[:n], same) {
			told = append(told, f)
		}
	}
	return told
}

// clearedAtStop is what the fleet learns of a wear that ended with its memory cleared.
var clearedAtStop = fleet.Cleared{Reason: "the wear was entered as cleared"}

// wornFacts tells the fleet what the unit went through: run time and unread data, and where it was cleared, that.
func (o *Office) wornFacts(w Wear, f WearFact) []fleet.Fact {
	fact := func(b fleet.Body) fleet.Fact {
		return fleet.Fact{Unit: w.Unit, Occurred: f.Occurred, Entered: f.Entered, By: f.By, Body: b}
	}
	minutes := int(w.Stop.Sub(w.Start).Round(time.Minute) / time.Minute)
	facts := []fleet.Fact{fact(fleet.Worn{Wear: w.ID, Client: w.Client, Minutes: minutes})}
	if w.Outcome == ClearedOut {
		facts = append(facts, fact(clearedAtStop))
	}
	return facts
}

func wearState(w Wear) map[string]any {
	return map[string]any{"survey": w.Survey, "day": w.Day, "worker": w.Worker, "unit": w.UnitTag, "side": w.Side, "start": w.Start,
		"stop": w.Stop, "outcome": w.Outcome}
}

func wearChange(w Wear, f WearFact, verb string, before any) trail.Change {
	after := wearState(w)
	after["not_fit"] = f.NotFit
	after["override"] = f.Override != ""
	return trail.Change{Noun: NounWear, ID: w.ID, Verb: verb, Client: w.Client, Occurred: f.Occurred, Before: before, After: after,
		Private: map[string]any{"note": f.Note, "override": f.Override}}
}

// RecordCheck records a field check of a wear. The unit is that of the wear. A repeated check is a further record; the last
// one on each side of the wear is judged.
func (o *Office) RecordCheck(ctx context.Context, who access.Actor, c Check) (Check, error) {
	if err := mayRecord(who, "recording a field check needs a surveyor"); err != nil {
		return Check{}, err
	}
	if field, text := c.wrong(); field != "" {
		return Check{}, bad("the field check cannot be read", field, text)
	}
	if err := o.happened(c.At); err != nil {
		return Check{}, err
	}
	c.At = c.At.UTC().Truncate(time.Millisecond)
	err := o.Do(ctx, who, func(s Store) error {
		w, err := s.WearByID(c.Wear)
		if err != nil {
			return err
		}
		// Of two failing checks entered at the same moment one has to see the other.
		if err := s.LockUnits([]ident.ID{w.Unit, c.Calibrator}); err != nil {
			return err
		}
		if err := isCalibrator(s, c.Calibrator, o.now()); err != nil {
			return err
		}
		c.ID, c.Client, c.Unit, c.Entered, c.By = o.NewID(), w.Client, w.Unit, o.now(), who.Name
		if err := s.InsertCheck(c); err != nil {
			return err
		}
		if err := s.Record(checkChange(c)); err != nil {
			return err
		}
		return o.holdAfter(s, w, c)
	})
	return c, err
}

func isCalibrator(s Store, unit ident.ID, at time.Time) error {
	dossiers, err := s.Dossiers([]ident.ID{unit}, at)
	if err != nil {
		return err
	}
	if len(dossiers) != 1 {
		return fault.New(fault.NotThere, "noun", "calibrator")
	}
	if d := dossiers[0]; d.Model.Kind != fleet.Calibrator {
		return bad(d.Unit.Tag+" is not a calibrator but a "+string(d.Model.Kind), "calibrator", "name the calibrator that was used")
	}
	return nil
}

func checkChange(c Check) trail.Change {
	state := c
	state.Place, state.By = "", ""
	return trail.Change{Noun: NounCheck, ID: c.ID, Verb: "record", Client: c.Client, Occurred: c.At, After: state,
		Private: map[string]any{"place": c.Place}}
}
