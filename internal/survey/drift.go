package survey

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"kitd/internal/civil"
	"kitd/internal/exposure"
	"kitd/internal/fleet"
	"kitd/internal/ident"
)

// ISODriftLimit is the largest difference between the checks before and after a series that ISO 9612 accepts: readings that
// differ by more than 0.5 dB from those at the start discard the series (ISO 9612:2009, 12.2). Exactly 0.5 dB passes.
const ISODriftLimit DB = 500

// SuspectAsReceived is the deviation from the calibrator's level, before any adjustment, above which a dosimeter is suspect
// (OSHA Technical Manual, section III chapter 5, calibration of dosimeters: more than 1 dB).
const SuspectAsReceived DB = 1000

// DriftLimit is the largest drift under which a profile's verdicts may be read, with where the figure comes from.
type DriftLimit struct {
	Profile string
	Limit   DB
	Source  string
}

// RestsOnISO reports whether the profile asks for the field checks of ISO 9612: then a missing check leaves it without a
// verdict, as it leaves the standard without a result.
func (l DriftLimit) RestsOnISO() bool { return strings.HasPrefix(l.Source, "ISO 9612") }

// DriftLimits takes the limits from profiles; a profile without one is judged whatever the drift, which is shown beside it.
func DriftLimits(profiles []exposure.Profile) []DriftLimit {
	var limits []DriftLimit
	for _, p := range profiles {
		if p.Drift == nil {
			continue
		}
		source := p.Drift.Source.Clause
		if p.Drift.Source.Memory {
			source += ", from memory"
		}
		limits = append(limits, DriftLimit{p.ID, RoundDB(p.Drift.DB), source})
	}
	return limits
}

// Drift is the judgement of a wear's field checks.
type Drift struct {
	Before      ident.ID      `json:"before,omitzero"` // the check judged, the last one before
	After       ident.ID      `json:"after,omitzero"`  // the last one after
	BeforeLevel *DB           `json:"before_level_db,omitempty"`
	AfterLevel  *DB           `json:"after_level_db,omitempty"` // certified levels of the calibrators used
	AsReceived  *DB           `json:"as_received_db,omitempty"` // deviation before any adjustment
	ValueDB     *DB           `json:"value_db,omitempty"`       // nil: cannot be told
	Limits      []DriftResult `json:"limits"`
	Flags       []Flag        `json:"flags,omitempty"`
}

// DriftResult is the drift against the limit of one profile, or of ISO 9612 itself ("iso-9612").
type DriftResult struct {
	Profile string `json:"profile"`
	LimitDB DB     `json:"limit_db"`
	Source  string `json:"source"`
	Passes  bool   `json:"passes"` // false also when the drift cannot be told
	Blocks  bool   `json:"blocks"` // no verdict, no result: the drift is too large, or ISO 9612 asks for a check that is missing
}

// ISO9612 names the standard among the drift limits.
const ISO9612 = "iso-9612"

// Blocks reports whether the checks leave the profile, or ISO 9612 itself, without an assessment.
func (d Drift) Blocks(profile string) bool {
	for _, l := range d.Limits {
		if l.Profile == profile {
			return l.Blocks
		}
	}
	return false
}

// DriftOf is (after − level of its calibrator) − (settled before − level of its calibrator). The two calibrators may differ;
// what one of them reads too high cancels only when both checks are made with it, so each is taken against its certificate.
func DriftOf(before, after Check, beforeLevel, afterLevel DB) DB {
	return (after.IndicatedDB - afterLevel) - (before.Settled() - beforeLevel)
}

// CertifiedLevel is what the calibrator's certificate in force on the day says it gives: the latest line calibrated on or
// before that day that states a level. Whether the certificate still covers the day is another question.
func CertifiedLevel(lines []fleet.Line, on civil.Date) (fleet.Line, DB, bool) {
	var best fleet.Line
	for _, l := range lines {
		if l.LevelDB == nil || l.Calibrated.After(on) || !l.Superseded.IsZero() {
			continue
		}
		newer := cmp.Or(l.Calibrated.Compare(best.Calibrated), l.Entered.Compare(best.Entered))
		if best.LevelDB == nil || newer > 0 {
			best = l
		}
	}
	if best.LevelDB == nil {
		return fleet.Line{}, 0, false
	}
	return best, RoundDB(*best.LevelDB), true
}

