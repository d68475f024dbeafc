package fleet

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"kitd/internal/access"
	"kitd/internal/fault"
	"kitd/internal/ident"
	"kitd/internal/trail"
)

// Record stores what happened, and gives it back with identifier, moment of entry and name. Facts are never refused for
// contradicting others; only what cannot be read or is impossible is (fault.BadInput, fault.NotThere), and then none is stored.
// A zero Occurred means now. Surveyors record what happens in their hands; opening statements, sign-offs, extensions, ends of
// coverage, and retractions of other people's facts are the coordinator's.
func (k *Keeper) Record(ctx context.Context, who access.Actor, facts ...Fact) ([]Fact, error) {
	now := k.now()
	stamped := slices.Clone(facts)
	c := checker{what: "the fact"}
	for i := range stamped {
		at := ""
		if len(stamped) > 1 {
			at = fmt.Sprintf("facts/%d/", i)
		}
		k.stamp(&stamped[i], who, now)
		stamped[i].check(&c, at, now)
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	return stamped, k.Do(ctx, who, func(s Store) error {
		for _, f := range stamped {
			if err := mayRecord(s, who, f); err != nil {
				return err
			}
		}
		return s.AppendFacts(stamped)
	})
}

func (k *Keeper) stamp(f *Fact, who access.Actor, now time.Time) {
	f.ID, f.Entered, f.By = k.NewID(), now, who.Name
	if f.Occurred.IsZero() {
		f.Occurred = now
	}
	f.Occurred = f.Occurred.UTC().Truncate(time.Millisecond)
}

// mayRecord looks whether the unit is there for the actor, whether the role records such facts, and whether what the fact
// points at exists.
func mayRecord(s Store, who access.Actor, f Fact) error {
	if !who.Books() {
		return fault.New(fault.NotAllowed, "what", "record what happens to units")
	}
	if _, err := s.UnitByID(f.Unit); err != nil {
		return err
	}
	switch b := f.Body.(type) {
	case Opening, CoverageEnded:
		return keeps(who, "record this about units")
	case ChargeOn:
		return onCharger(s, b)
	case SignedOff:
		if err := keeps(who, "release units"); err != nil {
			return err
		}
		return pointsAt(s, f, b.Hold, "hold", func(x Fact) bool { _, held := x.Body.(Held); return held })
	case Extended:
		if err := keeps(who, "extend certificates"); err != nil {
			return err
		}
		return knownLine(s, f, b)
	case Retracted:
		own := func(x Fact) bool { return who.Keeps() || x.By == who.Name }
		return pointsAt(s, f, b.Fact, "fact of yours", own)
	}
	return nil
}

func onCharger(s Store, b ChargeOn) error {
	u, err := s.UnitByID(b.Charger)
	if err != nil {
		return err
	}
	m, err := s.Model(u.Model)
	if err != nil {
		return err
	}
	if m.Kind != Charger {
		return fault.New(fault.BadInput, "what", u.Tag+" is no charger").At("charger", "must name a unit of the kind charger")
	}
	if m.Positions > 0 && b.Position > m.Positions {
		return fault.New(fault.BadInput, "what", fmt.Sprintf("charger %s has %d places", u.Tag, m.Positions)).At("position", fmt.Sprintf("must be from 1 to %d", m.Positions))
	}
	return nil
}

// pointsAt finds the earlier fact that a fact speaks of.
func pointsAt(s Store, f Fact, target ident.ID, noun string, fits func(Fact) bool) error {
	ds, err := s.Dossiers([]ident.ID{f.Unit}, f.Entered)
	if err != nil {
		return err
	}
	for _, d := range ds {
		if i := slices.IndexFunc(d.Facts, func(x Fact) bool { return x.ID == target }); i >= 0 && fits(d.Facts[i]) {
			return nil
		}
	}
	return fault.New(fault.NotThere, "noun", noun)
}

func knownLine(s Store, f Fact, b Extended) error {
	ds, err := s.Dossiers([]ident.ID{f.Unit}, f.Entered)
	if err != nil {
		return err
	}
	for _, d := range ds {
		for _, l := range d.Lines {
			if l.ID != b.Line {
				continue
			}
			if b.Due.Before(l.Calibrated) {
				return fault.New(fault.BadInput, "what", "the extension").At("due", "lies before the day of calibration, "+l.Calibrated.String())
			}
			return nil
		}
	}
	return fault.New(fault.NotThere, "noun", "certificate of this unit")
}

// IntendClear is the guarded way to clear a memory: over unread data it is refused (fault.ClearOverUnread) unless override
// names the reason why they may be lost. Either way the fact that is recorded says what was done.
func (k *Keeper) IntendClear(ctx context.Context, who access.Actor, unit ident.ID, at time.Time, override string) (Fact, error) {
	now := k.now()
	f := Fact{Unit: unit, Occurred: at, Body: Cleared{Reason: override}}
	k.stamp(&f, who, now)
	c := checker{what: "the clearing"}
	f.check(&c, "", now)
	if err := c.err(); err != nil {
		return Fact{}, err
	}
	return f, k.Do(ctx, who, func(s Store) error {
		if err := mayRecord(s, who, f); err != nil {
			return err
		}
		if err := s.LockUnits([]ident.ID{unit}); err != nil {
			return err
		}
		ds, err := s.Dossiers([]ident.ID{unit}, now)
		if err != nil {
			return err
		}
		if len(ds) == 0 {
			return fault.New(fault.NotThere, "noun", "unit")
		}
		lost := Unread(ds[0], f.Occurred, now)
		if len(lost) > 0 && f.Body.(Cleared).Reason == "" {
			return fault.New(fault.ClearOverUnread, "unit", ds[0].Unit.Tag, "n", len(lost))
		}
		if err := s.AppendFacts([]Fact{f}); err != nil || len(lost) == 0 {
			return err
		}
		return s.Record(trail.Change{Noun: "unit", ID: unit, Verb: "clear over unread data", Occurred: f.Occurred,
			After: lost, Private: override})
	})
}

// EnterCertificate stores a laboratory's document with its lines. Where a line names no due date it is counted by the
// laboratory's rule and the model's interval. Supersedes names a wrong entry that this one corrects: both stay, the wrong one
// counts no longer. Extensions belong to a line, so a corrected line needs its extension anew.
func (k *Keeper) EnterCertificate(ctx context.Context, who access.Actor, x Certificate) (Certificate, error) {
	if err := keeps(who, "enter certificates"); err != nil {
		return Certificate{}, err
	}
	now := k.now()
	x.ID, x.Entered, x.By, x.Superseded, x.Lines = k.NewID(), now, who.Name, time.Time{}, slices.Clone(x.Lines)
	if err := x.check(now); err != nil {
		return Certificate{}, err
	}
	for i := range x.Lines {
		x.Lines[i].ID = k.NewID()
	}
	return x, k.Do(ctx, who, func(s Store) error { return enter(s, &x) })
}

func enter(s Store, x *Certificate) error {
	lab, err := s.Laboratory(x.Laboratory)
	if err != nil {
		return err
	}
	if x.File != "" {
		if there, err := s.HasFile(x.File); err != nil || !there {
			return cmp.Or[error](err, fault.New(fault.NotThere, "noun", "file in the archive"))
		}
	}
	var before any
	if !x.Supersedes.IsZero() {
		old, err := s.Certificate(x.Supersedes)
		if err != nil {
			return err
		}
		before = nameless(old)
	}
	for i := range x.Lines {
		if err := complete(s, x, &x.Lines[i], lab); err != nil {
			return err
		}
	}
	if err := s.SaveCertificate(*x); err != nil {
		return err
	}
	verb := "enter"
	if before != nil {
		verb = "correct"
	}
	return s.Record(trail.Change{Noun: "certificate", ID: x.ID, Verb: verb, Before: before, After: nameless(*x), Private: x.Note})
}

// nameless is the certificate without what may hold a name.
func nameless(x Certificate) Certificate {
	x.By, x.Note = "", ""
	return x
}

// complete fills in what a line takes from its certificate, its unit's model and the laboratory.
func complete(s Store, x *Certificate, l *Line, lab Laboratory) error {
	u, err := s.UnitByID(l.Unit)
	if err != nil {
		return err
	}
	m, err := s.Model(u.Model)
	if err != nil {
		return err
	}
	l.Certificate, l.Number, l.Calibrated, l.Entered, l.LabName = x.ID, x.Number, x.Calibrated, x.Entered, lab.Name
	if l.Due.IsZero() && l.Verdict == Pass {
		l.Due = DueDate(x.Calibrated, m.CalibrationMonths, lab.DueRule)
	}
	if l.Due.IsZero() && l.Verdict == Pass {
		return fault.New(fault.BadInput, "what", "the model of "+u.Tag+" has no calibration interval to count the due date from").At("due", "must name the last covered day of "+u.Tag)
	}
	return nil
}
