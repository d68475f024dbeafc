package survey

import (
	"slices"
	"time"

	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// holdRule is the name of the rule on the holds it makes.
const holdRule = "field check"

// holdWindow is how far back failing checks with one calibrator are counted (common practice, no source).
const holdWindow = 30 * 24 * time.Hour

// holdAfter holds back what repeated failing checks point at. A failed check is repeated with a second calibrator before the
// dosimeter is held back; two dosimeters that fail with one calibrator hold the calibrator (common practice, no source).
func (o *Office) holdAfter(s Store, w Wear, c Check) error {
	if c.When != After {
		return nil
	}
	checks, err := s.ChecksOf(w.ID)
	if err != nil {
		return err
	}
	v, err := s.SurveyByID(w.Survey)
	if err != nil {
		return err
	}
	failing, err := o.failing(s, v, checks)
	if err != nil || !slices.Contains(failing, c.ID) {
		return err
	}
	if first := otherCalibrators(checks, failing, c); len(first) == 1 {
		if err := o.hold(s, w.Unit, c, "Checks before and after a wear lie more than "+ISODriftLimit.String()+" dB apart with two calibrators."); err != nil {
			return err
		}
	}
	return o.holdCalibrator(s, v, w, c)
}

// otherCalibrators gives the calibrators of the failing checks other than c's, each once; none when c's own failed before.
func otherCalibrators(checks []Check, failing []ident.ID, c Check) []ident.ID {
	var others []ident.ID
	for _, k := range checks {
		switch {
		case k.ID == c.ID || !slices.Contains(failing, k.ID):
		case k.Calibrator == c.Calibrator:
			return nil
		case !slices.Contains(others, k.Calibrator):
			others = append(others, k.Calibrator)
		}
	}
	return others
}

// failing gives the after-checks that differ from the last check before by more than ISO 9612 allows.
func (o *Office) failing(s Store, v Survey, checks []Check) ([]ident.ID, error) {
	before, ok := lastCheck(checks, Before)
	if !ok {
		return nil, nil
	}
	levels, err := o.levels(s, v, checks)
	if err != nil {
		return nil, err
	}
	var out []ident.ID
	for _, k := range checks {
		if k.When != After {
			continue
		}
		if d := JudgeDrift([]Check{before, k}, levels, nil); d.ValueDB != nil && d.ValueDB.Abs() > ISODriftLimit {
			out = append(out, k.ID)
		}
	}
	return out, nil
}

// levels reads the certificates of the calibrators that were used, as they stand now.
func (o *Office) levels(s Store, v Survey, checks []Check) (Levels, error) {
	var used []ident.ID
	for _, c := range checks {
		if !slices.Contains(used, c.Calibrator) {
			used = append(used, c.Calibrator)
		}
	}
	dossiers, err := s.Dossiers(used, o.now())
	if err != nil {
		return nil, err
	}
	loc, err := place(v.Zone)
	if err != nil {
		return nil, err
	}
	return levelsFrom(dossiers, loc), nil
}

// holdCalibrator looks at the dosimeters that failed with the calibrator of late, whichever client they were worn for, since it
// was last signed off. One that is held already is not held again.
func (o *Office) holdCalibrator(s Store, v Survey, w Wear, c Check) error {
	from := c.At.Add(-holdWindow)
	dossiers, err := s.Dossiers([]ident.ID{c.Calibrator}, o.now())
	if err != nil {
		return err
	}
	for _, d := range dossiers {
		held, released := heldByRule(fleet.Standing(d, o.now()))
		if held {
			return nil
		}
		if released.After(from) {
			from = released
		}
	}
	checks, err := s.ChecksAcross(c.Calibrator, from, c.At)
	if err != nil {
		return err
	}
	for len(checks) > 0 {
		n := slices.IndexFunc(checks, func(k Check) bool { return k.Wear != checks[0].Wear })
		if n < 0 {
			n = len(checks)
		}
		one := checks[:n]
		checks = checks[n:]
		if one[0].Unit == w.Unit {
			continue
		}
		failing, err := o.failing(s, v, one)
		if err != nil {
			return err
		}
		if slices.ContainsFunc(one, func(k Check) bool {
			return k.Calibrator == c.Calibrator && !k.At.Before(from) && slices.Contains(failing, k.ID)
		}) {
			return o.hold(s, c.Calibrator, c, "Two dosimeters failed their checks after wears with this calibrator.")
		}
	}
	return nil
}

// heldByRule reports whether a hold of this rule stands, and when the last one was signed off.
func heldByRule(facts []fleet.Fact) (held bool, released time.Time) {
	open := map[ident.ID]bool{}
	for _, f := range facts {
		switch b := f.Body.(type) {
		case fleet.Held:
			if b.Rule == holdRule {
				open[f.ID] = true
			}
		case fleet.SignedOff:
			if open[b.Hold] {
				delete(open, b.Hold)
				released = f.Occurred
			}
		}
	}
	return len(open) > 0, released
}

func (o *Office) hold(s Store, unit ident.ID, c Check, reason string) error {
	return s.AppendFacts([]fleet.Fact{{ID: o.NewID(), Unit: unit, Occurred: c.At, Entered: c.Entered, By: c.By,
		Body: fleet.Held{Reason: reason, Rule: holdRule}}})
}