// Levels gives the certified level of a calibrator for a check; false when no certificate states one.
type Levels func(Check) (DB, bool)

// JudgeDrift judges the checks of one wear by the limits. A repeated check replaces the one before it; all stay on record.
func JudgeDrift(checks []Check, levels Levels, limits []DriftLimit) Drift {
	var d Drift
	before, hasBefore := lastCheck(checks, Before)
	after, hasAfter := lastCheck(checks, After)
	if hasBefore {
		d.Before = before.ID
		d.BeforeLevel = levelOf(levels, before)
		d.received(asReceived(checks), levels)
	} else {
		d.Flags = append(d.Flags, flagOf(FlagNoBefore))
	}
	if hasAfter {
		d.After = after.ID
		d.AfterLevel = levelOf(levels, after)
	} else {
		d.Flags = append(d.Flags, flagOf(FlagNoAfter))
	}
	if hasBefore && d.BeforeLevel == nil || hasAfter && d.AfterLevel == nil {
		d.Flags = append(d.Flags, flagOf(FlagNoLevel))
	}
	if d.BeforeLevel != nil && d.AfterLevel != nil {
		v := DriftOf(before, after, *d.BeforeLevel, *d.AfterLevel)
		d.ValueDB = &v
	}
	d.judge(limits)
	return d
}

// asReceived is the check that shows the dosimeter as it came: the last one before the wear that no adjustment precedes. A
// repeated check after an adjustment shows the adjustment, not the instrument.
func asReceived(checks []Check) Check {
	var mine []Check
	for _, c := range checks {
		if c.When == Before {
			mine = append(mine, c)
		}
	}
	slices.SortFunc(mine, inOrder)
	for _, c := range mine {
		if c.Adjusted {
			return c
		}
	}
	return mine[len(mine)-1]
}

func (d *Drift) received(first Check, levels Levels) {
	level := levelOf(levels, first)
	if level == nil {
		return
	}
	dev := first.IndicatedDB - *level
	d.AsReceived = &dev
	if dev.Abs() > SuspectAsReceived {
		d.Flags = append(d.Flags, flagOf(FlagAsReceived, "db", dev.String()))
	}
}

func (d *Drift) judge(limits []DriftLimit) {
	iso := DriftLimit{ISO9612, ISODriftLimit, "ISO 9612:2009, 12.2"}
	for _, l := range append([]DriftLimit{iso}, limits...) {
		r := DriftResult{Profile: l.Profile, LimitDB: l.Limit, Source: l.Source}
		if d.ValueDB != nil {
			r.Passes = d.ValueDB.Abs() <= l.Limit
			r.Blocks = !r.Passes
		} else {
			r.Blocks = l.RestsOnISO()
		}
		d.Limits = append(d.Limits, r)
	}
	var over []string
	for _, l := range d.Limits {
		if d.ValueDB != nil && l.Blocks {
			over = append(over, l.Profile+" "+l.LimitDB.String()+" dB")
		}
	}
	if len(over) > 0 {
		d.Flags = append(d.Flags, flagOf(FlagDrift, "db", d.ValueDB.String(), "what", strings.Join(over, ", ")))
	}
}

func levelOf(levels Levels, c Check) *DB {
	if v, ok := levels(c); ok {
		return &v
	}
	return nil
}

func lastCheck(checks []Check, when When) (Check, bool) {
	mine := slices.DeleteFunc(slices.Clone(checks), func(c Check) bool { return c.When != when })
	if len(mine) == 0 {
		return Check{}, false
	}
	return slices.MaxFunc(mine, inOrder), true
}

// inOrder orders checks as they were made.
func inOrder(a, b Check) int {
	return cmp.Or(a.At.Compare(b.At), a.Entered.Compare(b.Entered), slices.Compare(a.ID[:], b.ID[:]))
}

// levelsFrom takes certified levels from the dossiers of the calibrators, on the day of the check at the place.
func levelsFrom(calibrators []fleet.Dossier, loc *time.Location) Levels {
	lines := map[ident.ID][]fleet.Line{}
	for _, d := range calibrators {
		lines[d.Unit.ID] = d.Lines
	}
	return func(c Check) (DB, bool) {
		_, level, ok := CertifiedLevel(lines[c.Calibrator], civil.Of(c.At.In(loc)))
		return level, ok
	}
}
